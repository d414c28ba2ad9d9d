"""Periodic breathing: bouts in which pauses and breaths take turns, every 10 to 20 s.

A bout is a row of central pauses of 5 to 9 s, so it goes the way of all
breathing events. It comes from a stream of its own: with or without periodic
breathing an infant has the same apnoeas.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from .disturbances import (
    ALWAYS_MARK,
    BoolArray,
    Breathing,
    BreathingEvents,
    IntArray,
)
from .infants import Infants
from .settings import quantity, validate
from .streams import Cause, stream

#: Length of a cycle (s), from memory; pauses within it are shorter than an apnoea (10 s).
CYCLE_S = (10, 20)
PAUSE_S = (5, 9)
#: Breaths between a pause and whatever comes next take at least this long; assumption.
BREATHS_S = 2
#: Three pauses at least make periodic breathing, from memory; more come by chance (assumption).
FEWEST_CYCLES = 3
MEAN_CYCLES = 8.0
#: Pauses last this part of their cycle (assumption).
_PAUSE_SHARE = (0.35, 0.55)

_MEAN_BOUT_S = MEAN_CYCLES * 0.5 * (CYCLE_S[0] + CYCLE_S[1])


@dataclass(frozen=True, kw_only=True)
class PeriodicSettings:
    """How much of the time an infant breathes periodically."""

    periodic_share: float = quantity(
        unit="fraction",
        low=0,
        high=0.5,
        default=0.03,
        doc="share of time in periodic breathing (below 0.06 before 35 wk, PMC4929034)",
    )

    def __post_init__(self) -> None:
        validate(self)


def draw_periodic(
    infants: Infants, place: int, seed: int, duration_s: int, settings: PeriodicSettings
) -> BreathingEvents:
    """Draw the pauses of all bouts of periodic breathing of one infant.

    Parameters
    ----------
    infants : Infants
        The group in which the infant is.
    place : int
        Its place there.
    seed : int
        Seed of the run.
    duration_s : int
        Length of the run; nothing starts later. A shorter run has the first of them.
    settings : PeriodicSettings
        Share of time.

    Returns
    -------
    BreathingEvents
        Central pauses of 5 to 9 s that happen at any saturation.
    """
    rng = stream(seed, int(infants.infant[place]), Cause.PERIODIC_BREATHING)
    onset_s: list[int] = []
    lasting_s: list[int] = []
    marks: list[float] = []
    share = settings.periodic_share
    mean_gap_s = _MEAN_BOUT_S * (1.0 - share) / share if share > 0 else 0.0
    now_s = 0
    while share > 0 and now_s < duration_s:
        now_s += round(mean_gap_s * float(rng.standard_exponential()))
        # The number of cycles beyond the fewest is geometric, from 0.
        cycles = FEWEST_CYCLES - 1 + int(rng.geometric(1.0 / (MEAN_CYCLES - FEWEST_CYCLES + 1.0)))
        cycle_s = CYCLE_S[0] + (CYCLE_S[1] - CYCLE_S[0]) * float(rng.random())
        low, high = _PAUSE_SHARE
        part = low + (high - low) * float(rng.random())
        pause_s = min(max(round(part * cycle_s), PAUSE_S[0]), PAUSE_S[1])
        mark = ALWAYS_MARK * float(rng.random())
        onset_s += [now_s + round(cycle_s * k) for k in range(cycles)]
        lasting_s += [pause_s] * cycles
        marks += [mark] * cycles
        now_s += round(cycle_s * cycles)
    return _pauses(np.array(onset_s, np.int64), np.array(lasting_s, np.int64), marks, duration_s)


def _pauses(
    onset_s: IntArray, lasting_s: IntArray, marks: list[float], duration_s: int
) -> BreathingEvents:
    """Describe pauses as breathing events."""
    inside = onset_s < duration_s
    count = int(inside.sum())
    return BreathingEvents(
        onset_s=onset_s[inside],
        duration_s=lasting_s[inside],
        kind=np.full(count, int(Breathing.CENTRAL)),
        ventilation=np.zeros(count),
        closed_from_s=lasting_s[inside],
        shunt_factor=np.ones(count),
        mark=np.array(marks)[inside],
    )


def merge_breathing(events: BreathingEvents, more: BreathingEvents) -> BreathingEvents:
    """Add events to others, leaving out those of the second list that do not fit in.

    Parameters
    ----------
    events : BreathingEvents
        All of these are kept.
    more : BreathingEvents
        An event of these is left out where one of `events` goes on, or is less than the time of
        recovery away.

    Returns
    -------
    BreathingEvents
        By onset, never overlapping.
    """
    fits = _between(events, more)
    both = {
        item.name: np.concatenate([getattr(events, item.name), getattr(more, item.name)[fits]])
        for item in fields(BreathingEvents)
    }
    order = np.argsort(both["onset_s"], kind="stable")
    return BreathingEvents(**{name: values[order] for name, values in both.items()})


def _between(events: BreathingEvents, more: BreathingEvents) -> BoolArray:
    """Say which of the second list lie in a gap of the first."""
    if not len(events):
        return np.ones(len(more), dtype=np.bool_)
    starts_s = np.append(events.onset_s, np.iinfo(np.int64).max)
    free_s = np.append(0, events.onset_s + events.duration_s + BREATHS_S)
    gap = np.searchsorted(events.onset_s, more.onset_s, side="right")
    after = more.onset_s >= free_s[gap]
    before = more.onset_s + more.duration_s + BREATHS_S <= starts_s[gap]
    return np.asarray(after & before)
