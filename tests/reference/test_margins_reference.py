"""Margins and responses against published rules, python-control and textbook formulas."""

import math
from dataclasses import replace

import control
import numpy as np
import pytest

from oxytestbed.experiments.response import relative_overshoot_pct
from oxytestbed.experiments.response_linear import (
    LinearController,
    first_order_response,
    identified_response,
    linear_plant,
    pi_response,
    sampled_every,
)
from oxytestbed.experiments.response_loop import Display, Stimulus, run_loop
from oxytestbed.experiments.response_margins import margins
from oxytestbed.experiments.response_oscillation import (
    delay_to_oscillation_s,
    gain_factor_to_oscillation,
    period_s,
    sustained,
)
from oxytestbed.experiments.response_parts import linear_laws
from oxytestbed.experiments.response_plant import FirstOrderPlant, InfantPlant, at_rest
from oxytestbed.experiments.response_trial import series
from oxytestbed.loop.controllers.pi import PI
from oxytestbed.loop.controllers.pid import PID
from oxytestbed.loop.controllers.rules import RuleTable
from oxytestbed.loop.signals import Settings
from oxytestbed.models.blood import po2_at, saturation_slope
from oxytestbed.models.cohort import CohortSettings, draw_infants

SETTINGS = Settings(target_low_pct=91.0, target_high_pct=95.0, fio2_min=0.0, fio2_max=1.0)
DEAD_S = 20.0


def simc_loop(lag_s):
    """SIMC rules (Skogestad, J Process Control 2003; from memory), closed loop as fast as the
    dead time: gain lag / (2 k dead time), integral time min(lag, 8 dead times)."""
    k = 1.0 if math.isfinite(lag_s) else 0.01
    gain = (lag_s if math.isfinite(lag_s) else 1.0) / (2.0 * DEAD_S * k)
    integral_s = min(lag_s, 8.0 * DEAD_S)
    plant = first_order_response(k, lag_s, DEAD_S)
    return lambda w: gain * (1.0 + 1.0 / (1j * w * integral_s)) * plant(w)


@pytest.mark.parametrize(
    ("lag_s", "expected"),
    [
        # gain margin, phase margin (deg), delay margin (dead times), peak sensitivity: the
        # values published with the rules
        (30.0, (3.14, 61.4, 2.14, 1.59)),
        (160.0, (3.14, 61.4, 2.14, 1.59)),
        (math.inf, (2.96, 46.9, 1.59, 1.70)),
    ],
)
def test_margins_of_simc_tuning(lag_s, expected):
    found = margins(simc_loop(lag_s), 10.0, integrators=1 if math.isfinite(lag_s) else 2)
    seen = (found.gain, found.phase_deg, found.delay_s / DEAD_S, found.peak_sensitivity)
    # Half a unit of the last digit that was published.
    assert (np.abs(np.subtract(seen, expected)) <= (0.005, 0.05, 0.005, 0.005)).all()
    assert found.stable


@pytest.mark.parametrize("lag_s", [30.0, 160.0, math.inf])
def test_margins_agree_with_python_control(lag_s):
    loop = simc_loop(lag_s)
    omega = np.geomspace(1e-3, 1.0, 20_000)
    frequency_response = control.frd(loop(omega), omega)
    gain, phase, stability, _, crossover, _ = control.stability_margins(frequency_response)
    found = margins(loop, 10.0, integrators=1 if math.isfinite(lag_s) else 2)
    assert found.gain == pytest.approx(gain, rel=1e-4)
    assert found.phase_deg == pytest.approx(phase, rel=1e-4)
    assert found.crossover_rad_s == pytest.approx(crossover, rel=1e-4)
    assert 1.0 / found.peak_sensitivity == pytest.approx(stability, rel=1e-4)


@pytest.mark.parametrize(("factor", "stable"), [(0.97, True), (1.03, False)])
def test_stability_agrees_with_the_poles_of_python_control(factor, stable):
    b, a = 1.0 - math.exp(-1.0 / 30.0), math.exp(-1.0 / 30.0)
    pi = PI(gain_per_pct=0.0075, integral_time_s=30.0, gain_share_in_target=1.0)
    plant = control.tf([100.0 * b], [1.0, -a] + [0.0] * 20, 1)
    kp, ki = pi.gain_per_pct, pi.gain_per_pct / pi.integral_time_s
    law = control.tf([kp + ki, -kp], [1.0, -1.0], 1)
    loop = series(pi_response(pi, inside=True).response, sampled_first_order())
    limit = margins(loop, math.pi).gain
    scaled = margins(lambda w: factor * limit * loop(w), math.pi)
    poles = control.feedback(factor * limit * law * plant, 1).poles()
    assert scaled.stable is stable
    assert bool(np.abs(poles).max() < 1.0) is stable


def sampled_first_order(period_s=1):
    """Gain 1, lag 30 s, dead time 20 s, as `FirstOrderPlant` samples it."""
    keep = math.exp(-1.0 / 30.0)

    def at(omega):
        z = np.exp(1j * omega)
        return 100.0 * (1.0 - keep) / (z - keep) * z**-20

    return sampled_every(at, period_s)


