"""What is known of one lane, second by second."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Trace:
    """One infant in one arm at 1 Hz; every array has the shape ``(samples,)``.

    Sample *k* is the state after tick *k*, from the start of the run; the
    warm-up is part of it and is flagged, not cut.

    Attributes
    ----------
    spo2_pct : ndarray
        Displayed SpO2 in whole percent; NaN where the oximeter shows nothing.
    sao2_pct : ndarray
        True arterial saturation (percent, not rounded).
    pao2_mmhg : ndarray
        True arterial PO2.
    set_fio2 : ndarray
        FiO2 to which the blender is set (fraction).
    inspired_fio2 : ndarray
        FiO2 that reaches the infant (fraction).
    heart_rate_bpm : ndarray
        True heart rate (1/min).
    apnoea : ndarray of int
        0 breathing; otherwise the kind of breathing event.
    warmup_s : int
        Samples at the start that no outcome counts.
    """

    spo2_pct: FloatArray
    sao2_pct: FloatArray
    pao2_mmhg: FloatArray
    set_fio2: FloatArray
    inspired_fio2: FloatArray
    heart_rate_bpm: FloatArray
    apnoea: NDArray[np.int64]
    warmup_s: int

    def __len__(self) -> int:
        return len(self.spo2_pct)
