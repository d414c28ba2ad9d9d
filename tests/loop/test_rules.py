from itertools import pairwise

import numpy as np
import pytest

from oxytestbed.loop.controller import make_reading
from oxytestbed.loop.controllers.rules import RuleTable
from oxytestbed.loop.signals import Settings
from oxytestbed.models.errors import TestbedError

SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.21, fio2_max=1.0)
TABLE = ((-1, 60, 1), (-11, 30, 5), (1, 180, -2))


def course(table, spo2, fio2=0.3):
    """FiO2 in points after each second of an SpO2 course."""
    one = RuleTable(table=table)
    one.reset(1, SETTINGS)
    points = []
    for value in spo2:
        fio2 = one.act(make_reading(1, spo2_pct=value, set_fio2=fio2))[0]
        points.append(round(100 * fio2))
    return points


def changes(points):
    return [(place + 1, b - a) for place, (a, b) in enumerate(pairwise([30, *points])) if a != b]


def test_a_step_comes_each_time_the_clock_has_run():
    assert changes(course(TABLE, [90] * 150)) == [(60, 1), (120, 1)]


def test_the_furthest_row_that_is_due_decides():
    assert changes(course(TABLE, [80] * 95)) == [(30, 5), (60, 5), (90, 5)]


def test_a_value_inside_the_target_sets_the_clocks_back():
    assert changes(course(TABLE, [90] * 50 + [91] + [90] * 59)) == []


def test_deep_time_counts_for_the_nearer_row_too():
    assert changes(course(TABLE, [80] * 20 + [90] * 45)) == [(60, 1)]


def test_above_the_target_it_waits_a_cycle_and_steps_down():
    assert changes(course(TABLE, [96] * 370)) == [(180, -2), (360, -2)]


def test_a_missing_reading_stops_the_clock():
    assert changes(course(TABLE, [90] * 30 + [np.nan] * 100 + [90] * 30)) == [(160, 1)]


def test_the_order_of_the_rows_does_not_matter():
    spo2 = [80] * 40 + [88] * 200 + [97] * 400
    assert course(TABLE, spo2) == course(TABLE[::-1], spo2)


def test_the_default_steps_more_below_70_and_waits_three_minutes_above():
    """UK regional neonatal guideline: 1-3 points unless SpO2 < 70; one 3-min cycle when high."""
    rows = RuleTable().table
    assert max(points for distance, _, points in rows if -21 < distance < 0) <= 3
    assert max(points for distance, _, points in rows if distance <= -21) > 3
    assert {time_s for distance, time_s, _ in rows if distance > 0} == {180}


@pytest.mark.parametrize("row", [(0, 60, 1), (-1, 0, 1), (-1, 60), (-1, 60, "x"), 7])
def test_a_row_that_makes_no_sense_is_refused(row):
    with pytest.raises(TestbedError, match="row 2"):
        RuleTable(table=((-1, 60, 1), row))
