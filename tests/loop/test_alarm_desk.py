"""What follows an alarm: length, who saw it, audio pause, escalation."""

import numpy as np
import pytest
import simpy

from oxytestbed.loop.alarm_desk import AlarmDesk
from oxytestbed.loop.alarm_limits import AlarmSettings
from oxytestbed.loop.alarms import Alarm, AlarmChange, Alarms

LOW, DEVIATION = Alarm.SPO2_LOW, Alarm.FIO2_DEVIATION


class Desk:
    """A desk whose alarms a test switches on and off."""

    def __init__(self, **changes):
        self.env = simpy.Environment()
        self.log, self.heard = [], []
        settings = AlarmSettings(**{"pause_s": 120, "escalate_after_s": 300, **changes})
        alarms = Alarms(2, settings, 90.0, 95.0)
        self.desk = AlarmDesk(self.env, settings, alarms, self._note, self._hear)

    def _note(self, lane, event, value, detail):
        self.log.append((int(self.env.now), lane, event, value, detail))

    def _hear(self, change, escalated):
        self.heard.append((int(self.env.now), change.lane, escalated))

    def at(self, time_s, lane, began, alarm=LOW):
        if time_s > self.env.now:
            self.env.run(until=time_s)
        change = AlarmChange(lane=lane, alarm=alarm, began=began, onset_s=time_s)
        self.desk.note(change, 80.0)

    def came(self, time_s, lane):
        self.env.run(until=time_s)
        self.desk.came(lane)


def test_an_alarm_that_nobody_saw_is_noted_with_its_length():
    desk = Desk()
    desk.at(10, 0, True)
    desk.at(40, 0, False)
    assert desk.log == [
        (10, 0, "alarm_start", 80.0, "spo2_low"),
        (40, 0, "alarm_end", 30.0, "spo2_low"),
        (40, 0, "alarm_unseen", 30.0, "spo2_low"),
    ]
    assert desk.heard == [(10, 0, False)]


def test_an_alarm_to_which_somebody_came_is_not_unseen():
    desk = Desk()
    desk.at(10, 0, True)
    desk.at(10, 1, True)
    desk.came(20, 0)
    desk.at(40, 0, False)
    desk.at(40, 1, False)
    assert [item[1] for item in desk.log if item[2] == "alarm_unseen"] == [1]


def test_after_somebody_came_the_cot_is_quiet_for_the_pause():
    desk = Desk()
    desk.came(100, 0)
    desk.at(150, 0, True)
    desk.at(150, 1, True)
    desk.env.run(until=400)
    assert desk.heard == [(150, 1, False), (220, 0, False)]


def test_what_ends_within_the_pause_is_never_heard():
    desk = Desk()
    desk.came(100, 0)
    desk.at(150, 0, True)
    desk.at(160, 0, False)
    desk.at(230, 0, True)  # another one, after the pause
    desk.env.run(until=300)
    assert desk.heard == [(230, 0, False)]


def test_nobody_comes_and_others_are_called():
    desk = Desk()
    desk.at(10, 0, True)
    desk.at(10, 1, True)
    desk.came(100, 1)
    desk.env.run(until=1000)
    assert [item for item in desk.heard if item[2]] == [(310, 0, True)]
    assert [item for item in desk.log if item[2] == "alarm_escalated"] == [
        (310, 0, "alarm_escalated", 300.0, "spo2_low")
    ]


@pytest.mark.parametrize(("changes", "alarm"), [({"escalate_after_s": 0}, LOW), ({}, DEVIATION)])
def test_escalation_can_be_off_and_is_not_for_low_priority(changes, alarm):
    desk = Desk(**changes)
    desk.at(10, 0, True, alarm)
    desk.env.run(until=2000)
    assert desk.heard == [(10, 0, False)]


def test_a_later_alarm_is_not_escalated_for_an_earlier_one():
    desk = Desk()
    desk.at(10, 0, True)
    desk.at(200, 0, False)
    desk.at(250, 0, True)
    desk.env.run(until=500)
    assert not any(escalated for *_, escalated in desk.heard)
    desk.env.run(until=600)
    assert [time_s for time_s, _, escalated in desk.heard if escalated] == [550]
    assert np.isfinite([item[3] for item in desk.log]).all()
