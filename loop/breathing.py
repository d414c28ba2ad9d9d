"""Breathing events on the clock: one SimPy process for each infant."""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import replace

import numpy as np
import simpy

from ..models.disturbances import ALWAYS_MARK, Breathing, BreathingEvents, accepted
from .breathing_state import BreathingState, Layer
from .patients import Patients
from .phases import At, Phase

#: Called with (lane, event name, value, detail).
Log = Callable[[int, str, float, str], None]

_HYPOVENTILATION = int(Breathing.HYPOVENTILATION)
_KINDS = {int(kind): kind for kind in Breathing}
_NAMES = {kind: kind.name.lower() for kind in Breathing}


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
    onsets, lengths = events.onset_s.tolist(), events.duration_s.tolist()
    kinds, closing = events.kind.tolist(), events.closed_from_s.tolist()
    marks = events.mark.tolist()
    shares, factors = events.ventilation.tolist(), events.shunt_factor.tolist()
    for k, (onset_s, length_s) in enumerate(zip(onsets, lengths, strict=True)):
        yield At(env, onset_s - int(env.now), Phase.DISTURBANCE)
        rare = kinds[k] != _HYPOVENTILATION  # a lower rate of apnoeas moves their marks up
        lanes = _takers(patients, range(place, patients.lanes, count), marks[k], rare)
        if not lanes:
            continue
        layer = Layer(ventilation=shares[k], shunt_factor=factors[k], kind=_KINDS[kinds[k]])
        open_s = min(closing[k], length_s)
        yield from happen(env, patients.state, lanes, layer, open_s, length_s, log)


def _takers(patients: Patients, lanes: range, mark: float, by_rate: bool) -> list[int]:
    """Choose the lanes of an infant in which a candidate happens."""
    rate = patients.support.apnoea_rate_factor
    marks = [mark / rate.item(lane) if by_rate else mark for lane in lanes]
    if max(marks) < ALWAYS_MARK:
        return list(lanes)
    sao2_pct = 100.0 * patients.lungs.sao2_fraction[lanes.start :: lanes.step]
    taken = accepted(np.array(marks), sao2_pct).tolist()
    return [lane for lane, happens in zip(lanes, taken, strict=True) if happens]


def happen(
    env: simpy.Environment,
    state: BreathingState,
    lanes: Sequence[int],
    layer: Layer,
    open_s: int,
    length_s: int,
    log: Log,
) -> Generator[simpy.Event, None, None]:
    """Let one breathing event begin, close the airway if it does so, and end.

    Parameters
    ----------
    env : simpy.Environment
        The clock.
    state : BreathingState
        Changed in place.
    lanes : sequence of int
        Lanes to which it happens.
    layer : Layer
        What it does while the airway is open.
    open_s, length_s : int
        Seconds after the onset at which the airway closes, and at which all
        ends; equal if it never closes.
    log : callable
        Takes lane, event name, value, detail.

    Yields
    ------
    simpy.Event
    """
    kind = _NAMES[layer.kind]
    for lane in lanes:
        log(lane, "breathing_start", float(length_s), kind)
    state.lay(lanes, layer, env.now)
    if open_s:
        yield At(env, open_s, Phase.DISTURBANCE)
    if open_s < length_s:
        closed = replace(layer, closed=True)
        state.lay(lanes, closed, env.now)
        state.lift(lanes, layer, env.now)
        layer = closed
        yield At(env, length_s - open_s, Phase.DISTURBANCE)
    state.lift(lanes, layer, env.now)
    for lane in lanes:
        log(lane, "breathing_end", 0.0, kind)
