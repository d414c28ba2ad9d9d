"""Breathing events of an infant: apnoeas, short pauses and hypoventilation, in clusters.

Times come from a hidden Markov chain of four states, which live from ten
seconds to twelve hours and each have a rate of their own. The list is fixed
before a run, so an infant meets the same events in every arm. It is longer
than what happens at normal saturation: each candidate has a mark, and
`accepted` compares the mark with the saturation of the moment, so hypoxia
brings on more events without drawing anything new.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .breathing_age import age_factors
from .breathing_chain import Clock, draw_clock, draw_onsets
from .errors import problem
from .infants import FloatArray, Infants
from .settings import quantity, validate
from .streams import Cause, stream

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# Durations, from memory: most apnoeas of preterm infants last 10-20 s, a few
# 40-60 s, longer ones are rare, and mixed ones last longest.
APNOEA_SHORTEST_S = 10
PAUSE_SHORTEST_S = 5
HYPOVENTILATION_SHORTEST_S = 20
#: Mean excess over the shortest apnoea, of most and of the long-tailed ones (s).
APNOEA_EXCESS_S = 10.0
APNOEA_LONG_EXCESS_S = 15.0
APNOEA_LONG_SHARE = 0.08
MIXED_STRETCH = 1.6
HYPOVENTILATION_EXCESS_S = 40.0
LONGEST_S = 120
#: Breaths between two events take at least this long; assumption.
RECOVERY_S = 8
#: An event that hypoxia brings on waits this long for a gap, then is dropped.
PATIENCE_S = 120

#: Ventilation left in hypoventilation (fraction of normal), and the factors on
#: shunt in apnoea, when lung volume falls below rest and units close, and while the
#: infant splints; assumptions.
WEAK_VENTILATION = (0.2, 0.6)
APNOEA_SHUNT_FACTOR = 2.3
SPLINTING_SHUNT_FACTOR = 5.0

#: Saturations at which hypoxia starts and ends to add events (%); assumption.
HYPOXIA_STARTS_PCT = 90.0
HYPOXIA_FULL_PCT = 75.0
#: Marks below this happen at any saturation.
ALWAYS_MARK = 0.5

#: Events are drawn this far past the end, so that a longer run begins alike.
_BEYOND_S = 3600


class Breathing(IntEnum):
    """How an infant breathes at this moment."""

    NORMAL = 0
    CENTRAL = 1
    OBSTRUCTIVE = 2
    MIXED = 3
    HYPOVENTILATION = 4


@dataclass(frozen=True, kw_only=True)
class DisturbanceSettings:
    """How much disturbs the infants.

    The shares and the ratio of pauses to apnoeas are from memory: in preterm
    infants most short apnoeas are central and many long ones mixed.
    """

    apnoea_rate_scale: float = quantity(
        unit="-", low=0, high=10, default=1.0, doc="factor on every infant's rate of apnoeas"
    )
    drift_scale: float = quantity(
        unit="-", low=0, high=5, default=1.0, doc="factor on the SD of the slow drifts"
    )
    hypoxia_sensitivity: float = quantity(
        unit="-",
        low=0,
        high=5,
        default=1.0,
        doc="by how much severe hypoxia raises the rate of events; 1 doubles it, 0 is none",
    )
    obstructive_share: float = quantity(
        unit="fraction", low=0, high=1, default=0.1, doc="share of obstructive apnoeas (>= 10 s)"
    )
    mixed_share: float = quantity(
        unit="fraction", low=0, high=1, default=0.25, doc="share of mixed apnoeas (>= 10 s)"
    )
    pauses_per_apnoea: float = quantity(
        unit="-", low=0, high=5, default=1.0, doc="pauses of 5-9 s for each apnoea of >= 10 s"
    )
    hypoventilation_rate_per_h: float = quantity(
        unit="1/h", low=0, high=10, default=0.4, doc="spells of weak breathing, without apnoea"
    )
    co2_response: float = quantity(
        unit="-",
        low=0,
        high=5,
        default=1.0,
        doc="by how much missed breaths raise breathing afterwards; 0 is not at all",
    )
    splinting_share: float = quantity(
        unit="fraction",
        low=0,
        high=1,
        default=0.5,
        doc="share of hypoventilation with splinting, which raises shunt",
    )
    age_effect: float = quantity(
        unit="-",
        low=0,
        high=2,
        default=1.0,
        doc="by how much rate and length of apnoeas follow age; 0 not at all",
    )

    def __post_init__(self) -> None:
        validate(self)
        if self.obstructive_share + self.mixed_share > 1:
            raise problem(
                "DisturbanceSettings.mixed_share",
                "obstructive_share + mixed_share of at most 1 (fraction)",
                self.obstructive_share + self.mixed_share,
                "Lower one of the two; the rest of the apnoeas is central.",
            )


@dataclass(frozen=True, kw_only=True)
class BreathingEvents:
    """Candidate events of one infant, by onset and never overlapping.

    Attributes
    ----------
    onset_s : ndarray of int, shape (candidates,)
        Seconds since the start of the run.
    duration_s : ndarray of int, shape (candidates,)
        How long the event lasts, at least 5 s.
    kind : ndarray of int, shape (candidates,)
        A `Breathing`, never NORMAL. A CENTRAL event under 10 s is a pause.
    ventilation : ndarray, shape (candidates,)
        Fraction of normal alveolar ventilation during the event; 0 in apnoea.
    closed_from_s : ndarray of int, shape (candidates,)
        Seconds after onset at which the airway closes; `duration_s` if it
        stays open.
    shunt_factor : ndarray, shape (candidates,)
        Factor on shunt during the event, at least 1.
    mark : ndarray, shape (candidates,)
        What `accepted` compares with the saturation, in [0, 1); below 0.5 the
        event happens at any saturation.
    """

    onset_s: IntArray
    duration_s: IntArray
    kind: IntArray
    ventilation: FloatArray
    closed_from_s: IntArray
    shunt_factor: FloatArray
    mark: FloatArray

    def __len__(self) -> int:
        return len(self.onset_s)


def accept_probability(sao2_pct: FloatArray) -> FloatArray:
    """Give the mark below which candidates happen at a saturation.

    `DisturbanceSettings.hypoxia_sensitivity` needs no place here: it sets how
    many candidates lie above `ALWAYS_MARK`.

    Parameters
    ----------
    sao2_pct : ndarray, shape (n,)
        Arterial saturation at the onset (percent).

    Returns
    -------
    ndarray, shape (n,)
        0.5 from 90 % upwards, rising in a line to 1 at 75 % (assumption).
    """
    span = HYPOXIA_STARTS_PCT - HYPOXIA_FULL_PCT
    hypoxia = np.minimum(np.maximum((HYPOXIA_STARTS_PCT - sao2_pct) / span, 0.0), 1.0)
    return np.asarray(ALWAYS_MARK + (1.0 - ALWAYS_MARK) * hypoxia)


def accepted(mark: FloatArray, sao2_pct: FloatArray) -> BoolArray:
    """Decide which candidates happen.

    Parameters
    ----------
    mark : ndarray, shape (n,)
        Marks of the candidates.
    sao2_pct : ndarray, shape (n,)
        Arterial saturation of each at its onset (percent).

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    return np.asarray(mark < accept_probability(sao2_pct))


