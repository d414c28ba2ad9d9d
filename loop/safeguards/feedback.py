"""Safeguards on the feedback variable: which readings may be acted upon.

Each has `step`, which looks at what the device shows now and gives True in the
lanes whose reading it distrusts. The array is overwritten at the next step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..signals import BoolArray, FloatArray
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
        self._least = settings.quality_min
        self._doubt, self._lost = (np.zeros(lanes, dtype=np.bool_) for _ in range(2))

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
        np.less(shown.signal_quality, self._least, out=self._doubt)
        np.logical_not(shown.valid, out=self._lost)
        self._doubt |= self._lost
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
        self._after_s = settings.flat_after_s
        self._last = np.full((3, lanes), np.nan)
        self._still_s = np.zeros(lanes, dtype=np.int64)
        self._same, self._one = (np.zeros(lanes, dtype=np.bool_) for _ in range(2))

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
        self._same[...] = True
        for row, values in zip(self._last, now, strict=True):
            np.equal(row, values, out=self._one)
            self._same &= self._one
            row[...] = values
        self._still_s += 1
        self._still_s *= self._same
        np.greater_equal(self._still_s, self._after_s, out=self._one)
        return self._one


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
        self._points, self._distrust_s = settings.jump_points, settings.jump_distrust_s
        self._ring = np.full((settings.jump_within_s, lanes), np.nan)
        self._row = 0
        self._left_s = np.zeros(lanes, dtype=np.int64)
        self._change = np.zeros(lanes)
        self._jumps, self._doubt = (np.zeros(lanes, dtype=np.bool_) for _ in range(2))

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
        np.subtract(shown.spo2_pct, oldest, out=self._change)
        np.absolute(self._change, out=self._change)
        np.greater(self._change, self._points, out=self._jumps)
        oldest[...] = shown.spo2_pct
        self._row = (self._row + 1) % len(self._ring)
        self._left_s -= 1
        np.maximum(self._left_s, 0, out=self._left_s)
        np.copyto(self._left_s, self._distrust_s, where=self._jumps)
        np.greater(self._left_s, 0, out=self._doubt)
        return self._doubt


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
        self._most_bpm, self._after_s = settings.pulse_difference_bpm, settings.pulse_after_s
        self._gap = np.zeros(lanes)
        self._apart_s = np.zeros(lanes, dtype=np.int64)
        self._apart = np.zeros(lanes, dtype=np.bool_)

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
        np.subtract(shown.pulse_rate_bpm, shown.heart_rate_bpm, out=self._gap)
        np.absolute(self._gap, out=self._gap)
        np.greater(self._gap, self._most_bpm, out=self._apart)
        self._apart_s += 1
        self._apart_s *= self._apart
        np.greater(self._apart_s, self._after_s, out=self._apart)
        return self._apart


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
        np.greater(shown.age_s, self._after_s, out=self._old)
        np.greater(shown.late_s, self._after_s, out=self._late)
        self._old |= self._late
        return self._old


__all__ = ["FlatLine", "PulseCheck", "RateOfChange", "Shown", "SignalGate", "StaleWatchdog"]
