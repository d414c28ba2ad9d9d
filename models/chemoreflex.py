"""Breathing after a pause: what was not breathed out is breathed out faster.

In an apnoea CO2 is stored. When breathing comes back the infant breathes more than usual until the
store is empty, so that oxygen comes back sooner than with quiet breathing. The store is kept as
missing ventilation, in seconds of normal ventilation, and drives breathing in proportion.

The proportion is that of the response to CO2. CO2 is stored in lung and blood: 6 mL/min/kg into
20 mL/kg of lung and 85 mL/kg of blood, which takes up 0.0045 mL/mL/mmHg, raise its pressure by 0.24
mmHg a second, and by more at first, before all blood has passed (0.3 is taken). For each mmHg a
preterm infant breathes 35 to 40 mL/min/kg more, on about 280: 13 %. Together 4 % for each missing
second. All figures are from memory.
"""

from __future__ import annotations

import numpy as np

from .disturbances import Breathing, IntArray
from .infants import FloatArray

#: Missing ventilation that would double breathing (s of normal ventilation).
DEBT_TIME_S = 25.0
#: Breathing is at most this many times its normal; assumption. What is stored beyond is shed while
#: an infant is roused, which is not followed.
MOST_BREATHING = 2.0

#: A rest of the store below this is none, so that quiet breathing is exactly normal again (s).
LEAST_DEBT_S = 1e-3


class Chemoreflex:
    """Breathing of all lanes, with what the store of CO2 adds to it.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    response : float
        Factor on the response to CO2, 0 for none.

    Attributes
    ----------
    debt_s : ndarray, shape (lanes,)
        Missing ventilation (s of normal ventilation), from 0 to what brings breathing to its most.
    breathing : ndarray, shape (lanes,)
        The infant's own ventilation as a share of normal, after `drive`.

    Notes
    -----
    In a breathing event nothing is added: an infant who does not breathe, or breathes weakly,
    is one whose drive fails. Ventilation that the infant did without for another cause, such as
    care, is not counted either, since the factors for those hold for what the infant does about
    it. More than normal ventilation empties the store, but no less than empty.
    """

    def __init__(self, lanes: int, response: float = 1.0) -> None:
        self.debt_s: FloatArray = np.zeros(lanes)
        self.breathing: FloatArray = np.ones(lanes)
        self._doubles_s = DEBT_TIME_S / response if response > 0.0 else np.inf
        self._most_debt_s = self._doubles_s * (MOST_BREATHING - 1.0)
        self._work = np.zeros(lanes)
        self._quiet = np.zeros(lanes, dtype=np.bool_)

    def drive(self, kind: IntArray, breathing: FloatArray) -> FloatArray:
        """Work out `breathing` from what the infant does by itself.

        Parameters
        ----------
        kind : ndarray of int, shape (lanes,)
            A `Breathing`.
        breathing : ndarray, shape (lanes,)
            Share of normal ventilation without the reflex.

        Returns
        -------
        ndarray, shape (lanes,)
            `breathing` of this object.
        """
        np.copyto(self.breathing, breathing)
        np.divide(self.debt_s, self._doubles_s, out=self._work)
        np.equal(kind, int(Breathing.NORMAL), out=self._quiet)
        np.add(breathing, self._work, out=self.breathing, where=self._quiet)
        return self.breathing

    def count(self, ventilation: FloatArray) -> None:
        """Move the store by what was ventilated in a second.

        Parameters
        ----------
        ventilation : ndarray, shape (lanes,)
            Share of normal alveolar ventilation, by the infant and by its support.
        """
        np.subtract(1.0, ventilation, out=self._work)
        self.debt_s += self._work
        np.minimum(self.debt_s, self._most_debt_s, out=self.debt_s)
        # This takes what is below nothing, too.
        np.copyto(self.debt_s, 0.0, where=self.debt_s < LEAST_DEBT_S)


__all__ = ["DEBT_TIME_S", "LEAST_DEBT_S", "MOST_BREATHING", "Chemoreflex"]