def test_a_longer_period_agrees_with_python_control():
    omega = np.geomspace(1e-3, 0.3, 50)
    whole = control.tf([100.0], [30.0, 1.0]).sample(10.0, method="zoh")
    expected = whole(np.exp(10j * omega)) * np.exp(-20j * omega)
    np.testing.assert_allclose(sampled_first_order(10)(omega), expected, rtol=1e-9)


def test_found_by_trial_the_margins_are_those_of_the_linear_loop():
    pi = PI(gain_per_pct=0.0075, integral_time_s=30.0, gain_share_in_target=1.0)

    def make(copies):
        return FirstOrderPlant(gain=1.0, lag_s=30.0, dead_time_s=20, lanes=copies), pi

    found = margins(series(pi_response(pi, inside=True).response, sampled_first_order()), math.pi)
    assert gain_factor_to_oscillation(make, SETTINGS)[0] == pytest.approx(found.gain, rel=0.03)
    assert delay_to_oscillation_s(make, SETTINGS)[0] == pytest.approx(found.delay_s, abs=2.0)


def test_whole_percents_around_a_half_hunt_with_four_dead_times():
    """Describing function of a relay with this loop: 4 dead times; half a percent stops it."""
    half = replace(SETTINGS, target_low_pct=91.5, target_high_pct=95.5)
    pi = PI(gain_per_pct=0.0075, integral_time_s=30.0, gain_share_in_target=1.0)
    courses = {}
    for band in (0.0, 0.5):
        plant = FirstOrderPlant(gain=1.0, lag_s=30.0, dead_time_s=20, rest_pct=93.0)
        trace = run_loop(plant, pi, half, 3000, Stimulus(), Display(dead_band_pct=band))
        courses[band] = trace.measured_pct[:, 0]
    assert sustained(courses[0.0])
    assert period_s(courses[0.0]) == pytest.approx(80.0, abs=2.0)
    assert not sustained(courses[0.5])
    assert np.ptp(courses[0.5][-1000:]) < 1e-9


@pytest.mark.parametrize("damping", [0.2, 0.5, 0.7])
def test_overshoot_of_a_second_order_step(damping):
    """Textbook formula: exp(-pi zeta / sqrt(1 - zeta^2))."""
    system = control.tf([1.0], [1.0, 2.0 * damping, 1.0])
    course = control.step_response(system, np.linspace(0.0, 30.0, 30_001)).outputs
    expected = 100.0 * math.exp(-math.pi * damping / math.sqrt(1.0 - damping * damping))
    assert relative_overshoot_pct(course, 0.0, 1.0) == pytest.approx(expected, abs=1e-3)


def test_identifying_a_pi_gives_what_its_parameters_say():
    pi = PI(gain_share_in_target=1.0, period_s=2)
    found = identified_response(lambda: pi, SETTINGS, 0.4)
    assert isinstance(found, LinearController)
    omega = np.geomspace(1e-3, 1.5, 40)
    known = pi_response(pi, inside=True).response(omega)
    np.testing.assert_allclose(found.response(omega), known, rtol=1e-6)
    assert found.integrators == 1


def test_what_is_linear_and_what_is_not():
    (pid,) = linear_laws(PID, SETTINGS, 0.4).values()
    assert isinstance(pid, LinearController)
    (rules,) = linear_laws(RuleTable, SETTINGS, 0.4).values()
    assert rules == "does not react to small deviations"
    both = linear_laws(PI, SETTINGS, 0.4)
    assert list(both) == ["inside the target", "outside the target"]

    class Squared(PI):
        def act(self, reading):
            off = reading.target_low_pct + 2.0 - reading.spo2_pct
            return 0.4 + 0.1 * off * np.abs(off)

    (squared,) = linear_laws(Squared, SETTINGS, 0.4).values()
    assert "not linear" in squared


def test_the_curve_is_three_times_as_steep_at_88_as_at_95_percent():
    """Severinghaus equation, J Appl Physiol 1979;46:599."""
    low, high = saturation_slope(po2_at(0.88)), saturation_slope(po2_at(0.95))
    assert low / high == pytest.approx(3.03, abs=0.005)


def test_a_gain_with_a_margin_of_two_at_95_is_too_hot_at_88_percent():
    """On an infant whose own gain follows the curve; most follow it much less."""
    settings = CohortSettings(infants=1)
    infant = draw_infants(5, settings, 93.0, first=168, count=1).infants
    pi = PI(gain_share_in_target=1.0)
    high, low = at_rest(infant, 95.0), at_rest(infant, 88.0)

    def loop(controller, rested):
        return series(pi_response(controller, inside=True).response, linear_plant(rested, 0).at)

    cool = margins(loop(pi, high), math.pi).gain
    pi = replace(pi, gain_per_pct=pi.gain_per_pct * cool / 2.0)
    assert margins(loop(pi, high), math.pi).gain == pytest.approx(2.0, rel=1e-6)
    assert not margins(loop(pi, low), math.pi).stable
    for rested, hot in ((high, False), (low, True)):
        middle = float(rested.spo2_rest_pct[0])
        told = Settings(
            target_low_pct=middle - 2, target_high_pct=middle + 2, fio2_min=0.21, fio2_max=1.0
        )
        plant = InfantPlant(rested, quantised_fio2=False)
        knock = Stimulus(pulse_pct=-2.0, pulse_s=30)
        trace = run_loop(plant, pi, told, 2000, knock, Display(whole_percent=False))
        assert sustained(trace.measured_pct[90:, 0]) is hot