def draw_breathing(
    infants: Infants, place: int, seed: int, duration_s: int, settings: DisturbanceSettings
) -> BreathingEvents:
    """Draw the candidate events of one infant for a run.

    Apnoeas of at least 10 s that happen in normoxia come, in the mean over
    infants and days, at ``apnoea_rate_per_h * apnoea_rate_scale``. The days of
    one infant differ, for some states of the chain last for hours. The events
    of a shorter run are the first events of a longer one.

    Parameters
    ----------
    infants : Infants
        The group in which the infant is.
    place : int
        Its place there.
    seed : int
        Seed of the run.
    duration_s : int
        Length of the run; no event starts later.
    settings : DisturbanceSettings
        How much disturbs the infant.

    Returns
    -------
    BreathingEvents

    Raises
    ------
    TestbedError
        If so many events are asked for that they do not fit into the time.
    """
    number = int(infants.infant[place])
    by_age, stretch = age_factors(float(infants.postnatal_age_d[place]), settings.age_effect)
    apnoea_per_h = float(infants.apnoea_rate_per_h[place]) * settings.apnoea_rate_scale * by_age
    rates_per_h = (
        apnoea_per_h,
        apnoea_per_h * settings.pauses_per_apnoea,
        settings.hypoventilation_rate_per_h,
    )
    _check_room(number, rates_per_h, settings)
    chain, always, hypoxic = stream(seed, number, Cause.APNOEA).spawn(3)
    clock = draw_clock(chain, duration_s + _BEYOND_S)
    base = _draw_list(always, clock, rates_per_h, settings, stretch)
    base["mark"] = base["mark"] * ALWAYS_MARK
    base["onset_s"] = _spread(base["onset_s"], base["duration_s"])
    more_per_h = tuple(rate * settings.hypoxia_sensitivity for rate in rates_per_h)
    extra = _draw_list(hypoxic, clock, more_per_h, settings, stretch)
    extra["mark"] = ALWAYS_MARK + extra["mark"] * (1.0 - ALWAYS_MARK)
    lists = (extra["onset_s"], extra["duration_s"], base["onset_s"], base["duration_s"])
    extra["onset_s"] = _fit_between(*lists)
    fits = extra["onset_s"] >= 0
    both = {name: np.concatenate([base[name], extra[name][fits]]) for name in base}
    order = np.argsort(both["onset_s"], kind="stable")
    order = order[both["onset_s"][order] < duration_s]
    return BreathingEvents(**{name: values[order] for name, values in both.items()})


