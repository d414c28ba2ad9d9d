"""Safeguards on the controller output variable: what may become of a request.

Each changes the wanted FiO2 in place, or says where staff are to be called.
All arrays have the shape ``(lanes,)`` and are overwritten at each step.
"""

from __future__ import annotations

import numpy as np

from ..signals import BoolArray, FloatArray
from .feedback import Shown
from .settings import SafeguardSettings

#: Delivered FiO2 is compared from this long after the start (s), when the gas has settled.
_SETTLED_S = 60

#: A response is looked for in a mean of the reading over about this time (s).
RESPONSE_MEAN_S = 15.0


class Baseline:
    """The FiO2 that an infant has needed of late: a slow mean of what was set.

    Parameters
    ----------
    settings : SafeguardSettings
        Its time constant.
    fio2 : ndarray, shape (lanes,)
        FiO2 at the start (fraction).

    Attributes
    ----------
    fio2 : ndarray, shape (lanes,)
        The baseline (fraction).
    """

    def __init__(self, settings: SafeguardSettings, fio2: FloatArray) -> None:
        self.fio2: FloatArray = fio2.copy()
        self._gain = 1.0 / (3600.0 * settings.baseline_h)
        self._step = np.zeros(len(fio2))

    def step(self, set_fio2: FloatArray, trusted: BoolArray) -> None:
        """Let the mean follow by a second.

        Parameters
        ----------
        set_fio2 : ndarray, shape (lanes,)
            FiO2 that is set (fraction).
        trusted : ndarray of bool, shape (lanes,)
            Where it was set by somebody who had a reading.
        """
        np.subtract(set_fio2, self.fio2, out=self._step)
        self._step *= self._gain
        self._step *= trusted
        self.fio2 += self._step


class Fallback:
    """Hold for a short while, then set the baseline and call staff, until readings are good.

    Without it the hold has no end and nobody is called.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    settings : SafeguardSettings
        Times, and whether there is a fallback mode.

    Attributes
    ----------
    holds : ndarray of bool, shape (lanes,)
        Where the controller is out of the loop.
    active : ndarray of bool, shape (lanes,)
        Where the hold has lasted too long: fallback mode.
    """

    def __init__(self, lanes: int, settings: SafeguardSettings) -> None:
        self._settings = settings
        self.holds, self.active = (np.zeros(lanes, dtype=np.bool_) for _ in range(2))
        self._good_s = np.full(lanes, settings.return_after_s, dtype=np.int64)
        self._held_s = np.zeros(lanes, dtype=np.int64)

    def step(self, doubt: BoolArray) -> None:
        """Count the seconds.

        Parameters
        ----------
        doubt : ndarray of bool, shape (lanes,)
            Where there is no reading, or no answer, to act upon.
        """
        self._good_s += 1
        np.copyto(self._good_s, 0, where=doubt)
        np.less(self._good_s, self._settings.return_after_s, out=self.holds)
        self.holds |= doubt
        self._held_s += 1
        self._held_s *= self.holds
        if self._settings.fallback:
            np.greater(self._held_s, self._settings.hold_s, out=self.active)


