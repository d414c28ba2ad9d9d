"""Margins of a linear loop: how far it is from swinging for good.

The loop is given as a frequency response. Stability is judged by how the
response winds around -1, so nothing needs poles, and a true dead time will do.
Sources: Astrom and Murray, Feedback Systems, chapters 10 and 13 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from ..models.infants import FloatArray
from .response_linear import Response

#: Frequencies of the grid, on a logarithmic scale.
GRID_POINTS = 4000

#: Lowest frequency (rad/s): a period of about 17 hours.
LOWEST_RAD_S = 1e-4


@dataclass(frozen=True, kw_only=True)
class Margins:
    """How much a loop bears.

    Attributes
    ----------
    gain : float
        Least factor above 1 on the loop's gain that brings it to swing for good.
    phase_deg : float
        Least phase lag that does.
    delay_s : float
        Least added delay that does.
    peak_sensitivity : float
        Largest gain from a disturbance of the output to the output; its
        inverse is the least distance of the loop's response from -1.
    crossover_rad_s : float
        Highest frequency at which the loop's gain is 1; NaN if there is none.
    stable : bool
        Whether the closed loop is stable; the other numbers are only then of use.
    """

    gain: float
    phase_deg: float
    delay_s: float
    peak_sensitivity: float
    crossover_rad_s: float
    stable: bool


def margins(
    loop: Response,
    highest_rad_s: float,
    *,
    integrators: int = 1,
    lowest_rad_s: float = LOWEST_RAD_S,
) -> Margins:
    """Find the margins of a loop without unstable poles.

    Parameters
    ----------
    loop : callable
        Response of controller and plant in series, positive for negative feedback.
    highest_rad_s : float
        Half the sampling frequency, pi / T, or well above the crossover for a
        loop in continuous time.
    integrators : int
        Poles of the loop at frequency 0, 0 to 2.
    lowest_rad_s : float
        Where to begin; well below the crossover.

    Returns
    -------
    Margins
    """
    grid = np.geomspace(lowest_rad_s, highest_rad_s * (1.0 - 1e-9), GRID_POINTS)
    values = loop(grid)
    gain = min((1.0 / -_one(loop, w).real for w in _real_crossings(loop, grid)), default=math.inf)
    unit = [_root(lambda w: math.log(abs(_one(loop, w))), *pair) for pair in _pairs(grid,
            np.log(np.abs(values)))]  # fmt: skip
    phases = [(math.degrees(math.pi + np.angle(_one(loop, w))) % 360.0, w) for w in unit]
    return Margins(
        gain=gain,
        phase_deg=min((phase for phase, _ in phases), default=math.inf),
        delay_s=min((math.radians(phase) / w for phase, w in phases), default=math.inf),
        peak_sensitivity=_peak_sensitivity(loop, grid, values),
        crossover_rad_s=max(unit, default=math.nan),
        stable=_winds_as_it_should(values, integrators),
    )


def _one(loop: Response, omega: float) -> complex:
    return complex(loop(np.array([omega]))[0])


def _pairs(grid: FloatArray, signed: FloatArray) -> list[tuple[float, float]]:
    """Neighbours between which a function changes its sign."""
    places = np.flatnonzero((signed[1:] > 0.0) != (signed[:-1] > 0.0))
    return [(float(grid[place]), float(grid[place + 1])) for place in places]


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    return float(brentq(function, low, high, xtol=1e-14, rtol=1e-12))


def _real_crossings(loop: Response, grid: FloatArray) -> list[float]:
    """Frequencies where a larger gain would take the response through -1."""
    found = []
    for low, high in _pairs(grid, loop(grid).imag):
        omega = _root(lambda w: _one(loop, w).imag, low, high)
        if -1.0 < _one(loop, omega).real < -1e-12:
            found.append(omega)
    return found


def _peak_sensitivity(loop: Response, grid: FloatArray, values: np.ndarray) -> float:
    """Refine the highest point of the grid."""
    place = int(np.argmin(np.abs(1.0 + values)))
    low, high = grid[max(place - 1, 0)], grid[min(place + 1, len(grid) - 1)]
    nearest = minimize_scalar(
        lambda w: abs(1.0 + _one(loop, w)), bounds=(low, high), method="bounded"
    )
    distance = min(float(nearest.fun), float(abs(1.0 + values[place])))
    return 1.0 / distance if distance > 0.0 else math.inf


def _winds_as_it_should(values: np.ndarray, integrators: int) -> bool:
    """Nyquist: from low to high frequency 1 + L must turn by a quarter for each integrator.

    At frequency 0 the path passes the integrators on a small half circle to the
    right, which turns back what 1 + L has turned from there.
    """
    turned = float(np.sum(np.diff(np.unwrap(np.angle(1.0 + values)))))
    return abs(turned - integrators * math.pi / 2.0) < math.pi / 4.0


__all__ = ["Margins", "margins"]