def _check_room(
    number: int, rates_per_h: tuple[float, float, float], settings: DisturbanceSettings
) -> None:
    """Refuse rates at which the events alone would fill the time."""
    excess_s = APNOEA_EXCESS_S + APNOEA_LONG_SHARE * (APNOEA_LONG_EXCESS_S - APNOEA_EXCESS_S)
    stretch = 1.0 + settings.mixed_share * (MIXED_STRETCH - 1.0)
    lasting_s = (
        APNOEA_SHORTEST_S + excess_s * stretch,
        0.5 * (PAUSE_SHORTEST_S + APNOEA_SHORTEST_S),
        HYPOVENTILATION_SHORTEST_S + HYPOVENTILATION_EXCESS_S,
    )
    busy_s = sum(
        rate * (lasting + RECOVERY_S) for rate, lasting in zip(rates_per_h, lasting_s, strict=True)
    )
    if busy_s >= 3600.0:
        raise problem(
            f"breathing events of infant {number}",
            "events that fit into an hour (less than 3600 s of them)",
            round(busy_s),
            "Lower apnoea_rate_scale, pauses_per_apnoea, hypoventilation_rate_per_h "
            "or the infant's apnoea_rate_per_h.",
        )


def _draw_list(
    rng: np.random.Generator,
    clock: Clock,
    rates_per_h: Sequence[float],
    settings: DisturbanceSettings,
    stretch: float,
) -> dict[str, Any]:
    """Draw a list of events, one row of numbers each, still free to overlap."""
    arrivals, uniforms, lengths = rng.spawn(3)
    onset_s = draw_onsets(arrivals, clock, sum(rates_per_h) / 3600.0)
    count = len(onset_s)
    uniform = uniforms.random((count, 5))
    excess = lengths.standard_exponential(count)
    drawn = _describe(uniform, excess, rates_per_h, settings, stretch)
    return {"onset_s": onset_s, "mark": uniform[:, 4], **drawn}


