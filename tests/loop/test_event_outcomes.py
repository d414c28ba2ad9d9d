import pytest

from oxytestbed.loop.alarms import Alarm
from oxytestbed.loop.event_log import EVENT_TYPES, EventRecord
from oxytestbed.loop.event_outcomes import EVENT_OUTCOMES, event_outcomes

DAY_S = 86_400


def counted(*rows, warmup_s=0, duration_s=DAY_S):
    """Each row: time, event, value, detail, and arm where it is not the usual one."""
    events = [
        EventRecord(time_s, 7, arm[0] if arm else "manual", event, value, detail)
        for time_s, event, value, detail, *arm in rows
    ]
    return event_outcomes(events, warmup_s, duration_s)


def test_alarms_are_counted_by_priority():
    (row,) = counted(
        (10, "alarm_start", 80.0, "spo2_low"),
        (20, "alarm_end", 10.0, "spo2_low"),
        (30, "alarm_start", 81.0, "spo2_low"),
        (40, "alarm_start", 99.0, "spo2_high"),
        (50, "alarm_start", float("nan"), "signal_lost"),
        (60, "alarm_unseen", 12.0, "spo2_high"),
    ).values()
    assert row["alarms_high_priority_per_24h"] == 2
    assert row["alarms_medium_priority_per_24h"] == 2
    assert row["manual_changes_per_24h"] == row["staff_min_per_24h"] == 0


def test_alarm_time_and_what_became_of_alarms():
    (row,) = counted(
        (10, "alarm_start", 80.0, "spo2_low"),
        (70, "alarm_end", 60.0, "spo2_low"),
        (100, "alarm_start", 80.0, "fio2_deviation"),
        (220, "alarm_end", 120.0, "fio2_deviation"),
        (220, "alarm_unseen", 120.0, "fio2_deviation"),
        (300, "alarm_escalated", 600.0, "spo2_low"),
        (310, "override_start", 75.0, "spo2_low"),
    ).values()
    assert row["alarm_min_per_24h"] == pytest.approx(3.0)
    assert row["alarms_unseen_pct"] == pytest.approx(50.0)
    assert row["alarms_low_priority_per_24h"] == 1
    assert row["alarms_escalated_per_24h"] == row["overrides_per_24h"] == 1


def test_no_alarm_gives_no_share_of_alarms():
    (row,) = counted((10, "visit_end", 5.0, "round"), warmup_s=5, duration_s=100).values()
    assert row["alarms_unseen_pct"] != row["alarms_unseen_pct"]


def test_changes_by_hand_and_staff_time_are_summed():
    (row,) = counted(
        (10, "visit_start", 5.0, "round"),
        (20, "fio2_by_hand", 0.35, "round"),
        (100, "visit_end", 90.0, "round"),
        (200, "fio2_by_hand", 0.30, "come_back"),
        (220, "visit_end", 30.0, "come_back"),
    ).values()
    assert row["manual_changes_per_24h"] == 2
    assert row["staff_min_per_24h"] == pytest.approx(2.0)


def test_the_warm_up_is_out_of_the_count_and_out_of_the_time():
    rows = [(time_s, "fio2_by_hand", 0.3, "round") for time_s in (0, 3599, 3600, 3601)]
    (row,) = counted(*rows, warmup_s=3600, duration_s=3600 + DAY_S // 4).values()
    assert row["manual_changes_per_24h"] == pytest.approx(2 * 4)


def test_infants_and_arms_are_kept_apart():
    rows = counted(
        (10, "fio2_by_hand", 0.3, "round"),
        (10, "alarm_start", 80.0, "spo2_low", "fixed"),
    )
    assert set(rows) == {(7, "manual"), (7, "fixed")}
    assert rows[7, "fixed"]["manual_changes_per_24h"] == 0
    assert rows[7, "manual"]["alarms_high_priority_per_24h"] == 0


def test_without_events_there_is_no_row():
    assert counted() == {}


@pytest.mark.parametrize("alarm", list(Alarm))
def test_every_alarm_is_counted_somewhere(alarm):
    (row,) = counted((10, "alarm_start", 80.0, alarm.name.lower())).values()
    assert sum(row[name] for name in row if name.endswith("_priority_per_24h")) == 1


def test_outcomes_carry_their_own_names_and_say_what_they_are():
    assert all(name == item.name for name, item in EVENT_OUTCOMES.items())
    assert all(item.unit and item.definition for item in EVENT_OUTCOMES.values())


def test_every_event_of_a_run_is_explained(make_spec, lane_records, misbehaving):
    arms = (*make_spec().arms, misbehaving("NanInLaneOne"), misbehaving("RaisesAtFiveMinutes"))
    _, run = lane_records(make_spec(arms=arms))
    seen = {event.event for event in run.events}
    assert seen <= set(EVENT_TYPES)
    assert {"controller_failed", "controller_no_value", "visit_end"} <= seen
