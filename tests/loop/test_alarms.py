import numpy as np
import pytest

from oxytestbed.loop.alarms import PRIORITY, Alarm, AlarmChange, Alarms, AlarmSettings
from oxytestbed.models.errors import TestbedError

SETTINGS = AlarmSettings(
    low_margin_pct=1, high_margin_pct=2, low_delay_s=3, high_delay_s=5, lost_signal_delay_s=4
)

#: Limits that follow: low alarm below 90 %, high alarm above 97 %.
LOW_PCT, HIGH_PCT = 91.0, 95.0


def heard(shown, fio2=0.4, settings=SETTINGS):
    """Show one lane a value a second; give (tick, alarm, began) of every change."""
    alarms = Alarms(1, settings, LOW_PCT, HIGH_PCT)
    changes = []
    for tick, value in enumerate(shown):
        spo2 = np.array([value], dtype=float)
        for change in alarms.step(tick, spo2, ~np.isnan(spo2), np.full(1, fio2)):
            changes.append((change.onset_s, change.alarm, change.began))
            assert change.lane == 0 and change.onset_s == tick
            assert alarms.active[change.alarm, 0] == change.began
    return changes


@pytest.mark.parametrize(
    ("value", "alarm", "delay_s"),
    [(89, Alarm.SPO2_LOW, 3), (98, Alarm.SPO2_HIGH, 5), (np.nan, Alarm.SIGNAL_LOST, 4)],
)
def test_an_alarm_begins_after_its_delay_and_ends_at_once(value, alarm, delay_s):
    shown = [93, 93] + [value] * 10 + [93] * 3
    assert heard(shown) == [(2 + delay_s, alarm, True), (12, alarm, False)]


@pytest.mark.parametrize(("value", "delay_s"), [(89, 3), (98, 5), (np.nan, 4)])
def test_what_is_over_within_the_delay_gives_no_alarm(value, delay_s):
    assert heard(([value] * delay_s + [93]) * 5) == []


@pytest.mark.parametrize("value", [90, 91, 93, 95, 97])
def test_the_limits_themselves_are_no_alarm(value):
    assert heard([value] * 60) == []


def test_limits_follow_target_and_margin():
    no_margin = AlarmSettings(low_margin_pct=0, high_margin_pct=0, low_delay_s=0, high_delay_s=0)
    assert heard([91, 95, 90], settings=no_margin) == [(2, Alarm.SPO2_LOW, True)]
    assert heard([91, 95, 96], settings=no_margin) == [(2, Alarm.SPO2_HIGH, True)]


def test_the_high_alarm_is_off_in_room_air():
    assert heard([99] * 30, fio2=0.21) == []
    assert [change[1] for change in heard([99] * 30, fio2=0.22)] == [Alarm.SPO2_HIGH]


def test_the_low_alarm_is_on_in_room_air():
    assert [change[1] for change in heard([80] * 30, fio2=0.21)] == [Alarm.SPO2_LOW]


def test_turning_to_room_air_ends_the_high_alarm():
    alarms = Alarms(1, SETTINGS, LOW_PCT, HIGH_PCT)
    high, valid = np.array([99.0]), np.array([True])
    for tick in range(10):
        alarms.step(tick, high, valid, np.array([0.3]))
    assert alarms.active[Alarm.SPO2_HIGH, 0]
    (change,) = alarms.step(10, high, valid, np.array([0.21]))
    assert change == AlarmChange(lane=0, alarm=Alarm.SPO2_HIGH, began=False, onset_s=10)


def test_a_lost_signal_is_neither_low_nor_high():
    shown = [89] * 8 + [np.nan] * 8
    assert heard(shown) == [
        (3, Alarm.SPO2_LOW, True),
        (8, Alarm.SPO2_LOW, False),
        (12, Alarm.SIGNAL_LOST, True),
    ]


def test_the_delay_starts_again_after_a_gap():
    assert heard([89] * 3 + [np.nan] + [89] * 4) == [(7, Alarm.SPO2_LOW, True)]


def test_the_most_urgent_comes_first_then_the_lane():
    settings = AlarmSettings(low_delay_s=0, high_delay_s=0, lost_signal_delay_s=0)
    alarms = Alarms(4, settings, LOW_PCT, HIGH_PCT)
    spo2 = np.array([99.0, 70.0, np.nan, 60.0])
    changes = alarms.step(0, spo2, ~np.isnan(spo2), np.full(4, 0.4))
    assert [(change.alarm, change.lane) for change in changes] == [
        (Alarm.SPO2_LOW, 1),
        (Alarm.SPO2_LOW, 3),
        (Alarm.SIGNAL_LOST, 2),
        (Alarm.SPO2_HIGH, 0),
    ]


def test_a_small_number_means_urgent():
    """High priority for low SpO2: common practice, no source."""
    assert sorted(Alarm) == [Alarm.SPO2_LOW, Alarm.SIGNAL_LOST, Alarm.SPO2_HIGH]
    assert [PRIORITY[alarm] for alarm in sorted(Alarm)] == ["high", "medium", "medium"]


def test_lanes_do_not_touch_each_other():
    pattern = np.array([89, 93, 98, np.nan])
    shown = pattern[np.random.default_rng(4).integers(0, 4, (200, 3)).repeat(6, axis=0)]
    company = Alarms(3, SETTINGS, LOW_PCT, HIGH_PCT)
    singles = [Alarms(1, SETTINGS, LOW_PCT, HIGH_PCT) for _ in range(3)]
    for tick, row in enumerate(shown):
        company.step(tick, row, ~np.isnan(row), np.full(3, 0.4))
        for lane, single in enumerate(singles):
            single.step(
                tick, row[lane : lane + 1], ~np.isnan(row[lane : lane + 1]), np.full(1, 0.4)
            )
            assert np.array_equal(company.active[:, lane], single.active[:, 0])


@pytest.mark.parametrize("change", [{"low_delay_s": -1}, {"high_margin_pct": float("nan")}])
def test_settings_out_of_range_are_refused(change):
    with pytest.raises(TestbedError, match=next(iter(change))):
        AlarmSettings(**change)