class HighOxygenLimit:
    """High FiO2 to which the reading does not respond is taken back to near the baseline.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    settings : SafeguardSettings
        What counts as high, as long and as a response.

    Attributes
    ----------
    active : ndarray of bool, shape (lanes,)
        Where the limit holds now.
    """

    def __init__(self, lanes: int, settings: SafeguardSettings) -> None:
        self._settings = settings
        self.active = np.zeros(lanes, dtype=np.bool_)
        self._high_s = np.zeros(lanes, dtype=np.int64)
        self._left_s = np.zeros(lanes, dtype=np.int64)
        self._mean_pct: FloatArray = np.full(lanes, np.nan)
        self._first_pct, self._limit = np.full(lanes, np.nan), np.zeros(lanes)
        self._mask, self._low = (np.zeros(lanes, dtype=np.bool_) for _ in range(2))

    def step(
        self, shown: Shown, target_low_pct: float, baseline: FloatArray, wanted: FloatArray
    ) -> None:
        """Count, and limit.

        Parameters
        ----------
        shown : Shown
            What is displayed now.
        target_low_pct : float
            Low end of the target (percent).
        baseline : ndarray, shape (lanes,)
            The baseline (fraction).
        wanted : ndarray, shape (lanes,)
            Wanted FiO2 (fraction); changed in place.
        """
        settings, mask, low, spo2 = self._settings, self._mask, self._low, self._mean_pct
        self._follow(shown)
        np.add(baseline, settings.high_above_baseline, out=self._limit)
        np.greater_equal(shown.set_fio2, self._limit, out=mask)
        np.less(spo2, target_low_pct, out=low)
        mask &= low
        np.less_equal(self._high_s, 0, out=low)
        low &= mask
        np.copyto(self._first_pct, spo2, where=low)
        # The lowest mean since then is what a response is measured from.
        np.fmin(self._first_pct, spo2, out=self._first_pct)
        np.add(self._first_pct, settings.response_points, out=self._limit)
        np.less(spo2, self._limit, out=low)
        mask &= low
        self._high_s += 1
        self._high_s *= mask
        np.greater(self._high_s, round(60 * settings.high_minutes), out=mask)
        self._left_s -= 1
        np.maximum(self._left_s, 0, out=self._left_s)
        np.copyto(self._left_s, round(60 * settings.limit_rest_minutes), where=mask)
        np.greater_equal(spo2, target_low_pct, out=low)
        np.copyto(self._left_s, 0, where=low)
        np.greater(self._left_s, 0, out=self.active)
        np.add(baseline, settings.limited_to_above_baseline, out=self._limit)
        np.minimum(wanted, self._limit, out=wanted, where=self.active)

    def _follow(self, shown: Shown) -> None:
        """Average the reading, which flickers by more than a response."""
        np.isnan(self._mean_pct, out=self._mask)
        np.copyto(self._mean_pct, shown.spo2_pct, where=self._mask)
        np.subtract(shown.spo2_pct, self._mean_pct, out=self._limit)
        self._limit *= 1.0 / RESPONSE_MEAN_S
        np.add(self._mean_pct, self._limit, out=self._mean_pct, where=shown.valid)


class DeliveryCheck:
    """What is delivered is compared with what the setting should have brought.

    A gap calls staff. A gross one also stops FiO2 from rising further, since
    more of what does not arrive only makes the rebound worse.

    Parameters
    ----------
    settings : SafeguardSettings
        Gaps, lag and time.
    fio2 : ndarray, shape (lanes,)
        FiO2 at the start (fraction).

    Attributes
    ----------
    active : ndarray of bool, shape (lanes,)
        Where staff are called.
    """

    def __init__(self, settings: SafeguardSettings, fio2: FloatArray) -> None:
        self._settings = settings
        self._expected: FloatArray = fio2.copy()
        self._seconds = 0
        lanes = len(fio2)
        self._gap, self._work = np.zeros(lanes), np.zeros(lanes)
        self._gap_s = np.zeros(lanes, dtype=np.int64)
        self.active, self._gross = (np.zeros(lanes, dtype=np.bool_) for _ in range(2))

    def step(self, shown: Shown, last: FloatArray, wanted: FloatArray) -> None:
        """Compare, and limit.

        Parameters
        ----------
        shown : Shown
            Set and delivered FiO2.
        last : ndarray, shape (lanes,)
            FiO2 commanded a second ago (fraction).
        wanted : ndarray, shape (lanes,)
            Wanted FiO2 (fraction); changed in place.
        """
        settings = self._settings
        self._seconds += 1
        np.subtract(shown.set_fio2, self._expected, out=self._work)
        self._work *= 1.0 / settings.delivery_lag_s
        self._expected += self._work
        np.subtract(shown.delivered_fio2, self._expected, out=self._gap)
        np.absolute(self._gap, out=self._gap)
        np.greater(self._gap, settings.delivery_gap, out=self.active)
        self._gap_s += 1
        self._gap_s *= self.active
        if self._seconds < _SETTLED_S:
            self._gap_s[...] = 0
        np.greater(self._gap_s, settings.delivery_after_s, out=self.active)
        np.greater(self._gap, settings.delivery_gross_gap, out=self._gross)
        self._gross &= self.active
        np.minimum(wanted, last, out=wanted, where=self._gross)


class Bounds:
    """FiO2 stays in a band around the baseline.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    settings : SafeguardSettings
        Width of the band.
    """

    def __init__(self, lanes: int, settings: SafeguardSettings) -> None:
        self._below, self._above = settings.below_baseline, settings.above_baseline
        self._edge = np.zeros(lanes)

    def step(self, baseline: FloatArray, wanted: FloatArray) -> None:
        """Limit.

        Parameters
        ----------
        baseline : ndarray, shape (lanes,)
            The baseline (fraction).
        wanted : ndarray, shape (lanes,)
            Wanted FiO2 (fraction); changed in place.
        """
        np.subtract(baseline, self._below, out=self._edge)
        np.maximum(wanted, self._edge, out=wanted)
        np.add(baseline, self._above, out=self._edge)
        np.minimum(wanted, self._edge, out=wanted)


