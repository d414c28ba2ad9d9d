"""The integrator against the equations, and the laws that both must keep."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from oxytestbed.models.blood import po2_from_content, saturation
from oxytestbed.models.cohort import CohortSettings, draw_infants
from oxytestbed.models.lung_equations import (
    Drive,
    blood_content,
    derivative,
    drive_with,
    oxygen_stores_ml,
    resting_drive,
)
from oxytestbed.models.lung_parameters import (
    DRY_MMHG,
    GAS_FACTOR_MMHG,
    UPTAKE_HALF_CONTENT,
    LungParameters,
    lung_parameters,
)
from oxytestbed.models.lungs import REFILL_PER_S, Lungs, divided
from oxytestbed.models.steady import steady_state

MID_PCT = 92.5


def cohort(stratum: str, count: int, seed: int = 5) -> tuple[LungParameters, np.ndarray]:
    infants = draw_infants(seed, CohortSettings(infants=count, stratum=stratum), MID_PCT).infants
    return lung_parameters(infants), infants.fio2_need


def take(parameters: LungParameters, lanes: np.ndarray) -> LungParameters:
    return LungParameters(**{name: values[..., lanes] for name, values in vars(parameters).items()})


def drive_of(parameters: LungParameters, fio2: np.ndarray, **changed: np.ndarray) -> Drive:
    return drive_with(resting_drive(parameters, fio2), **changed)


def advance(lungs: Lungs, drive: Drive) -> None:
    lungs.step(
        drive.inspired_fio2,
        drive.breathing,
        drive.closed,
        drive.ventilation_ml_s,
        drive.shunt,
        drive.flow_ml_s,
    )


def rocky_drives(parameters: LungParameters, fio2: np.ndarray, ticks: int) -> list[Drive]:
    """A dense course of central and obstructive apnoeas, weak breathing and FiO2 steps."""
    rng = np.random.default_rng(3)
    lanes = parameters.lanes
    drives = []
    breathing, closed, left = np.ones(lanes), np.zeros(lanes, dtype=bool), np.zeros(lanes)
    oxygen, shunt = fio2.copy(), parameters.shunt.copy()
    for _ in range(ticks):
        ending = left == 1
        breathing[ending], closed[ending] = 1.0, False
        left = np.maximum(left - 1, 0)
        starting = (left == 0) & (rng.random(lanes) < 1 / 40)
        left[starting] = rng.integers(5, 31, lanes)[starting]
        breathing[starting] = rng.choice([0.0, 0.0, 0.4], lanes)[starting]
        closed[starting] = (rng.random(lanes) < 0.4)[starting] & (breathing[starting] == 0.0)
        turned = rng.random(lanes) < 1 / 60
        oxygen[turned] = np.clip(fio2 + rng.normal(0, 0.08, lanes), 0.21, 1.0)[turned]
        drives.append(
            drive_of(
                parameters,
                oxygen.copy(),
                breathing=breathing.copy(),
                closed=closed.copy(),
                shunt=np.where(breathing == 0.4, np.minimum(4 * shunt, 0.5), shunt),
            )
        )
    return drives


def exact(
    parameters: LungParameters, fio2: np.ndarray, drives: list[Drive]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Solve each second with SciPy; also add up oxygen taken in and used.

    Returns SaO2 (ticks, lanes), and the balance of stores, inflow and use.
    """
    lanes = parameters.lanes
    start = steady_state(parameters, fio2)
    state = np.vstack([start.p_mmhg, start.ca, start.cv, parameters.volume_ml])
    state = np.vstack([state, np.zeros((2, lanes))])
    traces = []
    for drive in drives:
        rate = REFILL_PER_S * (parameters.volume_ml - state[4:6])
        held = drive_with(drive, volume_rate_ml_s=rate)

        def slope(_: float, flat: np.ndarray, held: Drive = held) -> np.ndarray:
            y = flat.reshape(8, lanes)
            rates, volume_rate = derivative(y[:4], y[4:6], held, parameters)
            taken, used = oxygen_in_and_used(y[:4], held, parameters)
            return np.vstack([rates, volume_rate, taken, used]).ravel()

        solved = solve_ivp(slope, (0, 1), state.ravel(), method="LSODA", rtol=1e-9, atol=1e-11)
        state = solved.y[:, -1].reshape(8, lanes)
        po2 = po2_from_content(state[2], parameters.capacity, parameters.p50_mmhg)
        traces.append(100 * saturation(po2, parameters.p50_mmhg))
    return np.array(traces), state[6], state[7]


