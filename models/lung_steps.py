"""The state of the lungs as the integrator sees it, and the lengths of its steps."""

from __future__ import annotations

import numpy as np

from .infants import FloatArray
from .operands import number


class Vector:
    """An array of four rows with names for its parts: two gases, two bloods.

    Parameters
    ----------
    lanes : int
        Length of the rows.
    rows : ndarray, shape (4, lanes), optional
        The array; new, and nought, if left out.
    """

    __slots__ = ("all", "arterial", "blood", "gas", "venous")

    def __init__(self, lanes: int, rows: FloatArray | None = None) -> None:
        self.all: FloatArray = np.zeros((4, lanes)) if rows is None else rows
        self.gas: FloatArray = self.all[:2]
        self.blood: FloatArray = self.all[2:]
        self.arterial: FloatArray = self.all[2]
        self.venous: FloatArray = self.all[3]


class Step:
    """One integration step, and what the method multiplies with in it.

    Parameters
    ----------
    step_s : float
        Its length (s).
    """

    __slots__ = ("eight_thirds", "four", "per_s", "shift")

    def __init__(self, step_s: float) -> None:
        per_s = 1.0 / step_s
        self.per_s, self.shift, self.four = number(per_s), number(2.0 * per_s), number(4.0 * per_s)
        self.eight_thirds = number(-8.0 / 3.0 * per_s)


def divided(steps_s: tuple[float, ...], parts: int) -> tuple[float, ...]:
    """Divide each step into equal parts.

    Parameters
    ----------
    steps_s : tuple of float
        Steps (s); ``(1.0,)`` gives equal steps.
    parts : int
        How many parts.

    Returns
    -------
    tuple of float
    """
    return tuple(step / parts for step in steps_s for _ in range(parts))
