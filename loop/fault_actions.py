"""Faults that a script, or chance, can bring about: probe, gas, interface, links, the lung.

What a fault does is in the part that it befalls; here it is begun and undone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from ..models.errors import nearest, problem
from ..models.probe_faults import INERT
from .action import Action, Start, Undo, nothing_to_undo
from .breathing_state import Layer
from .link_faults import LATEST_S, NONE
from .patients import Patients

_Given = Mapping[str, Any]

#: Pulse rate that a probe off the skin makes of room light (1/min); assumption.
FALSE_PULSE_BPM = 80.0


def _takes(**ranges: tuple[float, float]) -> Callable[[Mapping[str, Any]], None]:
    """Make the check of an event's further settings: numbers, each in its range."""

    def check(settings: Mapping[str, Any]) -> None:
        for key, value in settings.items():
            where = f"ScriptedEvent.settings.{key}"
            if key not in ranges:
                raise problem(where, "a setting of this event", key, nearest(key, ranges))
            low, high = ranges[key]
            number = isinstance(value, (int, float)) and not isinstance(value, bool)
            if not number or not low <= value <= high:
                raise problem(where, f"a value from {low:g} to {high:g}", value)

    return check


_PULSE = _takes(pulse_bpm=(20.0, 300.0))
_GROWS = _takes(over_s=(1.0, 1_209_600.0))
_AT_NEED = _takes(at_need=(0.0, 1.0))
_WITHIN = _takes(within_s=(1.0, 1_209_600.0))


def _probe(fault: str) -> Start:
    def start(
        patients: Patients, lanes: Sequence[int], value: float, settings: _Given, now: float
    ) -> Undo:
        patients.oximeter.set_fault(lanes, fault, value)
        return lambda end: patients.oximeter.set_fault(lanes, fault, INERT[fault])

    return start


def _probe_off(
    patients: Patients, lanes: Sequence[int], value: float, settings: _Given, now: float
) -> Undo:
    pulse_bpm = float(settings.get("pulse_bpm", FALSE_PULSE_BPM))
    patients.oximeter.set_fault(lanes, "forced_pct", value)
    patients.oximeter.set_fault(lanes, "forced_bpm", pulse_bpm)

    def undo(end: float) -> None:
        patients.oximeter.set_fault(lanes, "forced_pct", math.nan)
        patients.oximeter.set_fault(lanes, "forced_bpm", math.nan)

    return undo


def _duct(
    patients: Patients, lanes: Sequence[int], value: float, settings: _Given, now: float
) -> Undo:
    patients.duct.set_mixing(lanes, value)
    return lambda end: patients.duct.set_mixing(lanes, 0.0)


def _gas(fault: str) -> Start:
    def start(
        patients: Patients, lanes: Sequence[int], value: float, settings: _Given, now: float
    ) -> Undo:
        patients.gas.set_fault(lanes, fault, True)
        return lambda end: patients.gas.set_fault(lanes, fault, False)

    return start


def _device_error(device: str) -> Start:
    def start(
        patients: Patients, lanes: Sequence[int], value: float, settings: _Given, now: float
    ) -> Undo:
        error = getattr(patients.gas, f"{device}_error")
        chosen = list(lanes)
        before = error[chosen].copy()
        error[chosen] = before + value

        def undo(end: float) -> None:
            error[chosen] = before

        return undo

    return start


def _interface(
    patients: Patients, lanes: Sequence[int], value: float, settings: _Given, now: float
) -> Undo:
    patients.support.set_interface(np.asarray(lanes), on=False)
    return lambda end: patients.support.set_interface(np.asarray(lanes), on=True)


def _leak(
    patients: Patients, lanes: Sequence[int], value: float, settings: _Given, now: float
) -> Undo:
    chosen = np.asarray(lanes)
    usual = patients.support.settings[int(chosen[0])].leak_fraction
    patients.support.set_leak(chosen, leak_fraction=value)
    return lambda end: patients.support.set_leak(chosen, leak_fraction=usual)


def _link(fault: str) -> Start:
    def start(
        patients: Patients, lanes: Sequence[int], value: float, settings: _Given, now: float
    ) -> Undo:
        patients.link.set(lanes, fault, value)
        return lambda end: patients.link.set(lanes, fault, NONE[fault])

    return start


def _take_over(
    patients: Patients, lanes: Sequence[int], value: float, settings: _Given, now: float
) -> Undo:
    need = patients.infants.fio2_need.tolist()
    for lane in lanes:
        usual = max(need[lane % len(need)], patients.gas.settings.fio2_min)
        patients.link.set([lane], "hand_fio2", usual if settings.get("at_need") else value)
    return lambda end: patients.link.set(lanes, "hand_fio2", math.nan)


def _lung(
    patients: Patients, lanes: Sequence[int], value: float, settings: _Given, now: float
) -> Undo:
    layer = Layer(shunt_factor=value)
    patients.state.lay(lanes, layer, now)
    return lambda end: patients.state.lift(lanes, layer, end)


def _transfuse(
    patients: Patients, lanes: Sequence[int], value: float, settings: _Given, now: float
) -> Undo:
    patients.activity.transfused[list(lanes)] += value
    blood = patients.activity.blood()
    patients.lungs.set_blood(blood.hb_g_dl, blood.p50_mmhg)
    patients.duct.set_blood(patients.lungs.parameters)
    return nothing_to_undo