def oxygen_in_and_used(
    state: np.ndarray, drive: Drive, parameters: LungParameters
) -> tuple[np.ndarray, np.ndarray]:
    """Oxygen breathed in less breathed out, and used, in mL STPD/s/kg.

    Written from the flows at the mouth, not from the rates that are tested: what
    comes in must replace expired gas and net uptake, and fill a growing lung.
    """
    po2, venous, fio2 = state[:2], state[3], drive.inspired_fio2
    gain = drive.flow_ml_s * (1 - drive.shunt) * parameters.perfusion_share
    uptake = gain * (blood_content(po2, parameters) - venous)
    expired = drive.ventilation_ml_s * drive.breathing
    co2 = expired * parameters.paco2_mmhg / GAS_FACTOR_MMHG
    growth, shrinkage = (
        np.maximum(drive.volume_rate_ml_s, 0),
        np.maximum(-drive.volume_rate_ml_s, 0),
    )
    inspired = expired + GAS_FACTOR_MMHG * (uptake - co2) / DRY_MMHG + growth
    net = inspired * fio2 * DRY_MMHG - (expired + shrinkage) * po2
    taken = np.where(drive.closed, 0.0, (net[0] + net[1]) / GAS_FACTOR_MMHG)
    used = parameters.vo2_ml_s * venous / (venous + UPTAKE_HALF_CONTENT)
    return taken, used


@pytest.mark.parametrize("stratum", ["settled", "unstable"])
def test_integrator_stays_within_a_tenth_of_a_point_of_scipy(stratum: str) -> None:
    """Tolerance: 0.1 points of SaO2, what the display could not show."""
    parameters, fio2 = cohort(stratum, 6)
    drives = rocky_drives(parameters, fio2, 600)
    lungs = Lungs(parameters, steady_state(parameters, fio2))
    sao2 = []
    for drive in drives:
        advance(lungs, drive)
        sao2.append(100 * lungs.sao2_fraction)
    reference, taken, used = exact(parameters, fio2, drives)
    assert reference.min() < 75, "the course must hold real desaturations"
    assert np.abs(np.array(sao2) - reference).max() < 0.1
    start = steady_state(parameters, fio2)
    before = oxygen_stores_ml(
        np.vstack([start.p_mmhg, start.ca, start.cv]), parameters.volume_ml, parameters
    )
    stored = oxygen_stores_ml(lungs.state, lungs.volume_ml, parameters) - before
    # 0.02 mL/kg of some 60 mL/kg that pass through: the integrator's own error.
    assert np.abs(stored - (taken - used)).max() < 0.02


def test_stiffest_infants_stay_within_half_a_point_in_a_minute_of_apnoea() -> None:
    """The stiffest 1 % of 1000 infants, 60 s, airway open and closed, down to SaO2 30."""
    parameters, fio2 = cohort("settled", 1000, seed=17)
    stiffness = fastest_rate(parameters, fio2)
    chosen = np.argsort(stiffness)[-10:]
    assert stiffness[chosen].min() > 1.2 * np.median(stiffness)
    few, oxygen = take(parameters, chosen), fio2[chosen]
    for closed in (False, True):
        apnoea = drive_of(few, oxygen, breathing=np.zeros(10), closed=np.full(10, closed))
        drives = [*[resting_drive(few, oxygen)] * 5, *[apnoea] * 60]
        drives += [resting_drive(few, oxygen)] * 40
        reference, _, _ = exact(few, oxygen, drives)
        lungs = Lungs(few, steady_state(few, oxygen))
        for tick, drive in enumerate(drives):
            advance(lungs, drive)
            counted = reference[tick] >= 30
            error = np.abs(100 * lungs.sao2_fraction - reference[tick])[counted]
            assert error.max(initial=0.0) < 0.5


def fastest_rate(parameters: LungParameters, fio2: np.ndarray) -> np.ndarray:
    """Rate at which a compartment's PO2 answers to itself (1/s)."""
    start = steady_state(parameters, fio2)
    state = np.vstack([start.p_mmhg, start.ca, start.cv])
    drive = resting_drive(parameters, fio2)
    moved = state.copy()
    moved[:2] += 1e-3
    here, _ = derivative(state, parameters.volume_ml, drive, parameters)
    there, _ = derivative(moved, parameters.volume_ml, drive, parameters)
    return np.abs((there - here)[:2] / 1e-3).max(axis=0)


def test_order_three_by_step_halving() -> None:
    """Halving the step of a third-order method divides the error by about eight."""
    parameters, fio2 = cohort("unstable", 12)
    apnoea = drive_of(parameters, fio2, breathing=np.zeros(12))

    def course(substeps: int) -> np.ndarray:
        lungs = Lungs(parameters, steady_state(parameters, fio2), steps_s=divided((1.0,), substeps))
        for _ in range(12):
            advance(lungs, apnoea)
        return 100 * lungs.sao2_fraction

    finest = course(64)
    errors = [np.abs(course(n) - finest).max() for n in (4, 8, 16)]
    assert 5.5 < errors[0] / errors[1] < 11
    assert 5.5 < errors[1] / errors[2] < 11


