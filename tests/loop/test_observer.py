import numpy as np
import pytest

from oxytestbed.loop.controller import make_reading
from oxytestbed.loop.controllers.observer import ObserverFeedback
from oxytestbed.loop.signals import Settings

SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.21, fio2_max=1.0)


def test_at_rest_on_target_nothing_moves():
    one = ObserverFeedback()
    one.reset(1, SETTINGS)
    for second in range(0, 120, 2):
        request = one.act(make_reading(1, time_s=second, set_fio2=0.37))
    np.testing.assert_allclose(request, [0.37], atol=1e-12)


def test_on_its_own_model_the_load_is_found():
    """Noise-free, with the plant of its own model: FiO2 settles where it takes the load away."""
    one = ObserverFeedback()
    one.reset(1, SETTINGS)
    keep = np.exp(-one.period_s / one.lag_s)
    waiting = [0.0] * round(one.dead_time_s / one.period_s)
    state, fio2 = 0.0, 0.4
    for step in range(600):
        load = -8.0 if step > 10 else 0.0
        state = keep * state + one.model_gain * (1 - keep) * (waiting.pop(0) + load)
        fio2 = float(one.act(make_reading(1, spo2_pct=93 + state, set_fio2=fio2))[0])
        waiting.append(100 * (fio2 - 0.4))
    assert fio2 == pytest.approx(0.48, abs=1e-6)
    assert state == pytest.approx(0.0, abs=1e-4)


def test_it_sees_what_is_on_its_way():
    """FiO2 raised by somebody else, not yet felt, makes it ask for less than it would have."""
    asked = {}
    for given in (0.4, 0.6):
        one = ObserverFeedback()
        one.reset(1, SETTINGS)
        one.act(make_reading(1, set_fio2=0.4))
        for _ in range(5):
            one.act(make_reading(1, spo2_pct=88))
            one.track(np.array([given]), np.array([True]))
        asked[given] = one.act(make_reading(1, spo2_pct=88))[0]
    assert asked[0.6] < asked[0.4] - 0.005
