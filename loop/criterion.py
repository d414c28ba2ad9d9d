"""The criterion that the oracle minimises, for every arm beside it.

``J`` is the integral over time of the squared distance of the true SaO2 from
the target range; above the range it counts only on oxygen.
"""

from __future__ import annotations

import numpy as np

from .counted import Counted, FloatArray, counted
from .rounding import on_oxygen
from .trace import Trace

SECONDS_PER_H = 3600.0


def squared_distance(
    sao2_pct: FloatArray, set_fio2: FloatArray, low_pct: float, high_pct: float
) -> FloatArray:
    """Square the distance from the target range, sample by sample.

    Parameters
    ----------
    sao2_pct : ndarray
        True saturation, any shape (percent).
    set_fio2 : ndarray
        Set FiO2, same shape (fraction); above the range it must be at least
        22 whole percent to count.
    low_pct, high_pct : float
        Ends of the target range (percent).

    Returns
    -------
    ndarray
        Squared percent, same shape.
    """
    below = np.maximum(low_pct - sao2_pct, 0.0)
    above = np.where(on_oxygen(set_fio2), np.maximum(sao2_pct - high_pct, 0.0), 0.0)
    squares: FloatArray = below * below + above * above
    return squares


def criterion_of(lane: Counted) -> float:
    """`J` per hour, of a lane counted on the true SaO2.

    Parameters
    ----------
    lane : Counted
        Made with ``true_signal=True``.

    Returns
    -------
    float
        Percent squared x s per hour of recorded time; NaN for an empty record.
    """
    if not len(lane.exact_pct):
        return float("nan")
    fio2 = 0.01 * lane.fio2_pct[lane.warmup_s :]
    squares = squared_distance(lane.exact_pct, fio2, lane.low_pct, lane.high_pct)
    return SECONDS_PER_H * float(np.sum(squares)) / len(squares)


def criterion_j(trace: Trace, low_pct: float, high_pct: float) -> float:
    """`J` per hour, of one infant in one arm, after the warm-up.

    Parameters
    ----------
    trace : Trace
        The lane, warm-up included.
    low_pct, high_pct : float
        Ends of the target range (percent).

    Returns
    -------
    float
        Percent squared x s per hour of recorded time.
    """
    return criterion_of(counted(trace, low_pct, high_pct, true_signal=True))