def test_steady_state_stands_still() -> None:
    parameters, fio2 = cohort("settled", 20)
    lungs = Lungs(parameters, steady_state(parameters, fio2))
    before = lungs.state.copy()
    for _ in range(30):
        advance(lungs, resting_drive(parameters, fio2))
    np.testing.assert_allclose(lungs.state, before, rtol=1e-7)
    assert np.array_equal(lungs.volume_ml, parameters.volume_ml)


def test_rates_conserve_oxygen_whatever_the_volume_does() -> None:
    """Stores change by what comes in less what is used, for any state and drive."""
    parameters, _ = cohort("unstable", 40)
    rng = np.random.default_rng(1)
    lanes = parameters.lanes
    for closed in (False, True):
        state = np.vstack([rng.uniform(20, 300, (2, lanes)), rng.uniform(0.02, 0.2, (2, lanes))])
        volume = parameters.volume_ml * rng.uniform(0.6, 1.3, (2, lanes))
        drive = drive_of(
            parameters,
            rng.uniform(0.21, 1, lanes),
            breathing=rng.uniform(0, 1.5, lanes),
            closed=np.full(lanes, closed),
            volume_rate_ml_s=rng.normal(0, 2, (2, lanes)),
        )
        rates, volume_rate = derivative(state, volume, drive, parameters)
        gas = volume * rates[:2] + volume_rate * state[:2]
        stored = (gas[0] + gas[1]) / GAS_FACTOR_MMHG
        stored += parameters.arterial_volume_ml * rates[2] + parameters.venous_volume_ml * rates[3]
        taken, used = oxygen_in_and_used(state, drive, parameters)
        np.testing.assert_allclose(stored, taken - used, rtol=1e-10, atol=1e-12)


def test_closed_lung_keeps_its_other_gas_and_shrinks_by_what_is_taken_up() -> None:
    parameters, fio2 = cohort("settled", 10)
    start = steady_state(parameters, fio2)
    lungs = Lungs(parameters, start, steps_s=divided((1.0,), 8))
    other = parameters.volume_ml * (DRY_MMHG - start.p_mmhg)
    shut = drive_of(parameters, fio2, breathing=np.zeros(10), closed=np.ones(10, dtype=bool))
    volumes = [lungs.volume_ml.copy()]
    for _ in range(25):
        advance(lungs, shut)
        volumes.append(lungs.volume_ml.copy())
    np.testing.assert_allclose(lungs.volume_ml * (DRY_MMHG - lungs.state[:2]), other, rtol=1e-12)
    assert (np.diff(np.array(volumes).sum(axis=1), axis=0) < 0).all()


def test_volume_never_jumps_and_comes_back_after_obstruction() -> None:
    parameters, fio2 = cohort("settled", 10)
    lungs = Lungs(parameters, steady_state(parameters, fio2))
    shut = drive_of(parameters, fio2, breathing=np.zeros(10), closed=np.ones(10, dtype=bool))
    volumes = [lungs.volume_ml.copy()]
    for drive in [shut] * 20 + [resting_drive(parameters, fio2)] * 40:
        advance(lungs, drive)
        volumes.append(lungs.volume_ml.copy())
    steps = np.abs(np.diff(np.array(volumes), axis=0)) / parameters.volume_ml
    assert steps.max() < 0.05
    np.testing.assert_allclose(lungs.volume_ml, parameters.volume_ml, rtol=1e-3)


def test_more_oxygen_never_lowers_saturation() -> None:
    parameters, fio2 = cohort("unstable", 30)
    last = np.zeros(30)
    for extra in (0.0, 0.05, 0.1, 0.2, 0.4):
        lungs = Lungs(parameters, steady_state(parameters, fio2))
        for _ in range(120):
            advance(lungs, resting_drive(parameters, np.minimum(fio2 + extra, 1.0)))
        assert (lungs.sao2_fraction >= last).all()
        last = lungs.sao2_fraction.copy()


def test_a_lane_is_the_same_alone_and_in_company() -> None:
    parameters, fio2 = cohort("unstable", 9)
    drives = rocky_drives(parameters, fio2, 200)
    together = Lungs(parameters, steady_state(parameters, fio2))
    alone = []
    for lane in range(9):
        one = np.array([lane])
        alone.append(Lungs(take(parameters, one), steady_state(take(parameters, one), fio2[one])))
    for drive in drives:
        advance(together, drive)
        for lane, lungs in enumerate(alone):
            one = np.array([lane])
            advance(lungs, Drive(**{name: v[..., one] for name, v in vars(drive).items()}))
    for lane, lungs in enumerate(alone):
        assert np.array_equal(lungs.state[:, 0], together.state[:, lane])
        assert np.array_equal(lungs.sao2_fraction[0], together.sao2_fraction[lane])
