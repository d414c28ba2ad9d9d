"""What every built-in controller with feedback must do, whatever its law."""

import numpy as np
import pytest

from oxytestbed.loop.controller import make_reading
from oxytestbed.loop.controllers.holding import Holding
from oxytestbed.loop.registry import load_controller
from oxytestbed.loop.signals import Settings
from oxytestbed.models.errors import TestbedError

SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.21, fio2_max=1.0)
FEEDBACK = ("pi", "pid", "adaptive", "predictive", "observer")
GATED = (*FEEDBACK, "rules", "p_only", "pi_no_antiwindup")


def started(name, lanes=1, fio2=0.4, **options):
    one = load_controller(name, options)
    one.reset(lanes, SETTINGS)
    one.act(make_reading(lanes, set_fio2=fio2))
    return one


def on_plant(controller, *, seconds, disturbance, gain=1.5, lag_s=40.0, dead_s=20, fio2_max=1.0):
    """Run on a first-order plant with dead time; give SpO2 and FiO2 each second."""
    controller.reset(1, SETTINGS)
    waiting, state, fio2 = [0.0] * dead_s, 0.0, 0.4
    shown, given = [], []
    for second in range(seconds):
        state += (100 * gain * waiting.pop(0) - state) / lag_s
        spo2 = min(93.0 + state + disturbance(second), 100.0)
        if second % controller.period_s == 0:
            reading = make_reading(
                1, time_s=second, spo2_pct=spo2, set_fio2=fio2, fio2_max=fio2_max
            )
            fio2 = float(controller.act(reading)[0])
        waiting.append(fio2 - 0.4)
        shown.append(spo2)
        given.append(fio2)
    return np.array(shown), np.array(given)


@pytest.mark.parametrize("name", FEEDBACK)
@pytest.mark.parametrize("gain", [0.6, 1.5])
def test_a_lasting_disturbance_is_removed(name, gain):
    """With integral action the mean comes back to the target (common practice, no source)."""
    shown, _ = on_plant(
        load_controller(name), seconds=2400, disturbance=lambda t: -6.0 * (t > 60), gain=gain
    )
    assert shown[:200].min() < 88.0
    assert abs(shown[-300:].mean() - 93.0) < 0.15


def test_without_integral_action_the_mean_stays_off_target():
    """The error that stays is 1 / (1 + g k) of the disturbance (common practice, no source)."""
    shown, _ = on_plant(
        load_controller("p_only"), seconds=600, disturbance=lambda t: -6.0 * (t > 60)
    )
    assert shown[-1] == pytest.approx(93.0 - 6.0 / (1.0 + 100 * 0.004 * 1.5), abs=0.01)


def test_without_anti_windup_recovery_from_a_limit_overshoots():
    """A known fact of control practice; FiO2 is at its limit of 0.5 for 15 minutes."""

    def need(second):
        return -30.0 if 60 < second < 960 else 0.0

    seen = {}
    for name in ("pi", "pi_no_antiwindup", "pid", "adaptive", "predictive", "observer"):
        shown, given = on_plant(load_controller(name), seconds=1900, disturbance=need, fio2_max=0.5)
        assert given[900] == 0.5
        seen[name] = np.maximum(shown[960:] - 95.0, 0.0).sum()
    bare = seen.pop("pi_no_antiwindup")
    assert max(seen.values()) < 0.5 * bare, (bare, seen)


@pytest.mark.parametrize("name", GATED)
def test_a_missing_reading_holds_what_was_applied(name):
    one = started(name)
    for second in range(1, 30):
        one.act(make_reading(1, time_s=second, spo2_pct=84))
    one.track(np.array([0.37]), np.array([True]))
    for _ in range(40):
        np.testing.assert_array_equal(one.act(make_reading(1, spo2_pct=np.nan)), [0.37])


@pytest.mark.parametrize("name", (*FEEDBACK, "rules"))
def test_return_after_manual_care_is_bumpless(name):
    one = started(name, lanes=2)
    for second in range(1, 300):
        reading = make_reading(2, time_s=second, spo2_pct=[86, 97], set_fio2=[0.55, 0.3])
        one.act(reading)
        one.track(np.array([0.55, 0.30]), np.array([False, False]))
    back = one.act(make_reading(2, spo2_pct=[86, 97], set_fio2=[0.55, 0.3]))
    np.testing.assert_allclose(back, [0.55, 0.30], atol=0.004)
    assert back[0] >= 0.55 - 1e-12 and back[1] <= 0.30 + 1e-12


@pytest.mark.parametrize("name", FEEDBACK)
def test_the_limits_of_each_reading_are_kept(name):
    one = started(name, lanes=2)
    for second in range(1, 400):
        reading = make_reading(2, time_s=second, spo2_pct=[70, 100], fio2_min=0.25, fio2_max=0.6)
        request = one.act(reading)
    np.testing.assert_allclose(request, [0.6, 0.25], atol=1e-12)


@pytest.mark.parametrize("name", (*FEEDBACK, "rules", "p_only"))
def test_lanes_that_were_not_announced_are_refused(name):
    with pytest.raises(TestbedError, match="0 lanes"):
        load_controller(name).act(make_reading(1))


@pytest.mark.parametrize("name", (*FEEDBACK, "rules", "p_only"))
def test_nothing_but_missing_values_gives_a_finite_request(name):
    one = load_controller(name)
    one.reset(2, SETTINGS)
    nothing = make_reading(2, spo2_pct=np.nan, set_fio2=[np.nan, 0.4])
    for _ in range(3):
        np.testing.assert_array_equal(one.act(nothing), [0.21, 0.4])
        one.track(np.array([np.nan, np.nan]), np.array([True, False]))
    assert np.isfinite(one.act(make_reading(2, spo2_pct=80))).all()


def test_without_a_signal_gate_the_last_number_is_believed():
    """After a false low number and a lost signal FiO2 goes on rising."""
    gated, bare = started("pi"), started("pi_no_gate")
    for one in (gated, bare):
        one.act(make_reading(1, spo2_pct=70))
    held = [one.act(make_reading(1, spo2_pct=np.nan))[0] for one in (gated, bare)]
    for _ in range(120):
        last = [one.act(make_reading(1, spo2_pct=np.nan))[0] for one in (gated, bare)]
    assert last[0] == held[0]
    assert last[1] > held[1] + 0.2


def test_with_a_signal_the_one_without_a_gate_is_the_pi():
    gated, bare = started("pi"), started("pi_no_gate")
    for spo2 in (93, 88, 80, 97, 96):
        reading = make_reading(1, spo2_pct=spo2)
        np.testing.assert_array_equal(gated.act(reading), bare.act(reading))


def test_the_offset_of_a_return_fades():
    holding = Holding("Mine", 1)
    reading = make_reading(1, set_fio2=0.5)
    usable = np.array([True])
    assert holding.begin(reading) and not holding.begin(reading)
    holding.track(np.array([0.6]), np.array([False]))
    seen = [holding.finish(np.array([0.4]), usable, reading, fade=0.5)[0] for _ in range(3)]
    assert seen == pytest.approx([0.6, 0.5, 0.45])
