"""Courses around apnoeas: worked out by hand, and the same for any chunks."""

from dataclasses import fields

import numpy as np
import pytest

from oxytestbed.experiments.time_aligned import (
    AFTER_S,
    BEFORE_S,
    OFFSETS_S,
    SIGNALS,
    Courses,
    add_courses,
    apnoea_onsets,
    group_courses,
    infant_courses,
    no_courses,
)
from oxytestbed.experiments.time_aligned_figures import COURSE_COLUMNS, course_table
from oxytestbed.loop.trace import Trace
from oxytestbed.models.disturbances import Breathing

SECONDS, WARMUP_S = 2000, 200
SPO2 = SIGNALS.index("spo2_pct")
FIO2 = SIGNALS.index("set_fio2_pct")


def trace(spo2=90.0, fio2=0.3, apnoeas=((600, 620),), kind=Breathing.CENTRAL):
    code = np.zeros(SECONDS, dtype=np.int64)
    for start, end in apnoeas:
        code[start:end] = kind
    flat = np.ones(SECONDS)
    return Trace(
        spo2_pct=spo2 * flat,
        sao2_pct=spo2 * flat,
        pao2_mmhg=60 * flat,
        set_fio2=fio2 * flat,
        inspired_fio2=fio2 * flat,
        heart_rate_bpm=150 * flat,
        apnoea=code,
        warmup_s=WARMUP_S,
    )


def same(one, other):
    return all(
        np.array_equal(getattr(one, f.name), getattr(other, f.name)) for f in fields(Courses)
    )


@pytest.mark.parametrize(
    ("apnoeas", "wanted"),
    [
        (((600, 610),), [600]),
        (((600, 609),), []),
        (((WARMUP_S + BEFORE_S - 1, 300),), []),
        (((WARMUP_S + BEFORE_S, 300),), [WARMUP_S + BEFORE_S]),
        (((SECONDS - AFTER_S, SECONDS - AFTER_S + 20),), []),
        (((SECONDS - AFTER_S - 1, SECONDS - AFTER_S + 20),), [SECONDS - AFTER_S - 1]),
    ],
)
def test_only_apnoeas_of_ten_seconds_with_a_whole_course_count(apnoeas, wanted):
    assert apnoea_onsets(trace(apnoeas=apnoeas)).tolist() == wanted


def test_hypoventilation_is_no_apnoea():
    assert len(apnoea_onsets(trace(kind=Breathing.HYPOVENTILATION))) == 0


def test_only_apnoeas_that_all_arms_share_are_averaged():
    one = trace(apnoeas=((500, 520), (1000, 1020)))
    other = trace(apnoeas=((501, 521), (1000, 1020)))
    one.spo2_pct[500:540] = 50.0  # not shared, so never seen
    one.spo2_pct[1030] = 70.0
    means, count = infant_courses([one, other])
    assert count == 1
    assert means[0, SPO2, OFFSETS_S == 30] == 70.0
    assert means[0, SPO2, OFFSETS_S == 0] == 90.0
    assert means[0, FIO2, 0] == pytest.approx(30.0)


def test_a_lost_reading_is_left_out_of_the_mean():
    lane = trace(apnoeas=((500, 520), (1000, 1020)))
    lane.spo2_pct[500], lane.spo2_pct[1000] = np.nan, 80.0
    lane.spo2_pct[[510, 1010]] = np.nan
    means, count = infant_courses([lane])
    assert count == 2
    assert means[0, SPO2, OFFSETS_S == 0] == 80.0
    assert np.isnan(means[0, SPO2, OFFSETS_S == 10])


def test_groups_weigh_the_same_and_differences_are_within_groups():
    groups = [
        [[trace(spo2=80.0), trace(spo2=90.0)], [trace(spo2=90.0), trace(spo2=96.0)]],
        [[trace(spo2=95.0), trace(spo2=95.0)]],
    ]
    made = group_courses(groups, ("manual", "pi"), "manual")
    table = course_table([made])
    assert tuple(table.columns) == COURSE_COLUMNS
    row = table.query("arm == 'pi' and signal == 'spo2_pct' and offset_s == 0").iloc[0]
    # Means of the two groups: manual 85 and 95, pi 93 and 95.
    assert row["mean_pct"] == pytest.approx(94.0)
    assert row["difference_pct"] == pytest.approx(4.0)
    error = np.std([8.0, 0.0], ddof=1) / np.sqrt(2)
    assert row["difference_high_pct"] - row["difference_pct"] == pytest.approx(1.96 * error)
    assert (row["groups"], row["infants"], row["apnoeas"]) == (2, 3, 3)


def test_chunks_make_no_difference():
    rng = np.random.default_rng(3)
    groups = [
        [[trace(spo2=spo2), trace(spo2=spo2 + shift)]]
        for spo2, shift in rng.uniform(1, 5, (7, 2)) + 85
    ]
    whole = group_courses(groups, ("manual", "pi"), "manual")
    for cut in (1, 3, 6):
        parts = [
            group_courses(part, ("manual", "pi"), "manual") for part in (groups[:cut], groups[cut:])
        ]
        assert same(add_courses(*parts), whole)
        assert same(add_courses(*parts[::-1]), whole)


def test_a_failed_arm_has_no_course_and_the_others_keep_theirs():
    made = group_courses([[[trace(), None]]], ("manual", "pi"), "manual")
    assert made.apnoeas == 1
    assert made.groups[0].all() and not made.groups[1].any()
    assert course_table([made]).query("arm == 'pi'")["mean_pct"].isna().all()


def test_without_an_apnoea_the_table_is_empty():
    quiet = group_courses([[[trace(apnoeas=()), trace()]]], ("manual", "pi"), "manual")
    assert same(quiet, no_courses(("manual", "pi"), "manual"))
    assert course_table([quiet, None]).empty
