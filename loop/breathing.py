"""Breathing events on the clock: one SimPy process for each infant."""

from __future__ import annotations

from collections.abc import Callable, Generator

import simpy

from ..models.disturbances import Breathing, BreathingEvents, accepted
from .patients import Patients
from .phases import At, Phase

#: Called with (lane, event name, value, detail).
Log = Callable[[int, str, float, str], None]


def breathe(
    env: simpy.Environment, patients: Patients, place: int, events: BreathingEvents, log: Log
) -> Generator[simpy.Event, None, None]:
    """Let one infant's candidate events happen, in every arm that accepts them.

    Whether a lane accepts depends on its own saturation and on the event's
    fixed mark, so the arms stay paired.

    Parameters
    ----------
    env : simpy.Environment
        The clock.
    patients : Patients
        Their breathing is changed in place.
    place : int
        The infant's place among the infants of one arm.
    events : BreathingEvents
        The infant's candidates, in order of onset.
    log : callable
        Takes lane, event name, value, detail.

    Yields
    ------
    simpy.Event
    """
    count = len(patients.infants)
    for k in range(len(events)):
        onset_s, length_s = int(events.onset_s[k]), int(events.duration_s[k])
        yield At(env, onset_s - int(env.now), Phase.DISTURBANCE)
        sao2_pct = 100.0 * patients.lungs.sao2_fraction[place::count]
        taken = accepted(events.mark[k : k + 1], sao2_pct)
        lanes = [place + arm * count for arm in range(patients.arms) if taken[arm]]
        if not lanes:
            continue
        kind = Breathing(int(events.kind[k]))
        for lane in lanes:
            patients.breathing[lane] = events.ventilation[k]
            patients.shunt_factor[lane] = events.shunt_factor[k]
            patients.apnoea[lane] = int(kind)
            log(lane, "breathing_start", float(length_s), kind.name.lower())
        open_s = min(int(events.closed_from_s[k]), length_s)
        if open_s:
            yield At(env, open_s, Phase.DISTURBANCE)
        if open_s < length_s:
            patients.closed[lanes] = True
            yield At(env, length_s - open_s, Phase.DISTURBANCE)
        patients.breathing[lanes] = 1.0
        patients.shunt_factor[lanes] = 1.0
        patients.closed[lanes] = False
        patients.apnoea[lanes] = int(Breathing.NORMAL)
        for lane in lanes:
            log(lane, "breathing_end", 0.0, kind.name.lower())
