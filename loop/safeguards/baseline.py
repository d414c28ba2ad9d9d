"""The FiO2 that an infant has needed of late, and the alert when more is needed for long."""

from __future__ import annotations

import numpy as np
from numpy import add, greater, logical_not, multiply, subtract

from ...models.operands import number
from ..signals import BoolArray, FloatArray
from .settings import SafeguardSettings

#: What a second above the threshold counts, and one below.
_UP, _DOWN = number(1.0), number(-2.0)


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
        self._gain = number(1.0 / (3600.0 * settings.baseline_h))
        self._gap, self._step, self._nought = (np.zeros(len(fio2)) for _ in range(3))
        self._not = np.zeros(len(fio2), dtype=np.bool_)

    def step(self, set_fio2: FloatArray, trusted: BoolArray) -> None:
        """Let the mean follow by a second.

        Parameters
        ----------
        set_fio2 : ndarray, shape (lanes,)
            FiO2 that is set (fraction).
        trusted : ndarray of bool, shape (lanes,)
            Where it was set by somebody who had a reading.
        """
        subtract(set_fio2, self.fio2, self._gap)
        multiply(self._gap, self._gain, self._step)
        if np.count_nonzero(trusted) < len(trusted):
            logical_not(trusted, self._not)
            np.copyto(self._step, self._nought, where=self._not)
        add(self.fio2, self._step, self.fio2)


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
        self._above, after_s = number(settings.alert_above_baseline), 60 * settings.alert_minutes
        self._after_s, self._most_s = number(after_s), np.full(lanes, 1.5 * after_s)
        self._limit, self._count_s, self._step = (np.zeros(lanes) for _ in range(3))
        self._moved, self._nought = np.zeros(lanes), np.zeros(lanes)
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
        add(baseline, self._above, self._limit)
        greater(set_fio2, self._limit, self._is_above)
        np.copyto(self._step, _DOWN)
        np.copyto(self._step, _UP, where=self._is_above)
        add(self._count_s, self._step, self._moved)
        np.maximum(self._moved, self._nought, out=self._step)
        np.minimum(self._step, self._most_s, out=self._count_s)
        greater(self._count_s, self._after_s, self.active)


__all__ = ["Baseline", "BaselineAlert"]
