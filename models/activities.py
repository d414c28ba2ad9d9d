"""What is done to an infant, and what it does besides breathing: care, feeds, crying, transfusion.

The list of an infant is drawn before a run, so it meets the same in every arm.
`activity_state` turns what goes on at the moment into arrays over lanes. Steps of
FiO2 around a procedure are the staff's business: `PROCEDURES` says which kinds
they can plan for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from .breathing_chain import Clock, draw_onsets
from .disturbances import BoolArray, IntArray
from .errors import problem
from .infants import FloatArray, Infants
from .settings import quantity, validate
from .streams import Cause, stream

_DAY_S = 86400
_HOUR_S = 3600
#: Day and night care are 12 h each (assumption; the publication gives only the two counts).
_DAY_LASTS_S = 12 * _HOUR_S
#: Lists are drawn this far past the end, so that a longer run begins alike.
_BEYOND_S = 3600


class ActivityKind(IntEnum):
    """What goes on; a lane can have several kinds at once."""

    HANDLING = 0
    SUCTION = 1
    REPOSITIONING = 2
    FEED = 3
    CRYING = 4
    INTERFACE_OFF = 5
    TRANSFUSION = 6


#: Kinds that need hands at the bedside and never overlap each other.
HANDS_ON = (ActivityKind.HANDLING, ActivityKind.SUCTION, ActivityKind.REPOSITIONING)
#: Kinds that staff start themselves, and can therefore prepare with oxygen.
PROCEDURES = (*HANDS_ON, ActivityKind.FEED)


@dataclass(frozen=True, kw_only=True)
class Effect:
    """What an activity does to an infant and its probe; assumptions, no source.

    Attributes
    ----------
    vo2 : float
        Factor on oxygen uptake.
    effort : float
        Ventilation over what the uptake calls for; below 1 the infant ventilates too little.
    shunt : float
        Factor on true shunt: splinting, lost volume.
    motion : float
        Motion at the probe, 0 to 1.
    interface_off : bool
        Whether the interface has come off: pressure lost, FiO2 diluted.
    stimulates : bool
        Whether it wakes an infant that has stopped breathing.
    """

    vo2: float = 1.0
    effort: float = 1.0
    shunt: float = 1.0
    motion: float = 0.0
    interface_off: bool = False
    stimulates: bool = False


#: Only directions are known: handling and crying raise uptake, suction and a full stomach cost
#: lung volume. The interface comes off for suction (common practice, no source).
EFFECTS: dict[ActivityKind, Effect] = {
    ActivityKind.HANDLING: Effect(vo2=1.15, effort=0.95, shunt=1.1, motion=0.5, stimulates=True),
    ActivityKind.SUCTION: Effect(
        vo2=1.15, effort=0.6, shunt=1.8, motion=0.5, interface_off=True, stimulates=True
    ),
    ActivityKind.REPOSITIONING: Effect(
        vo2=1.1, effort=0.95, shunt=1.15, motion=0.7, stimulates=True
    ),
    ActivityKind.FEED: Effect(vo2=1.05, effort=0.95, shunt=1.1),
    ActivityKind.CRYING: Effect(vo2=1.4, effort=0.85, shunt=1.3, motion=0.6, stimulates=True),
    ActivityKind.INTERFACE_OFF: Effect(interface_off=True),
    ActivityKind.TRANSFUSION: Effect(),
}


@dataclass(frozen=True, kw_only=True)
class ActivitySettings:
    """How often an infant is handled, cries, loses its interface or is transfused."""

    start_hour_h: float = quantity(
        unit="h", low=0, high=24, default=20.0, doc="time of day at which the run begins"
    )
    day_starts_h: float = quantity(
        unit="h", low=0, high=24, default=7.0, doc="time of day at which day care begins; 12 h"
    )
    hands_on_per_d: float = quantity(
        unit="1/d", low=0, high=200, default=38.0, doc="hands-on events (Pereira 2013: 14-71)"
    )
    hands_on_h_per_d: float = quantity(
        unit="h/d", low=0.1, high=12, default=2.5, doc="time of hands-on care (Pereira 2013)"
    )
    day_share: float = quantity(
        unit="fraction",
        low=0,
        high=1,
        default=41.0 / 60.0,
        doc="share of hands-on events by day (2016, 15 infants: 41 of 60)",
    )
    hands_on_spread: float = quantity(
        unit="-",
        low=0,
        high=1,
        default=0.27,
        doc="SD over infants of ln(rate of hands-on events) (2016: SD 16 of 60)",
    )
    suction_per_d: float = quantity(
        unit="1/d", low=0, high=24, default=4.0, doc="suctions, among the hands-on (assumption)"
    )
    repositioning_per_d: float = quantity(
        unit="1/d",
        low=0,
        high=24,
        default=6.0,
        doc="changes of position, among the hands-on (common practice, no source)",
    )
    feed_interval_h: float = quantity(
        unit="h", low=1, high=24, default=3.0, doc="between feeds (common practice, no source)"
    )
    feed_minutes: float = quantity(
        unit="min", low=1, high=60, default=20.0, doc="length of a tube feed (assumption)"
    )
    crying_per_d: float = quantity(
        unit="1/d", low=0, high=100, default=10.0, doc="bouts of crying, mean 2 min (assumption)"
    )
    interface_off_per_d: float = quantity(
        unit="1/d", low=0, high=48, default=3.0, doc="interface lost, mean 90 s (assumption)"
    )
    transfusion_per_d: float = quantity(
        unit="1/d", low=0, high=4, default=0.1, doc="transfusions of red cells (assumption)"
    )
    transfusion_ml_kg: float = quantity(
        unit="mL/kg", low=1, high=50, default=15.0, doc="volume of one transfusion (from memory)"
    )
    transfusion_h: float = quantity(
        unit="h", low=0.5, high=12, default=3.0, doc="length of a transfusion (from memory)"
    )
    effect_scale: float = quantity(
        unit="-", low=0, high=2, default=1.0, doc="factor on how much every activity disturbs"
    )

    def __post_init__(self) -> None:
        validate(self)
        if self.suction_per_d + self.repositioning_per_d > self.hands_on_per_d:
            raise problem(
                "ActivitySettings.hands_on_per_d",
                "at least suction_per_d + repositioning_per_d (1/d)",
                self.hands_on_per_d,
            )
        if self.feed_minutes > 0.8 * 60.0 * self.feed_interval_h:
            raise problem(
                "ActivitySettings.feed_minutes",
                "at most 0.8 of feed_interval_h",
                self.feed_minutes,
            )
        by_day_h = max(self.day_share, 1.0 - self.day_share) * self.hands_on_h_per_d
        if by_day_h > 6.0:
            raise problem(
                "ActivitySettings.hands_on_h_per_d",
                "at most 6 h of hands-on care within the 12 h of a day or night",
                self.hands_on_h_per_d,
            )


#: Mean lengths (s): suction and change of position from memory, crying and interface assumed.
MEAN_S = {
    ActivityKind.SUCTION: 60.0,
    ActivityKind.REPOSITIONING: 120.0,
    ActivityKind.CRYING: 120.0,
    ActivityKind.INTERFACE_OFF: 90.0,
}
#: No event is shorter; the rest of its length is exponential.
SHORTEST_S = 20
LONGEST_S = 3600
#: Between two hands-on events, at least.
_PAUSE_S = 10


@dataclass(frozen=True, kw_only=True)
class Activities:
    """All activities of one infant in a run, by onset.

    Attributes
    ----------
    onset_s, duration_s : ndarray of int, shape (activities,)
        Seconds since the start of the run, and length (s).
    kind : ndarray of int, shape (activities,)
        An `ActivityKind`.
    vo2_factor, ventilation_factor, shunt_factor : ndarray, shape (activities,)
        Factors on uptake, on ventilation of both lung parts, and on true shunt. Ventilation
        holds the factor on uptake, because PaCO2 is held constant.
    motion : ndarray, shape (activities,)
        Motion at the probe, 0 to 1.
    interface_off, stimulates : ndarray of bool, shape (activities,)
        Whether the interface is off, and whether it wakes an infant in apnoea.
    """

    onset_s: IntArray
    duration_s: IntArray
    kind: IntArray
    vo2_factor: FloatArray
    ventilation_factor: FloatArray
    shunt_factor: FloatArray
    motion: FloatArray
    interface_off: BoolArray
    stimulates: BoolArray

    def __len__(self) -> int:
        return len(self.onset_s)

    def is_procedure(self) -> BoolArray:
        """Say which activities staff start themselves.

        Returns
        -------
        ndarray of bool, shape (activities,)
        """
        return np.isin(self.kind, PROCEDURES)


def draw_activities(
    infants: Infants, place: int, seed: int, duration_s: int, settings: ActivitySettings
) -> Activities:
    """Draw the activities of one infant for a run.

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
    settings : ActivitySettings
        How often, and when the day begins.

    Returns
    -------
    Activities
    """
    streams = stream(seed, int(infants.infant[place]), Cause.ACTIVITIES).spawn(5)
    until_s = duration_s + _BEYOND_S
    hands_on, feeds, *single = streams
    even = Clock(edges_s=np.array([0.0, until_s]), counted_s=np.array([0.0, until_s]))
    rates_per_d = {
        ActivityKind.CRYING: settings.crying_per_d,
        ActivityKind.INTERFACE_OFF: settings.interface_off_per_d,
        ActivityKind.TRANSFUSION: settings.transfusion_per_d,
    }
    lists = [_draw_hands_on(hands_on, until_s, settings), _draw_feeds(feeds, until_s, settings)]
    for rng, (kind, rate_per_d) in zip(single, rates_per_d.items(), strict=True):
        lists.append(_draw_kind(rng, even, kind, rate_per_d, settings))
    onset_s, lasting_s, kinds = (np.concatenate(part) for part in zip(*lists, strict=True))
    order = np.lexsort((kinds, onset_s))
    order = order[onset_s[order] < duration_s]
    return _with_effects(onset_s[order], lasting_s[order], kinds[order], settings.effect_scale)


_List = tuple[IntArray, IntArray, IntArray]


def _day_clock(until_s: int, settings: ActivitySettings) -> Clock:
    """Time that runs faster by day than by night; on average as fast as real time."""
    into_day_s = round((settings.start_hour_h - settings.day_starts_h) * _HOUR_S) % _DAY_S
    by_day = into_day_s < _DAY_LASTS_S
    left_s = _DAY_LASTS_S - into_day_s % _DAY_LASTS_S
    edges_s, counted_s = [0.0], [0.0]
    while edges_s[-1] < until_s:
        pace = 2.0 * (settings.day_share if by_day else 1.0 - settings.day_share)
        edges_s.append(edges_s[-1] + left_s)
        counted_s.append(counted_s[-1] + left_s * pace)
        left_s, by_day = _DAY_LASTS_S, not by_day
    return Clock(edges_s=np.array(edges_s), counted_s=np.array(counted_s))


def _draw_hands_on(rng: np.random.Generator, until_s: int, settings: ActivitySettings) -> _List:
    """Draw care that needs hands; an event waits until the one before is over."""
    own, arrivals, marks, lengths = rng.spawn(4)
    spread = settings.hands_on_spread
    busy = math.exp(spread * float(own.standard_normal()) - 0.5 * spread * spread)
    shares = {
        ActivityKind.SUCTION: settings.suction_per_d,
        ActivityKind.REPOSITIONING: settings.repositioning_per_d,
    }
    rest_per_d = settings.hands_on_per_d - sum(shares.values())
    known_s = sum(rate * MEAN_S[kind] for kind, rate in shares.items())
    rest_s = max(settings.hands_on_h_per_d * _HOUR_S - known_s, 0.0)
    mean_s = {**MEAN_S, ActivityKind.HANDLING: rest_s / max(rest_per_d, 1e-9)}
    rate_per_s = busy * settings.hands_on_per_d / _DAY_S
    onset_s = draw_onsets(arrivals, _day_clock(until_s, settings), rate_per_s)
    what = marks.random(len(onset_s)) * settings.hands_on_per_d
    kind = np.full(len(onset_s), int(ActivityKind.HANDLING))
    kind[what < settings.suction_per_d + settings.repositioning_per_d] = ActivityKind.REPOSITIONING
    kind[what < settings.suction_per_d] = ActivityKind.SUCTION
    means = np.array([mean_s[ActivityKind(k)] for k in kind.tolist()])
    lasting_s = _lengths_s(lengths, means)
    taken_s = lasting_s + _PAUSE_S
    before_s = np.cumsum(taken_s) - taken_s
    return before_s + np.maximum.accumulate(onset_s - before_s), lasting_s, kind


def _lengths_s(rng: np.random.Generator, mean_s: FloatArray) -> IntArray:
    """Draw lengths in whole seconds: a shortest one and an exponential excess."""
    excess_s = rng.standard_exponential(len(mean_s)) * np.maximum(mean_s - SHORTEST_S, 0.0)
    return np.minimum(np.rint(SHORTEST_S + excess_s), LONGEST_S).astype(np.int64)


def _draw_feeds(rng: np.random.Generator, until_s: int, settings: ActivitySettings) -> _List:
    """Draw feeds by the clock, each up to 10 min early or late."""
    phase, jitters = rng.spawn(2)
    interval_s = settings.feed_interval_h * _HOUR_S
    count = math.ceil(until_s / interval_s) + 1
    due_s = interval_s * (np.arange(count) + float(phase.random()))
    room_s = min(600.0, 0.05 * interval_s)
    onset_s = np.rint(due_s + room_s * (2.0 * jitters.random(count) - 1.0)).astype(np.int64)
    lasting_s = np.full(count, round(settings.feed_minutes * 60.0))
    return np.maximum(onset_s, 0), lasting_s, np.full(count, int(ActivityKind.FEED))


def _draw_kind(
    rng: np.random.Generator,
    clock: Clock,
    kind: ActivityKind,
    rate_per_d: float,
    settings: ActivitySettings,
) -> _List:
    """Draw events of one kind, by day and by night alike."""
    arrivals, lengths = rng.spawn(2)
    onset_s = draw_onsets(arrivals, clock, rate_per_d / _DAY_S)
    if kind is ActivityKind.TRANSFUSION:
        lasting_s = np.full(len(onset_s), round(settings.transfusion_h * _HOUR_S))
    else:
        lasting_s = _lengths_s(lengths, np.full(len(onset_s), MEAN_S[kind]))
    taken_s = lasting_s + _PAUSE_S
    before_s = np.cumsum(taken_s) - taken_s
    spread_s = before_s + np.maximum.accumulate(onset_s - before_s)
    return spread_s, lasting_s, np.full(len(onset_s), int(kind))


def _with_effects(
    onset_s: IntArray, lasting_s: IntArray, kind: IntArray, scale: float
) -> Activities:
    """Look up what each activity does."""
    effects = [EFFECTS[ActivityKind(number)] for number in kind.tolist()]

    def column(name: str) -> FloatArray:
        return np.array([float(getattr(effect, name)) for effect in effects])

    def factor(name: str) -> FloatArray:
        return np.maximum(1.0 + scale * (column(name) - 1.0), 0.0)

    return Activities(
        onset_s=onset_s,
        duration_s=lasting_s,
        kind=kind,
        vo2_factor=factor("vo2"),
        ventilation_factor=factor("vo2") * factor("effort"),
        shunt_factor=factor("shunt"),
        motion=np.minimum(column("motion") * scale, 1.0),
        interface_off=column("interface_off").astype(np.bool_),
        stimulates=column("stimulates").astype(np.bool_),
    )
