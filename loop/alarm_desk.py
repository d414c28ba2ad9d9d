"""What follows when an alarm sounds: its record, the audio pause, escalation.

The desk knows which alarms are on, since when, and whether anybody has come.
Each lane's alarms are handled by themselves, so no lane depends on another.
"""

from __future__ import annotations

from collections.abc import Callable, Generator

import simpy

from .alarm_limits import AlarmSettings
from .alarms import PRIORITY, Alarm, AlarmChange, Alarms
from .phases import At, Course, Phase

#: Called with (lane, event name, value, detail).
Log = Callable[[int, str, float, str], None]

#: Called with the alarm, and whether it calls for others because nobody came.
Hear = Callable[[AlarmChange, bool], None]

_Key = tuple[int, Alarm]

#: As alarms are called in the log.
_NAMES = {alarm: alarm.name.lower() for alarm in Alarm}


class AlarmDesk:
    """The alarms that are on, in all arms.

    Parameters
    ----------
    env : simpy.Environment
        The clock.
    settings : AlarmSettings
        Audio pause and escalation.
    alarms : Alarms
        The detection; told of acknowledgements.
    log : callable
        Takes lane, event name, value, detail.
    hear : callable
        Takes an alarm that sounds, and whether it has been escalated.
    """

    def __init__(
        self,
        env: simpy.Environment,
        settings: AlarmSettings,
        alarms: Alarms,
        log: Log,
        hear: Hear,
    ) -> None:
        self._env, self._settings, self._alarms = env, settings, alarms
        self._log, self._hear = log, hear
        self._onset_s: dict[_Key, int] = {}
        self._unattended: set[_Key] = set()
        self._paused_until_s: dict[int, int] = {}

    def note(self, change: AlarmChange, shown_pct: float) -> None:
        """Take notice of an alarm that began or ended.

        Parameters
        ----------
        change : AlarmChange
            The alarm.
        shown_pct : float
            Displayed SpO2 at this moment (percent).
        """
        key = (change.lane, change.alarm)
        if not change.began:
            self._end(key)
            return
        self._onset_s[key] = change.onset_s
        self._unattended.add(key)
        self._log(change.lane, "alarm_start", shown_pct, _NAMES[change.alarm])
        quiet_s = self._paused_until_s.get(change.lane, 0) - change.onset_s
        if quiet_s > 0:
            Course(self._after_pause(change, quiet_s))
        else:
            self._hear(change, False)
        if self._settings.escalate_after_s and PRIORITY[change.alarm] != "low":
            Course(self._escalate(change))

    def came(self, lane: int) -> None:
        """Note that somebody has come to a cot: its alarms are acknowledged and quiet.

        Parameters
        ----------
        lane : int
            The cot.
        """
        for alarm in _NAMES:
            self._unattended.discard((lane, alarm))
        self._paused_until_s[lane] = int(self._env.now) + self._settings.pause_s
        self._alarms.acknowledge(lane)

    def _end(self, key: _Key) -> None:
        lasted_s = float(self._env.now - self._onset_s.pop(key))
        lane, alarm = key
        self._log(lane, "alarm_end", lasted_s, _NAMES[alarm])
        if key in self._unattended:
            self._unattended.remove(key)
            self._log(lane, "alarm_unseen", lasted_s, _NAMES[alarm])

    def _waits(self, change: AlarmChange) -> bool:
        """Say whether this very alarm is still on and nobody has come."""
        key = (change.lane, change.alarm)
        return key in self._unattended and self._onset_s[key] == change.onset_s

    def _after_pause(self, change: AlarmChange, quiet_s: int) -> Generator[simpy.Event, None, None]:
        yield At(self._env, quiet_s, Phase.STAFF)
        if self._waits(change):
            self._hear(change, False)

    def _escalate(self, change: AlarmChange) -> Generator[simpy.Event, None, None]:
        yield At(self._env, self._settings.escalate_after_s, Phase.STAFF)
        if self._waits(change):
            wait_s = float(self._env.now - change.onset_s)
            self._log(change.lane, "alarm_escalated", wait_s, _NAMES[change.alarm])
            self._hear(change, True)
