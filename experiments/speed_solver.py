"""The slow twin's lungs stepped by a general-purpose solver, for comparison of speed and result."""

from __future__ import annotations

import numpy as np
from scipy.integrate import solve_ivp

from ..models.infants import FloatArray
from .reference_lungs import LungTwin, Second, State

#: Tolerances that a careful user would ask for.
RELATIVE, ABSOLUTE = 1e-6, 1e-8


class SolvedLungs(LungTwin):
    """Lungs that call SciPy's `solve_ivp` once a second, with an implicit method.

    The equations are those of `LungTwin`; they are stiff, so the method is the
    implicit one of variable order, "BDF" (SciPy's documentation of `solve_ivp`).
    """

    def advanced(self, second: Second) -> State:
        """Give the state at the end of a second.

        Parameters
        ----------
        second : Second
            The right-hand side.

        Returns
        -------
        tuple of float
        """

        def rates(_: float, state: FloatArray) -> FloatArray:
            well, poor, arterial, venous = state.tolist()
            return np.array(second.rates((well, poor, arterial, venous)))

        start = np.array(self.state)
        found = solve_ivp(rates, (0.0, 1.0), start, method="BDF", rtol=RELATIVE, atol=ABSOLUTE)
        well, poor, arterial, venous = (max(float(value), 0.0) for value in found.y[:, -1])
        return well, poor, arterial, venous


__all__ = ["SolvedLungs"]
