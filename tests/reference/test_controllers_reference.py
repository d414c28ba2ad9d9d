"""The built-in controllers against libraries, analytic solutions and published curves."""

import control
import numpy as np
import pytest
from scipy import linalg, optimize

from oxytestbed.loop.controllers.adaptive import GainEstimate
from oxytestbed.loop.controllers.curve import CurveTable
from oxytestbed.loop.controllers.observer import ObserverFeedback, kalman_gain, quadratic_gain
from oxytestbed.loop.controllers.pid import PID
from oxytestbed.loop.controllers.predictive import MovesProblem


def test_the_curve_is_three_times_as_steep_at_88_as_at_95():
    """Severinghaus 1979, J Appl Physiol 46:599-602: derivative of the published equation.

    S = 1 / (23400 / (P^3 + 150 P) + 1), written out here; 3.03 by hand.
    """

    def po2(share):
        return optimize.brentq(lambda p: 1 / (23400 / (p**3 + 150 * p) + 1) - share, 10, 300)

    def slope(share):
        p = po2(share)
        return share * share * 23400 * (3 * p * p + 150) / (p**3 + 150 * p) ** 2

    expected = slope(0.88) / slope(0.95)
    assert expected == pytest.approx(3.03, abs=0.01)
    found = CurveTable().slope_pct_per_mmhg(np.array([88.0, 95.0]))
    assert found[0] / found[1] == pytest.approx(expected, rel=1e-6)
    one = PID(schedule_low=0.05, schedule_high=10)
    gains = one.schedule(np.array([88.0, 95.0]), np.array([5.0, -2.0]), np.ones(2, dtype=bool))
    assert gains[1] / gains[0] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("noise_pct", "load_sd"), [(3.0, 0.3), (0.5, 0.05), (8.0, 1.0)])
def test_observer_gain_agrees_with_python_control_and_scipy(noise_pct, load_sd):
    """python-control `dlqe` gives the predictor form A K; scipy.linalg.solve_discrete_are, K."""
    one = ObserverFeedback(noise_pct=noise_pct, load_sd=load_sd)
    a, c, process, measurement = one.noise_model()
    found = kalman_gain(a, c, process, measurement)
    row = c[np.newaxis, :]
    predictor, _, _ = control.dlqe(a, np.eye(2), row, process, np.array([[measurement]]))
    np.testing.assert_allclose(a @ found, np.asarray(predictor).ravel(), rtol=1e-8)
    spread = linalg.solve_discrete_are(a.T, row.T, process, np.array([[measurement]]))
    expected = spread @ row.T / (row @ spread @ row.T + measurement)
    np.testing.assert_allclose(found, expected.ravel(), rtol=1e-8)


@pytest.mark.parametrize("input_weight", [0.1, 4.0, 100.0])
def test_feedback_gain_agrees_with_python_control(input_weight):
    a, b = np.exp(-2.0 / 50.0), 1.5 * (1 - np.exp(-2.0 / 50.0))
    expected, _, _ = control.dlqr([[a]], [[b]], [[1.0]], [[input_weight]])
    found = quadratic_gain(float(a), float(b), 1.0, input_weight)
    assert found == pytest.approx(float(np.asarray(expected)[0, 0]), rel=1e-9)


def stacked(steps, keep, gain, weight):
    """Matrices of the predictive problem, from the model simulated one move at a time."""
    begins = [0, round(0.1 * steps), round(0.3 * steps), steps]
    columns = []
    for j in range(3):
        x, column = 0.0, []
        for step in range(steps):
            u = 1.0 if begins[j] <= step < begins[j + 1] else 0.0
            x = keep * x + (1 - keep) * gain * u
            column.append(x)
        columns.append(column)
    b = np.array(columns).T / np.sqrt(steps)
    free = keep ** np.arange(1, steps + 1) / np.sqrt(steps)
    ones = np.ones(steps) / np.sqrt(steps)
    differences = np.sqrt(weight) * (np.eye(3) - np.eye(3, k=-1))
    return np.vstack([b, differences]), free, ones


@pytest.mark.parametrize("limits", [(-1e6, 1e6), (21.0, 100.0), (30.0, 34.0)])
def test_predictive_moves_agree_with_scipy_least_squares(limits):
    """Without limits the analytic least-squares solution; with them scipy.optimize.lsq_linear."""
    steps, keep, gain, weight = 60, float(np.exp(-2 / 50)), 2.0, 0.5
    matrix, free, ones = stacked(steps, keep, gain, weight)
    problem = MovesProblem(steps, keep, gain, weight)
    for error, state, applied in ((70.0, 62.0, 31.0), (55.0, 64.0, 33.0), (66.0, 66.0, 33.0)):
        right = np.concatenate([error * ones - state * free, [np.sqrt(weight) * applied, 0, 0]])
        lanes = [np.array([value]) for value in (error, state, applied, *limits)]
        found = problem.solve(*lanes)[:, 0]
        expected = optimize.lsq_linear(matrix, right, bounds=limits, tol=1e-14).x
        np.testing.assert_allclose(found, expected, atol=1e-3)
        if limits[1] > 1e5:
            analytic = np.linalg.solve(matrix.T @ matrix, matrix.T @ right)
            np.testing.assert_allclose(found, analytic, atol=1e-3)


@pytest.mark.parametrize("gain", [0.5, 1.0, 3.0])
def test_least_squares_recover_a_known_gain(gain):
    """A known property of recursive least squares under excitation (no source).

    Plant: first order with the expected dynamics, FiO2 as a square wave, and a
    slow drift that must not be taken for a response.
    """
    one = GainEstimate(
        1,
        period_s=1,
        lag_s=40.0,
        dead_time_s=20.0,
        memory_s=1800.0,
        trend_s=240.0,
        first_guess=1.5,
        prior_weight=1.0,
        limits=(0.05, 20.0),
    )
    waiting, state = [0.0] * 20, 0.0
    keep = np.exp(-1.0 / 40.0)
    one.start(np.array([0.4]))
    for second in range(3600):
        fio2 = 0.42 if second // 90 % 2 else 0.40
        state = keep * state + (1 - keep) * 100 * gain * waiting.pop(0)
        spo2 = np.array([91.0 + state - second / 3600])
        one.update(np.array([fio2]), spo2, np.array([True]))
        waiting.append(fio2 - 0.40)
    assert one.gain[0] == pytest.approx(gain, rel=0.05)
