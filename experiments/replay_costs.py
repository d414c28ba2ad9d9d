"""What a course of disturbance costs: how far it misses the recording, how wild it is.

Both have heavy tails. A sample far from everything may be an artefact; a
disturbance is calm for long and jumps with an apnoea. Curvatures are banded,
because a knot is felt for two minutes and no longer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solveh_banded
from scipy.ndimage import uniform_filter1d

from ..models.infants import FloatArray
from ..models.oximeter_noise import WIDER_BELOW_PCT, WIDER_FACTOR
from .replay_guess import GRID

#: SD of what stays unexplained in a knot's mean of SpO2 (points): noise of the
#: published size, of which neighbouring seconds share most. On recordings with
#: known truth it was 0.6-0.8 about the middle, 0.85-1.0 with its tails.
NOISE_PCT = 1.0

#: Degrees of freedom of the steps of the disturbance, and their usual size in
#: points of saturation at rest from knot to knot. Compared on recordings with
#: known truth: with 3 degrees short apnoeas were passed over as noise, with
#: larger steps slow drift followed the noise.
FREEDOM, STEP_PCT = 1.0, 0.4

#: Degrees of freedom of what stays unexplained.
MISFIT_FREEDOM = 8.0

#: Weak pull of the disturbance back to nought, as an SD in points.
LEVEL_PCT = 30.0

#: Knots over which an answer is followed.
LAGS = 12


@dataclass(frozen=True, kw_only=True)
class Prior:
    """What is held of the disturbance of each lane before the data are seen.

    Attributes
    ----------
    step : ndarray, shape (lanes,)
        Usual step from knot to knot.
    pull : ndarray, shape (lanes,)
        Precision of the pull back to nought.
    """

    step: FloatArray
    pull: FloatArray


def prior_of(table: FloatArray, step_pct: float) -> Prior:
    """Scale the prior by what the disturbance does to each lane at rest.

    Parameters
    ----------
    table : ndarray, shape (disturbances of `GRID`, FiO2s, lanes)
        Saturation at rest (percent).
    step_pct : float
        Usual size of a step (points of saturation).

    Returns
    -------
    Prior
    """
    nought = int(np.abs(GRID).argmin())
    slope = np.maximum(-np.gradient(table, GRID, axis=0)[nought, table.shape[1] // 2], 0.5)
    return Prior(step=step_pct / slope, pull=(slope / LEVEL_PCT) ** 2)


def noise_ratio(spo2_pct: FloatArray) -> FloatArray:
    """Noise of a reading over that of one from 90 % upwards.

    Parameters
    ----------
    spo2_pct : ndarray
        SpO2 (percent).

    Returns
    -------
    ndarray
        1 from 90 % upwards, above 1 below.
    """
    return np.asarray(np.where(spo2_pct < WIDER_BELOW_PCT, WIDER_FACTOR, 1.0))


def precision(mean_pct: FloatArray, number: FloatArray) -> FloatArray:
    """Precision of each knot's mean of SpO2: less below 90 %, where the noise is wider.

    Parameters
    ----------
    mean_pct : ndarray, shape (knots, lanes)
        Mean SpO2 (percent).
    number : ndarray, shape (knots, lanes)
        Readings in it; none have no precision.

    Returns
    -------
    ndarray, shape (knots, lanes)
    """
    noise_pct = NOISE_PCT * noise_ratio(mean_pct)
    return np.asarray(np.where(number > 0, 1.0 / (noise_pct * noise_pct), 0.0))


def stiffness(steps: FloatArray, usual: FloatArray) -> FloatArray:
    """Precision of steps with heavy tails: one that is already large is held back less.

    Parameters
    ----------
    steps : ndarray
        Steps of the disturbance.
    usual : ndarray
        Their usual size, of a shape that goes with it.

    Returns
    -------
    ndarray
    """
    return np.asarray((FREEDOM + 1.0) / (FREEDOM * usual * usual + steps * steps))


def tempered(weight: FloatArray, miss: FloatArray, freedom: float) -> FloatArray:
    """Let a sample far from everything (an artefact, or too fast a fall) pull less.

    Parameters
    ----------
    weight, miss : ndarray, shape (knots, lanes)
        Precision of the samples, and by how much they are missed.
    freedom : float
        Degrees of freedom of what stays unexplained; many let all pull alike.

    Returns
    -------
    ndarray, shape (knots, lanes)
    """
    return weight * (freedom + 1.0) / (freedom + weight * miss * miss)


def misfits(weight: FloatArray, miss: FloatArray, freedom: float) -> FloatArray:
    """Minus the logarithm of the likelihood of each sample.

    Parameters
    ----------
    weight, miss : ndarray, shape (knots, lanes)
        Precision of the samples, and by how much they are missed.
    freedom : float
        Degrees of freedom.

    Returns
    -------
    ndarray, shape (knots, lanes)
    """
    return np.asarray(0.5 * (freedom + 1.0) * np.log1p(weight * miss * miss / freedom))


def costs(
    knots: FloatArray, miss: FloatArray, weight: FloatArray, prior: Prior, freedom: float
) -> FloatArray:
    """Minus the logarithms of likelihood and prior at each knot.

    Parameters
    ----------
    knots, miss, weight : ndarray, shape (knots, lanes)
        Disturbance, by how much it misses the samples, and their precision.
    prior : Prior
        What is held of the disturbance.
    freedom : float
        Degrees of freedom of what stays unexplained.

    Returns
    -------
    ndarray, shape (knots, lanes)
    """
    steps = np.diff(knots, axis=0) / prior.step
    each = misfits(weight, miss, freedom)
    each[1:] += 0.5 * (FREEDOM + 1.0) * np.log1p(steps * steps / FREEDOM)
    return np.asarray(each + 0.5 * prior.pull * knots * knots / len(knots))


def nearby(each: FloatArray) -> FloatArray:
    """Sum over what a knot can reach, before and after it.

    Parameters
    ----------
    each : ndarray, shape (knots, lanes)
        A cost at each knot.

    Returns
    -------
    ndarray, shape (knots, lanes)
    """
    size = 2 * LAGS + 1
    return np.asarray(size * uniform_filter1d(each, size, axis=0, mode="constant"))


def pushed(values: FloatArray, answers: FloatArray) -> FloatArray:
    """Gather what each knot does to all that it reaches.

    Parameters
    ----------
    values : ndarray, shape (knots, lanes)
        What is gathered.
    answers : ndarray, shape (lags, knots, lanes)
        What each knot does, lag by lag.

    Returns
    -------
    ndarray, shape (knots, lanes)
    """
    size = len(values)
    right = np.zeros_like(values)
    for lag in range(min(LAGS, size)):
        right[: size - lag] += (values * answers[lag])[lag:]
    return right


def normal_equations(
    knots: FloatArray,
    miss: FloatArray,
    weight: FloatArray,
    answers: FloatArray,
    prior: Prior,
    freedom: float,
) -> tuple[FloatArray, FloatArray]:
    """Linearise the cost about a course of disturbance.

    Parameters
    ----------
    knots, miss, weight : ndarray, shape (knots, lanes)
        Disturbance, by how much it misses the samples, and their precision.
    answers : ndarray, shape (lags, knots, lanes)
        What each knot does.
    prior : Prior
        What is held of the disturbance.
    freedom : float
        Degrees of freedom of what stays unexplained.

    Returns
    -------
    tuple of ndarray
        Bands of the curvature, shape (lanes, bands, knots), and the right-hand
        side, shape (knots, lanes).
    """
    size = len(knots)
    weight = tempered(weight, miss, freedom)
    bands = np.zeros((LAGS, *knots.shape))
    right = pushed(weight * miss, answers)
    for lag in range(min(LAGS, size)):
        weighed = weight * answers[lag]
        for apart in range(min(LAGS - lag, size - lag)):
            reach = lag + apart
            bands[apart, : size - reach] += (weighed * answers[reach])[reach:]
    steps = np.diff(knots, axis=0)
    stiff = stiffness(steps, prior.step)
    bands[0, :-1] += stiff
    bands[0, 1:] += stiff
    bands[1, :-1] -= stiff
    bands[0] += prior.pull / size
    right[:-1] += stiff * steps
    right[1:] -= stiff * steps
    right -= prior.pull / size * knots
    return np.ascontiguousarray(bands.transpose(2, 0, 1)), right


def solved(bands: FloatArray, right: FloatArray) -> FloatArray:
    """Solve the normal equations of every lane.

    Parameters
    ----------
    bands : ndarray, shape (lanes, bands, knots)
        Curvature, as lower bands.
    right : ndarray, shape (knots, lanes)
        Right-hand side.

    Returns
    -------
    ndarray, shape (knots, lanes)
    """
    columns = [
        solveh_banded(own, right[:, lane], lower=True, check_finite=False)
        for lane, own in enumerate(bands)
    ]
    return np.stack(columns, axis=1)