class RateLimit:
    """FiO2 moves no faster than it may.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    settings : SafeguardSettings
        Fastest rise and fall.
    """

    def __init__(self, lanes: int, settings: SafeguardSettings) -> None:
        self._rise, self._fall = settings.rise_per_s, settings.fall_per_s
        self._edge = np.zeros(lanes)

    def step(self, last: FloatArray, wanted: FloatArray) -> None:
        """Limit.

        Parameters
        ----------
        last : ndarray, shape (lanes,)
            FiO2 commanded a second ago (fraction).
        wanted : ndarray, shape (lanes,)
            Wanted FiO2 (fraction); changed in place.
        """
        np.add(last, self._rise, out=self._edge)
        np.minimum(wanted, self._edge, out=wanted)
        np.subtract(last, self._fall, out=self._edge)
        np.maximum(wanted, self._edge, out=wanted)


class ManualOverride:
    """What staff set stays; handed back, FiO2 moves without a jump to what is asked for.

    Without it the controller writes over what staff have set.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    settings : SafeguardSettings
        Time over which a jump is spread.
    """

    def __init__(self, lanes: int, settings: SafeguardSettings) -> None:
        self._over_s = float(settings.hand_back_s)
        self._was = np.zeros(lanes, dtype=np.bool_)
        self._back = np.zeros(lanes, dtype=np.bool_)
        self._left_s, self._jump, self._part = (np.zeros(lanes) for _ in range(3))

    def step(self, manual: BoolArray, last: FloatArray, wanted: FloatArray) -> None:
        """Keep, or spread.

        Parameters
        ----------
        manual : ndarray of bool, shape (lanes,)
            Where staff hold the FiO2.
        last : ndarray, shape (lanes,)
            FiO2 commanded until now, by whomever (fraction).
        wanted : ndarray, shape (lanes,)
            Wanted FiO2 (fraction); changed in place.
        """
        np.logical_not(manual, out=self._back)
        self._back &= self._was
        if self._back.any():
            np.subtract(last, wanted, out=self._jump, where=self._back)
            np.copyto(self._left_s, self._over_s, where=self._back)
        self._was[...] = manual
        np.divide(self._left_s, self._over_s, out=self._part)
        self._part *= self._jump
        wanted += self._part
        self._left_s -= 1.0
        np.maximum(self._left_s, 0.0, out=self._left_s)
        np.copyto(wanted, last, where=manual)


class BaselineAlert:
    """FiO2 that has stayed above the baseline for long calls staff: the lung may be worse.

    Seconds below the threshold are taken off twice, so that a brief dip does
    not start the count anew.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    settings : SafeguardSettings
        Threshold and time.

    Attributes
    ----------
    active : ndarray of bool, shape (lanes,)
        Where staff are called.
    """

    def __init__(self, lanes: int, settings: SafeguardSettings) -> None:
        self._above, self._after_s = settings.alert_above_baseline, 60 * settings.alert_minutes
        self._limit, self._count_s, self._step = (np.zeros(lanes) for _ in range(3))
        self.active = np.zeros(lanes, dtype=np.bool_)
        self._is_above = np.zeros(lanes, dtype=np.bool_)

    def step(self, set_fio2: FloatArray, baseline: FloatArray) -> None:
        """Count.

        Parameters
        ----------
        set_fio2 : ndarray, shape (lanes,)
            FiO2 that is set (fraction).
        baseline : ndarray, shape (lanes,)
            The baseline (fraction).
        """
        np.add(baseline, self._above, out=self._limit)
        np.greater(set_fio2, self._limit, out=self._is_above)
        np.multiply(self._is_above, 3.0, out=self._step)
        self._step -= 2.0
        self._count_s += self._step
        np.maximum(self._count_s, 0.0, out=self._count_s)
        np.minimum(self._count_s, 1.5 * self._after_s, out=self._count_s)
        np.greater(self._count_s, self._after_s, out=self.active)


__all__ = [
    "Baseline",
    "BaselineAlert",
    "Bounds",
    "DeliveryCheck",
    "Fallback",
    "HighOxygenLimit",
    "ManualOverride",
    "RateLimit",
]
