"""Saturation at a probe behind the arterial duct, where venous blood has been mixed in.

Right-to-left flow through the duct takes venous blood past the lung to the
lower body: ``Ca_post = (1 - d) Ca + d Cv``. The tissues as a whole get the
flow-weighted mix, ``(1 - w d) Ca + w d Cv``, with `w` the lower body's share of the flow.
That moves as much oxygen as a flow smaller by ``1 - w d`` would, through lung
and tissue alike; so the lungs take this factor on their flow and nothing else changes.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .blood import ContentInverse
from .errors import problem
from .infants import FloatArray
from .lung_parameters import DISSOLVED_ML_ML_MMHG, LungParameters

#: Share of the cardiac output that goes to the body behind the duct; from memory.
LOWER_BODY_SHARE = 0.6

_FIRST_GUESS_MMHG = 50.0


class PostDuctal:
    """Mixing at the duct and what a probe behind it sees, for all lanes.

    Parameters
    ----------
    parameters : LungParameters
        The lanes' blood.

    Attributes
    ----------
    mixing : ndarray, shape (lanes,)
        Share `d` of venous blood behind the duct; 0 for a pre-ductal probe.
    flow_factor : ndarray, shape (lanes,)
        Factor on the flow through the lungs.
    any_mixing : bool
        Whether any lane mixes; where none does, nothing is computed.
    """

    def __init__(self, parameters: LungParameters) -> None:
        lanes = parameters.lanes
        self.mixing: FloatArray = np.zeros(lanes)
        self.flow_factor: FloatArray = np.ones(lanes)
        self.any_mixing = False
        self.set_blood(parameters)
        self._po2 = np.full(lanes, _FIRST_GUESS_MMHG)
        self._content, self._bound = np.zeros(lanes), np.zeros(lanes)
        self._sao2 = np.zeros(lanes)
        self._inert = np.ones(lanes, dtype=np.bool_)

    def set_blood(self, parameters: LungParameters) -> None:
        """Take over the blood of all lanes, as after a transfusion.

        Parameters
        ----------
        parameters : LungParameters
            The lanes' blood.
        """
        self._capacity = parameters.capacity
        self._inverse = ContentInverse(parameters.capacity, parameters.p50_mmhg)

    def set_mixing(self, lanes: int | slice | Sequence[int], fraction: float) -> None:
        """Set the share of venous blood behind the duct.

        Parameters
        ----------
        lanes : int, slice or sequence of int
            Lanes that have it.
        fraction : float
            Share, 0 to 0.8.

        Raises
        ------
        TestbedError
            If the share is out of range.
        """
        if not 0.0 <= fraction <= 0.8:
            raise problem("PostDuctal.set_mixing", "a value from 0 to 0.8 (fraction)", fraction)
        self.mixing[lanes] = fraction
        # A guess of the lane's own: one that depended on when others began would change bits.
        self._po2[lanes] = _FIRST_GUESS_MMHG
        np.multiply(self.mixing, -LOWER_BODY_SHARE, out=self.flow_factor)
        self.flow_factor += 1.0
        np.equal(self.mixing, 0.0, out=self._inert)
        self.any_mixing = not bool(self._inert.all())

    def saturation(
        self, arterial: FloatArray, venous: FloatArray, sao2_fraction: FloatArray
    ) -> FloatArray:
        """Give the saturation at the probe.

        Parameters
        ----------
        arterial, venous : ndarray, shape (lanes,)
            Oxygen contents (mL/mL).
        sao2_fraction : ndarray, shape (lanes,)
            Saturation ahead of the duct (fraction).

        Returns
        -------
        ndarray, shape (lanes,)
            `sao2_fraction` itself while no lane mixes; otherwise an array that the next call
            overwrites, with unchanged values where a lane does not mix.
        """
        if not self.any_mixing:
            return sao2_fraction
        content = self._content
        np.subtract(venous, arterial, out=content)
        content *= self.mixing
        content += arterial
        self._inverse.solve(content, self._po2)
        np.multiply(self._po2, -DISSOLVED_ML_ML_MMHG, out=self._bound)
        self._bound += content
        np.divide(self._bound, self._capacity, out=self._sao2)
        np.copyto(self._sao2, sao2_fraction, where=self._inert)
        return self._sao2
