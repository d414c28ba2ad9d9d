"""Alarm limits as they are really set, by infant and shift."""

import numpy as np
import pytest

from oxytestbed.loop.alarm_limits import (
    SHIFT_S,
    AlarmSettings,
    LimitSchedule,
    draw_high_limits,
    into_shift_s,
)
from oxytestbed.loop.alarms import Alarm, Alarms
from oxytestbed.models.activities import ActivitySettings
from oxytestbed.models.errors import TestbedError

DAY = ActivitySettings(start_hour_h=20, day_starts_h=7)


def test_upper_limits_are_right_and_off_as_often_as_published():
    """23 % right, 24 % at 100 %: Clucas, Pediatrics 2007;119:1056."""
    limits = np.concatenate([draw_high_limits(AlarmSettings(), 5, i, 95.0, 10) for i in range(300)])
    assert abs((limits == 96).mean() - 0.23) < 0.03
    assert abs((limits == 100).mean() - 0.24) < 0.03
    assert set(limits.tolist()) == {96.0, 97.0, 98.0, 99.0, 100.0}


@pytest.mark.parametrize("high_pct", [89.0, 95.0, 99.0])
def test_a_unit_that_sets_every_limit_right(high_pct):
    settings = AlarmSettings(high_correct_share=1.0, high_off_share=0.0, high_margin_pct=1)
    limits = draw_high_limits(settings, 5, 3, high_pct, 50)
    assert set(limits.tolist()) == {high_pct + 1}


def test_limits_change_with_the_shift_and_are_the_same_in_every_arm():
    schedule = LimitSchedule(AlarmSettings(), DAY, 5, list(range(40)), 2, 95.0, 3 * SHIFT_S)
    assert into_shift_s(DAY) == 3600
    first = schedule.row(0).copy()
    assert schedule.next_change_s == SHIFT_S - 3600
    assert np.array_equal(schedule.row(SHIFT_S - 3601), first)
    second = schedule.row(SHIFT_S - 3600)
    assert not np.array_equal(second, first)
    assert np.array_equal(first[:40], first[40:]) and np.array_equal(second[:40], second[40:])
    few = LimitSchedule(AlarmSettings(), DAY, 5, [7, 3], 1, 95.0, SHIFT_S)
    assert few.row(0).tolist() == first[[7, 3]].tolist()


def test_the_alarm_uses_the_limit_of_the_shift():
    class Steps:
        next_change_s = 0

        def row(self, tick):
            self.next_change_s = tick + 10
            return np.full(1, 97.0 if tick < 10 else 100.0)

    settings = AlarmSettings(high_delay_s=0)
    alarms = Alarms(1, settings, 90.0, 95.0, Steps())
    on = []
    for tick in range(20):
        alarms.step(tick, np.full(1, 98.0), np.ones(1, bool), np.full(1, 0.4))
        on.append(bool(alarms.active[Alarm.SPO2_HIGH, 0]))
    assert on == [True] * 10 + [False] * 10


def test_shares_of_more_than_all_are_refused():
    with pytest.raises(TestbedError, match="high_off_share"):
        AlarmSettings(high_correct_share=0.6, high_off_share=0.5)
