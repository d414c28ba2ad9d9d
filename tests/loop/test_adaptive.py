import numpy as np
import pytest

from oxytestbed.loop.controller import make_reading
from oxytestbed.loop.controllers.adaptive import AdaptivePI, GainEstimate
from oxytestbed.loop.signals import Settings

SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.21, fio2_max=1.0)


def estimate(lanes=1, **changes):
    values = {
        "period_s": 1,
        "lag_s": 40.0,
        "dead_time_s": 20.0,
        "memory_s": 1800.0,
        "trend_s": 240.0,
        "first_guess": 1.0,
        "prior_weight": 1.0,
        "limits": (0.05, 20.0),
    }
    return GainEstimate(lanes, **{**values, **changes})


def test_without_a_reading_the_first_guess_stays():
    one = estimate(first_guess=1.7)
    one.start(np.array([0.3]))
    for _ in range(100):
        one.update(np.array([0.4]), np.array([np.nan]), np.array([False]))
    np.testing.assert_allclose(one.gain, [1.7])


def test_deep_desaturation_teaches_nothing():
    one, twin = estimate(), estimate()
    for each in (one, twin):
        each.start(np.array([0.3]))
        each.update(np.array([0.3]), np.array([93.0]), np.array([True]))
    for _ in range(100):
        one.update(np.array([0.5]), np.array([70.0]), np.array([True]))
    np.testing.assert_array_equal(one.gain, twin.gain)


def test_the_estimate_stays_within_its_limits():
    one = estimate(lanes=2, limits=(0.6, 4.0), prior_weight=0.1)
    one.start(np.full(2, 0.3))
    for second in range(2000):
        up = 0.3 + 0.05 * (second // 100 % 2)
        spo2 = 93.0 + np.array([8.0, -8.0]) * (second // 100 % 2)
        one.update(np.full(2, up), spo2, np.ones(2, dtype=bool))
        assert (one.gain >= 0.6).all() and (one.gain <= 4.0).all()
    assert one.gain[1] == 0.6


def test_the_proportional_part_is_the_loop_gain_over_the_response():
    one = AdaptivePI(loop_gain=0.6, first_guess=1.5, integral_time_s=36000)
    one.reset(1, SETTINGS)
    one.act(make_reading(1, set_fio2=0.4))
    request = one.act(make_reading(1, spo2_pct=88, set_fio2=0.4))[0]
    assert request == pytest.approx(0.4 + 0.01 * 0.6 / 1.5 * (3 + 0.5 * 2), abs=1e-4)
