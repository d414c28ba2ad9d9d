"""The one rounding rule of the testbed: half-up to whole percent.

NumPy rounds halves to the even neighbour, so that 88.5 and 89.5 would become
88 and 90. Counts against whole-percent limits need one rule for every half.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def whole_percent(percent: NDArray[np.floating]) -> NDArray[np.float64]:
    """Round to whole percent, halves upwards.

    Parameters
    ----------
    percent : ndarray
        Any shape (percent).

    Returns
    -------
    ndarray
        ``floor(percent + 0.5)``, same shape; NaN stays NaN.
    """
    return np.floor(np.asarray(percent, dtype=np.float64) + 0.5)


#: "On oxygen" is a set FiO2 of at least this many whole percent.
ON_OXYGEN_PCT = 22

#: The same limit for FiO2 as a fraction that need not be a whole percent.
ON_OXYGEN_FIO2 = (ON_OXYGEN_PCT - 0.5) / 100.0


def on_oxygen(set_fio2: NDArray[np.floating]) -> NDArray[np.bool_]:
    """Say where an infant counts as on oxygen.

    Parameters
    ----------
    set_fio2 : ndarray
        Set FiO2, any shape (fraction).

    Returns
    -------
    ndarray of bool
        True where it is at least 22 whole percent.
    """
    return np.asarray(whole_percent(100.0 * set_fio2) >= ON_OXYGEN_PCT)
