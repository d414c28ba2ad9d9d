"""Everything at the bedside that is neither infant nor controller: alarms and staff of all arms."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import simpy
from numpy.typing import NDArray

from ..models.activities import ActivitySettings, draw_activities
from .alarm_desk import AlarmDesk
from .alarm_limits import LimitSchedule
from .alarms import AlarmChange, Alarms
from .patients import Patients
from .signals import FloatArray
from .staff import Duty, Staff
from .staff_day import procedures_of
from .staff_hand import Bedside

if TYPE_CHECKING:
    from .bench import BenchSpec


class Ward:
    """Alarms and staff of a run.

    Parameters
    ----------
    env : simpy.Environment
        The clock.
    spec : BenchSpec
        The run.
    day : ActivitySettings
        Care of the infants, and the time of day at the start.
    patients : Patients
        What the monitors show.
    command_fio2 : ndarray, shape (lanes,)
        Commands to the blenders; staff write them.
    mode : ndarray of int, shape (lanes,)
        Who holds the FiO2; staff write it.
    log : callable
        Takes lane, event name, value, detail.

    Attributes
    ----------
    alarms : Alarms
        The alarms of all lanes.
    """

    def __init__(
        self,
        env: simpy.Environment,
        spec: BenchSpec,
        day: ActivitySettings,
        patients: Patients,
        command_fio2: FloatArray,
        mode: NDArray[np.int64],
        log: Callable[[int, str, float, str], None],
    ) -> None:
        self._env, self._spec, self._day, self._patients = env, spec, day, patients
        self._command, self._mode, self._log = command_fio2, mode, log
        self._count = len(spec.infants)
        self.alarms = self._make_alarms()
        self._set_cmh2o: FloatArray = np.zeros(0)
        self._desk = AlarmDesk(env, spec.alarms, self.alarms, log, self._hear)
        self._staff: dict[int, Staff] = {}
        who = (spec.seed, spec.duration_s, day)
        self._care = [
            procedures_of(draw_activities(spec.infants, place, *who), spec.staff)
            for place in range(self._count)
        ]

    def staff_arm(self, arm: int, duty: Duty) -> None:
        """Give an arm its staff.

        Parameters
        ----------
        arm : int
            Place of the arm.
        duty : Duty
            What its staff do about oxygen.
        """
        spec, patients = self._spec, self._patients
        lanes = range(arm * self._count, (arm + 1) * self._count)
        bedside = Bedside(
            spo2_pct=patients.oximeter.spo2_pct,
            set_fio2=patients.gas.set_fio2,
            command_fio2=self._command,
            alarms=self.alarms.active,
            target_low_pct=spec.target_low_pct,
            target_high_pct=spec.target_high_pct,
            fio2_min=spec.gas.fio2_min,
            fio2_max=spec.gas.fio2_max,
            mode=self._mode,
        )
        self._staff[arm] = Staff(
            self._env,
            spec.staff,
            bedside,
            {lane: int(spec.infants.infant[lane % self._count]) for lane in lanes},
            {lane: int(spec.groups[lane % self._count]) for lane in lanes},
            spec.seed,
            self._log,
            duty=duty,
            procedures={lane: self._care[lane % self._count] for lane in lanes},
            day=self._day,
            came=self._desk.came,
        )

    def came(self, lane: int) -> None:
        """Note that somebody has come to a cot, whose alarms are then quiet for a while.

        Parameters
        ----------
        lane : int
            The cot.
        """
        self._desk.came(lane)

    def look(self, tick: int) -> None:
        """Look at one tick's values and let alarms begin or end.

        Parameters
        ----------
        tick : int
            Time of the values (s).
        """
        patients = self._patients
        oximeter, gas, support = patients.oximeter, patients.gas, patients.support
        if support.set_cmh2o is not self._set_cmh2o:  # a new array with every change
            self._set_cmh2o = support.set_cmh2o
            self.alarms.set_pressure(self._set_cmh2o)
        changes = self.alarms.step(
            tick,
            oximeter.spo2_pct,
            oximeter.valid,
            gas.set_fio2,
            delivered_fio2=gas.delivered_fio2,
            breathing=patients.state.breathing,
            pressure_cmh2o=support.measured_cmh2o,
        )
        for change in changes:
            self._desk.note(change, float(oximeter.spo2_pct[change.lane]))

    def _make_alarms(self) -> Alarms:
        spec = self._spec
        schedule = LimitSchedule(
            spec.alarms,
            self._day,
            spec.seed,
            spec.infants.infant.tolist(),
            len(spec.arms),
            spec.target_high_pct,
            spec.duration_s,
        )
        return Alarms(
            self._patients.lanes, spec.alarms, spec.target_low_pct, spec.target_high_pct, schedule
        )

    def _hear(self, change: AlarmChange, escalated: bool) -> None:
        staff = self._staff.get(change.lane // self._count)
        if staff is not None:  # an arm may be without staff: its alarms are only logged
            staff.hear(change, escalated)
