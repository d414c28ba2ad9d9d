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
from scipy.linalg import cholesky_banded

from ..models.infants import FloatArray
from ..models.lung_parameters import lung_parameters
from .replay_costs import (
    LAGS,
    MISFIT_FREEDOM,
    STEP_PCT,
    Prior,
    costs,
    nearby,
    normal_equations,
    precision,
    prior_of,
    pushed,
    solved,
    tempered,
)
from .replay_guess import first_guess, rest_table
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

_NUDGE, _STRETCH = 0.1, 0.2
_MOST_LANES = 5000  # that are simulated at once

#: Passes of the search, and those before which the answers are worked out anew.
#: At first every sample pulls, so that a deep fall is not taken for an artefact.
_FREEDOMS = (1000.0, 1000.0, 100.0, 30.0, *(MISFIT_FREEDOM,) * 6)
_ANSWERS_AT = (0, 2, 4, 7)
_LONGEST_STEP = 1.5


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
    step : ndarray, shape (lanes,)
        Usual step of the disturbance from knot to knot.
    """

    knots: FloatArray
    shown_pct: FloatArray
    log_evidence: FloatArray
    bands: FloatArray
    gain_factor: FloatArray
    gain_factor_sd: FloatArray
    step: FloatArray


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
    """Fit every lane, and judge how well it goes with the data."""
    infants = candidates.infants
    sampled = np.isfinite(spo2_pct)
    target, number = knot_means(spo2_pct, sampled)
    weight = precision(target, number)
    fio2, _ = knot_means(inspired, np.ones_like(sampled))
    table, fio2_grid = rest_table(candidates, fio2)
    copies = max(1, min(LAGS, _MOST_LANES // (windows * len(infants))))
    many = repeated(candidates, np.tile(np.arange(len(infants)), copies))

    def look(knots: FloatArray, factor: float = 1.0) -> FloatArray:
        lanes = candidates if knots.shape[1] == len(infants) else many
        body, where = lanes.infants, np.tile(sampled, (1, len(lanes) // len(infants)))
        sao2 = simulate(lanes, knots, factor)
        return knot_means(displayed(sao2, body.circulation_delay_s, body.spo2_bias_pct), where)[0]

    rest_pct = target - infants.spo2_bias_pct
    guess = first_guess(table, fio2_grid, rest_pct, number, fio2)
    problem = _Problem(target=target, weight=weight, prior=prior_of(table, step_pct), look=look)
    knots, shown, answers = _descended(problem, guess, copies)
    miss = target - shown
    bands, right = normal_equations(knots, miss, weight, answers, problem.prior, MISFIT_FREEDOM)
    effect = (look(knots, 1.0 + _STRETCH) - shown) / _STRETCH
    factor, sd = _gain_factor(bands, right, miss, effect, weight, answers)
    half_log = np.array([np.log(cholesky_banded(own, lower=True)[0]).sum() for own in bands])
    cost = costs(knots, miss, weight, problem.prior, MISFIT_FREEDOM).sum(axis=0)
    return Fit(
        knots=knots,
        shown_pct=shown,
        log_evidence=-cost - half_log - len(knots) * np.log(problem.prior.step),
        bands=bands,
        gain_factor=factor,
        gain_factor_sd=sd,
        step=problem.prior.step,
    )


@dataclass(frozen=True, kw_only=True)
class _Problem:
    """What a course of disturbance has to go with."""

    target: FloatArray
    weight: FloatArray
    prior: Prior
    look: Callable[..., FloatArray]  # what is shown of some knots

    def cost(self, knots: FloatArray, shown: FloatArray, freedom: float) -> FloatArray:
        """Cost at each knot."""
        return costs(knots, self.target - shown, self.weight, self.prior, freedom)


def _descended(
    problem: _Problem, knots: FloatArray, copies: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gauss-Newton steps, each kept only in the stretches where it is an improvement.

    One apnoea that is hard to meet must not hold up the rest of a lane.
    """
    shown = problem.look(knots)
    damping, answers = np.ones_like(knots), np.zeros(0)
    for attempt, freedom in enumerate(_FREEDOMS):
        if attempt in _ANSWERS_AT:
            answers = _answers(knots, shown, problem.look, copies)
        bands, right = normal_equations(
            knots, problem.target - shown, problem.weight, answers, problem.prior, freedom
        )
        step = np.clip(damping * solved(bands, right), -_LONGEST_STEP, _LONGEST_STEP)
        moved = np.clip(knots + step, LOWEST, HIGHEST)
        now = problem.cost(knots, shown, freedom)
        better = nearby(problem.cost(moved, problem.look(moved), freedom)) < nearby(now)
        moved = np.where(better, moved, knots)
        tried = problem.look(moved)
        kept = problem.cost(moved, tried, freedom).sum(axis=0) <= now.sum(axis=0)
        knots, shown = np.where(kept, moved, knots), np.where(kept, tried, shown)
        damping = np.where(better & kept, np.minimum(1.0, 2.0 * damping), 0.4 * damping)
    return knots, shown, answers


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
    weight = tempered(weight, miss, MISFIT_FREEDOM)
    crossed = pushed(weight * effect, answers)
    share = solved(bands, crossed)
    own = (weight * effect * effect).sum(axis=0) - (crossed * share).sum(axis=0)
    push = (weight * effect * miss).sum(axis=0) - (right * share).sum(axis=0)
    own = np.maximum(own, 1e-6)
    return 1.0 + push / own, 1.0 / np.sqrt(own)


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
    answers = np.zeros((LAGS, *knots.shape))
    for begin in range(0, LAGS, copies):
        moved = np.tile(knots, (1, copies))
        for copy in range(copies):
            moved[begin + copy :: LAGS, copy * count : (copy + 1) * count] += _NUDGE
        seen = look(moved)
        for copy in range(min(copies, LAGS - begin)):
            first = begin + copy
            change = (seen[:, copy * count : (copy + 1) * count] - shown_pct) / _NUDGE
            late = (index - first) % LAGS
            late[:first] = -1  # before the first knot that was moved
            for lag in range(LAGS):
                rows = late == lag
                answers[lag, rows] = change[rows]
    return answers
