"""Care, feeds, crying and what happens to probes, on the clock: one SimPy process each."""

from __future__ import annotations

import math
from collections.abc import Generator

import numpy as np
import simpy

from ..models.activities import Activities, ActivityKind
from ..models.artefacts import FAULT_OF, ProbeEventKind, ProbeEvents
from ..models.probe_faults import INERT
from .breathing import Log
from .patients import Patients
from .phases import At, Phase


def live(
    env: simpy.Environment,
    patients: Patients,
    place: int,
    activities: Activities,
    log: Log,
) -> Generator[simpy.Event, None, None]:
    """Start each of an infant's activities, in every arm, at its time.

    Parameters
    ----------
    env : simpy.Environment
        The clock.
    patients : Patients
        Changed in place.
    place : int
        The infant's place among the infants of one arm.
    activities : Activities
        What happens, by onset.
    log : callable
        Takes lane, event name, value, detail.

    Yields
    ------
    simpy.Event
    """
    for number, onset_s in enumerate(activities.onset_s.tolist()):
        yield At(env, onset_s - int(env.now), Phase.DISTURBANCE)
        env.process(_go_on(env, patients, place, activities, number, log))


def _go_on(
    env: simpy.Environment,
    patients: Patients,
    place: int,
    activities: Activities,
    number: int,
    log: Log,
) -> Generator[simpy.Event, None, None]:
    lanes = range(place, patients.lanes, len(patients.infants))
    kind = ActivityKind(int(activities.kind[number])).name.lower()
    length_s = int(activities.duration_s[number])
    patients.activity.start(lanes, activities, number)
    _move(patients, lanes)
    for lane in lanes:
        log(lane, "activity_start", float(length_s), kind)
    yield At(env, length_s, Phase.DISTURBANCE)
    patients.activity.stop(lanes, activities, number)
    _move(patients, lanes)
    for lane in lanes:
        log(lane, "activity_end", 0.0, kind)


def _move(patients: Patients, lanes: range) -> None:
    """Let the probe feel the motion, and the infant the loss of its interface."""
    level = float(patients.activity.motion[lanes[0]])
    patients.oximeter.set_fault(list(lanes), "handling", level)
    off = bool(patients.activity.interface_off[lanes[0]])
    if off != bool(patients.support.interface_off[lanes[0]]):
        patients.support.set_interface(np.asarray(lanes), on=not off)


def disturb_probe(
    env: simpy.Environment,
    patients: Patients,
    place: int,
    events: ProbeEvents,
    log: Log,
) -> Generator[simpy.Event, None, None]:
    """Start each event at an infant's probe, in every arm, at its time.

    Parameters
    ----------
    env : simpy.Environment
        The clock.
    patients : Patients
        Changed in place.
    place : int
        The infant's place among the infants of one arm.
    events : ProbeEvents
        What happens to the probe, by onset.
    log : callable
        Takes lane, event name, value, detail.

    Yields
    ------
    simpy.Event
    """
    for number, onset_s in enumerate(events.onset_s.tolist()):
        yield At(env, onset_s - int(env.now), Phase.DISTURBANCE)
        env.process(_one_event(env, patients, place, events, number, log))


def _one_event(
    env: simpy.Environment,
    patients: Patients,
    place: int,
    events: ProbeEvents,
    number: int,
    log: Log,
) -> Generator[simpy.Event, None, None]:
    lanes = list(range(place, patients.lanes, len(patients.infants)))
    kind = ProbeEventKind(int(events.kind[number]))
    value = float(events.value[number])
    patients.oximeter.set_fault(lanes, FAULT_OF[kind], value)
    for lane in lanes:
        log(lane, "probe_start", value, kind.name.lower())
    yield At(env, int(events.duration_s[number]), Phase.DISTURBANCE)
    patients.oximeter.set_fault(lanes, FAULT_OF[kind], INERT[FAULT_OF[kind]])
    for lane in lanes:
        log(lane, "probe_end", math.nan, kind.name.lower())
