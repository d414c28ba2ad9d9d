"""One lane made ready for the measures: rounded, masked, its episodes found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .episodes import Episodes, find_episodes
from .rounding import on_oxygen, whole_percent
from .trace import Trace

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Counted:
    """One lane seen through one of the two saturations, ready to be counted.

    Arrays have the shape ``(samples,)`` and start after the warm-up, unless
    it says otherwise.

    Attributes
    ----------
    exact_pct : ndarray
        Saturation for areas; NaN where invalid.
    whole_pct : ndarray
        Saturation for counts, rounded half-up; NaN where invalid.
    valid : ndarray of bool
        Whether there is a reading; true saturation always has one.
    on_oxygen : ndarray of bool
        Whether the set FiO2 is at least 22 whole percent.
    pao2_mmhg : ndarray
        True arterial PO2.
    low_pct, high_pct : float
        Ends of the target range, both inside it.
    hypoxic, hyperoxic, bradycardic : Episodes
        Below 80 %; above 98 % on oxygen; heart rate below 80/min. `start`
        counts from the start of the run, and none began in the warm-up.
    fio2_pct : ndarray
        Set FiO2 from the start of the run (percent).
    run_whole_pct : ndarray
        Rounded saturation from the start of the run.
    warmup_s : int
        Samples of the warm-up.
    """

    exact_pct: FloatArray
    whole_pct: FloatArray
    valid: BoolArray
    on_oxygen: BoolArray
    pao2_mmhg: FloatArray
    low_pct: float
    high_pct: float
    hypoxic: Episodes
    hyperoxic: Episodes
    bradycardic: Episodes
    fio2_pct: FloatArray
    run_whole_pct: FloatArray
    warmup_s: int


def _lane(values: NDArray[np.floating]) -> FloatArray:
    # A lane's own contiguous copy, so that sums do not depend on its neighbours.
    return np.ascontiguousarray(values, dtype=np.float64)


def counted(
    trace: Trace, target_low_pct: float, target_high_pct: float, *, true_signal: bool
) -> Counted:
    """Prepare one lane for the measures.

    Parameters
    ----------
    trace : Trace
        The lane, warm-up included.
    target_low_pct, target_high_pct : float
        Ends of the target range (percent).
    true_signal : bool
        Count the true SaO2, where every sample is valid, not the displayed SpO2.

    Returns
    -------
    Counted
    """
    exact = _lane(trace.sao2_pct if true_signal else trace.spo2_pct)
    valid = np.ones(len(exact), dtype=np.bool_) if true_signal else ~np.isnan(exact)
    whole = whole_percent(exact)
    fio2 = 100.0 * _lane(trace.set_fio2)
    oxygen = on_oxygen(_lane(trace.set_fio2))
    first = trace.warmup_s
    heart_rate = _lane(trace.heart_rate_bpm)
    return Counted(
        exact_pct=exact[first:],
        whole_pct=whole[first:],
        valid=valid[first:],
        on_oxygen=oxygen[first:],
        pao2_mmhg=_lane(trace.pao2_mmhg)[first:],
        low_pct=target_low_pct,
        high_pct=target_high_pct,
        hypoxic=find_episodes(whole < 80, valid, first=first),
        hyperoxic=find_episodes((whole > 98) & oxygen, valid, first=first),
        bradycardic=find_episodes(heart_rate < 80, ~np.isnan(heart_rate), first=first),
        fio2_pct=fio2,
        run_whole_pct=whole,
        warmup_s=first,
    )
