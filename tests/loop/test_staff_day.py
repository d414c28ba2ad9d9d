"""Shifts, breaks, night, and the care that occupies a nurse."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from oxytestbed.loop.staff_day import Away, Workload, first_infants, is_night, procedures_of
from oxytestbed.loop.staff_settings import StaffSettings
from oxytestbed.models.activities import ActivityKind, ActivitySettings, draw_activities
from oxytestbed.models.errors import TestbedError

DAY = ActivitySettings(start_hour_h=20, day_starts_h=7)
SETTINGS = StaffSettings(handover_min=30, breaks_per_shift=2, break_min=30)


def absences(settings=SETTINGS, seed=3, first=7, hours=48):
    """Give every absence that begins after the start, as (start, end)."""
    away = Away(settings, DAY, seed, first)
    found, time_s = [], 0
    while time_s < hours * 3600:
        end_s = away.until(time_s)
        if end_s > time_s:
            found.append((time_s, end_s))
        time_s = end_s if end_s > time_s else time_s + 60 - time_s % 60
    return found


def test_a_nurse_is_away_for_hand_over_and_breaks():
    found = absences()
    lengths = [end - start for start, end in found]
    assert len(found) == pytest.approx(4 * 3, abs=1)  # four shifts in 48 h
    assert all(length <= 1800 for length in lengths)
    handovers = [start for start, _ in found if (start / 3600 + 20) % 12 == 7]
    assert len(handovers) == 4
    assert all(a[1] <= b[0] for a, b in pairwise(found))


def test_the_day_is_the_groups_own_and_repeats():
    assert absences() == absences()
    assert absences() != absences(first=8) and absences() != absences(seed=4)


def test_nobody_is_away_without_breaks_and_hand_over():
    assert absences(replace(SETTINGS, handover_min=0, breaks_per_shift=0)) == []


def test_more_absence_than_half_a_shift_is_refused():
    with pytest.raises(TestbedError, match="break_min"):
        StaffSettings(handover_min=60, breaks_per_shift=6, break_min=60)


@pytest.mark.parametrize(
    ("hours", "night"), [(0, True), (10.9, True), (11, False), (22.9, False), (23, True)]
)
def test_night_is_from_seven_to_seven(hours, night):
    """A run that begins at 20 o'clock."""
    assert is_night(round(hours * 3600), DAY) is night


def test_procedures_are_the_hands_on_care_and_the_start_of_feeds(six_infants):
    activities = draw_activities(six_infants, 0, 5, 86_400, DAY)
    care = procedures_of(activities, SETTINGS)
    kinds = {item.kind for item in care}
    assert kinds == {"handling", "suction", "repositioning", "feed"}
    assert max(item.duration_s for item in care if item.kind == "feed") <= 180
    assert {item.kind for item in care if not item.hands_on} == {"feed"}
    hands_on = np.isin(activities.kind, [ActivityKind.HANDLING]).sum()
    assert sum(item.kind == "handling" for item in care) == hands_on > 5
    assert [item.onset_s for item in care] == sorted(item.onset_s for item in care)


def test_procedures_can_be_left_out(six_infants):
    activities = draw_activities(six_infants, 0, 5, 86_400, DAY)
    assert procedures_of(activities, replace(SETTINGS, procedures=False)) == []
    no_feeds = procedures_of(activities, replace(SETTINGS, feed_attention_s=0))
    assert "feed" not in {item.kind for item in no_feeds}


def test_work_by_hand_fades_by_half_in_two_hours():
    work = Workload(2.0)
    assert work.missing(0) == pytest.approx(0.0)
    assert work.missing(7200) == pytest.approx(0.5)
    for _ in range(3):
        work.add(7200)
    assert work.missing(7200) < 0.5
    assert work.missing(500_000) == pytest.approx(1.0)


def test_as_much_work_as_usual_leaves_nothing_missing():
    work = Workload(3.0)
    missing = []
    for number in range(100):
        work.add(1200.0 * number)
        missing.append(work.missing(1200.0 * number + 600))
    assert max(missing[40:]) < 0.05


def test_a_group_goes_by_its_smallest_infant_number():
    assert first_infants([9, 4, 7, 1], [0, 0, 1, 1]) == {0: 4, 1: 1}
    assert first_infants([4, 9, 1, 7], [0, 0, 1, 1]) == {0: 4, 1: 1}
