"""Alarm limits as they were really set in a run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...loop.alarm_limits import (
    OFF_PCT,
    AlarmSettings,
    draw_high_limits,
    high_limit_course,
)
from ...loop.bench import BenchSpec
from ...models.activities import ActivitySettings
from ...models.infants import Infants
from .rows import Simulated, figure

FloatArray = NDArray[np.float64]

#: Limits are checked at this target, in so many shifts of each infant.
TARGET_HIGH_PCT, SHIFTS = 95.0, 10


@dataclass(frozen=True, kw_only=True)
class Limits:
    """Alarm limits of one infant (percent); readings beyond them sound after a delay.

    Attributes
    ----------
    low_alarm_pct : float
        The low limit.
    high_alarm_pct : ndarray, shape (samples,)
        The upper limit as it was really set, which changes with the shift.
    """

    low_alarm_pct: float
    high_alarm_pct: FloatArray


def limits_of(spec: BenchSpec, infant: int) -> Limits:
    """Give the alarm limits of one infant in a run.

    Parameters
    ----------
    spec : BenchSpec
        The run.
    infant : int
        The infant's own number.

    Returns
    -------
    Limits
    """
    day = spec.activities or ActivitySettings()
    upper = high_limit_course(
        spec.alarms, day, spec.seed, infant, spec.target_high_pct, spec.duration_s
    )
    low = spec.target_low_pct - spec.alarms.low_margin_pct
    return Limits(low_alarm_pct=low, high_alarm_pct=upper)


def limit_rows(infants: Infants, seed: int) -> dict[str, Simulated]:
    """Check how upper alarm limits are set, over many infants and shifts.

    Parameters
    ----------
    infants : Infants
        Drawn infants.
    seed : int
        Seed of the run.

    Returns
    -------
    dict of str to Simulated
        By row id.
    """
    settings = AlarmSettings()
    right = TARGET_HIGH_PCT + settings.high_margin_pct
    seen = np.concatenate(
        [
            draw_high_limits(settings, seed, infant, TARGET_HIGH_PCT, SHIFTS)
            for infant in infants.infant.tolist()
        ]
    )
    return {
        "limit_right": figure(100.0 * float((seen == right).mean()), len(seen)),
        "limit_100": figure(100.0 * float((seen == OFF_PCT).mean()), len(seen)),
    }


__all__ = ["Limits", "limit_rows", "limits_of"]
