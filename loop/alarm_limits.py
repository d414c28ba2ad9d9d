"""Where alarm limits stand: as the protocol has them, and as they are really set.

The upper SpO2 limit is often wrong, so it is drawn for each infant and shift
from the infant's own stream: an infant has the same limits in every arm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..models.activities import ActivitySettings
from ..models.errors import problem
from ..models.settings import quantity, validate
from ..models.streams import Cause, stream
from ..models.support import PressureAlarmSettings
from .signals import FloatArray

SHIFT_S = 12 * 3600

#: A limit of 100 % is never exceeded, so the alarm is off.
OFF_PCT = 100.0
#: Highest upper limit that can still sound.
HIGHEST_PCT = 99.0


@dataclass(frozen=True, kw_only=True)
class AlarmSettings:
    """Limits, delays and habits of the bedside alarms.

    How upper limits are really set is from Clucas, Pediatrics 2007;119:1056 (23 %
    correct, 24 % at 100 %); SpO2 alarm delays of 10-30 s are used in trials. What
    has no source is common practice or this project's assumption.
    """

    low_margin_pct: float = quantity(
        unit="%", low=0, high=20, default=1, doc="low alarm sounds below target low end minus this"
    )
    high_margin_pct: float = quantity(
        unit="%", low=0, high=20, default=1, doc="high alarm sounds above target high end plus this"
    )
    high_correct_share: float = quantity(
        unit="fraction", low=0, high=1, default=0.23, doc="shifts with the upper limit set so"
    )
    high_off_share: float = quantity(
        unit="fraction", low=0, high=1, default=0.24, doc="shifts with the upper limit at 100 %"
    )
    low_delay_s: int = quantity(
        unit="s", low=0, high=300, default=15, doc="time beyond the low limit before the alarm"
    )
    high_delay_s: int = quantity(
        unit="s", low=0, high=600, default=30, doc="time beyond the high limit before the alarm"
    )
    lost_signal_delay_s: int = quantity(
        unit="s", low=0, high=300, default=30, doc="time without a reading before the alarm"
    )
    fio2_deviation_pct: float = quantity(
        unit="FiO2 %", low=1, high=79, default=5, doc="measured beside set FiO2: alarm beyond this"
    )
    fio2_deviation_delay_s: int = quantity(
        unit="s", low=0, high=600, default=60, doc="time of that deviation before the alarm"
    )
    pressure_delay_s: int = quantity(
        unit="s", low=0, high=300, default=10, doc="time beyond a pressure limit before the alarm"
    )
    pressure: PressureAlarmSettings = quantity(
        unit="-",
        default=PressureAlarmSettings(),
        doc="limits around the set pressure, and the time without breath until the apnoea alarm",
    )
    latch_high_priority: bool = quantity(
        unit="-", default=False, doc="alarms of high priority sound until somebody acknowledges"
    )
    pause_s: int = quantity(
        unit="s", low=0, high=600, default=120, doc="audio pause of a cot after acknowledgement"
    )
    escalate_after_s: int = quantity(
        unit="s", low=0, high=3600, default=600, doc="unanswered this long: others called; 0: never"
    )

    def __post_init__(self) -> None:
        validate(self)
        if self.high_correct_share + self.high_off_share > 1:
            raise problem(
                "AlarmSettings.high_off_share",
                "high_correct_share + high_off_share of at most 1 (fraction)",
                self.high_correct_share + self.high_off_share,
            )


def draw_high_limits(
    settings: AlarmSettings, seed: int, infant: int, target_high_pct: float, shifts: int
) -> FloatArray:
    """Draw the upper SpO2 limit of one infant for each shift.

    Parameters
    ----------
    settings : AlarmSettings
        Margin, and how often the limit is right or at 100 %.
    seed : int
        Seed of the run.
    infant : int
        The infant's own number.
    target_high_pct : float
        High end of the target range (percent).
    shifts : int
        Number of shifts.

    Returns
    -------
    ndarray, shape (shifts,)
        Limits (percent). Those neither right nor at 100 % lie evenly, in whole
        percents, between the right one and 99 % (assumption).
    """
    right = target_high_pct + settings.high_margin_pct
    kind, place = stream(seed, infant, Cause.ALARM_LIMITS).random((shifts, 2)).T
    wide = np.minimum(right + 1.0 + np.floor(place * max(HIGHEST_PCT - right, 1.0)), HIGHEST_PCT)
    wide = np.maximum(wide, right)
    off = settings.high_correct_share + settings.high_off_share
    limits = np.where(kind < off, OFF_PCT, wide)
    return np.asarray(np.where(kind < settings.high_correct_share, right, limits))


def high_limit_course(
    settings: AlarmSettings,
    day: ActivitySettings,
    seed: int,
    infant: int,
    target_high_pct: float,
    duration_s: int,
) -> FloatArray:
    """Give the upper SpO2 limit of one infant second by second, as it was really set.

    Parameters
    ----------
    settings : AlarmSettings
        How limits are set.
    day : ActivitySettings
        Time of day at the start, and when the day shift starts.
    seed : int
        Seed of the run.
    infant : int
        The infant's own number.
    target_high_pct : float
        High end of the target range (percent).
    duration_s : int
        Length of the run.

    Returns
    -------
    ndarray, shape (duration_s,)
        Limits (percent).
    """
    shift = (np.arange(duration_s) + into_shift_s(day)) // SHIFT_S
    shifts = int(shift[-1]) + 1
    return draw_high_limits(settings, seed, infant, target_high_pct, shifts)[shift]


def into_shift_s(day: ActivitySettings) -> int:
    """Say how long the first shift has been on when a run starts.

    Parameters
    ----------
    day : ActivitySettings
        Time of day at the start, and when the day shift starts.

    Returns
    -------
    int
        Seconds, 0 to 12 h.
    """
    return round((day.start_hour_h - day.day_starts_h) * 3600) % SHIFT_S


class LimitSchedule:
    """Upper SpO2 limits of all lanes, which change with the shift.

    Parameters
    ----------
    settings : AlarmSettings
        How limits are set.
    day : ActivitySettings
        Time of day at the start, and when the day shift starts.
    seed : int
        Seed of the run.
    infants : list of int
        Own numbers of the infants of one arm.
    arms : int
        Number of arms.
    target_high_pct : float
        High end of the target range (percent).
    duration_s : int
        Length of the run.

    Attributes
    ----------
    next_change_s : int
        Until when the last row given is good.
    """

    def __init__(
        self,
        settings: AlarmSettings,
        day: ActivitySettings,
        seed: int,
        infants: list[int],
        arms: int,
        target_high_pct: float,
        duration_s: int,
    ) -> None:
        self._into_s = into_shift_s(day)
        shifts = (duration_s + self._into_s) // SHIFT_S + 1
        drawn = [draw_high_limits(settings, seed, i, target_high_pct, shifts) for i in infants]
        self._rows = np.ascontiguousarray(np.tile(np.stack(drawn, axis=1), (1, arms)))
        self.next_change_s = 0

    def row(self, tick: int) -> FloatArray:
        """Give the limits at a moment.

        Parameters
        ----------
        tick : int
            Seconds since the start of the run.

        Returns
        -------
        ndarray, shape (lanes,)
            Upper limits (percent), good until `next_change_s`.
        """
        shift = (tick + self._into_s) // SHIFT_S
        self.next_change_s = (shift + 1) * SHIFT_S - self._into_s
        return np.asarray(self._rows[shift])