def _describe(
    uniform: FloatArray,
    excess: FloatArray,
    rates_per_h: Sequence[float],
    settings: DisturbanceSettings,
    stretch: float,
) -> dict[str, Any]:
    """Say what each event is, from its own numbers alone."""
    what = uniform[:, 0] * sum(rates_per_h)
    apnoea = what < rates_per_h[0]
    weak = what >= rates_per_h[0] + rates_per_h[1]
    closes = settings.obstructive_share + settings.mixed_share
    obstructive = apnoea & (uniform[:, 1] < settings.obstructive_share)
    mixed = apnoea & (uniform[:, 1] < closes) & ~obstructive
    kind = np.where(weak, Breathing.HYPOVENTILATION, Breathing.CENTRAL)
    kind = np.where(obstructive, Breathing.OBSTRUCTIVE, kind)
    kind = np.where(mixed, Breathing.MIXED, kind).astype(np.int64)
    tail_s = np.where(uniform[:, 2] < APNOEA_LONG_SHARE, APNOEA_LONG_EXCESS_S, APNOEA_EXCESS_S)
    tail_s = tail_s * np.where(mixed, MIXED_STRETCH, 1.0) * excess * stretch
    pause_s = PAUSE_SHORTEST_S + (APNOEA_SHORTEST_S - PAUSE_SHORTEST_S) * uniform[:, 2]
    weak_s = HYPOVENTILATION_SHORTEST_S + HYPOVENTILATION_EXCESS_S * excess
    lasting_s = np.where(apnoea, APNOEA_SHORTEST_S + tail_s, np.where(weak, weak_s, pause_s))
    duration_s = np.minimum(lasting_s.astype(np.int64), LONGEST_S)
    low, high = WEAK_VENTILATION
    splints = weak & (uniform[:, 1] < settings.splinting_share)
    shunt = np.where(apnoea, APNOEA_SHUNT_FACTOR, 1.0)
    closed_from_s = np.where(mixed, duration_s // 2, duration_s)
    return {
        "duration_s": duration_s,
        "kind": kind,
        "ventilation": np.where(weak, low + (high - low) * uniform[:, 3], 0.0),
        "closed_from_s": np.where(obstructive, 0, closed_from_s),
        "shunt_factor": np.where(splints, SPLINTING_SHUNT_FACTOR, shunt),
    }


def _spread(onset_s: IntArray, duration_s: IntArray) -> IntArray:
    """Let an event that comes too early wait until the one before is over."""
    taken_s = duration_s + RECOVERY_S
    before_s = np.cumsum(taken_s) - taken_s
    return np.asarray(before_s + np.maximum.accumulate(onset_s - before_s))


def _fit_between(
    onset_s: IntArray, duration_s: IntArray, base_onset_s: IntArray, base_duration_s: IntArray
) -> IntArray:
    """Give each event the next gap of the base list; -1 where it would wait too long."""
    free_s = [0, *(base_onset_s + base_duration_s + RECOVERY_S).tolist()]
    taken_s = [*base_onset_s.tolist(), np.iinfo(np.int64).max]
    gaps = np.searchsorted(base_onset_s, onset_s, side="right").tolist()
    lasting_s = (duration_s + RECOVERY_S).tolist()
    placed_s = np.full(len(onset_s), -1, dtype=np.int64)
    over_s = 0  # end of the last event that was placed here
    for number, wanted_s in enumerate(onset_s.tolist()):
        gap = gaps[number]
        start_s = max(wanted_s, free_s[gap], over_s)
        late_s = wanted_s + PATIENCE_S
        while start_s <= late_s and start_s + lasting_s[number] > taken_s[gap]:
            gap += 1
            start_s = max(free_s[gap], over_s)
        if start_s <= late_s:
            placed_s[number] = start_s
            over_s = start_s + lasting_s[number]
    return placed_s
