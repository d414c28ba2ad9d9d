"""The 1 Hz recording of all lanes, in compact arrays."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from .signals import BoolArray, FloatArray
from .trace import Trace

#: Stands for "no reading" where displayed SpO2 is kept in a byte.
NO_READING = 255

#: Lanes are copied out of the recording so many samples at a time.
TILE_SAMPLES = 512

_Kind = TypeVar("_Kind", np.uint8, np.float32)


class Recording:
    """Room for every sample of every lane, filled row by row.

    Parameters
    ----------
    samples : int
        Number of ticks.
    lanes : int
        Number of lanes.
    warmup_s : int
        Samples at the start that outcomes leave out.
    """

    def __init__(self, samples: int, lanes: int, warmup_s: int) -> None:
        self.samples = samples
        self.lanes = lanes
        self.warmup_s = warmup_s
        self._spo2_pct: NDArray[np.uint8] = np.full((samples, lanes), NO_READING, dtype=np.uint8)
        self._apnoea: NDArray[np.uint8] = np.zeros((samples, lanes), dtype=np.uint8)
        self._floats: dict[str, NDArray[np.float32]] = {
            name: np.zeros((samples, lanes), dtype=np.float32)
            for name in ("sao2", "pao2_mmhg", "set_fio2", "inspired_fio2", "heart_rate_bpm")
        }
        self._shown = np.zeros(lanes)

    def write(
        self,
        tick: int,
        *,
        spo2_pct: FloatArray,
        valid: BoolArray,
        apnoea: NDArray[np.int64],
        **signals: FloatArray,
    ) -> None:
        """Write one tick of all lanes.

        Parameters
        ----------
        tick : int
            Which row.
        spo2_pct : ndarray, shape (lanes,)
            Displayed SpO2 (percent).
        valid : ndarray of bool, shape (lanes,)
            Whether there is a reading.
        apnoea : ndarray of int, shape (lanes,)
            Kind of breathing event, 0 for none.
        **signals : ndarray, shape (lanes,)
            ``sao2`` (fraction), ``pao2_mmhg``, ``set_fio2``, ``inspired_fio2``
            and ``heart_rate_bpm``; another name raises `KeyError`.
        """
        self._shown.fill(NO_READING)
        np.copyto(self._shown, spo2_pct, where=valid)
        self._spo2_pct[tick] = self._shown
        self._apnoea[tick] = apnoea
        for name, values in signals.items():
            self._floats[name][tick] = values

    def take(self, lanes: range) -> Recording:
        """Copy some neighbouring lanes, each lane's samples side by side.

        Here the lanes of one second are side by side, as they are written. To read
        lane after lane in this order is slow, because the samples of one
        lane are far apart in memory; take some lanes out first.

        Parameters
        ----------
        lanes : range
            Which lanes, one after the other.

        Returns
        -------
        Recording
            With these lanes only.
        """
        part = Recording(0, len(lanes), self.warmup_s)
        part.samples = self.samples
        part._spo2_pct = _turned(self._spo2_pct[:, lanes.start : lanes.stop])
        part._apnoea = _turned(self._apnoea[:, lanes.start : lanes.stop])
        part._floats = {
            name: _turned(data[:, lanes.start : lanes.stop]) for name, data in self._floats.items()
        }
        return part

    def trace(self, lane: int) -> Trace:
        """Take one lane out, in the units of `Trace`.

        Parameters
        ----------
        lane : int
            Which lane.

        Returns
        -------
        Trace
        """
        spo2 = self._spo2_pct[:, lane].astype(np.float64)
        spo2[spo2 == NO_READING] = np.nan
        columns = {name: data[:, lane].astype(np.float64) for name, data in self._floats.items()}
        columns["sao2_pct"] = 100.0 * columns.pop("sao2")
        return Trace(
            spo2_pct=spo2,
            apnoea=self._apnoea[:, lane].astype(np.int64),
            warmup_s=self.warmup_s,
            **columns,
        )


def _turned(values: NDArray[_Kind]) -> NDArray[_Kind]:
    """Copy rows of lanes so that each column is contiguous, in tiles that stay in the cache."""
    samples, lanes = values.shape
    columns = np.empty((lanes, samples), dtype=values.dtype)
    for first in range(0, samples, TILE_SAMPLES):
        tile = slice(first, first + TILE_SAMPLES)
        columns[:, tile] = values[tile].T
    return columns.T
