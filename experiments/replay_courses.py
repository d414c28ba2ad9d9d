"""Courses of disturbance that a recording allows, drawn about the most probable one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky_banded, solve_banded

from ..models.infants import FloatArray
from .replay_costs import FREEDOM, MISFIT_FREEDOM, misfits, nearby, precision, stiffness
from .replay_fit import Fit, knot_means
from .replay_plant import HIGHEST, LOWEST, Candidates, displayed, saturation_course

#: A drawn course may cost this much more near a knot, in units of log likelihood;
#: beyond, it is taken half the way back, and at last the whole way.
BEARABLE, SHRINK = 6.0, (0.5, 0.5, 0.5, 0.0)


def drawn_courses(fit: Fit, places: NDArray[np.int64], rng: np.random.Generator) -> FloatArray:
    """Draw a course of disturbance for each member of an ensemble.

    Parameters
    ----------
    fit : Fit
        The fit.
    places : ndarray of int, shape (members,)
        The lane of the fit that each member stands for.
    rng : numpy.random.Generator
        Where the numbers come from.

    Returns
    -------
    ndarray, shape (knots, members)
    """
    return np.stack([_drawn(fit, place, rng) for place in places.tolist()], axis=1)


def _drawn(fit: Fit, lane: int, rng: np.random.Generator) -> FloatArray:
    """Draw one course.

    A step with heavy tails is a normal one whose variance is itself drawn; so
    where the data say little, some courses jump.
    """
    best, bands = fit.knots[:, lane], fit.bands[lane].copy()
    usual = stiffness(np.diff(best), fit.step[lane])
    shape = 0.5 * (FREEDOM + 1.0)
    extra = usual * (rng.gamma(shape, 1.0 / shape, len(usual)) - 1.0)
    bands[0, :-1] += extra
    bands[0, 1:] += extra
    bands[1, :-1] -= extra
    factor = cholesky_banded(bands, lower=True)
    upper = np.zeros_like(factor)
    for apart in range(len(factor)):
        upper[len(factor) - 1 - apart, apart:] = factor[apart, : factor.shape[1] - apart]
    spread = solve_banded((0, len(factor) - 1), upper, rng.standard_normal(len(best)))
    return np.asarray(np.clip(best + spread, LOWEST, HIGHEST))


def allowed(
    candidates: Candidates,
    spo2_pct: FloatArray,
    inspired: FloatArray,
    best: FloatArray,
    drawn: FloatArray,
) -> FloatArray:
    """Take drawn courses back towards the best ones where the recording does not bear them.

    The courses are drawn as if saturation answered in straight lines; near full
    saturation, and in a deep fall, it does not.

    Parameters
    ----------
    candidates : Candidates
        The infant of each lane.
    spo2_pct, inspired : ndarray, shape (seconds,)
        Recorded SpO2 (percent), and FiO2 at the infant (fraction).
    best, drawn : ndarray, shape (knots, lanes)
        Most probable and drawn disturbance.

    Returns
    -------
    ndarray, shape (knots, lanes)
    """
    body, sampled = candidates.infants, np.isfinite(spo2_pct)[:, np.newaxis]
    target, number = knot_means(np.repeat(spo2_pct[:, np.newaxis], len(body), axis=1), sampled)
    weight = precision(target, number)

    def misfit(knots: FloatArray) -> FloatArray:
        sao2 = saturation_course(candidates, inspired, knots)
        shown = displayed(sao2, body.circulation_delay_s, body.spo2_bias_pct)
        return nearby(misfits(weight, target - knot_means(shown, sampled)[0], MISFIT_FREEDOM))

    bearable = misfit(best) + BEARABLE
    for shrink in SHRINK:
        drawn = np.where(misfit(drawn) > bearable, best + shrink * (drawn - best), drawn)
    return drawn


__all__ = ["allowed", "drawn_courses"]
