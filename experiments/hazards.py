"""The hazards that safeguards are tried with: what goes wrong, when, and what it teaches.

Times count from the moment at which things begin to go wrong. One event of
each hazard is its fault; the others set the scene, such as a desaturation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from ..loop.script import ScriptedEvent
from ..models.errors import nearest, problem

#: The quiet night: nothing goes wrong, so that every alert is false and every effect a cost.
QUIET = "quiet"


@dataclass(frozen=True, kw_only=True)
class Hazard:
    """Something that goes wrong.

    Attributes
    ----------
    name : str
        Short name.
    title : str
        A few words for people.
    guards : tuple of str
        Safeguards that are meant for it, the foremost first.
    lesson : str
        A sentence that a student understands: what happens without the first of them.
    events : tuple of ScriptedEvent
        What happens, by seconds from the beginning of the hazard.
    fault : str
        Which of the events is the fault.
    """

    name: str
    title: str
    guards: tuple[str, ...]
    lesson: str
    events: tuple[ScriptedEvent, ...] = ()
    fault: str = ""

    def script(self, at_s: int, infants: Sequence[int]) -> tuple[ScriptedEvent, ...]:
        """Place the hazard in a run.

        Parameters
        ----------
        at_s : int
            When it begins (s since the start of the run).
        infants : sequence of int
            Own numbers of the infants that it befalls.

        Returns
        -------
        tuple of ScriptedEvent
        """
        who = tuple(infants)
        return tuple(replace(e, at_s=e.at_s + at_s, infants=who) for e in self.events)


def _at(at_s: int, event: str, duration_s: int = 0, value: float | None = None) -> ScriptedEvent:
    strength = {} if value is None else {"value": value}
    return ScriptedEvent(at_s=at_s, event=event, duration_s=duration_s, **strength)  # type: ignore[arg-type]


#: A desaturation to set the scene.
_FALL = _at(0, "central_apnoea", 30)

_ALL = (
    Hazard(
        name="probe_off_high",
        title="Probe off, reads falsely high",
        guards=("pulse_check", "bounds"),
        lesson="A probe off the skin shows 99 %: the controller takes the oxygen away from an "
        "infant who needs it, unless somebody notices that the pulse is not the heart's.",
        events=(_at(0, "probe_off_high", 900),),
        fault="probe_off_high",
    ),
    Hazard(
        name="probe_displaced_low",
        title="Probe displaced, reads falsely low",
        guards=("high_oxygen_limit", "bounds"),
        lesson="A slipped probe shows 76 % whatever is given: without a limit the oxygen goes up "
        "and stays up, because the reading never answers.",
        events=(_at(0, "probe_displaced_low", 900),),
        fault="probe_displaced_low",
    ),
    Hazard(
        name="loose_probe",
        title="Loose probe, brief false lows",
        guards=("rate_of_change",),
        lesson="A loose probe jumps to 55 % for half a minute, again and again: blood cannot fall "
        "so fast, so each jump is worth a short wait and not a burst of oxygen.",
        events=tuple(_at(75 * k, "probe_displaced_low", 30, 55.0) for k in range(10)),
        fault="probe_displaced_low",
    ),
    Hazard(
        name="frozen_low",
        title="Display frozen at a low value",
        guards=("flat_line", "high_oxygen_limit"),
        lesson="The display froze in a desaturation: the infant recovered minutes ago, and the "
        "controller goes on to treat a number that no longer means anything.",
        events=(_FALL, _at(32, "frozen_reading", 900)),
        fault="frozen_reading",
    ),
    Hazard(
        name="motion",
        title="Motion without desaturation",
        guards=("signal_gate",),
        lesson="Movement pulls the reading down again and again; acting on it gives oxygen that "
        "nobody needs.",
        events=(_at(0, "motion", 600, 1.0),),
        fault="motion",
    ),
    Hazard(
        name="motion_and_apnoea",
        title="Motion with real desaturation",
        guards=("signal_gate",),
        lesson="The infant moves and really desaturates: the gate cannot tell, and holding costs "
        "time in hypoxia. A safeguard has a price.",
        events=(
            _at(0, "motion", 600, 1.0),
            *(_at(60 + 150 * k, "central_apnoea", 25) for k in range(4)),
        ),
        fault="motion",
    ),
    Hazard(
        name="dropout_stable",
        title="Signal lost while stable",
        guards=("fallback",),
        lesson="Nothing is shown any more: after a short hold the last good average is set, and "
        "somebody is called.",
        events=(_at(0, "dropout_stable", 600),),
        fault="dropout_stable",
    ),
    Hazard(
        name="dropout_falling",
        title="Signal lost while falling",
        guards=("signal_gate", "anti_windup", "fallback"),
        lesson="The last number seen was low: a controller that keeps looking at it adds oxygen "
        "for as long as the signal is away.",
        events=(_FALL, _at(0, "dropout_falling", 600)),
        fault="dropout_falling",
    ),
    Hazard(
        name="dropout_recovering",
        title="Signal lost while recovering",
        guards=("fallback", "signal_gate"),
        lesson="The signal went just after a rescue: holding what was set then means ten minutes "
        "of far too much oxygen.",
        events=(_FALL, _at(60, "central_apnoea", 25), _at(20, "dropout_recovering", 600)),
        fault="dropout_recovering",
    ),
    Hazard(
        name="long_hold",
        title="Signal lost for long, then back",
        guards=("anti_windup",),
        lesson="While the signal was away the controller's sum went on growing; unless it is told "
        "what was really set, it comes back with all that oxygen at once.",
        events=(_FALL, _at(0, "dropout_falling", 400), _at(500, "dropout_stable", 300)),
        fault="dropout_falling",
    ),
    Hazard(
        name="post_ductal",
        title="Post-ductal probe, right-to-left shunt",
        guards=("baseline_alert", "bounds", "high_oxygen_limit"),
        lesson="The probe sits behind a duct with venous blood in it: the head gets far more "
        "oxygen than the foot shows.",
        events=(_at(0, "post_ductal_shunt", 1500, 0.35),),
        fault="post_ductal_shunt",
    ),
    Hazard(
        name="blender_stuck",
        title="Blender stuck, lung gets worse",
        guards=("delivery_check",),
        lesson="The setting moves and the gas does not: only a look at the delivered oxygen shows "
        "why the infant does not respond.",
        events=(_at(0, "blender_stuck", 900), _at(30, "shunt_change", 870, 1.8)),
        fault="blender_stuck",
    ),
    Hazard(
        name="blender_offset",
        title="Blender mixes 8 points too low",
        guards=("delivery_check",),
        lesson="The controller hides the fault by asking for more; the check of the delivered "
        "oxygen brings it to light.",
        events=(_at(0, "blender_offset", 1200, -0.08),),
        fault="blender_offset",
    ),
    Hazard(
        name="supply_lost",
        title="Oxygen supply lost, then back",
        guards=("delivery_check",),
        lesson="While no oxygen comes the request climbs to its limit; when the supply is back, "
        "all of it arrives.",
        events=(_at(0, "supply_lost", 300),),
        fault="supply_lost",
    ),
    Hazard(
        name="monitor_drift",
        title="Delivered-FiO2 monitor drifts",
        guards=("delivery_check",),
        lesson="Here the monitor is wrong and the gas is right: the alert is false, and it is the "
        "price of the check.",
        events=(_at(0, "monitor_drift", 1200, 0.1),),
        fault="monitor_drift",
    ),
    Hazard(
        name="interface_off",
        title="Interface off",
        guards=("high_oxygen_limit", "bounds"),
        lesson="With the prongs in the air oxygen is blown into the room; put back, the infant "
        "gets what was meant to make up for the loss.",
        events=(_at(0, "interface_off", 240),),
        fault="interface_off",
    ),
    Hazard(
        name="circuit_leak",
        title="Large leak",
        guards=("baseline_alert",),
        lesson="Pressure is lost and the lung shrinks; a rising need for oxygen is the sign.",
        events=(_at(0, "circuit_leak", 1200, 0.9),),
        fault="circuit_leak",
    ),
    Hazard(
        name="stale_samples",
        title="Readings stop, the last one stays",
        guards=("stale_watchdog", "flat_line"),
        lesson="The link is down and the last number stays in the register; a time stamp tells "
        "that it is old.",
        events=(_FALL, _at(32, "stale_samples", 600)),
        fault="stale_samples",
    ),
    Hazard(
        name="duplicated_samples",
        title="Each reading comes for 20 s",
        guards=("stale_watchdog",),
        lesson="Old readings make the loop slow; the watchdog hands over to a fixed oxygen "
        "fraction, which is safe and not good.",
        events=(_at(0, "duplicated_samples", 900, 20.0),),
        fault="duplicated_samples",
    ),
    Hazard(
        name="late_controller",
        title="Controller answers three minutes late",
        guards=("stale_watchdog", "rate_limit"),
        lesson="A right answer three minutes late is a wrong one: the loop swings between too "
        "little and too much.",
        events=(_FALL, _at(0, "late_controller", 1500, 180.0)),
        fault="late_controller",
    ),
    Hazard(
        name="silent_controller",
        title="Controller stops answering after a rescue",
        guards=("fallback",),
        lesson="The controller died with the oxygen turned up: fallback sets the usual fraction "
        "and calls.",
        events=(_FALL, _at(40, "central_apnoea", 25), _at(66, "silent_controller", 900)),
        fault="silent_controller",
    ),
    Hazard(
        name="erratic_output",
        title="Output jumps to pure oxygen",
        guards=("rate_limit", "bounds"),
        lesson="A disturbed line asks for pure oxygen again and again, for seconds: a limit on "
        "the rate turns each jump into a ripple.",
        events=(_at(0, "erratic_output", 900),),
        fault="erratic_output",
    ),
    Hazard(
        name="staff_take_over",
        title="Staff see a false reading and take over",
        guards=("manual_override",),
        lesson="The nurse sees that the probe has slipped and sets the oxygen by hand; a "
        "controller that writes over it takes that out of her hands.",
        events=(
            _at(0, "probe_displaced_low", 900),
            replace(_at(60, "staff_override", 900), settings={"at_need": 1}),
        ),
        fault="staff_override",
    ),
    Hazard(
        name="wrong_target",
        title="Target entered ten points too low",
        guards=("bounds",),
        lesson="Somebody typed the wrong target: the band around the usual oxygen keeps the "
        "mistake small.",
        events=(_at(0, "wrong_target", 1500, -12.0),),
        fault="wrong_target",
    ),
    Hazard(
        name="slow_deterioration",
        title="Slow deterioration, hidden by oxygen",
        guards=("baseline_alert", "visible_mode"),
        lesson="SpO2 looks fine all the while, because the oxygen goes up and up: the lung is "
        "getting worse, and only the trend of the oxygen tells.",
        events=(_at(0, "slow_deterioration", 2400, 6.0),),
        fault="slow_deterioration",
    ),
    Hazard(
        name="gain_change",
        title="Oxygen suddenly acts more",
        guards=("rate_limit",),
        lesson="Turned over, the infant responds twice as much to oxygen as before: the same "
        "controller is now too bold.",
        events=(_at(0, "gain_change", 1500, 0.3),),
        fault="gain_change",
    ),
    Hazard(
        name="transfusion",
        title="Red cells are given",
        guards=("bounds",),
        lesson="With more haemoglobin the need for oxygen falls; what was right before is too "
        "much now.",
        events=(_at(0, "transfused_at_once", 0, 2.0),),
        fault="transfused_at_once",
    ),
    Hazard(
        name=QUIET,
        title="A quiet night",
        guards=(),
        lesson="Nothing goes wrong: what the safeguards do here is their price.",
    ),
)

#: Every hazard by name.
HAZARDS: Mapping[str, Hazard] = MappingProxyType({hazard.name: hazard for hazard in _ALL})


def find_hazard(name: str) -> Hazard:
    """Look a hazard up.

    Parameters
    ----------
    name : str
        Its name.

    Returns
    -------
    Hazard

    Raises
    ------
    TestbedError
        If there is none; the message names the nearest.
    """
    if name not in HAZARDS:
        raise problem("hazard", "the name of a hazard", name, nearest(name, HAZARDS))
    return HAZARDS[name]


__all__ = ["HAZARDS", "QUIET", "Hazard", "find_hazard"]
