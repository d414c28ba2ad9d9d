"""Alarms of oximeter, gas, breathing and pressure monitors: limits, delays, priorities.

Detection runs once a tick over all lanes; only lanes whose alarm has just
begun or ended are touched one by one. Limits are in `alarm_limits`; what
follows when an alarm sounds is in `alarm_desk`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from ..models.operands import number
from .alarm_limits import AlarmSettings, LimitSchedule
from .rounding import ON_OXYGEN_FIO2
from .signals import BoolArray, FloatArray


class Alarm(IntEnum):
    """Kinds of alarm. The number is the priority: the smaller, the more urgent."""

    __hash__ = int.__hash__  # alarms are looked up all the time, and an enumeration's own is slow

    SPO2_LOW = 0
    APNOEA = 1
    PRESSURE_LOW = 2
    CONTROLLER = 3
    SIGNAL_LOST = 4
    PRESSURE_HIGH = 5
    SPO2_HIGH = 6
    FIO2_DEVIATION = 7


#: Priority of each alarm in the words of alarm standards (IEC 60601-1-8); which
#: alarm has which is common practice, no source.
PRIORITY = {
    Alarm.SPO2_LOW: "high",
    Alarm.APNOEA: "high",
    Alarm.PRESSURE_LOW: "high",
    Alarm.CONTROLLER: "medium",
    Alarm.SIGNAL_LOST: "medium",
    Alarm.PRESSURE_HIGH: "medium",
    Alarm.SPO2_HIGH: "medium",
    Alarm.FIO2_DEVIATION: "low",
}

#: Less ventilation than this is no breath (fraction of normal).
NO_BREATH = 0.05

_SECOND, _NOUGHT = np.array(1, dtype=np.int32), np.array(0, dtype=np.int32)
_NO_BREATH, _ON_OXYGEN = number(NO_BREATH), number(ON_OXYGEN_FIO2)


@dataclass(frozen=True, kw_only=True)
class AlarmChange:
    """One alarm that began or ended.

    Attributes
    ----------
    lane : int
        Where.
    alarm : Alarm
        Which.
    began : bool
        Whether it began.
    onset_s : int
        When it began or ended (s).
    """

    lane: int
    alarm: Alarm
    began: bool
    onset_s: int


class Alarms:
    """The alarms of all lanes.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    settings : AlarmSettings
        Limits relative to the target, and delays.
    target_low_pct, target_high_pct : float
        Ends of the target range (percent).
    schedule : LimitSchedule, optional
        Upper SpO2 limits as they are really set; without one they are right.

    Attributes
    ----------
    active : ndarray of bool, shape (len(Alarm), lanes)
        Alarms that are on at this moment.
    controller : ndarray of bool, shape (lanes,)
        Alarms that the controllers raise themselves; written by them.
    pressure_low_cmh2o, pressure_high_cmh2o : ndarray, shape (lanes,)
        Pressure limits; NaN where there is none. `set_pressure` puts them.
    """

    def __init__(
        self,
        lanes: int,
        settings: AlarmSettings,
        target_low_pct: float,
        target_high_pct: float,
        schedule: LimitSchedule | None = None,
    ) -> None:
        self._low_limit = number(target_low_pct - settings.low_margin_pct)
        self._high_limit = np.full(lanes, target_high_pct + settings.high_margin_pct)
        self._schedule = schedule
        self._pressure = settings.pressure
        self._deviation = number(settings.fio2_deviation_pct / 100.0 + 1e-9)
        delay = dict.fromkeys(Alarm, settings.pressure_delay_s) | {
            Alarm.SPO2_LOW: settings.low_delay_s,
            Alarm.APNOEA: round(settings.pressure.apnoea_alarm_s),
            Alarm.CONTROLLER: 0,
            Alarm.SIGNAL_LOST: settings.lost_signal_delay_s,
            Alarm.SPO2_HIGH: settings.high_delay_s,
            Alarm.FIO2_DEVIATION: settings.fio2_deviation_delay_s,
        }
        self._delay = np.array([[delay[alarm]] for alarm in Alarm], dtype=np.int32)
        latching = [settings.latch_high_priority and PRIORITY[alarm] == "high" for alarm in Alarm]
        self._latch = np.array([[latches] for latches in latching])
        self._latching = any(latching)
        shape = (len(Alarm), lanes)
        self._condition = np.zeros(shape, dtype=np.bool_)
        self._rows, self._above = tuple(self._condition), np.zeros(lanes, dtype=np.bool_)
        self._held_s = np.zeros(shape, dtype=np.int32)
        self._sounding = np.zeros(shape, dtype=np.bool_)
        self._changed, self._over = (np.zeros(shape, dtype=np.bool_) for _ in range(2))
        self._released = np.zeros(shape, dtype=np.bool_)
        self._on_oxygen = np.zeros(lanes, dtype=np.bool_)
        self._difference, self._gap = np.zeros(lanes), np.zeros(lanes)
        self.active: NDArray[np.bool_] = np.zeros(shape, dtype=np.bool_)
        self.controller: NDArray[np.bool_] = np.zeros(lanes, dtype=np.bool_)
        self.pressure_low_cmh2o: FloatArray = np.full(lanes, np.nan)
        self.pressure_high_cmh2o: FloatArray = np.full(lanes, np.nan)

    def step(
        self,
        tick: int,
        spo2_pct: FloatArray,
        valid: BoolArray,
        set_fio2: FloatArray,
        *,
        delivered_fio2: FloatArray | None = None,
        breathing: FloatArray | None = None,
        pressure_cmh2o: FloatArray | None = None,
    ) -> list[AlarmChange]:
        """Look at one tick's values.

        Parameters
        ----------
        tick : int
            Time of the values (s).
        spo2_pct : ndarray, shape (lanes,)
            Displayed SpO2 (percent), NaN where not valid.
        valid : ndarray of bool, shape (lanes,)
            Whether there is a reading.
        set_fio2 : ndarray, shape (lanes,)
            Set FiO2 (fraction); the high alarm is off in room air.
        delivered_fio2 : ndarray, shape (lanes,), optional
            FiO2 that the monitor near the infant shows (fraction).
        breathing : ndarray, shape (lanes,), optional
            Share of normal ventilation that reaches the lung.
        pressure_cmh2o : ndarray, shape (lanes,), optional
            Mean pressure at the interface; NaN where it is not measured.

        Returns
        -------
        list of AlarmChange
            Alarms that began or ended, most urgent first, then by lane.
        """
        if self._schedule is not None and tick >= self._schedule.next_change_s:
            self._high_limit = self._schedule.row(tick)
        rows = self._rows
        np.less(spo2_pct, self._low_limit, out=rows[Alarm.SPO2_LOW])
        np.logical_not(valid, out=rows[Alarm.SIGNAL_LOST])
        np.greater(spo2_pct, self._high_limit, out=self._above)
        np.greater(set_fio2, _ON_OXYGEN, self._on_oxygen)
        np.logical_and(self._above, self._on_oxygen, out=rows[Alarm.SPO2_HIGH])
        rows[Alarm.CONTROLLER][...] = self.controller
        if breathing is not None:
            np.less(breathing, _NO_BREATH, out=rows[Alarm.APNOEA])
        if delivered_fio2 is not None:
            np.subtract(delivered_fio2, set_fio2, self._difference)
            np.absolute(self._difference, self._gap)
            np.greater(self._gap, self._deviation, out=rows[Alarm.FIO2_DEVIATION])
        if pressure_cmh2o is not None:
            low, high = rows[Alarm.PRESSURE_LOW], rows[Alarm.PRESSURE_HIGH]
            np.less(pressure_cmh2o, self.pressure_low_cmh2o, out=low)
            np.greater(pressure_cmh2o, self.pressure_high_cmh2o, out=high)
        return self._sound(tick)

    def set_pressure(self, set_cmh2o: FloatArray) -> None:
        """Put the pressure limits around set pressures.

        Parameters
        ----------
        set_cmh2o : ndarray, shape (lanes,)
            Mean pressure that follows from the settings; NaN where there is none.
        """
        self.pressure_low_cmh2o, self.pressure_high_cmh2o = self._pressure.limits(set_cmh2o)

    def acknowledge(self, lane: int) -> None:
        """Let what is latched, but over, fall silent at the next tick.

        Parameters
        ----------
        lane : int
            The cot.
        """
        self._released[:, lane] = True

    def _sound(self, tick: int) -> list[AlarmChange]:
        np.add(self._held_s, _SECOND, self._held_s)
        np.logical_not(self._condition, self._over)
        np.copyto(self._held_s, _NOUGHT, where=self._over)
        np.greater(self._held_s, self._delay, out=self._sounding)
        if self._latching:
            self._released &= ~self._condition
            self._sounding |= self.active & self._latch & ~self._released
        np.not_equal(self._sounding, self.active, out=self._changed)
        if not np.count_nonzero(self._changed):
            return []
        changes = []
        for kind, lane in zip(*(axis.tolist() for axis in np.nonzero(self._changed)), strict=True):
            began = bool(self._sounding[kind, lane])
            changes.append(AlarmChange(lane=lane, alarm=Alarm(kind), began=began, onset_s=tick))
        self.active[...] = self._sounding
        return changes


__all__ = ["NO_BREATH", "PRIORITY", "Alarm", "AlarmChange", "AlarmSettings", "Alarms"]
