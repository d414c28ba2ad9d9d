"""A first guess of the disturbance in a recording, from saturations at rest."""

from __future__ import annotations

import numpy as np

from ..models.infants import FloatArray
from ..models.lung_parameters import lung_parameters
from ..models.steady import steady_state
from .replay_plant import HIGHEST, LOWEST, Candidates, disturbed, factors

#: Disturbances for which saturations are tabulated.
GRID = np.linspace(LOWEST, HIGHEST, 41)

#: A reading that falls is on its way to a rest that lies lower by so many knots'
#: fall: the time constant of the lung, about.
LAG_KNOTS = 2.5
_LATE = 2  # knots by which what is shown lags behind, about


def rest_table(candidates: Candidates, fio2: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Tabulate the saturation at rest.

    Parameters
    ----------
    candidates : Candidates
        The infants, one a lane.
    fio2 : ndarray, shape (knots, lanes)
        FiO2 that occurs (fraction).

    Returns
    -------
    tuple of ndarray
        Saturation (percent), shape (disturbances of `GRID`, FiO2s, lanes), and
        the FiO2s.
    """
    grid = np.linspace(fio2.min(), max(fio2.max(), fio2.min() + 0.01), 7)
    cells, count = len(GRID) * len(grid), len(candidates)
    parameters = lung_parameters(candidates.infants, cells)
    u = np.repeat(np.repeat(GRID, len(grid)), count)
    manner = candidates.manner.take(np.tile(np.arange(count), cells))
    breathed = np.repeat(np.tile(grid, len(GRID)), count)
    rest = steady_state(disturbed(parameters, *factors(u, manner)), breathed).sao2_fraction
    return 100.0 * rest.reshape(len(GRID), len(grid), count), grid


def first_guess(
    table: FloatArray,
    fio2_grid: FloatArray,
    sao2_pct: FloatArray,
    number: FloatArray,
    fio2: FloatArray,
) -> FloatArray:
    """Read the disturbance off the table, as if the infant were near its rest.

    Parameters
    ----------
    table, fio2_grid : ndarray
        From `rest_table`.
    sao2_pct, number : ndarray, shape (knots, lanes)
        Recorded saturation (percent), and how many samples it stands on.
    fio2 : ndarray, shape (knots, lanes)
        FiO2 (fraction).

    Returns
    -------
    ndarray, shape (knots, lanes)
        Disturbance.
    """
    guess = np.zeros_like(sao2_pct)
    column = np.clip((fio2 - fio2_grid[0]) / (fio2_grid[1] - fio2_grid[0]), 0.0, len(fio2_grid) - 1)
    index = np.arange(len(guess))
    for lane in range(guess.shape[1]):
        known = np.flatnonzero(number[:, lane] > 0)
        if not known.size:
            continue
        level = np.interp(index + _LATE, known, sao2_pct[known, lane])
        level = np.convolve(np.pad(level, 1, mode="edge"), np.full(3, 1.0 / 3.0), mode="valid")
        level = level + LAG_KNOTS * np.gradient(level) if len(level) > 1 else level
        for place, own in enumerate(np.rint(column[:, lane]).astype(np.int64)):
            rest = table[::-1, own, lane]
            guess[place, lane] = -np.interp(level[place], rest, -GRID[::-1])
    return np.clip(guess, LOWEST + 1.0, 3.0)
