"""The dissociation curve as controllers use it: a table, looked up in straight lines.

A controller does not know an infant's own curve. It uses the standard one
(Severinghaus 1979, in `models.blood`), whose slope falls threefold from 88 to
95 % saturation; a shift of P50 stretches PO2 and leaves ratios of slopes alone.
"""

from __future__ import annotations

import numpy as np

from ...models.blood import po2_at, saturation_slope
from ..signals import FloatArray

#: Saturations of the table (whole percent, both ends included). Above, the
#: curve is too flat for a whole percent to say anything about PO2.
LOWEST_PCT, HIGHEST_PCT = 40, 98


class CurveTable:
    """PO2 and slope of the standard curve at a displayed saturation."""

    def __init__(self) -> None:
        percents = range(LOWEST_PCT, HIGHEST_PCT + 1)
        po2 = [po2_at(percent / 100.0) for percent in percents]
        self._po2_mmhg = np.array(po2)
        self._slope = np.array([100.0 * saturation_slope(value) for value in po2])

    def po2_mmhg(self, spo2_pct: FloatArray) -> FloatArray:
        """Give the PO2 of standard blood at a saturation.

        Parameters
        ----------
        spo2_pct : ndarray, shape (lanes,)
            Finite (percent); taken as 40 below 40 and as 98 above 98.

        Returns
        -------
        ndarray, shape (lanes,)
            PO2 (mmHg), on straight lines between whole percents.
        """
        return _between(self._po2_mmhg, spo2_pct)

    def slope_pct_per_mmhg(self, spo2_pct: FloatArray) -> FloatArray:
        """Give the slope of the curve at a saturation.

        Parameters
        ----------
        spo2_pct : ndarray, shape (lanes,)
            Finite (percent); taken as 40 below 40 and as 98 above 98.

        Returns
        -------
        ndarray, shape (lanes,)
            Points of saturation per mmHg.
        """
        return _between(self._slope, spo2_pct)


def _between(table: FloatArray, spo2_pct: FloatArray) -> FloatArray:
    place = np.minimum(np.maximum(spo2_pct, LOWEST_PCT), HIGHEST_PCT) - LOWEST_PCT
    left = np.minimum(np.floor(place), len(table) - 2.0).astype(np.int64)
    start = table[left]
    return np.asarray(start + (place - left) * (table[left + 1] - start))
