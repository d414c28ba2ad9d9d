"""Counting seconds in each lane, with nothing to do where nothing is going on."""

from __future__ import annotations

import numpy as np
from numpy import add, logical_not
from numpy.typing import NDArray

from ...models.operands import whole
from ..signals import BoolArray

_SECOND = whole(1)


class Lasting:
    """Seconds for which a condition has held without a break.

    Parameters
    ----------
    lanes : int
        Number of lanes.

    Attributes
    ----------
    seconds : ndarray of int, shape (lanes,)
        The count, 0 where the condition does not hold.
    """

    def __init__(self, lanes: int) -> None:
        self.seconds: NDArray[np.int64] = np.zeros(lanes, dtype=np.int64)
        self._next, self._nought = np.zeros_like(self.seconds), np.zeros_like(self.seconds)
        self._over = np.zeros(lanes, dtype=np.bool_)
        self._counting = False

    def step(self, condition: BoolArray) -> NDArray[np.int64]:
        """Count one second.

        Parameters
        ----------
        condition : ndarray of bool, shape (lanes,)
            Where the condition holds now.

        Returns
        -------
        ndarray of int, shape (lanes,)
            `seconds`, good until the next step.
        """
        if not np.count_nonzero(condition):
            self.clear()
            return self.seconds
        self._counting = True
        add(self.seconds, _SECOND, self._next)
        logical_not(condition, self._over)
        np.copyto(self._next, self._nought, where=self._over)
        self.seconds, self._next = self._next, self.seconds
        return self.seconds

    def clear(self) -> None:
        """Begin anew in every lane."""
        if self._counting:
            self.seconds.fill(0)
            self._counting = False


class Countdown:
    """Seconds that are left of something that lasts for a fixed time after its cause.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    lasts_s : int
        How long.

    Attributes
    ----------
    on : ndarray of bool, shape (lanes,)
        Where it lasts; always the same array.
    """

    def __init__(self, lanes: int, lasts_s: int) -> None:
        self._lasts_s = whole(lasts_s)
        self._left_s: NDArray[np.int64] = np.zeros(lanes, dtype=np.int64)
        self._nought = np.zeros_like(self._left_s)
        self.on: BoolArray = np.zeros(lanes, dtype=np.bool_)
        self._any = False

    def step(self, begins: BoolArray, ends: BoolArray | None = None) -> bool:
        """Count one second.

        Parameters
        ----------
        begins : ndarray of bool, shape (lanes,)
            Where it begins anew.
        ends : ndarray of bool, shape (lanes,), optional
            Where it is over at once, whatever began.

        Returns
        -------
        bool
            Whether it lasts in any lane.
        """
        if not self._any and not np.count_nonzero(begins):
            return False
        np.subtract(self._left_s, _SECOND, self._left_s)
        np.maximum(self._left_s, self._nought, out=self._left_s)
        np.copyto(self._left_s, self._lasts_s, where=begins)
        if ends is not None:
            np.copyto(self._left_s, self._nought, where=ends)
        np.greater(self._left_s, self._nought, self.on)
        self._any = bool(np.count_nonzero(self.on))
        return self._any


__all__ = ["Countdown", "Lasting"]
