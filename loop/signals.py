"""What passes between the bench and a controller: settings, readings, modes."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


class Mode(IntEnum):
    """Who holds the FiO2 of a lane at this moment."""

    AUTOMATIC = 0
    HOLD = 1
    FALLBACK = 2
    MANUAL = 3


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What a controller is told once, before the first reading.

    Attributes
    ----------
    target_low_pct, target_high_pct : float
        Ends of the SpO2 target range, both inside it (percent).
    fio2_min, fio2_max : float
        Limits of the command variable (fraction).
    """

    target_low_pct: float
    target_high_pct: float
    fio2_min: float
    fio2_max: float

    @property
    def target_mid_pct(self) -> float:
        """Middle of the target range (percent)."""
        return 0.5 * (self.target_low_pct + self.target_high_pct)


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What a controller sees at one moment: the signals of a real device, no more.

    Every array has the shape ``(lanes,)`` and is read-only.

    Attributes
    ----------
    time_s : int
        Seconds since the start of the run.
    spo2_pct : ndarray
        Displayed SpO2 in whole percent; NaN where `valid` is False.
    valid : ndarray of bool
        Whether the oximeter shows a reading.
    signal_quality : ndarray
        The oximeter's own confidence, 0 to 1.
    pulse_rate_bpm : ndarray
        Pulse rate from the oximeter (1/min); NaN where `valid` is False.
    heart_rate_bpm : ndarray
        Heart rate from the electrocardiogram (1/min).
    set_fio2 : ndarray
        FiO2 to which the blender is set (fraction).
    applied_fio2 : ndarray
        FiO2 that the blender puts into the circuit (fraction).
    delivered_fio2 : ndarray
        FiO2 that the monitor near the infant shows (fraction).
    target_low_pct, target_high_pct : ndarray
        Ends of the SpO2 target range (percent).
    fio2_min, fio2_max : ndarray
        Limits of the command variable (fraction).
    mode : ndarray of int
        A `Mode` for each lane.
    """

    time_s: int
    spo2_pct: FloatArray
    valid: BoolArray
    signal_quality: FloatArray
    pulse_rate_bpm: FloatArray
    heart_rate_bpm: FloatArray
    set_fio2: FloatArray
    applied_fio2: FloatArray
    delivered_fio2: FloatArray
    target_low_pct: FloatArray
    target_high_pct: FloatArray
    fio2_min: FloatArray
    fio2_max: FloatArray
    mode: NDArray[np.int64]
