from dataclasses import replace

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
    order = {"high": 0, "medium": 1, "low": 2}
    ranks = [order[PRIORITY[alarm]] for alarm in sorted(Alarm)]
    assert ranks == sorted(ranks) and set(ranks) == {0, 1, 2}
    assert min(Alarm) is Alarm.SPO2_LOW


def one_lane(ticks, **signals):
    """Show one lane with a good reading other signals; give (tick, alarm, began)."""
    alarms = Alarms(1, SETTINGS, LOW_PCT, HIGH_PCT)
    alarms.set_pressure(np.full(1, 7.0))  # limits 3 cmH2O around
    found = []
    for tick in range(ticks):
        given = {name: np.full(1, float(values[tick])) for name, values in signals.items()}
        alarms.controller[:] = bool(given.pop("controller", np.zeros(1))[0])
        changes = alarms.step(tick, np.full(1, 93.0), np.ones(1, bool), np.full(1, 0.4), **given)
        found += [(item.onset_s, item.alarm, item.began) for item in changes]
    return found


@pytest.mark.parametrize(
    ("name", "usual", "odd", "alarm", "delay_s"),
    [
        ("breathing", 1.0, 0.0, Alarm.APNOEA, round(SETTINGS.pressure.apnoea_alarm_s)),
        ("delivered_fio2", 0.4, 0.34, Alarm.FIO2_DEVIATION, SETTINGS.fio2_deviation_delay_s),
        ("delivered_fio2", 0.45, 0.46, Alarm.FIO2_DEVIATION, SETTINGS.fio2_deviation_delay_s),
        ("pressure_cmh2o", 6.0, 3.9, Alarm.PRESSURE_LOW, SETTINGS.pressure_delay_s),
        ("pressure_cmh2o", 6.0, 10.1, Alarm.PRESSURE_HIGH, SETTINGS.pressure_delay_s),
        ("controller", 0.0, 1.0, Alarm.CONTROLLER, 0),
    ],
)
def test_other_alarms_begin_after_their_delay_and_end_at_once(name, usual, odd, alarm, delay_s):
    values = [usual] * 5 + [odd] * 100 + [usual] * 5
    wanted = [(5 + delay_s, alarm, True), (105, alarm, False)]
    assert one_lane(len(values), **{name: values}) == wanted
    short = [usual] * 5 + [odd] * delay_s + [usual] * 5
    assert one_lane(len(short), **{name: short}) == []


def test_a_pressure_that_is_not_measured_gives_no_alarm():
    assert one_lane(60, pressure_cmh2o=[np.nan] * 60) == []


def test_a_latched_alarm_sounds_until_somebody_acknowledges():
    alarms = Alarms(1, replace(SETTINGS, latch_high_priority=True), LOW_PCT, HIGH_PCT)
    shown = [80.0] * 10 + [93.0] * 20 + [80.0] * 10 + [98.0] * 10 + [93.0] * 5
    found = []
    for tick, value in enumerate(shown):
        if tick in (20, 45):
            alarms.acknowledge(0)
        spo2 = np.full(1, value)
        for item in alarms.step(tick, spo2, np.ones(1, bool), np.full(1, 0.4)):
            found.append((item.onset_s, item.alarm, item.began))
    low, high = Alarm.SPO2_LOW, Alarm.SPO2_HIGH
    first = [(3, low, True), (20, low, False), (33, low, True)]
    assert found == [*first, (45, low, False), (45, high, True), (50, high, False)]


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
