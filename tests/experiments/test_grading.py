import math

import pytest

from oxytestbed.experiments.evidence.grading import (
    Grade,
    grade,
    interval_of,
    tally,
)
from oxytestbed.models.errors import TestbedError

NAN = math.nan


@pytest.mark.parametrize(
    ("simulated", "expected"),
    [
        (41.5, Grade.PASS),
        (56.4, Grade.PASS),
        (41.4, Grade.NEAR),
        (56.5, Grade.NEAR),
        (34.6, Grade.NEAR),
        (64.4, Grade.NEAR),
        (34.5, Grade.MISS),
        (64.5, Grade.MISS),
    ],
)
def test_quartiles_pass_inside_and_are_near_within_twice(simulated, expected):
    assert grade("iqr", 48.4, 41.5, 56.4, simulated) is expected


def test_each_side_of_a_skew_interval_is_doubled_by_itself():
    assert grade("iqr", 13, 4, 30, 46.9) is Grade.NEAR
    assert grade("iqr", 13, 4, 30, 47.1) is Grade.MISS
    assert grade("iqr", 13, 4, 30, -4.9) is Grade.NEAR


def test_a_mean_with_sd_passes_within_the_normal_quartiles():
    assert grade("sd", 32, 19, 45, 32 + 0.67 * 13) is Grade.PASS
    assert grade("sd", 32, 19, 45, 32 + 0.68 * 13) is Grade.NEAR
    assert grade("sd", 32, 19, 45, 32 - 1.36 * 13) is Grade.MISS


def test_a_mean_with_two_sd_passes_within_both():
    assert grade("2sd", -2.0, -7.8, 3.8, 3.8) is Grade.PASS
    assert grade("2sd", -2.0, -7.8, 3.8, 3.9) is Grade.NEAR


@pytest.mark.parametrize("spread", ["none", "range"])
def test_without_an_interval_a_quarter_either_way_passes(spread):
    assert grade(spread, 4.0, 1.0, 65.0, 5.0) is Grade.PASS
    assert grade(spread, 4.0, 1.0, 65.0, 5.1) is Grade.NEAR
    assert grade(spread, 4.0, 1.0, 65.0, 6.1) is Grade.MISS


def test_without_an_interval_the_wrong_sign_never_passes():
    assert grade("none", -4.5, NAN, NAN, 4.5) is Grade.MISS
    assert grade("none", -4.0, NAN, NAN, -3.0) is Grade.PASS
    assert grade("none", -4.0, NAN, NAN, -2.9) is Grade.NEAR


def test_a_span_has_its_middle_as_centre():
    assert grade("span", NAN, 3.0, 8.0, 3.0) is Grade.PASS
    assert grade("span", NAN, 3.0, 8.0, 0.5) is Grade.NEAR
    assert grade("span", NAN, 3.0, 8.0, 0.4) is Grade.MISS


def test_an_upper_limit_is_doubled_to_be_near():
    assert grade("below", 6.0, NAN, NAN, 0.0) is Grade.PASS
    assert grade("below", 6.0, NAN, NAN, 6.0) is Grade.PASS
    assert grade("below", 6.0, NAN, NAN, 12.0) is Grade.NEAR
    assert grade("below", 6.0, NAN, NAN, 12.1) is Grade.MISS


def test_a_direction_is_right_or_wrong():
    assert grade("sign", -1.0, NAN, NAN, -0.001) is Grade.PASS
    assert grade("sign", -1.0, NAN, NAN, 0.001) is Grade.MISS
    assert grade("sign", 1.0, NAN, NAN, 0.0) is Grade.MISS


def test_nothing_simulated_is_no_grade():
    assert grade("iqr", 48.4, 41.5, 56.4, NAN) is None


@pytest.mark.parametrize(
    ("spread", "value", "low", "high", "words"),
    [
        ("quartiles", 1.0, 0.0, 2.0, "kind of spread"),
        ("iqr", 1.0, NAN, 2.0, "numbers"),
        ("iqr", 1.0, 2.0, 3.0, "low <= value <= high"),
    ],
)
def test_a_row_that_cannot_be_graded_is_refused(spread, value, low, high, words):
    with pytest.raises(TestbedError, match=words):
        interval_of(spread, value, low, high)


def test_sets_are_counted_apart_and_memory_and_derived_rows_not_at_all():
    counts = tally(
        [
            ("calibration", "read", Grade.PASS),
            ("calibration", "read", Grade.MISS),
            ("calibration", "derived", Grade.PASS),
            ("calibration", "memory", Grade.MISS),
            ("calibration", "read", None),
            ("validation", "read", Grade.NEAR),
        ]
    )
    assert (counts["calibration"].passed, counts["calibration"].missed) == (1, 1)
    assert counts["calibration"].shown_only == 2
    assert counts["calibration"].passed_pct == 50.0
    assert (counts["validation"].counted, counts["validation"].passed_pct) == (1, 0.0)
    assert math.isnan(counts["other"].passed_pct)
