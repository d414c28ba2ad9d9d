"""Is the code right: solvers, conservation and published tables, run again here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from ...models import blood_curves, gas_equations
from ...models.blood import po2_at, po2_from_content, saturation
from ...models.disturbances import ALWAYS_MARK, DisturbanceSettings, draw_breathing
from ...models.infants import Infants
from ...models.lung_equations import (
    derivative,
    drive_with,
    oxygen_stores_ml,
    resting_drive,
)
from ...models.lung_parameters import (
    DISSOLVED_ML_ML_MMHG,
    DRY_MMHG,
    GAS_FACTOR_MMHG,
    HB_CAPACITY_ML_G,
    UPTAKE_HALF_CONTENT,
    LungParameters,
    lung_parameters,
)
from ...models.lungs import STEPS_S, Lungs, divided
from ...models.steady import steady_state
from .rows import Published, Simulated, figure

FloatArray = NDArray[np.float64]

#: SaO2 must stay within this of the exact solution (points): what no display could show.
SOLVER_TOLERANCE_PCT = 0.1
#: Oxygen stores may drift from the balance of what comes and goes by this (mL/kg).
BALANCE_TOLERANCE_ML = 0.02

#: Rest, apnoea and recovery that SciPy solves again (s).
REST_S, APNOEA_S, RECOVERY_S = 10, 30, 80

#: pH, PCO2 (mmHg), temperature (degC) and DPG (mmol/L) of the rows ``dash_p50_<n>``.
DASH_CONDITIONS = (
    (7.4, 40.0, 37.0, 4.65),
    (7.2, 40.0, 37.0, 4.65),
    (7.3, 40.0, 37.0, 4.65),
    (7.5, 40.0, 37.0, 4.65),
    (7.4, 60.0, 37.0, 4.65),
    (7.4, 40.0, 35.0, 4.65),
    (7.4, 40.0, 39.0, 4.65),
    (7.4, 40.0, 37.0, 3.0),
    (7.4, 40.0, 37.0, 6.0),
)


@dataclass(frozen=True, kw_only=True)
class Check:
    """One check of the code or of the calculation.

    Attributes
    ----------
    kind : str
        "code" or "calculation".
    name : str
        What is checked.
    result, limit : float
        What came out, and the most that is allowed, in `unit`.
    unit : str
        Unit of both.
    """

    kind: str
    name: str
    result: float
    limit: float
    unit: str

    @property
    def passed(self) -> bool:
        """Whether the result is within the limit."""
        return self.result <= self.limit


def verification_checks(infants: Infants, seed: int, hours: float = 1.0) -> list[Check]:
    """Run every check.

    Parameters
    ----------
    infants : Infants
        Infants to try on; the first three are solved again by SciPy.
    seed : int
        Seed of the breathing events.
    hours : float
        Length of the run whose step is halved.

    Returns
    -------
    list of Check
    """
    few = infants.take(np.arange(min(3, len(infants))))
    return [*_against_scipy(few), *_step_halving(infants, seed, round(3600 * hours)), _steady(few)]


def _against_scipy(infants: Infants) -> list[Check]:
    """Solve one apnoea of every infant again with an independent solver."""
    parameters, fio2 = lung_parameters(infants), infants.fio2_need
    breathing = [1.0] * REST_S + [0.0] * APNOEA_S + [1.0] * RECOVERY_S
    lungs = Lungs(parameters, steady_state(parameters, fio2))
    start = steady_state(parameters, fio2)
    state = np.vstack([start.p_mmhg, start.ca, start.cv])
    before = oxygen_stores_ml(state, parameters.volume_ml, parameters)
    flows = np.zeros(parameters.lanes)
    worst = 0.0
    for share in breathing:
        _advance(lungs, parameters, fio2, np.full(parameters.lanes, share))
        state, balance = _exact_second(state, parameters, fio2, share)
        flows = flows + balance
        po2 = po2_from_content(state[2], parameters.capacity, parameters.p50_mmhg)
        exact = saturation(po2, parameters.p50_mmhg)
        worst = max(worst, float(100.0 * np.abs(lungs.sao2_fraction - exact).max()))
    stored = oxygen_stores_ml(lungs.state, lungs.volume_ml, parameters) - before
    drift = float(np.abs(stored - flows).max())
    return [
        Check(
            kind="code",
            name="SaO2 against scipy.integrate.solve_ivp over rest, 30 s apnoea and recovery",
            result=worst,
            limit=SOLVER_TOLERANCE_PCT,
            unit="points",
        ),
        Check(
            kind="code",
            name="oxygen stores against oxygen in less oxygen used, over the same course",
            result=drift,
            limit=BALANCE_TOLERANCE_ML,
            unit="mL/kg",
        ),
    ]


def _advance(
    lungs: Lungs, parameters: LungParameters, fio2: FloatArray, breathing: FloatArray
) -> None:
    closed = np.zeros(parameters.lanes, dtype=np.bool_)
    flow, shunt = parameters.flow_ml_s, parameters.shunt
    lungs.step(fio2, breathing, closed, parameters.ventilation_ml_s, shunt, flow)


def _exact_second(
    state: FloatArray, parameters: LungParameters, fio2: FloatArray, share: float
) -> tuple[FloatArray, FloatArray]:
    """State after a second, and oxygen that came in less what was used (mL/kg)."""
    lanes = parameters.lanes
    drive = drive_with(resting_drive(parameters, fio2), breathing=np.full(lanes, share))

    def rates(_: float, flat: FloatArray) -> FloatArray:
        y = flat.reshape(5, lanes)
        slope, _volume = derivative(y[:4], parameters.volume_ml, drive, parameters)
        return np.vstack([slope, _balance(y, parameters, fio2, share)]).ravel()

    first = np.vstack([state, np.zeros((1, lanes))]).ravel()
    solved = solve_ivp(rates, (0.0, 1.0), first, method="LSODA", rtol=1e-9, atol=1e-11)
    last = solved.y[:, -1].reshape(5, lanes)
    return last[:4], last[4]


def _balance(
    state: FloatArray, parameters: LungParameters, fio2: FloatArray, share: float
) -> FloatArray:
    """Oxygen at the mouth less oxygen used, from the flows alone (mL STPD/s/kg)."""
    content = parameters.capacity * saturation(state[:2], parameters.p50_mmhg)
    content = content + DISSOLVED_ML_ML_MMHG * state[:2]
    gain = parameters.flow_ml_s * (1.0 - parameters.shunt) * parameters.perfusion_share
    uptake = gain * (content - state[3])
    expired = parameters.ventilation_ml_s * share
    # Inspired volume replaces what is expired and what the blood takes up more than it gives.
    co2 = expired * parameters.paco2_mmhg / GAS_FACTOR_MMHG
    inspired = expired + GAS_FACTOR_MMHG * (uptake - co2) / DRY_MMHG
    net = (inspired * fio2 * DRY_MMHG - expired * state[:2]) / GAS_FACTOR_MMHG
    used = parameters.vo2_ml_s * state[3] / (state[3] + UPTAKE_HALF_CONTENT)
    return np.asarray(net[0] + net[1] - used)


def _step_halving(infants: Infants, seed: int, seconds: int) -> list[Check]:
    """Run the same breathing events with the step used, halved, and halved again."""
    breathing = _breathing(infants, seed, seconds)
    parameters, fio2 = lung_parameters(infants), infants.fio2_need
    courses = []
    for factor in (1, 2, 4):
        start = steady_state(parameters, fio2)
        lungs = Lungs(parameters, start, steps_s=divided(STEPS_S, factor))
        trace = np.empty((seconds, parameters.lanes))
        for tick in range(seconds):
            _advance(lungs, parameters, fio2, breathing[tick])
            trace[tick] = 100.0 * lungs.sao2_fraction
        courses.append(trace)
    first, second = (
        float(np.abs(courses[i] - courses[i + 1]).max()) for i in range(len(courses) - 1)
    )
    lowest = float(courses[0].min())
    moved = np.abs(courses[0] - courses[1]) > SOLVER_TOLERANCE_PCT
    share_pct = 100.0 * float(moved.mean())
    infants_moved = int(moved.any(axis=0).sum())
    return [
        Check(
            kind="calculation",
            name=f"largest change of SaO2 when the step is halved, {seconds / 3600:g} h with "
            f"apnoeas down to SaO2 {lowest:.0f} %; {share_pct:.2g} % of the samples, in "
            f"{infants_moved} of {len(infants)} infants, change by more than the limit",
            result=first,
            limit=SOLVER_TOLERANCE_PCT,
            unit="points",
        ),
        Check(
            kind="calculation",
            name="the same, halved once more: must fall at least to a half",
            result=second,
            limit=max(0.5 * first, 1e-6),
            unit="points",
        ),
    ]


def _breathing(infants: Infants, seed: int, seconds: int) -> FloatArray:
    """Share of ventilation in each second, from the events that happen at any saturation."""
    breathing = np.ones((seconds, len(infants)))
    for place in range(len(infants)):
        events = draw_breathing(infants, place, seed, seconds, DisturbanceSettings())
        for onset, length, share, mark in zip(
            events.onset_s, events.duration_s, events.ventilation, events.mark, strict=True
        ):
            if mark < ALWAYS_MARK:
                breathing[onset : onset + length, place] = share
    return breathing


def _steady(infants: Infants) -> Check:
    """Start at a steady state, which must stand still."""
    parameters, fio2 = lung_parameters(infants), infants.fio2_need
    lungs = Lungs(parameters, steady_state(parameters, fio2))
    first = lungs.sao2_fraction.copy()
    for _ in range(60):
        _advance(lungs, parameters, fio2, np.ones(parameters.lanes))
    return Check(
        kind="code",
        name="a steady state stands still for 60 s",
        result=float(100.0 * np.abs(lungs.sao2_fraction - first).max()),
        limit=1e-4,
        unit="points",
    )


def table_rows(rows: Sequence[Published]) -> dict[str, Simulated]:
    """Work out every value of the published blood and gas tables.

    Parameters
    ----------
    rows : sequence of Published
        All published rows; those of the tables are answered.

    Returns
    -------
    dict of str to Simulated
        By row id.
    """
    fixed = _worked_examples()
    found = {}
    for row in rows:
        if row.section == "blood_tables" and row.status == "simulated":
            value = fixed[row.id] if row.id in fixed else _table_value(row.id)
            found[row.id] = figure(value)
    return found


def _table_value(name: str) -> float:
    """Work out one value of a table whose argument ends its id."""
    table, _, argument = name.rpartition("_")
    at = float(argument)
    if table == "dash_p50":
        ph, pco2, temperature, dpg = DASH_CONDITIONS[int(at)]
        return blood_curves.dash_p50(
            ph=ph, pco2_mmhg=pco2, temperature_c=temperature, dpg_mmol_l=dpg
        )
    work = {
        "severinghaus": lambda: 100.0 * saturation(at),
        "odc_severinghaus": lambda: 100.0 * saturation(at),
        "odc_kelman": lambda: 100.0 * blood_curves.kelman_saturation(at),
        "odc_dash": lambda: 100.0 * blood_curves.dash_saturation(at),
        "inverse": lambda: po2_at(at),
        "bohr": lambda: blood_curves.severinghaus_bohr_slope(at),
        "temperature": lambda: blood_curves.severinghaus_temperature_slope(at),
    }
    return float(work[table]())


def _worked_examples() -> dict[str, float]:
    def content(hb_g_dl: float, fraction: float, po2_mmhg: float) -> float:
        return HB_CAPACITY_ML_G * hb_g_dl * fraction + 100.0 * DISSOLVED_ML_ML_MMHG * po2_mmhg

    full, short = gas_equations.alveolar_po2, gas_equations.alveolar_po2_short
    return {
        "CaO2_5": content(15, 0.95, 90),
        "CvO2_1": content(15, 0.70, 40),
        "CcO2_1": content(15, 1.0, 99.73),
        "CaO2_6": content(13, 0.90, 86),
        "CvO2_2": content(13, 0.70, 65),
        "cap_1": HB_CAPACITY_ML_G * 15,
        "shunt_1": gas_equations.shunt_fraction(20.399, 19.365, 14.19),
        "shunt_2": gas_equations.shunt_fraction(18.08, 15.936, 12.389),
        "PAO2_1": short(0.21, 40.0, 0.8),
        "PAO2_2": short(0.60, 40.0, 1.0),
        "PAO2_3": short(0.40, 50.0, 0.8),
        "PIO2_1": gas_equations.inspired_po2(0.2093),
        "PAO2_4": full(0.21, 36.0, 0.8),
        "PAO2_5": full(0.21, 40.0, 0.8),
        "PAO2_6": full(1.0, 40.0, 0.8),
        "PAO2_7": full(0.30, 50.0, 0.8),
        "gas_factor": GAS_FACTOR_MMHG,
    }


__all__ = ["Check", "table_rows", "verification_checks"]
