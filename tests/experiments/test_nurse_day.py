"""The picture of a nurse's day, from events known by hand."""

import pandas as pd
import pytest

from oxytestbed.experiments.nurse_day import day_of, group_of, nurse_day

ROWS = [
    (50, 1, "visit_start", 0.0, "round"),
    (100, 1, "alarm_start", 84.0, "spo2_low"),
    (170, 1, "visit_end", 120.0, "round"),
    (200, 2, "alarm_start", 85.0, "spo2_low"),
    (260, 2, "visit_start", 60.0, "spo2_low"),
    (300, 2, "alarm_end", 100.0, "spo2_low"),
    (310, 1, "alarm_end", 210.0, "spo2_low"),
    (330, 2, "visit_end", 70.0, "spo2_low"),
    (400, 3, "alarm_start", 98.0, "spo2_high"),
    (450, 3, "alarm_end", 50.0, "spo2_high"),
    (500, 3, "visit_start", 0.0, "feed"),
    (520, 9, "visit_start", 0.0, "round"),
]


@pytest.fixture
def events():
    columns = ["time_s", "infant", "event", "value", "detail"]
    table = pd.DataFrame(ROWS, columns=columns)
    other = table.assign(arm="pi", time_s=table["time_s"] + 7)
    return pd.concat([table.assign(arm="manual"), other], ignore_index=True)


def test_visits_and_alarms_of_one_nurse_in_one_arm(events):
    day = day_of(events, [1, 2, 3], "manual", 0, 600)
    assert day.visits.to_numpy().tolist() == [
        [1, 50, 170, "round"],
        [2, 260, 330, "alarm"],
        [3, 500, 600, "care"],  # still going on at the end
    ]
    alarms = day.alarms.set_index("infant")
    assert alarms["start_s"].to_dict() == {1: 100, 2: 200, 3: 400}
    assert alarms["priority"].to_dict() == {1: "high", 2: "high", 3: "medium"}
    assert alarms.loc[1, "wait_s"] == 0  # somebody was there
    assert alarms.loc[2, "wait_s"] == 60
    assert alarms.loc[3, "wait_s"] != alarms.loc[3, "wait_s"]  # nobody came


def test_what_ended_before_the_window_is_left_out(events):
    day = day_of(events, [1, 2, 3], "manual", 315, 600)
    assert day.visits["start_s"].tolist() == [260, 500]
    assert day.alarms["infant"].tolist() == [3]


def test_every_visit_is_drawn_on_the_track_of_its_infant(events):
    day = day_of(events, [1, 2, 3], "manual", 0, 600)
    figure = nurse_day(day, [1, 2, 3], 0, 600, 20.0)
    (axes,) = figure.axes
    assert len(axes.collections) == len(day.visits) + len(day.alarms)
    assert [label.get_text() for label in axes.get_yticklabels()] == [
        "infant 1",
        "infant 2",
        "infant 3",
    ]
    assert axes.yaxis_inverted()


def test_a_group_of_three_is_chosen_where_there_is_one(comparison):
    assert len(group_of(comparison)) == 2  # the groups of this one are pairs
    assert group_of(comparison, 2) == [0, 1]
