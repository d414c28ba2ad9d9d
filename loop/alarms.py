"""Alarms of the oximeter: limits relative to the target, delay, priority.

Detection runs once a tick over all lanes; only lanes whose alarm has just
begun or ended are touched one by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from ..models.settings import quantity, validate
from .rounding import ON_OXYGEN_FIO2
from .signals import BoolArray, FloatArray


class Alarm(IntEnum):
    """Kinds of alarm. The number is the priority: the smaller, the more urgent."""

    SPO2_LOW = 0
    SIGNAL_LOST = 1
    SPO2_HIGH = 2


#: Priority of each alarm in the words of alarm standards (IEC 60601-1-8).
PRIORITY = {Alarm.SPO2_LOW: "high", Alarm.SIGNAL_LOST: "medium", Alarm.SPO2_HIGH: "medium"}


@dataclass(frozen=True, kw_only=True)
class AlarmSettings:
    """Where the oximeter's alarms stand; common practice, no source for the defaults."""

    low_margin_pct: float = quantity(
        unit="%", low=0, high=20, default=1, doc="low alarm sounds below target low end minus this"
    )
    high_margin_pct: float = quantity(
        unit="%", low=0, high=20, default=1, doc="high alarm sounds above target high end plus this"
    )
    low_delay_s: int = quantity(
        unit="s", low=0, high=300, default=15, doc="time beyond the low limit before the alarm"
    )
    high_delay_s: int = quantity(
        unit="s", low=0, high=600, default=30, doc="time beyond the high limit before the alarm"
    )
    lost_signal_delay_s: int = quantity(
        unit="s", low=0, high=300, default=30, doc="time without a reading before the alarm"
    )

    def __post_init__(self) -> None:
        validate(self)


@dataclass(frozen=True, kw_only=True)
class AlarmChange:
    """One alarm that began or ended."""

    lane: int
    alarm: Alarm
    began: bool
    onset_s: int


class Alarms:
    """The oximeter alarms of all lanes.

    Parameters
    ----------
    lanes : int
        Number of lanes.
    settings : AlarmSettings
        Limits relative to the target, and delays.
    target_low_pct, target_high_pct : float
        Ends of the target range (percent).

    Attributes
    ----------
    active : ndarray of bool, shape (len(Alarm), lanes)
        Alarms that sound at this moment.
    """

    def __init__(
        self, lanes: int, settings: AlarmSettings, target_low_pct: float, target_high_pct: float
    ) -> None:
        self._low_limit = target_low_pct - settings.low_margin_pct
        self._high_limit = target_high_pct + settings.high_margin_pct
        delays = [settings.low_delay_s, settings.lost_signal_delay_s, settings.high_delay_s]
        self._delay = np.array(delays, dtype=np.int64)[:, np.newaxis]
        self._condition = np.zeros((len(Alarm), lanes), dtype=np.bool_)
        self._held_s = np.zeros((len(Alarm), lanes), dtype=np.int64)
        self._sounding = np.zeros((len(Alarm), lanes), dtype=np.bool_)
        self._changed = np.zeros((len(Alarm), lanes), dtype=np.bool_)
        self._on_oxygen = np.zeros(lanes, dtype=np.bool_)
        self.active: NDArray[np.bool_] = np.zeros((len(Alarm), lanes), dtype=np.bool_)

    def step(
        self, tick: int, spo2_pct: FloatArray, valid: BoolArray, set_fio2: FloatArray
    ) -> list[AlarmChange]:
        """Look at one tick's displayed values.

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

        Returns
        -------
        list of AlarmChange
            Alarms that began or ended, most urgent first, then by lane.
        """
        condition = self._condition
        np.less(spo2_pct, self._low_limit, out=condition[Alarm.SPO2_LOW])
        np.logical_not(valid, out=condition[Alarm.SIGNAL_LOST])
        np.greater(spo2_pct, self._high_limit, out=condition[Alarm.SPO2_HIGH])
        np.greater(set_fio2, ON_OXYGEN_FIO2, out=self._on_oxygen)
        condition[Alarm.SPO2_HIGH] &= self._on_oxygen
        self._held_s += 1
        self._held_s *= condition
        np.greater(self._held_s, self._delay, out=self._sounding)
        np.not_equal(self._sounding, self.active, out=self._changed)
        if not self._changed.any():
            return []
        return self._switch(tick)

    def _switch(self, tick: int) -> list[AlarmChange]:
        changes = []
        for kind, lane in zip(*(axis.tolist() for axis in np.nonzero(self._changed)), strict=True):
            began = bool(self._sounding[kind, lane])
            changes.append(AlarmChange(lane=lane, alarm=Alarm(kind), began=began, onset_s=tick))
        self.active[...] = self._sounding
        return changes
