"""How the simulated infants answer a step of FiO2, fitted as delay and exponential."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ...models.gas_delivery import GasDelivery, GasSettings
from ...models.infants import Infants
from ...models.lung_parameters import lung_parameters
from ...models.lungs import Lungs
from ...models.steady import fio2_for, steady_state
from .rows import Simulated, spread_over

FloatArray = NDArray[np.float64]

#: Delays and time constants among which a fit chooses (s).
DELAYS_S = np.arange(0.0, 61.0, 1.0)
TIME_CONSTANTS_S = np.concatenate([np.arange(3.0, 40.0, 1.0), np.arange(40.0, 182.0, 4.0)])

#: Saturations at which the cohort is stepped (percent), and the step (fraction).
LEVELS_PCT = (80.0, 85.0, 90.0, 95.0)
STEP_FIO2 = 0.053

#: The published worked response: FiO2 before and after (fraction), rise of SpO2 in all (points).
WORKED_FIO2 = (0.213, 0.266)
WORKED_RISE_PCT = 20.7
#: Infants whose saturation before that step lies here stand for the published one (percent).
WORKED_START_PCT = (75.0, 85.0)

LASTING_S = 300


@dataclass(frozen=True, kw_only=True)
class Shape:
    """A first-order response with delay, fitted by least squares.

    Attributes
    ----------
    start, rise : float
        Level before the response, and change in all.
    delay_s, time_constant_s : float
        As chosen from the grid.
    r2 : float
        Share of the variance explained; 0 for no response.
    """

    start: float
    rise: float
    delay_s: float
    time_constant_s: float
    r2: float


def fit_shape(
    time_s: FloatArray, response: FloatArray, *, rising: bool = False, coarse: bool = False
) -> Shape:
    """Fit delay, time constant, start and rise.

    Delay and time constant come from a grid; for each pair start and rise
    follow in closed form, so that no start value is needed.

    Parameters
    ----------
    time_s : ndarray, shape (samples,)
        Time after the step; before it is negative.
    response : ndarray, shape (samples,)
        What is seen.
    rising : bool
        Allow no fall.
    coarse : bool
        Use a sixth of the grid, for readings in whole percent.

    Returns
    -------
    Shape
    """
    delays = DELAYS_S[::2] if coarse else DELAYS_S
    constants = TIME_CONSTANTS_S[::3] if coarse else TIME_CONSTANTS_S
    late = np.maximum(time_s[np.newaxis, :] - delays[:, np.newaxis], 0.0)
    shape = 1.0 - np.exp(-late[:, np.newaxis, :] / constants[np.newaxis, :, np.newaxis])
    mean = shape.mean(axis=2)
    centred = shape - mean[:, :, np.newaxis]
    level = float(response.mean())
    spread = response - level
    total = float((spread * spread).sum())
    variance = (centred * centred).sum(axis=2)
    rise = (centred * spread).sum(axis=2) / np.maximum(variance, 1e-12)
    if rising:
        rise = np.maximum(rise, 0.0)
    explained = 2.0 * rise * (centred * spread).sum(axis=2) - rise * rise * variance
    best = np.unravel_index(int(np.argmax(explained)), explained.shape)
    r2 = float(explained[best]) / total if total > 0.0 else 0.0
    return Shape(
        start=level - float(rise[best] * mean[best]),
        rise=float(rise[best]),
        delay_s=float(delays[best[0]]),
        time_constant_s=float(constants[best[1]]),
        r2=r2,
    )


def step_courses(infants: Infants, before: FloatArray, after: FloatArray) -> FloatArray:
    """Step FiO2 and follow the saturation at the probe, without noise or averaging.

    Parameters
    ----------
    infants : Infants
        The infants, at rest.
    before, after : ndarray, shape (infants,)
        FiO2 until and from time 0 (fraction), to a tenth of a percent.

    Returns
    -------
    ndarray, shape (300, infants)
        Saturation (percent) at 0, 1, 2 ... s after the step.
    """
    parameters = lung_parameters(infants)
    settings = GasSettings(blender_step=0.001, blender_error_sd=0.0, monitor_error_sd=0.0)
    gas = GasDelivery(infants, 1, settings, 0, np.asarray(before, dtype=np.float64))
    start = steady_state(parameters, gas.inspired_fio2)
    lungs = Lungs(parameters, start)
    count = len(infants)
    open_, nothing_closed = np.ones(count), np.zeros(count, dtype=np.bool_)
    courses = [100.0 * start.sao2_fraction]
    for _ in range(LASTING_S - 1):
        gas.step(np.asarray(after, dtype=np.float64))
        lungs.step(
            gas.inspired_fio2,
            open_,
            nothing_closed,
            parameters.ventilation_ml_s,
            parameters.shunt,
            parameters.flow_ml_s,
        )
        courses.append(100.0 * lungs.sao2_fraction)
    at_lung, time_s = np.array(courses), np.arange(LASTING_S, dtype=np.float64)
    delays = infants.circulation_delay_s
    lanes = [np.interp(time_s - delays[i], time_s, at_lung[:, i]) for i in range(count)]
    return np.stack(lanes, axis=1)


def responses(infants: Infants, before: FloatArray, after: FloatArray) -> pd.DataFrame:
    """Fit the response of every infant to a step.

    Parameters
    ----------
    infants : Infants
        The infants.
    before, after : ndarray, shape (infants,)
        FiO2 (fraction).

    Returns
    -------
    pandas.DataFrame
        One row per infant: infant, start_pct, rise_pct, gain (SpO2 points per
        FiO2 point), delay_s, time_constant_s, r2.
    """
    courses = step_courses(infants, before, after)
    time_s = np.arange(len(courses), dtype=np.float64)
    rows = []
    for place in range(len(infants)):
        shape = fit_shape(time_s, courses[:, place])
        step_points = 100.0 * float(after[place] - before[place])
        rows.append(
            {
                "infant": int(infants.infant[place]),
                "start_pct": float(courses[0, place]),
                "rise_pct": float(courses[-1, place] - courses[0, place]),
                "gain": shape.rise / step_points,
                "delay_s": shape.delay_s,
                "time_constant_s": shape.time_constant_s,
                "r2": shape.r2,
            }
        )
    return pd.DataFrame(rows)


def responses_by_level(infants: Infants) -> pd.DataFrame:
    """Step every infant from each of several saturations.

    Parameters
    ----------
    infants : Infants
        The infants.

    Returns
    -------
    pandas.DataFrame
        As from `responses`, with a column `level_pct`; infants that no FiO2
        brings to a level are missing there.
    """
    parameters = lung_parameters(infants)
    tables = []
    for level in LEVELS_PCT:
        before = fio2_for(parameters, np.full(len(infants), level / 100.0))
        places = np.flatnonzero(np.isfinite(before) & (before < 1.0 - STEP_FIO2))
        if not len(places):
            continue
        rounded = np.round(before[places], 3)
        table = responses(infants.take(places), rounded, rounded + STEP_FIO2)
        tables.append(table.assign(level_pct=level))
    return pd.concat(tables, ignore_index=True)


def worked_response(infants: Infants) -> pd.DataFrame:
    """Put the published step on every infant that could be the published one.

    Parameters
    ----------
    infants : Infants
        Infants of the unstable stratum.

    Returns
    -------
    pandas.DataFrame
        As from `responses`; empty where no infant starts in the range.
    """
    low, high = WORKED_FIO2
    start = 100.0 * steady_state(lung_parameters(infants), np.full(len(infants), low)).sao2_fraction
    places = np.flatnonzero((start >= WORKED_START_PCT[0]) & (start <= WORKED_START_PCT[1]))
    few = infants.take(places)
    if not len(places):
        return pd.DataFrame(columns=["gain", "delay_s", "time_constant_s", "rise_pct"], dtype=float)
    return responses(few, np.full(len(few), low), np.full(len(few), high))


def worked_rows(table: pd.DataFrame, published: Mapping[str, float]) -> dict[str, Simulated]:
    """Give the figures for the published worked response.

    Parameters
    ----------
    table : pandas.DataFrame
        From `worked_response`.
    published : mapping of str to float
        Published figure by row id: worked_delay, worked_tau, worked_gain.

    Returns
    -------
    dict of str to Simulated
        With the place of the published infant among the simulated ones.
    """
    columns = {"worked_delay": "delay_s", "worked_tau": "time_constant_s", "worked_gain": "gain"}
    found = {}
    for name, column in columns.items():
        values = table[column].to_numpy(dtype=np.float64)
        found[name] = spread_over(values, place_of(published[name], values))
    return found


def place_of(value: float, values: FloatArray) -> str:
    """Say where a published infant stands among simulated ones.

    Parameters
    ----------
    value : float
        The published figure.
    values : ndarray, shape (infants,)
        The simulated ones.

    Returns
    -------
    str
    """
    if not len(values):
        return "no simulated infant starts in the range"
    low, high = np.quantile(values, (0.01, 0.99))
    inside = "inside" if low <= value <= high else "OUTSIDE"
    return (
        f"the published infant lies {inside} the 1st to 99th percentile of the simulated ones "
        f"({low:.2g} to {high:.2g}, {len(values)} infants)"
    )


__all__ = [
    "LEVELS_PCT",
    "Shape",
    "fit_shape",
    "place_of",
    "responses",
    "responses_by_level",
    "step_courses",
    "worked_response",
    "worked_rows",
]
