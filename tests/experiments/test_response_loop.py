import math
from dataclasses import replace

import numpy as np
import pytest

from oxytestbed.experiments.response import settling_time_s, steady_state_deviation_pct
from oxytestbed.experiments.response_loop import Display, Stimulus, run_loop
from oxytestbed.experiments.response_oscillation import crossings, period_s, sustained
from oxytestbed.experiments.response_plant import FirstOrderPlant
from oxytestbed.loop.controllers.bare import PIWithoutAntiWindup, ProportionalOnly
from oxytestbed.loop.controllers.pi import PI
from oxytestbed.loop.signals import Settings
from oxytestbed.models.errors import TestbedError

SETTINGS = Settings(target_low_pct=91.0, target_high_pct=95.0, fio2_min=0.0, fio2_max=1.0)
EXACT = Display(whole_percent=False)


def plant(lanes=1):
    return FirstOrderPlant(gain=1.0, lag_s=30.0, dead_time_s=20, lanes=lanes)


def tuned(kind=PI):
    """SIMC: gain 0.75 FiO2 points per point, integral time 30 s."""
    return kind(gain_per_pct=0.0075, integral_time_s=30.0, gain_share_in_target=1.0)


def swing(decay_s, period=60.0, size=5.0, seconds=1800):
    times = np.arange(seconds)
    return 93.0 + size * np.exp(-times / decay_s) * np.sin(2 * np.pi * times / period)


def test_a_loop_at_rest_stays_at_rest():
    trace = run_loop(plant(), tuned(), SETTINGS, 100)
    assert np.ptp(trace.measured_pct) == 0.0
    assert np.ptp(trace.fio2) == 0.0


def test_the_mean_comes_back_with_integral_action_and_stays_off_without():
    stimulus = Stimulus(need_fio2=0.05)
    for controller, left in ((tuned(), 0.0), (ProportionalOnly(gain_per_pct=0.004), -5.0 / 1.4)):
        trace = run_loop(plant(), controller, SETTINGS, 2400, stimulus, EXACT)
        off = steady_state_deviation_pct(trace.measured_pct[:, 0], 93.0)
        assert off == pytest.approx(left, abs=1e-6)  # the share 1 / (1 + g k) of 5 points


def test_without_antiwindup_recovery_from_saturation_overshoots():
    """A fall that the limit lets the loop make good by half, and that then ends."""
    narrow = replace(SETTINGS, fio2_max=0.6)
    fall = Stimulus(pulse_pct=-20.0, pulse_s=300)
    late = {}
    for kind in (PI, PIWithoutAntiWindup):
        trace = run_loop(plant(), tuned(kind), narrow, 2400, fall, EXACT)
        assert trace.fio2.max() == 0.6
        late[kind] = settling_time_s(trace.measured_pct[360:, 0], 93.0)
    assert late[PI] < 250.0
    assert late[PIWithoutAntiWindup] > 2.0 * late[PI]


def test_target_steps_reach_the_controller_and_the_trace():
    trace = run_loop(plant(), tuned(), SETTINGS, 1200, Stimulus(target_pct=-3.0), EXACT)
    assert trace.target_pct[[59, 60]].tolist() == [93.0, 90.0]
    assert trace.measured_pct[-1, 0] == pytest.approx(90.0, abs=1e-6)


def test_gain_factor_and_added_delay_act_lane_by_lane():
    late = np.array([0, 7, 0], dtype=np.int64)
    trace = run_loop(
        plant(3),
        ProportionalOnly(gain_per_pct=0.004),
        SETTINGS,
        140,
        Stimulus(pulse_pct=-5.0, pulse_s=80),
        EXACT,
        gain_factor=np.array([1.0, 1.0, 2.0]),
        added_delay_s=late,
    )
    rise = np.argmax(trace.fio2 > 0.5, axis=0)
    assert rise.tolist() == [60, 60, 60]
    # Before anything comes back, the answer starts later and is twice as large.
    answers = trace.measured_pct - 93.0 - np.where(np.arange(140) // 80 == 9, 1.0, 0.0)[:, None]
    clean = answers + np.where((np.arange(140) >= 60) & (np.arange(140) < 140), 5.0, 0.0)[:, None]
    first = np.argmax(clean > 1e-9, axis=0)
    assert (first[1] - first[0], first[2] - first[0]) == (7, 0)
    np.testing.assert_allclose(clean[90, 2], 2.0 * clean[90, 0], rtol=1e-9)


def test_whole_percent_and_dead_band_of_the_display():
    half = replace(SETTINGS, target_low_pct=91.5, target_high_pct=95.5)
    trace = run_loop(plant(), tuned(), half, 3)
    assert trace.shown_pct[0, 0] == 93.0
    banded = run_loop(plant(), tuned(), half, 3, display=Display(dead_band_pct=0.5))
    assert banded.shown_pct[0, 0] == 93.5


def test_the_controller_is_told_of_limits_and_closed():
    class Spy(PI):
        def track(self, applied_fio2, active):
            calls.append(float(applied_fio2[0]))

        def act(self, reading):
            return np.full(len(reading.spo2_pct), 2.0)

        def close(self):
            calls.append("closed")

    calls = []
    run_loop(plant(), Spy(), SETTINGS, 2)
    assert calls == [1.0, 1.0, "closed"]


def test_a_shunt_needs_a_lung():
    with pytest.raises(TestbedError, match="without a lung"):
        run_loop(plant(), PI(), SETTINGS, 100, Stimulus(shunt_factor=1.5))


def test_only_a_swing_that_is_kept_up_counts_as_sustained():
    assert sustained(swing(1e9))
    assert sustained(swing(-2000.0))  # it grows
    assert not sustained(swing(2000.0))  # it dies away
    assert not sustained(swing(1e9, size=0.2))  # too small
    assert not sustained(swing(1e9, period=4000.0))  # no two sides seen
    assert not sustained(np.linspace(80.0, 95.0, 1800))
    assert not sustained(np.full(1800, 93.0))


def test_period_and_crossings():
    assert period_s(swing(1e9, period=60.0)) == pytest.approx(60.0, abs=0.5)
    assert math.isnan(period_s(np.full(300, 93.0)))
    square = np.array([0.0, 0, 1, 1, 0, 0, 1, 1])
    assert crossings(square).tolist() == [2.0, 4.0, 6.0]
    assert not len(crossings(np.zeros(5)))
