import pytest

from oxytestbed.experiments.tune_guard import comes_to_rest
from oxytestbed.loop.signals import Settings

SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.21, fio2_max=1.0)


def linear(gain_per_pct):
    return {"gain_per_pct": gain_per_pct, "integral_time_s": 40, "gain_share_in_target": 1}


@pytest.mark.parametrize(("gain_per_pct", "rests"), [(0.004, True), (0.006, False)])
def test_the_pi_is_stable_up_to_its_margin(gain_per_pct, rests):
    """At response 4 and lag 20 s the PI's ultimate gain lies between 0.0048 and 0.0052.

    That is what python-control gives in the reference test of the PI.
    """
    assert comes_to_rest("pi", linear(gain_per_pct), SETTINGS, 4.0) is rests


def test_the_same_gain_is_stable_on_a_weaker_response():
    assert comes_to_rest("pi", linear(0.006), SETTINGS, 2.0)


@pytest.mark.parametrize("name", ["pi", "pid", "adaptive", "predictive", "observer", "p_only"])
def test_the_defaults_do_not_swing_on_the_most_responsive_infants(name):
    """A university thesis (24-week infant on CPAP) reports 3.9 points per point."""
    assert comes_to_rest(name, {}, SETTINGS, 4.0)
