"""The day of a nurse: shifts, hand-over, breaks, night, and the care that takes hands.

Everything here is drawn before a run, from an infant's own streams or from those
of the nursing group's first infant, so every arm has the same day.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from ..models.activities import HANDS_ON, Activities, ActivityKind, ActivitySettings
from ..models.streams import Cause, stream
from .alarm_limits import SHIFT_S, into_shift_s
from .staff_settings import StaffSettings


class Duty(Enum):
    """What staff do about oxygen in an arm."""

    TITRATE = "adjust it by hand"
    OVERSEE = "take over from a controller where they must"
    LEAVE = "leave it alone"


@dataclass(frozen=True, kw_only=True)
class Procedure:
    """Care that takes a nurse's hands.

    Attributes
    ----------
    onset_s, duration_s : int
        When it begins (s since the start of the run) and how long it lasts.
    kind : str
        What it is, as in the log.
    hands_on : bool
        Whether the infant is handled; a feed is not.
    """

    onset_s: int
    duration_s: int
    kind: str
    hands_on: bool


def procedures_of(activities: Activities, settings: StaffSettings) -> list[Procedure]:
    """Pick out of an infant's activities what staff do.

    Parameters
    ----------
    activities : Activities
        All activities of the infant.
    settings : StaffSettings
        How long a feed keeps the nurse; whether procedures occupy anybody.

    Returns
    -------
    list of Procedure
        By onset; empty if they occupy nobody.
    """
    if not settings.procedures:
        return []
    found = []
    for number in range(len(activities)):
        kind, lasts_s = ActivityKind(activities.kind[number]), int(activities.duration_s[number])
        onset_s = int(activities.onset_s[number])
        if kind is ActivityKind.FEED:
            lasts_s = min(lasts_s, settings.feed_attention_s)
        if lasts_s > 0 and (kind in HANDS_ON or kind is ActivityKind.FEED):
            hands_on = kind in HANDS_ON
            found.append(
                Procedure(
                    onset_s=onset_s, duration_s=lasts_s, kind=kind.name.lower(), hands_on=hands_on
                )
            )
    return found


class Away:
    """When the nurse of one group is at hand-over or on a break, and another covers.

    Parameters
    ----------
    settings : StaffSettings
        Hand-over and breaks.
    day : ActivitySettings
        Time of day at the start, and when the day shift starts.
    seed : int
        Seed of the run.
    first_infant : int
        Smallest own number of the infants in the group.
    """

    def __init__(
        self, settings: StaffSettings, day: ActivitySettings, seed: int, first_infant: int
    ) -> None:
        self._settings = settings
        self._rng = stream(seed, first_infant, Cause.STAFF_DAY)
        self._next_shift_s = -into_shift_s(day)
        self._starts: list[int] = []
        self._ends: list[int] = []

    def until(self, time_s: int) -> int:
        """Say until when the nurse is away.

        Parameters
        ----------
        time_s : int
            A moment (s since the start of the run).

        Returns
        -------
        int
            End of the absence; `time_s` itself if the nurse is there.
        """
        while self._next_shift_s <= time_s:
            self._draw_shift()
        place = bisect_right(self._starts, time_s) - 1
        return max(time_s, self._ends[place]) if place >= 0 else time_s

    def _draw_shift(self) -> None:
        """Lay hand-over and breaks into one shift; the breaks share it out evenly."""
        settings, begin_s = self._settings, self._next_shift_s
        self._next_shift_s += SHIFT_S
        handover_s, break_s = round(60 * settings.handover_min), round(60 * settings.break_min)
        if handover_s:
            self._starts.append(begin_s)
            self._ends.append(begin_s + handover_s)
        count = settings.breaks_per_shift
        part_s = (SHIFT_S - handover_s) // max(count, 1)
        for number in range(count):
            free_s = part_s - break_s
            start_s = begin_s + handover_s + number * part_s + int(free_s * self._rng.random())
            self._starts.append(start_s)
            self._ends.append(start_s + break_s)


def is_night(time_s: int, day: ActivitySettings) -> bool:
    """Say whether the night shift is on.

    Parameters
    ----------
    time_s : int
        Seconds since the start of the run.
    day : ActivitySettings
        Time of day at the start, and when the day shift starts.

    Returns
    -------
    bool
    """
    hour_h = day.start_hour_h + time_s / 3600.0 - day.day_starts_h
    return hour_h % 24.0 >= SHIFT_S / 3600.0


class Workload:
    """How much a lane has been adjusted by hand of late, against what is usual.

    Parameters
    ----------
    usual_per_h : float
        Changes per hour that count as usual.
    """

    #: Older work counts less, by half in each of these (s).
    HALF_LIFE_S = 7200

    def __init__(self, usual_per_h: float) -> None:
        self._usual = usual_per_h / 3600.0 * self.HALF_LIFE_S / 0.6931471805599453
        self._level, self._at_s = self._usual, 0.0

    def add(self, time_s: float) -> None:
        """Count one change.

        Parameters
        ----------
        time_s : float
            Now.
        """
        self._level = self._faded(time_s) + 1.0
        self._at_s = time_s

    def missing(self, time_s: float) -> float:
        """Say which share of the usual work is missing.

        Parameters
        ----------
        time_s : float
            Now.

        Returns
        -------
        float
            0 with as much as usual or more, 1 with none.
        """
        return max(0.0, 1.0 - self._faded(time_s) / self._usual)

    def _faded(self, time_s: float) -> float:
        return float(self._level * 0.5 ** ((time_s - self._at_s) / self.HALF_LIFE_S))


def first_infants(infants: Sequence[int], groups: Sequence[int]) -> dict[int, int]:
    """Give the smallest own number of an infant in each group.

    Parameters
    ----------
    infants, groups : sequence of int
        Own number and nursing group of each infant.

    Returns
    -------
    dict of int to int
    """
    first: dict[int, int] = {}
    for infant, group in zip(infants, groups, strict=True):
        first[group] = min(infant, first.get(group, infant))
    return first