def _dropout(when: str, doc: str) -> Action:
    name = f"dropout_{when}"
    return Action(
        name=name, doc=doc, start=_probe("lost"), low=1.0, high=1.0, waits_for=when,
        needs_duration=True, check=_WITHIN,
    )  # fmt: skip


FAULT_ACTIONS = (
    Action(
        name="probe_off_high",
        doc="the probe is off the skin and shows a false high value; value: what it shows",
        start=_probe_off, unit="%", low=1.0, high=100.0, default=99.0, check=_PULSE,
    ),
    Action(
        name="probe_displaced_low",
        doc="the probe has slipped and shows a false low value; value: what it shows",
        start=_probe("forced_pct"),
        unit="%", low=1.0, high=100.0, default=76.0,
    ),
    Action(
        name="frozen_reading",
        doc="the display repeats what it last showed, as if it were valid",
        start=_probe("frozen"), low=1.0, high=1.0,
    ),
    Action(
        name="motion",
        doc="motion at the probe: false falls, poor quality, lost readings; value: how much",
        start=_probe("motion"), unit="fraction", low=0.0, high=1.0, default=1.0,
        needs_duration=True,
    ),
    Action(
        name="probe_offset",
        doc="the probe reads wrong by so much; value: points",
        start=_probe("offset_pct"), unit="points", low=-50.0, high=50.0,
        default=-6.0,
    ),
    Action(
        name="signal_lost",
        doc="the oximeter shows nothing",
        start=_probe("lost"),
        low=1.0,
        high=1.0,
    ),
    _dropout("stable", "the reading is lost while it is stable"),
    _dropout("falling", "the reading is lost while it falls"),
    _dropout("recovering", "the reading is lost while it rises again"),
    Action(
        name="post_ductal_shunt",
        doc="the probe is behind a duct with right-to-left flow; value: share of venous blood",
        start=_duct, unit="fraction", low=0.0, high=0.8, default=0.25,
    ),
    Action(
        name="blender_stuck", doc="what leaves the blender no longer follows its setting",
        start=_gas("stuck"), low=1.0, high=1.0,
    ),
    Action(
        name="blender_offset",
        doc="the blender mixes wrongly by so much; value: error of the FiO2",
        start=_device_error("blender"),
        unit="fraction", low=-0.79, high=0.79, default=-0.08,
    ),
    Action(
        name="supply_lost", doc="no oxygen from the wall: air, whatever is set",
        start=_gas("supply_lost"), low=1.0, high=1.0,
    ),
    Action(
        name="monitor_drift",
        doc="the delivered-FiO2 monitor drifts away, over settings.over_s; value: how far",
        start=_device_error("monitor"),
        unit="fraction", low=-0.79, high=0.79, default=0.08, over_s=600, check=_GROWS,
    ),
    Action(
        name="interface_off", doc="the interface is off: no pressure, room air",
        start=_interface, low=1.0, high=1.0,
    ),
    Action(
        name="circuit_leak", doc="a leak beside the interface; value: share of the flow lost",
        start=_leak, unit="fraction", low=0.0, high=0.95, default=0.85,
    ),
    Action(
        name="stale_samples",
        doc="the same old sample comes again and again; value: for how long each is repeated",
        start=_link("stale_s"), unit="s", low=2.0, high=86400.0, default=3600.0,
    ),
    Action(
        name="duplicated_samples",
        doc="each sample comes several times; value: for how long each is repeated",
        start=_link("stale_s"), unit="s", low=2.0, high=60.0, default=20.0,
    ),
    Action(
        name="wrong_target",
        doc="a wrong target range is entered; value: how far it is off",
        start=_link("target_shift_pct"),
        unit="points", low=-40.0, high=15.0, default=-10.0,
    ),
    Action(
        name="slow_deterioration",
        doc="the lung gets worse bit by bit, over settings.over_s; value: factor on the shunt",
        start=_lung, low=1.0, high=20.0, default=3.0, over_s=2400, check=_GROWS,
    ),
    Action(
        name="gain_change",
        doc="a change of position opens lung: oxygen suddenly acts more; value: factor on shunt",
        start=_lung, low=0.0, high=20.0, default=0.3,
    ),
    Action(
        name="transfused_at_once",
        doc="red cells all at once: oxygen acts otherwise from now on; value: transfusions",
        start=_transfuse, low=0.1, high=4.0, default=2.0,
    ),
    Action(
        name="late_controller",
        doc="the controller's answers come late; value: by how much",
        start=_link("late_s"),
        unit="s", low=1.0, high=float(LATEST_S), default=45.0,
    ),
    Action(
        name="silent_controller", doc="the controller gives no answer any more",
        start=_link("silent"), low=1.0, high=1.0,
    ),
    Action(
        name="erratic_output",
        doc="the controller's output jumps to pure oxygen, for 6 s every 24 s",
        start=_link("erratic"), low=1.0, high=1.0, needs_duration=True,
    ),
    Action(
        name="staff_override",
        doc="staff take over and set an FiO2, until the event ends; value: that FiO2; with "
        "settings.at_need = 1 each infant's usual one",
        start=_take_over,
        check=_AT_NEED,
        unit="fraction", low=0.21, high=1.0, default=0.3, needs_duration=True,
    ),
)  # fmt: skip
