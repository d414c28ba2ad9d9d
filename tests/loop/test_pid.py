import numpy as np
import pytest

from oxytestbed.loop.controller import make_reading
from oxytestbed.loop.controllers.curve import CurveTable
from oxytestbed.loop.controllers.pid import PID
from oxytestbed.loop.signals import Settings

SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.0, fio2_max=2.0)
PLAIN = {
    "schedule_low": 1.0,
    "schedule_high": 1.0,
    "gain_per_pct": 0.004,
    "gain_share_in_target": 1.0,
}


def started(**options):
    one = PID(**options)
    one.reset(1, SETTINGS)
    one.act(make_reading(1))
    return one


def test_parts_by_hand():
    one = started(**PLAIN, integral_time_s=40, derivative_time_s=6, filter_s=5)
    # The filter follows with 1/6 a second, so its first speed is 10 / 6 points a second down.
    request = one.act(make_reading(1, spo2_pct=83))[0]
    assert request == pytest.approx(0.3 + 0.004 * (10 + 6 * 10 / 6 + 10 / 40), abs=1e-12)


def test_a_new_target_gives_no_derivative_kick():
    one = started(**PLAIN, integral_time_s=36000, derivative_time_s=20)
    request = one.act(make_reading(1, target_low_pct=93, target_high_pct=97))[0]
    assert request == pytest.approx(0.3 + 0.004 * 2, abs=1e-5)


def test_the_first_reading_after_a_gap_has_no_speed():
    one = started(**PLAIN, integral_time_s=36000, derivative_time_s=20)
    one.act(make_reading(1, spo2_pct=np.nan))
    request = one.act(make_reading(1, spo2_pct=83))[0]
    assert request == pytest.approx(0.3 + 0.004 * 10, abs=1e-4)


def test_the_gain_follows_the_curve_within_limits():
    one = started(schedule_low=0.05, schedule_high=10)
    usable = np.array([True])

    def factor(spo2, controller=one):
        spo2 = np.array([float(spo2)])
        return controller.schedule(spo2, 93.0 - spo2, usable)[0]

    assert factor(93) == 1.0
    assert factor(85) < factor(88) < 1.0 < factor(95)
    narrow = started(schedule_low=0.5, schedule_high=1.2)
    assert factor(80, narrow) == 0.5
    assert factor(99, narrow) == 1.2
    assert one.schedule(np.array([np.nan]), np.zeros(1), ~usable)[0] == 1.0


def test_the_table_is_held_beyond_its_ends():
    curve = CurveTable()
    low, high = curve.po2_mmhg(np.array([20.0, 40.0])), curve.po2_mmhg(np.array([98.0, 100.0]))
    assert low[0] == low[1] and high[0] == high[1]


def test_inside_the_target_the_share_of_the_gain_is_used():
    whole, half = (
        started(**{**PLAIN, "gain_share_in_target": share}, derivative_time_s=0).act(
            make_reading(1, spo2_pct=92)
        )[0]
        for share in (1.0, 0.5)
    )
    assert whole - half == pytest.approx(0.5 * 0.004, abs=1e-12)
