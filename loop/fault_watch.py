"""Wait for the moment that a fault needs: a reading that is stable, falls or recovers."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from .patients import Patients
from .signals import BoolArray, FloatArray

#: How far back is looked (s), and over how long a change is measured.
_LOOK_S, _CHANGE_S = 60, 8
#: A change of this many points within that time is a fall or a rise.
_POINTS = 4.0
#: A fall counts below this, a recovery after having been below that (percent).
_FALLEN_PCT, _DEEP_PCT = 90.0, 86.0
#: Stable readings lie within so many points of each other, in these limits (percent).
_SPREAD, _USUAL_PCT = 4.0, (86.0, 97.0)

#: What can be waited for.
STATES = ("stable", "falling", "recovering")


class Watch:
    """The displayed SpO2 of some lanes over the last minute.

    Parameters
    ----------
    patients : Patients
        Whose oximeters are looked at.
    lanes : sequence of int
        Which lanes.
    state : str
        One of `STATES`.
    """

    def __init__(self, patients: Patients, lanes: Sequence[int], state: str) -> None:
        self._oximeter, self._lanes = patients.oximeter, np.asarray(lanes)
        self._past: FloatArray = np.full((_LOOK_S, len(lanes)), np.nan)
        rules: dict[str, Callable[[FloatArray], BoolArray]] = {
            "stable": self._stable,
            "falling": self._falling,
            "recovering": self._recovering,
        }
        self._rule = rules[state]

    def look(self) -> BoolArray:
        """Look once more; called once a second.

        Returns
        -------
        ndarray of bool, shape (lanes,)
            Where the state is reached now.
        """
        now: FloatArray = self._oximeter.spo2_pct[self._lanes]
        self._past = np.concatenate((self._past[1:], now[np.newaxis, :]))
        return self._rule(now)

    def _stable(self, now: FloatArray) -> BoolArray:
        highest, lowest = self._past.max(axis=0), self._past.min(axis=0)  # NaN if any is lost
        usual = (lowest >= _USUAL_PCT[0]) & (highest <= _USUAL_PCT[1])
        return np.asarray(usual & (highest - lowest <= _SPREAD))

    def _falling(self, now: FloatArray) -> BoolArray:
        return np.asarray((self._past[-_CHANGE_S] - now >= _POINTS) & (now < _FALLEN_PCT))

    def _recovering(self, now: FloatArray) -> BoolArray:
        deep = (self._past < _DEEP_PCT).any(axis=0)
        return np.asarray(deep & (now - self._past[-_CHANGE_S] >= _POINTS))


__all__ = ["STATES", "Watch"]
