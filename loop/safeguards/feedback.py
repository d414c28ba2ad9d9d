"""Safeguards on the feedback variable: which readings may be acted upon.

Each has `step`, which looks at what the device shows now and gives True in the
lanes whose reading it distrusts. The array is overwritten at the next step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy import absolute, equal, greater, less, logical_and, logical_not, logical_or, subtract

from ...models.operands import number, whole
from ..signals import BoolArray, FloatArray
from .counting import Countdown, Lasting
from .settings import SafeguardSettings


@dataclass(frozen=True, kw_only=True)
class Shown:
    """What reaches the controller's side of the cables at one moment.

    Attributes
    ----------
    spo2_pct, pulse_rate_bpm, signal_quality : ndarray, shape (lanes,)
        As displayed; NaN where not valid.
    valid : ndarray of bool, shape (lanes,)
        Whether a reading is shown.
    heart_rate_bpm : ndarray, shape (lanes,)
        From the electrocardiogram (1/min).
    set_fio2, applied_fio2, delivered_fio2 : ndarray, shape (lanes,)
        At the blender, behind it, and at the monitor near the infant.
    age_s : ndarray, shape (lanes,)
        Age of the reading by its time stamp.
    late_s : ndarray, shape (lanes,)
        Age of the controller's last answer by its time stamp.
    on_time : bool
        Whether both ages are known to be 0 in every lane.
    """

    spo2_pct: FloatArray
    valid: BoolArray
    signal_quality: FloatArray
    pulse_rate_bpm: FloatArray
    heart_rate_bpm: FloatArray
    set_fio2: FloatArray
    applied_fio2: FloatArray
    delivered_fio2: FloatArray
    age_s: FloatArray
    late_s: FloatArray
    on_time: bool = False


class SignalGate:
    """A reading that is lost, or of poor quality, is not acted upon.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    settings : SafeguardSettings
        Thresholds.
    """

    def __init__(self, lanes: int, settings: SafeguardSettings) -> None:
        self._least = number(settings.quality_min)
        self._doubt, self._poor, self._lost = (np.zeros(lanes, dtype=np.bool_) for _ in range(3))

    def step(self, shown: Shown) -> BoolArray:
        """Look at the signal.

        Parameters
        ----------
        shown : Shown
            What is displayed now.

        Returns
        -------
        ndarray of bool, shape (lanes,)
            Lanes whose reading is not to be used.
        """
        less(shown.signal_quality, self._least, self._poor)
        logical_not(shown.valid, self._lost)
        logical_or(self._poor, self._lost, self._doubt)
        return self._doubt


class FlatLine:
    """A display on which SpO2, pulse rate and quality all stand still is frozen.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    settings : SafeguardSettings
        Thresholds.
    """

    def __init__(self, lanes: int, settings: SafeguardSettings) -> None:
        self._after_s = whole(settings.flat_after_s)
        self._last = tuple(np.full((3, lanes), np.nan))
        self._still = Lasting(lanes)
        self._same, self._flat = (np.zeros(lanes, dtype=np.bool_) for _ in range(2))
        self._one = tuple(np.zeros((3, lanes), dtype=np.bool_))

    def step(self, shown: Shown) -> BoolArray:
        """Compare with the second before.

        Parameters
        ----------
        shown : Shown
            What is displayed now.

        Returns
        -------
        ndarray of bool, shape (lanes,)
            Lanes on which nothing has moved for too long.
        """
        now = (shown.spo2_pct, shown.pulse_rate_bpm, shown.signal_quality)
        for row, values, same in zip(self._last, now, self._one, strict=True):
            equal(row, values, same)
            row[...] = values
        spo2, pulse, quality = self._one
        logical_and(spo2, pulse, self._flat)
        logical_and(self._flat, quality, self._same)
        np.greater_equal(self._still.step(self._same), self._after_s, self._flat)
        return self._flat


class RateOfChange:
    """A reading that jumps is distrusted for a while, and then believed if it stays.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    settings : SafeguardSettings
        Thresholds.
    """

    def __init__(self, lanes: int, settings: SafeguardSettings) -> None:
        self._points = number(settings.jump_points)
        self._ring = np.full((settings.jump_within_s, lanes), np.nan)
        self._row = 0
        self._distrust = Countdown(lanes, settings.jump_distrust_s)
        self._change, self._size = np.zeros(lanes), np.zeros(lanes)
        self._jumps = np.zeros(lanes, dtype=np.bool_)

    def step(self, shown: Shown) -> BoolArray:
        """Compare with the reading some seconds ago.

        Parameters
        ----------
        shown : Shown
            What is displayed now.

        Returns
        -------
        ndarray of bool, shape (lanes,)
            Lanes in which the reading has jumped a short while ago.
        """
        oldest = self._ring[self._row]
        subtract(shown.spo2_pct, oldest, self._change)
        absolute(self._change, self._size)
        greater(self._size, self._points, self._jumps)
        oldest[...] = shown.spo2_pct
        self._row = (self._row + 1) % len(self._ring)
        self._distrust.step(self._jumps)
        return self._distrust.on


class PulseCheck:
    """A reading whose pulse is not the heart's is not blood.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    settings : SafeguardSettings
        Thresholds.
    """

    def __init__(self, lanes: int, settings: SafeguardSettings) -> None:
        self._most_bpm = number(settings.pulse_difference_bpm)
        self._after_s = number(settings.pulse_after_s)
        self._difference, self._gap = np.zeros(lanes), np.zeros(lanes)
        self._lasts = Lasting(lanes)
        self._apart, self._doubt = (np.zeros(lanes, dtype=np.bool_) for _ in range(2))

    def step(self, shown: Shown) -> BoolArray:
        """Compare pulse rate and heart rate.

        Parameters
        ----------
        shown : Shown
            What is displayed now.

        Returns
        -------
        ndarray of bool, shape (lanes,)
            Lanes in which they have differed for too long.
        """
        subtract(shown.pulse_rate_bpm, shown.heart_rate_bpm, self._difference)
        absolute(self._difference, self._gap)
        greater(self._gap, self._most_bpm, self._apart)
        greater(self._lasts.step(self._apart), self._after_s, self._doubt)
        return self._doubt


class StaleWatchdog:
    """Readings that come no more, and answers that come too late, are not acted upon.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    settings : SafeguardSettings
        Thresholds.
    """

    def __init__(self, lanes: int, settings: SafeguardSettings) -> None:
        self._after_s = settings.stale_after_s
        self._old, self._late = (np.zeros(lanes, dtype=np.bool_) for _ in range(2))
        self._never = np.zeros(lanes, dtype=np.bool_)

    def step(self, shown: Shown) -> BoolArray:
        """Look at the time stamps.

        Parameters
        ----------
        shown : Shown
            What is displayed now.

        Returns
        -------
        ndarray of bool, shape (lanes,)
            Lanes in which reading or answer is too old.
        """
        if shown.on_time:
            return self._never
        np.greater(shown.age_s, self._after_s, out=self._old)
        np.greater(shown.late_s, self._after_s, out=self._late)
        self._old |= self._late
        return self._old


__all__ = ["FlatLine", "PulseCheck", "RateOfChange", "Shown", "SignalGate", "StaleWatchdog"]
