"""Faults between the devices: readings that come late, answers that come late, wrong entries.

They act on what reaches a controller and on what it says, never on the infant.
`LinkFaults` holds what is wrong in each lane; `Link` is one arm's view of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..models.errors import nearest, problem
from .safeguards.feedback import Shown
from .signals import BoolArray, FloatArray, Mode

#: Latest that an answer can come (s).
LATEST_S = 300

#: A disturbed output jumps to pure oxygen for the first seconds of each period (s).
ERRATIC_S, ERRATIC_PERIOD_S, ERRATIC_FIO2 = 6, 24, 1.0

#: Each fault's value while nothing is wrong, and its range.
NONE: dict[str, float] = {
    "stale_s": 0.0,
    "late_s": 0.0,
    "target_shift_pct": 0.0,
    "erratic": 0.0,
    "silent": 0.0,
    "hand_fio2": math.nan,
}
RANGES: dict[str, tuple[float, float]] = {
    "stale_s": (0.0, math.inf),
    "late_s": (0.0, float(LATEST_S)),
    "target_shift_pct": (-40.0, 15.0),
    "erratic": (0.0, 1.0),
    "silent": (0.0, 1.0),
    "hand_fio2": (0.21, 1.0),
}


class LinkFaults:
    """What is wrong on the way to and from each lane's controller.

    Parameters
    ----------
    lanes : int
        Number of lanes of all arms.

    Attributes
    ----------
    values : dict of str to ndarray, shape (lanes,)
        ``stale_s``: each reading is repeated for so long, for ever if infinite;
        ``late_s``: answers take so long; ``target_shift_pct``: error of the
        target that was entered; ``erratic``: 1 where the output is disturbed;
        ``silent``: 1 where no answer comes;
        ``hand_fio2``: what staff have set by hand, NaN for nothing.
    active : bool
        Whether anything is wrong in any lane.
    """

    def __init__(self, lanes: int) -> None:
        self.values: dict[str, FloatArray] = {n: np.full(lanes, v) for n, v in NONE.items()}
        self.active = False

    def set(self, lanes: Sequence[int], name: str, value: float) -> None:
        """Begin or end a fault, from the next tick on.

        Parameters
        ----------
        lanes : sequence of int
            Which lanes.
        name : str
            A key of `values`.
        value : float
            Its value; that of `NONE` ends it.

        Raises
        ------
        TestbedError
            If there is no such fault, or the value is out of range.
        """
        if name not in NONE:
            raise problem("LinkFaults.set: name", "a fault", name, nearest(name, NONE))
        low, high = RANGES[name]
        ends = value == NONE[name] or (math.isnan(value) and math.isnan(NONE[name]))
        if not (ends or low <= value <= high):
            raise problem(f"LinkFaults.set: {name}", f"a value from {low:g} to {high:g}", value)
        self.values[name][list(lanes)] = value
        self.active = True  # stays so: what has ended has to be put back by every arm


class Link:
    """One arm's readings and answers on their way.

    Parameters
    ----------
    faults : LinkFaults
        Of all lanes.
    lanes : slice
        The arm's lanes.
    """

    def __init__(self, faults: LinkFaults, lanes: slice) -> None:
        self._faults = faults
        self._values = {name: values[lanes] for name, values in faults.values.items()}
        count = lanes.stop - lanes.start
        self._age_s: FloatArray = np.zeros(count)
        self._on_time: FloatArray = np.zeros(count)
        self._held: dict[str, NDArray[Any]] = {}
        self._history: FloatArray = np.zeros((0, count))
        self._by_hand: BoolArray = np.zeros(count, dtype=np.bool_)
        self._lane = np.arange(count)

    def receive(self, shown: Shown) -> Shown:
        """Pass on what a device shows, or what it showed last.

        Parameters
        ----------
        shown : Shown
            What is displayed now.

        Returns
        -------
        Shown
            `shown` itself while nothing is wrong.
        """
        if not self._faults.active:
            return shown
        names = ("spo2_pct", "valid", "signal_quality", "pulse_rate_bpm")
        stale_s = self._values["stale_s"]
        self._age_s += 1.0
        fresh = self._age_s > np.maximum(stale_s - 1.0, 0.0)
        self._age_s[fresh] = 0.0
        for name in names:
            now = getattr(shown, name)
            if name not in self._held:
                self._held[name] = now.copy()
            np.copyto(self._held[name], now, where=fresh)
        held = {name: self._held[name].copy() for name in names}
        late = self._values["late_s"].copy()
        return replace(shown, **held, age_s=self._age_s.copy(), late_s=late, on_time=False)

    def target_shift_pct(self) -> FloatArray | None:
        """Error of the target that was entered.

        Returns
        -------
        ndarray, shape (lanes,), or None
            Points; None while nothing is wrong.
        """
        return self._values["target_shift_pct"] if self._faults.active else None

    def answer(self, tick: int, request: FloatArray) -> FloatArray:
        """Pass on an answer: disturbed where it is, late where it is; once a second.

        Parameters
        ----------
        tick : int
            Now (s).
        request : ndarray, shape (lanes,)
            What the controller last asked for (fraction).

        Returns
        -------
        ndarray, shape (lanes,)
            `request` itself while nothing is wrong; NaN where no answer comes.
        """
        if not self._faults.active:
            return request
        sent = request.copy()
        if tick % ERRATIC_PERIOD_S < ERRATIC_S:
            np.copyto(sent, ERRATIC_FIO2, where=self._values["erratic"] > 0.5)
        if not len(self._history):
            self._history = np.repeat(sent[np.newaxis, :], LATEST_S + 1, axis=0)
        self._history[tick % len(self._history)] = sent
        late_s = self._values["late_s"].astype(np.int64)
        row = (tick - late_s) % len(self._history)
        came = self._history[row, self._lane]
        return np.where(self._values["silent"] > 0.5, np.nan, came)

    def take_over(self, command_fio2: FloatArray, mode: NDArray[np.int64]) -> None:
        """Let staff set an FiO2 by hand where a script says so, and hand back at its end.

        Parameters
        ----------
        command_fio2 : ndarray, shape (lanes,)
            Commands to the blenders; changed in place.
        mode : ndarray of int, shape (lanes,)
            A `Mode` for each lane; changed in place.
        """
        if not self._faults.active:
            return
        by_hand = np.isfinite(self._values["hand_fio2"])
        begins, ends = by_hand & ~self._by_hand, self._by_hand & ~by_hand
        np.copyto(command_fio2, self._values["hand_fio2"], where=begins)
        np.copyto(mode, int(Mode.MANUAL), where=by_hand)
        np.copyto(mode, int(Mode.AUTOMATIC), where=ends)
        self._by_hand = by_hand


__all__ = ["LATEST_S", "NONE", "Link", "LinkFaults"]
