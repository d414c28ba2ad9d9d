"""Measures of a step response, worked by hand."""

import math

import numpy as np
import pytest

from oxytestbed.experiments.response import (
    MEASURES,
    peak_deviation_pct,
    rebound_pct,
    recovery_time_s,
    relative_overshoot_pct,
    response_time_s,
    settling_time_s,
    steady_state_deviation_pct,
    step_measures,
    tracking_error_pct,
)


def test_response_time_is_the_first_sample_past_nine_tenths_of_the_way():
    course = np.array([90.0, 90.5, 91.7, 91.8, 92.0])
    assert response_time_s(course, 90.0, 92.0) == 3.0
    assert response_time_s(180.0 - course, 90.0, 88.0) == 3.0
    assert math.isnan(response_time_s(course[:3], 90.0, 92.0))
    assert math.isnan(response_time_s(course, 90.0, 90.0))


def test_recovery_time_counts_from_the_step_and_looks_after_the_peak():
    course = np.array([93.0, 88.0, 83.0, 85.0, 91.9, 92.0, 93.0])
    assert recovery_time_s(course, 93.0) == 5.0
    assert math.isnan(recovery_time_s(course[:4], 93.0))
    assert math.isnan(recovery_time_s(np.full(5, 93.0), 93.0))


def test_settling_time_is_when_the_course_enters_the_window_for_good():
    course = np.array([90.0, 92.5, 94.5, 92.0, 93.9, 93.0])
    assert settling_time_s(course, 93.0) == 3.0  # 94.5 is the last outside 1 point
    assert settling_time_s(course, 93.0, window=2.0) == 1.0
    assert settling_time_s(course[1:2], 93.0) == 0.0
    assert math.isnan(settling_time_s(course[:3], 93.0))


def test_overshoot_is_a_share_of_the_step_in_its_direction():
    up = np.array([90.0, 92.0, 94.5, 93.0])
    assert relative_overshoot_pct(up, 91.0, 94.0) == pytest.approx(100 * 0.5 / 3)
    assert relative_overshoot_pct(180 - up, 89.0, 86.0) == pytest.approx(100 * 0.5 / 3)
    assert relative_overshoot_pct(np.array([90.0, 91.0]), 90.0, 94.0) == 0.0


def test_rebound_is_a_share_of_the_largest_deviation():
    course = np.array([93.0, 94.0, 85.0, 95.0, 93.0])
    assert rebound_pct(course, 93.0) == pytest.approx(25.0)  # 2 above after 8 below
    assert rebound_pct(course[:3], 93.0) == 0.0


def test_deviations_and_tracking_error():
    course = np.array([93.0, 89.0, 96.0])
    assert peak_deviation_pct(course, 93.0) == -4.0
    assert tracking_error_pct(course, 93.0) == pytest.approx(math.sqrt((16 + 9) / 3))
    ending = np.concatenate([np.full(100, 50.0), np.full(600, 93.5)])
    assert steady_state_deviation_pct(ending, 93.0) == 0.5


def test_all_measures_have_words_and_hardly_seen_deviations_have_no_times():
    course = np.concatenate([[93.0, 92.5], np.full(700, 93.0)])
    found = step_measures(course, 93.0, 93.0, target_moved=False)
    assert list(found) == list(MEASURES)
    assert math.isnan(found["response_time_s"])
    assert math.isnan(found["relative_overshoot_pct"])
    assert found["settling_time_s"] == 0.0
    deeper = step_measures(course - np.where(course < 93, 2.0, 0.0), 93.0, 93.0, target_moved=False)
    assert deeper["response_time_s"] == 2.0
