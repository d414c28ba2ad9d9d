"""Fit candidate infants and the course of their disturbance to a recording.

For every candidate the disturbance is found that explains the recording best:
regularised least squares, in which the disturbance is a random walk whose
steps have heavy tails (long calm, sudden apnoeas). The candidate with the
wrong answer to FiO2 needs a disturbance that jumps whenever somebody turns the
blender; it is told apart by that, and weighed less. What is left uncertain is
carried on as an ensemble: several candidates, each with several courses.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky_banded, solve_banded, solveh_banded

from ..models.infants import FloatArray
from ..models.lung_parameters import lung_parameters
from .replay_guess import GRID, first_guess, rest_table
from .replay_plant import (
    HIGHEST,
    KNOT_S,
    LOWEST,
    WINDOW_S,
    Candidates,
    at_seconds,
    displayed,
    repeated,
    run_lanes,
    saturation_course,
)

#: SD of what stays unexplained in a knot's mean of SpO2 (points): noise of the
#: published size, of which neighbouring seconds share most.
NOISE_PCT = 1.0

#: Degrees of freedom of the steps of the disturbance, and their usual size in
#: points of saturation at rest from knot to knot.
FREEDOM, STEP_PCT = 3.0, 0.5

#: Degrees of freedom of what stays unexplained.
MISFIT_FREEDOM = 8.0

#: Weak pull of the disturbance back to nought, as an SD in points.
LEVEL_PCT = 30.0

_LAGS = 12  # knots over which an answer is followed
_NUDGE, _STRETCH = 0.1, 0.2
_MOST_LANES = 5000  # that are simulated at once
_PASSES, _JACOBIAN_AT = 7, (0, 3)


@dataclass(frozen=True, kw_only=True)
class Fit:
    """The disturbance that explains the data of each lane, and how well.

    Attributes
    ----------
    knots : ndarray, shape (knots, lanes)
        Most probable disturbance.
    shown_pct : ndarray, shape (knots, lanes)
        What the oximeter would then have shown, averaged over each knot's samples.
    log_evidence : ndarray, shape (lanes,)
        Logarithm of the evidence, up to one constant for all.
    bands : ndarray, shape (lanes, bands, knots)
        Precision of the disturbance about its most probable course, as lower bands.
    gain_factor, gain_factor_sd : ndarray, shape (lanes,)
        Factor on its effect of FiO2 that the data would give each lane, and its SD.
    """

    knots: FloatArray
    shown_pct: FloatArray
    log_evidence: FloatArray
    bands: FloatArray
    gain_factor: FloatArray
    gain_factor_sd: FloatArray


@dataclass(frozen=True, kw_only=True)
class _Prior:
    """What is held of the disturbance of each lane before the data are seen."""

    step: FloatArray  # usual step from knot to knot
    pull: FloatArray  # precision of the pull back to nought


def knot_means(shown_pct: FloatArray, sampled: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Average over the samples of each knot's interval.

    Parameters
    ----------
    shown_pct : ndarray, shape (seconds, lanes)
        What is averaged; where there is no sample it is not looked at.
    sampled : ndarray of bool, shape (seconds, 1) or (seconds, lanes)
        Where there is a sample.

    Returns
    -------
    tuple of ndarray, shape (knots, lanes)
        Mean (0 where there is no sample), and number of samples.
    """
    seconds, lanes = shown_pct.shape
    room = -(-seconds // KNOT_S) * KNOT_S
    kept = np.zeros((room, lanes))
    counts = np.zeros((room, lanes))
    kept[:seconds] = np.where(sampled, shown_pct, 0.0)
    counts[:seconds] = sampled
    total = kept.reshape(-1, KNOT_S, lanes).sum(axis=1)
    number = counts.reshape(-1, KNOT_S, lanes).sum(axis=1)
    return total / np.maximum(number, 1.0), number


def fit_record(
    candidates: Candidates, spo2_pct: FloatArray, inspired: FloatArray, step_pct: float = STEP_PCT
) -> Fit:
    """Fit one course of disturbance for each candidate to one recording.

    Parameters
    ----------
    candidates : Candidates
        The infants.
    spo2_pct : ndarray, shape (seconds,)
        Recorded SpO2 (percent); NaN where there is no sample.
    inspired : ndarray, shape (seconds,)
        FiO2 at the infant (fraction).
    step_pct : float
        Usual size of a step of the disturbance (points of saturation).

    Returns
    -------
    Fit
    """
    count = len(candidates)
    return _search(
        candidates,
        np.repeat(spo2_pct[:, np.newaxis], count, axis=1),
        np.repeat(inspired[:, np.newaxis], count, axis=1),
        lambda lanes, knots, factor: saturation_course(lanes, _stretched(inspired, factor), knots),
        step_pct,
        windows=-(-len(inspired) // WINDOW_S),
    )


def fit_pieces(
    candidates: Candidates, spo2_pct: FloatArray, inspired: FloatArray, step_pct: float = STEP_PCT
) -> Fit:
    """Fit a course of disturbance to pieces of a recording, one for each lane.

    Parameters
    ----------
    candidates : Candidates
        The infant of each lane.
    spo2_pct : ndarray, shape (seconds, lanes)
        Recorded SpO2 of each piece (percent); NaN where there is no sample.
    inspired : ndarray, shape (seconds, lanes)
        FiO2 at the infant in each piece (fraction).
    step_pct : float
        Usual size of a step of the disturbance (points of saturation).

    Returns
    -------
    Fit
    """

    def simulate(lanes: Candidates, knots: FloatArray, factor: float) -> FloatArray:
        course = at_seconds(knots, len(inspired))
        breathed = np.tile(_stretched(inspired, factor), (1, len(lanes) // len(candidates)))
        return run_lanes(lung_parameters(lanes.infants), lanes.manner, breathed, course)

    return _search(candidates, spo2_pct, inspired, simulate, step_pct)


def _search(
    candidates: Candidates,
    spo2_pct: FloatArray,
    inspired: FloatArray,
    simulate: Callable[[Candidates, FloatArray, float], FloatArray],
    step_pct: float,
    windows: int = 1,
) -> Fit:
    """Gauss-Newton steps, each kept only in the lanes where it is an improvement."""
    infants = candidates.infants
    sampled = np.isfinite(spo2_pct)
    target, number = knot_means(spo2_pct, sampled)
    weight = np.where(number > 0, 1.0 / (NOISE_PCT * NOISE_PCT), 0.0)
    fio2, _ = knot_means(inspired, np.ones_like(sampled))
    table, fio2_grid = rest_table(candidates, fio2)
    prior = _prior(table, step_pct)

    copies = max(1, min(_LAGS, _MOST_LANES // (windows * len(infants))))
    many = repeated(candidates, np.tile(np.arange(len(infants)), copies))

    def look(knots: FloatArray, factor: float = 1.0) -> FloatArray:
        lanes = candidates if knots.shape[1] == len(infants) else many
        body, where = lanes.infants, np.tile(sampled, (1, len(lanes) // len(infants)))
        sao2 = simulate(lanes, knots, factor)
        return knot_means(displayed(sao2, body.circulation_delay_s, body.spo2_bias_pct), where)[0]

    rest_pct = target - infants.spo2_bias_pct
    knots = first_guess(table, fio2_grid, rest_pct, number, fio2)
    shown = look(knots)
    cost = _cost(knots, target - shown, weight, prior)
    damping = np.full(len(infants), 1.0)
    for attempt in range(_PASSES):
        if attempt in _JACOBIAN_AT:
            answers = _answers(knots, shown, look, copies)
        bands, right = _normal_equations(knots, target - shown, weight, answers, prior)
        moved = np.clip(knots + damping * _solved(bands, right), LOWEST, HIGHEST)
        tried = look(moved)
        tried_cost = _cost(moved, target - tried, weight, prior)
        better = tried_cost < cost
        knots, shown = np.where(better, moved, knots), np.where(better, tried, shown)
        cost = np.where(better, tried_cost, cost)
        damping = np.where(better, np.minimum(1.0, 2.0 * damping), 0.4 * damping)
    bands, right = _normal_equations(knots, target - shown, weight, answers, prior)
    effect = (look(knots, 1.0 + _STRETCH) - shown) / _STRETCH
    factor, sd = _gain_factor(bands, right, target - shown, effect, weight, answers)
    half_log = np.array([np.log(cholesky_banded(b, lower=True)[0]).sum() for b in bands])
    evidence = -cost - half_log - len(knots) * np.log(prior.step)
    return Fit(
        knots=knots,
        shown_pct=shown,
        log_evidence=evidence,
        bands=bands,
        gain_factor=factor,
        gain_factor_sd=sd,
    )


def _stretched(inspired: FloatArray, factor: float) -> FloatArray:
    """Stretch a course of FiO2 about its middle; FiO2 below air only serves the slope."""
    middle = np.median(inspired, axis=0)
    return np.asarray(np.minimum(middle + factor * (inspired - middle), 1.0))


def _gain_factor(
    bands: FloatArray,
    right: FloatArray,
    miss: FloatArray,
    effect: FloatArray,
    weight: FloatArray,
    answers: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Estimate a factor on the effect of FiO2 together with the disturbance."""
    weight = _tempered(weight, miss)
    crossed = _pushed(weight * effect, answers)
    solved = _solved(bands, crossed)
    own = (weight * effect * effect).sum(axis=0) - (crossed * solved).sum(axis=0)
    push = (weight * effect * miss).sum(axis=0) - (right * solved).sum(axis=0)
    own = np.maximum(own, 1e-6)
    return 1.0 + push / own, 1.0 / np.sqrt(own)


def _tempered(weight: FloatArray, miss: FloatArray) -> FloatArray:
    """Let a sample far from everything (an artefact, or too fast a fall) pull less."""
    return weight * (MISFIT_FREEDOM + 1.0) / (MISFIT_FREEDOM + weight * miss * miss)


def _pushed(values: FloatArray, answers: FloatArray) -> FloatArray:
    """Gather what each knot does to all that it reaches."""
    size = len(values)
    right = np.zeros_like(values)
    for lag in range(min(_LAGS, size)):
        right[: size - lag] += (values * answers[lag])[lag:]
    return right


def _prior(table: FloatArray, step_pct: float) -> _Prior:
    """Scale the prior by what the disturbance does to each lane at rest."""
    middle = np.gradient(table, GRID, axis=0)[len(GRID) // 2, table.shape[1] // 2]
    slope = np.maximum(-middle, 0.5)
    return _Prior(step=step_pct / slope, pull=(slope / LEVEL_PCT) ** 2)


def _answers(
    knots: FloatArray,
    shown_pct: FloatArray,
    look: Callable[[FloatArray], FloatArray],
    copies: int,
) -> FloatArray:
    """Change of what is shown per change of each knot, shape (lags, knots, lanes).

    Knots so far apart that their effects hardly meet are moved together, and
    several such sets, in copies of all lanes, at once.
    """
    index, count = np.arange(len(knots)), knots.shape[1]
    answers = np.zeros((_LAGS, *knots.shape))
    for begin in range(0, _LAGS, copies):
        moved = np.tile(knots, (1, copies))
        for copy in range(copies):
            moved[begin + copy :: _LAGS, copy * count : (copy + 1) * count] += _NUDGE
        seen = look(moved)
        for copy in range(min(copies, _LAGS - begin)):
            first = begin + copy
            change = (seen[:, copy * count : (copy + 1) * count] - shown_pct) / _NUDGE
            late = (index - first) % _LAGS
            late[:first] = -1  # before the first knot that was moved
            for lag in range(_LAGS):
                rows = late == lag
                answers[lag, rows] = change[rows]
    return answers


def _cost(knots: FloatArray, miss: FloatArray, weight: FloatArray, prior: _Prior) -> FloatArray:
    """Minus the logarithms of likelihood and prior, both with heavy tails."""
    steps = np.diff(knots, axis=0) / prior.step
    tails = 0.5 * (FREEDOM + 1.0) * np.log1p(steps * steps / FREEDOM)
    return np.asarray(
        0.5 * (MISFIT_FREEDOM + 1.0) * np.log1p(weight * miss * miss / MISFIT_FREEDOM).sum(axis=0)
        + tails.sum(axis=0)
        + 0.5 * prior.pull * (knots * knots).sum(axis=0) / len(knots)
    )


def _normal_equations(
    knots: FloatArray, miss: FloatArray, weight: FloatArray, answers: FloatArray, prior: _Prior
) -> tuple[FloatArray, FloatArray]:
    """Bands of the curvature, shape (lanes, bands, knots), and the right-hand side."""
    size = len(knots)
    weight = _tempered(weight, miss)
    bands = np.zeros((_LAGS, *knots.shape))
    right = _pushed(weight * miss, answers)
    for lag in range(min(_LAGS, size)):
        weighed = weight * answers[lag]
        for apart in range(min(_LAGS - lag, size - lag)):
            reach = lag + apart
            bands[apart, : size - reach] += (weighed * answers[reach])[reach:]
    steps = np.diff(knots, axis=0)
    # Heavy tails: a step that is already large is held back less.
    stiff = (FREEDOM + 1.0) / (FREEDOM * prior.step * prior.step + steps * steps)
    bands[0, :-1] += stiff
    bands[0, 1:] += stiff
    bands[1, :-1] -= stiff
    bands[0] += prior.pull / size
    right[:-1] += stiff * steps
    right[1:] -= stiff * steps
    right -= prior.pull / size * knots
    return np.ascontiguousarray(bands.transpose(2, 0, 1)), right


def _solved(bands: FloatArray, right: FloatArray) -> FloatArray:
    """Solve the normal equations of every lane."""
    columns = [
        solveh_banded(own, right[:, lane], lower=True, check_finite=False)
        for lane, own in enumerate(bands)
    ]
    return np.stack(columns, axis=1)


def drawn_knots(fit: Fit, lane: int, unit: FloatArray) -> FloatArray:
    """Draw one course of disturbance that the data of a lane allow.

    Parameters
    ----------
    fit : Fit
        The fit.
    lane : int
        Which lane.
    unit : ndarray, shape (knots,)
        Standard normal numbers.

    Returns
    -------
    ndarray, shape (knots,)
    """
    factor = cholesky_banded(fit.bands[lane], lower=True)
    upper = np.zeros_like(factor)
    for apart in range(len(factor)):
        upper[len(factor) - 1 - apart, apart:] = factor[apart, : factor.shape[1] - apart]
    spread = solve_banded((0, len(factor) - 1), upper, unit)
    return np.asarray(np.clip(fit.knots[:, lane] + spread, LOWEST, HIGHEST))
