"""Safeguards on the controller output variable: what may become of a request.

Each changes the wanted FiO2 in place, or says where staff are to be called.
All arrays have the shape ``(lanes,)`` and are overwritten at each step.
"""

from __future__ import annotations

import numpy as np
from numpy import absolute, add, greater, less, logical_or, multiply, subtract

from ...models.operands import number, whole
from ..signals import BoolArray, FloatArray
from .counting import Countdown, Lasting
from .feedback import Shown
from .settings import SafeguardSettings

#: Delivered FiO2 is compared from this long after the start (s), when the gas has settled.
_SETTLED_S = 60

#: A response is looked for in a mean of the reading over about this time (s).
RESPONSE_MEAN_S = 15.0

_SECOND, _NOUGHT, _PER_MEAN = whole(1), whole(0), number(1.0 / RESPONSE_MEAN_S)


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
    idle : bool
        Whether no lane is held.
    """

    def __init__(self, lanes: int, settings: SafeguardSettings) -> None:
        self._settings = settings
        self.holds, self.active = (np.zeros(lanes, dtype=np.bool_) for _ in range(2))
        self._good_s = np.full(lanes, settings.return_after_s, dtype=np.int64)
        self._return_after_s = whole(settings.return_after_s)
        self._held = Lasting(lanes)
        self._waits = np.zeros(lanes, dtype=np.bool_)
        self.idle = True

    def step(self, doubt: BoolArray) -> None:
        """Count the seconds.

        Parameters
        ----------
        doubt : ndarray of bool, shape (lanes,)
            Where there is no reading, or no answer, to act upon.
        """
        if self.idle and not np.count_nonzero(doubt):
            return  # every lane has been good for long enough, and stays so
        add(self._good_s, _SECOND, self._good_s)
        np.copyto(self._good_s, _NOUGHT, where=doubt)
        less(self._good_s, self._return_after_s, self._waits)
        logical_or(self._waits, doubt, self.holds)
        self.idle = not np.count_nonzero(self.holds)
        held_s = self._held.step(self.holds)
        if self._settings.fallback:
            np.greater(held_s, self._settings.hold_s, out=self.active)


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
        self._high = Lasting(lanes)
        self._rest = Countdown(lanes, round(60 * settings.limit_rest_minutes))
        self.active = self._rest.on
        self._longest_s = whole(round(60 * settings.high_minutes))
        self._above = number(settings.high_above_baseline)
        self._response = number(settings.response_points)
        self._step = np.zeros(lanes)
        self._mean_pct: FloatArray = np.full(lanes, np.nan)
        self._first_pct, self._limit = np.full(lanes, np.nan), np.zeros(lanes)
        self._mask, self._low, self._both = (np.zeros(lanes, dtype=np.bool_) for _ in range(3))

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
        mask, low, both, spo2 = self._mask, self._low, self._both, self._mean_pct
        self._follow(shown)
        add(baseline, self._above, self._limit)
        np.greater_equal(shown.set_fio2, self._limit, mask)
        less(spo2, target_low_pct, low)
        np.logical_and(mask, low, both)
        self._count(both)
        np.greater_equal(spo2, target_low_pct, low)
        if self._rest.step(mask, low):
            np.add(baseline, self._settings.limited_to_above_baseline, out=self._limit)
            np.minimum(wanted, self._limit, out=wanted, where=self.active)

    def _count(self, high: BoolArray) -> None:
        """Write to `_mask` where FiO2 has been high for too long without a response."""
        mask, low, spo2 = self._mask, self._low, self._mean_pct
        if not np.count_nonzero(high):
            self._high.clear()
            mask.fill(False)
            return
        np.less_equal(self._high.seconds, _NOUGHT, mask)
        np.logical_and(mask, high, low)
        np.copyto(self._first_pct, spo2, where=low)
        # The lowest mean since then is what a response is measured from.
        np.fmin(self._first_pct, spo2, out=self._first_pct)
        add(self._first_pct, self._response, self._limit)
        less(spo2, self._limit, low)
        np.logical_and(high, low, mask)
        greater(self._high.step(mask), self._longest_s, mask)

    def _follow(self, shown: Shown) -> None:
        """Average the reading, which flickers by more than a response."""
        np.isnan(self._mean_pct, self._mask)
        np.copyto(self._mean_pct, shown.spo2_pct, where=self._mask)
        subtract(shown.spo2_pct, self._mean_pct, self._limit)
        multiply(self._limit, _PER_MEAN, self._step)
        add(self._mean_pct, self._step, self._limit)
        np.copyto(self._mean_pct, self._limit, where=shown.valid)


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
        self._per_lag, self._most = (
            number(1.0 / settings.delivery_lag_s),
            number(settings.delivery_gap),
        )
        self._lasts = Lasting(lanes)
        self.active, self._gross = (np.zeros(lanes, dtype=np.bool_) for _ in range(2))
        self._off = np.zeros(lanes, dtype=np.bool_)

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
        self._seconds += 1
        subtract(shown.set_fio2, self._expected, self._work)
        multiply(self._work, self._per_lag, self._gap)
        add(self._expected, self._gap, self._expected)
        subtract(shown.delivered_fio2, self._expected, self._work)
        absolute(self._work, self._gap)
        greater(self._gap, self._most, self._off)
        off_s = self._lasts.step(self._off)
        if self._seconds < _SETTLED_S:
            off_s.fill(0)
        greater(off_s, self._settings.delivery_after_s, self.active)
        if np.count_nonzero(self.active):
            np.greater(self._gap, self._settings.delivery_gross_gap, out=self._gross)
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
        self._below, self._above = number(settings.below_baseline), number(settings.above_baseline)
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
        self._rise, self._fall = number(settings.rise_per_s), number(settings.fall_per_s)
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
        self._any_was, self._spreads = False, False

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
        any_manual = bool(np.count_nonzero(manual))
        if self._any_was:
            np.logical_not(manual, out=self._back)
            self._back &= self._was
            if np.count_nonzero(self._back):
                np.subtract(last, wanted, out=self._jump, where=self._back)
                np.copyto(self._left_s, self._over_s, where=self._back)
                self._spreads = True
        if any_manual or self._any_was:
            self._was[...] = manual
            self._any_was = any_manual
        if self._spreads:
            self._spread(wanted)
        if any_manual:
            np.copyto(wanted, last, where=manual)

    def _spread(self, wanted: FloatArray) -> None:
        """Add what is left of the jump, and let it shrink."""
        np.divide(self._left_s, self._over_s, out=self._part)
        self._part *= self._jump
        wanted += self._part
        self._left_s -= 1.0
        np.maximum(self._left_s, 0.0, out=self._left_s)
        self._spreads = bool(np.count_nonzero(self._left_s))


__all__ = [
    "Bounds",
    "DeliveryCheck",
    "Fallback",
    "HighOxygenLimit",
    "ManualOverride",
    "RateLimit",
]
