"""Single and recurrent apnoeas put on infants at rest, against published statements."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ...models.chemoreflex import Chemoreflex
from ...models.disturbances import Breathing
from ...models.infants import Infants
from ...models.lung_equations import blood_content, derivative, drive_with, resting_drive
from ...models.lung_parameters import (
    GAS_FACTOR_MMHG,
    HB_CAPACITY_ML_G,
    LungParameters,
    lung_parameters,
)
from ...models.lungs import Lungs
from ...models.steady import steady_state
from .rows import Simulated, figure, spread_over

FloatArray = NDArray[np.float64]

#: Length of the slopes that are compared (s).
SLOPE_S = 2
APNOEA_S, LONG_APNOEA_S = 30, 60
ONSET_FALL_PCT = 5.0
RECURRENT_S, BREATHS_S, RECURRENT = 15, 5, 5


@dataclass(frozen=True, kw_only=True)
class Course:
    """What an apnoea does to a group of infants.

    Attributes
    ----------
    sao2_pct : ndarray, shape (seconds + 1, infants)
        Saturation from rest on.
    uptake_ratio : ndarray, shape (seconds + 1, infants)
        Oxygen taken up by blood in the lungs over resting consumption.
    """

    sao2_pct: FloatArray
    uptake_ratio: FloatArray

    @property
    def slopes(self) -> FloatArray:
        """Fall over 2 s (points per second), shape (seconds - 1, infants)."""
        return (self.sao2_pct[:-SLOPE_S] - self.sao2_pct[SLOPE_S:]) / SLOPE_S

    @property
    def steepest(self) -> FloatArray:
        """Steepest fall over 2 s of each infant."""
        return np.asarray(self.slopes.max(axis=0))


def course(
    parameters: LungParameters,
    fio2: FloatArray,
    breathing: Sequence[float],
    *,
    flow_factor: float = 1.0,
    stop_at_pct: float = 0.0,
) -> Course:
    """Let infants at rest breathe, or not, second by second.

    Parameters
    ----------
    parameters : LungParameters
        The infants.
    fio2 : ndarray, shape (infants,)
        Inspired oxygen (fraction).
    breathing : sequence of float
        Share of normal ventilation in each second; what is missing is made up for later.
    flow_factor : float
        Factor on cardiac output from the first second on.
    stop_at_pct : float
        An infant whose saturation has fallen to this breathes from then on.

    Returns
    -------
    Course
    """
    start = steady_state(parameters, fio2)
    lungs = Lungs(parameters, start)
    lanes = parameters.lanes
    closed = np.zeros(lanes, dtype=np.bool_)
    flow = parameters.flow_ml_s * flow_factor
    gain = flow * (1.0 - parameters.shunt) * parameters.perfusion_share
    saturation = [100.0 * start.sao2_fraction]
    uptakes = [np.ones(lanes)]
    woken = np.zeros(lanes, dtype=np.bool_)
    reflex = Chemoreflex(lanes)
    for share in breathing:
        woken |= 100.0 * lungs.sao2_fraction <= stop_at_pct
        own = np.where(woken, 1.0, share)
        kind = np.where(own < 1.0, int(Breathing.CENTRAL), int(Breathing.NORMAL))
        now = reflex.drive(kind, own)
        reflex.count(now)
        lungs.step(fio2, now, closed, parameters.ventilation_ml_s, parameters.shunt, flow)
        saturation.append(100.0 * lungs.sao2_fraction)
        taken = gain * (blood_content(lungs.state[:2], parameters) - lungs.state[3])
        uptakes.append((taken[0] + taken[1]) / parameters.vo2_ml_s)
    return Course(sao2_pct=np.array(saturation), uptake_ratio=np.array(uptakes))


def statements(infants: Infants) -> dict[str, Simulated]:
    """Answer the statements about a single apnoea by their signs over the cohort.

    Parameters
    ----------
    infants : Infants
        The infants; each is its own control.

    Returns
    -------
    dict of str to Simulated
        S5 and S8 to S13, by row id.
    """
    base, fio2 = lung_parameters(infants), infants.fio2_need
    plain = course(base, fio2, [0.0] * APNOEA_S)
    long = course(base, fio2, [0.0] * LONG_APNOEA_S)

    def steeper(changed: LungParameters) -> Simulated:
        return spread_over(course(changed, fio2, [0.0] * APNOEA_S).steepest - plain.steepest)

    lower_flow = replace(base, flow_ml_s=0.7 * base.flow_ml_s)
    small_blood = replace(base, venous_volume_ml=0.7 * base.venous_volume_ml)
    slow = course(base, fio2, [0.0] * APNOEA_S, flow_factor=0.7)
    lower = np.maximum(fio2 - 0.05, 0.16)
    earlier = _onset_s(course(base, lower, [0.0] * APNOEA_S)) - _onset_s(plain)
    late = _late_slope(course(small_blood, fio2, [0.0] * LONG_APNOEA_S)) - _late_slope(long)
    return {
        "S5": spread_over(long.steepest - _late_slope(long)),
        "S8": steeper(lower_flow),
        "S9": spread_over(slow.steepest - plain.steepest),
        "S10": spread_over(earlier),
        "S11_lung": steeper(replace(base, volume_ml=0.7 * base.volume_ml)),
        "S11_hb": steeper(replace(base, capacity=0.8 * base.capacity)),
        "S11_flow": steeper(lower_flow),
        "S12": spread_over(late),
        "S13": steeper(
            replace(
                base,
                vo2_ml_s=1.3 * base.vo2_ml_s,
                ventilation_ml_s=1.3 * base.ventilation_ml_s,
            )
        ),
    }


def _onset_s(run: Course) -> FloatArray:
    """Time until saturation has fallen by 5 points (s)."""
    fallen = run.sao2_pct <= run.sao2_pct[0] - ONSET_FALL_PCT
    times = np.where(fallen.any(axis=0), fallen.argmax(axis=0), np.nan)
    return np.asarray(times, dtype=np.float64)


def _late_slope(run: Course) -> FloatArray:
    """Slope over the last 10 s in which saturation is above 10 % (points per second)."""
    lanes = run.sao2_pct.shape[1]
    slopes = np.full(lanes, np.nan)
    for lane in range(lanes):
        last = int(np.flatnonzero(run.sao2_pct[:, lane] > 10.0)[-1])
        if last >= 20:
            slopes[lane] = (run.sao2_pct[last - 10, lane] - run.sao2_pct[last, lane]) / 10.0
    return slopes


def recurrent(infants: Infants) -> dict[str, Simulated]:
    """Compare recurrent apnoeas with isolated ones, and look at the surge of uptake.

    Parameters
    ----------
    infants : Infants
        Infants of the unstable stratum.

    Returns
    -------
    dict of str to Simulated
        S14 to S16, by row id.
    """
    parameters, fio2 = lung_parameters(infants), infants.fio2_need
    pattern = ([0.0] * RECURRENT_S + [1.0] * BREATHS_S) * RECURRENT
    run = course(parameters, fio2, pattern)
    cycle = RECURRENT_S + BREATHS_S
    first = run.slopes[:cycle].max(axis=0)
    fifth = run.slopes[(RECURRENT - 1) * cycle :].max(axis=0)
    surge = course(parameters, fio2, [0.0] * 90 + [1.0] * 30, stop_at_pct=50.0)
    fell = surge.sao2_pct.min(axis=0) <= 51.0
    peaks = np.where(fell, 100.0 * surge.uptake_ratio.max(axis=0), np.nan)
    return {
        "S14": spread_over(peaks),
        "S15": spread_over(fifth / first),
        "S16": figure(float(run.slopes.max()), len(infants)),
    }


def closed_forms() -> dict[str, Simulated]:
    """Work out the published mass balances with the constants of the lung equations.

    Returns
    -------
    dict of str to Simulated
        S18 and S20, by row id.
    """
    return {
        "S18": figure(-GAS_FACTOR_MMHG * (10.0 / 60.0) / 25.0),
        "S20": figure(100.0 * (10.0 / 60.0) / (HB_CAPACITY_ML_G * 15.0 * 80.0 / 100.0)),
    }


def open_airway_factor(infants: Infants) -> Simulated:
    """Compare the first fall of alveolar PO2 at FiO2 0.21 with that without inflow.

    Parameters
    ----------
    infants : Infants
        Any infants; the factor is the same for all.

    Returns
    -------
    Simulated
        S19.
    """
    parameters = lung_parameters(infants)
    lanes = parameters.lanes
    start = steady_state(parameters, np.full(lanes, 0.21))
    state = np.vstack([start.p_mmhg, start.ca, start.cv])

    def rate(fio2: float) -> FloatArray:
        drive = drive_with(
            resting_drive(parameters, np.full(lanes, fio2)), breathing=np.zeros(lanes)
        )
        return np.asarray(derivative(state, parameters.volume_ml, drive, parameters)[0][0])

    return spread_over(rate(0.21) / rate(0.0))


__all__ = ["Course", "closed_forms", "course", "open_airway_factor", "recurrent", "statements"]
