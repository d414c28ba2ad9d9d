"""The bench: every arm on the same infants, on one SimPy clock.

A lane is one infant in one arm. The clock ticks once a second for all lanes;
breathing events, rounds, visits and controllers are SimPy events, ordered
within a tick by `phases`. Arms never touch each other, nor do nursing groups,
so adding or leaving out either changes no number of any other.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, field

import numpy as np
import simpy
from numpy.typing import NDArray

from ..models.activities import ActivitySettings, draw_activities
from ..models.artefacts import ArtefactSettings, draw_probe_events
from ..models.disturbances import DisturbanceSettings, draw_breathing
from ..models.errors import nearest, problem
from ..models.gas_delivery import GasSettings
from ..models.infants import Infants
from ..models.oximeter import OximeterSettings
from ..models.periodic_breathing import PeriodicSettings, draw_periodic, merge_breathing
from ..models.support import NasalCpap, SupportSettings
from .activity import disturb_probe, live
from .alarm_limits import AlarmSettings
from .arms import ArmSpec, ControllerArm
from .breathing import breathe
from .event_log import EventRecord
from .fault_draws import FaultSettings, draw_faults
from .patients import Patients
from .phases import At, Course, Phase
from .recording import Recording
from .script import ScriptedEvent, play
from .settled_memory import settled_memory
from .signals import Mode, Settings
from .staff import Duty
from .staff_settings import StaffSettings
from .trace import Trace
from .ward import Ward

#: Progress is reported this often (ticks).
PROGRESS_TICKS = 60


@dataclass(frozen=True, kw_only=True)
class BenchSpec:
    """Everything that a run depends on, in a form that can be pickled.

    Attributes
    ----------
    infants : Infants
        The infants; each stands in every arm.
    groups : ndarray of int, shape (infants,)
        Nursing group of each infant.
    arms : tuple of ArmSpec
        The arms.
    seed : int
        Seed of the run.
    duration_s, warmup_s : int
        Length of the run and of its part that outcomes leave out.
    target_low_pct, target_high_pct : float
        Ends of the SpO2 target range.
    gas, oximeter, disturbances, alarms, staff : settings
        How the parts behave. The circuit of `gas` is that of `support`.
    support : SupportSettings
        Mode of breathing support and its settings.
    activities, periodic, artefacts : settings or None
        Care and crying, periodic breathing, and what happens to probes; None
        leaves them out.
    script : tuple of ScriptedEvent
        Single events at given times.
    faults : FaultSettings or None
        Faults at random times; None for none.
    """

    infants: Infants
    groups: NDArray[np.int64]
    arms: tuple[ArmSpec, ...]
    seed: int
    duration_s: int
    warmup_s: int
    target_low_pct: float
    target_high_pct: float
    gas: GasSettings = field(default_factory=GasSettings)
    oximeter: OximeterSettings = field(default_factory=OximeterSettings)
    disturbances: DisturbanceSettings = field(default_factory=DisturbanceSettings)
    support: SupportSettings = field(default_factory=NasalCpap)
    activities: ActivitySettings | None = None
    periodic: PeriodicSettings | None = None
    artefacts: ArtefactSettings | None = None
    alarms: AlarmSettings = field(default_factory=AlarmSettings)
    staff: StaffSettings = field(default_factory=StaffSettings)
    script: tuple[ScriptedEvent, ...] = ()
    faults: FaultSettings | None = None

    def __post_init__(self) -> None:
        if len(self.groups) != len(self.infants):
            raise problem("BenchSpec.groups", f"{len(self.infants)} numbers", len(self.groups))
        if not 0 <= self.warmup_s < self.duration_s:
            raise problem("BenchSpec.warmup_s", "less than duration_s", self.warmup_s)
        if not self.target_low_pct < self.target_high_pct:
            raise problem(
                "BenchSpec.target_low_pct", "less than target_high_pct", self.target_low_pct
            )
        names = [arm.name for arm in self.arms]
        if not names or len(set(names)) != len(names):
            raise problem("BenchSpec.arms", "one arm or more, each with its own name", names)
        for item in self.script:
            for arm in set(item.arms) - set(names):
                raise problem("BenchSpec.script", "an arm of this run", arm, nearest(arm, names))


@dataclass(frozen=True, kw_only=True)
class Run:
    """What a run leaves.

    Attributes
    ----------
    spec : BenchSpec
        What was run.
    recording : Recording
        All lanes at 1 Hz.
    events : list of EventRecord
        What happened, in order.
    errors : dict of str to str
        Arms that failed, with the reason.
    """

    spec: BenchSpec
    recording: Recording
    events: list[EventRecord]
    errors: dict[str, str]

    def trace(self, place: int, arm: str) -> Trace:
        """Take out one infant in one arm.

        Parameters
        ----------
        place : int
            Place of the infant in the run.
        arm : str
            Name of the arm.

        Returns
        -------
        Trace
        """
        names = [item.name for item in self.spec.arms]
        return self.recording.trace(names.index(arm) * len(self.spec.infants) + place)


class Bench:
    """One run, assembled and ready to go.

    Parameters
    ----------
    spec : BenchSpec
        What to run.
    progress : callable, optional
        Called now and then with the number of ticks done.
    environment : simpy.Environment, optional
        A clock that stands at 0, such as one in real time; a new one if left out.
    """

    def __init__(
        self,
        spec: BenchSpec,
        progress: Callable[[int], None] | None = None,
        environment: simpy.Environment | None = None,
    ) -> None:
        self._spec, self._progress = spec, progress
        self._env = environment or simpy.Environment(initial_time=0)
        self._events: list[EventRecord] = []
        self._habits = spec.activities or ActivitySettings()
        arms = len(spec.arms)
        self.patients = Patients(
            infants=spec.infants,
            arms=arms,
            seed=spec.seed,
            duration_s=spec.duration_s,
            gas=spec.gas,
            oximeter=spec.oximeter,
            disturbances=spec.disturbances,
            activities=self._habits,
            support=spec.support,
        )
        self._count = len(spec.infants)
        numbers = spec.infants.infant.tolist()
        self._who = [(number, arm.name) for arm in spec.arms for number in numbers]
        self._command = self.patients.gas.set_fio2.copy()
        self._mode = np.full(self.patients.lanes, int(Mode.AUTOMATIC), dtype=np.int64)
        self._ward = Ward(
            self._env, spec, self._habits, self.patients, self._command, self._mode, self._log
        )
        self.recording = Recording(spec.duration_s, self.patients.lanes, spec.warmup_s)
        self._controllers: dict[str, ControllerArm] = {}
        self._start_breathing()
        self._start_script()
        for place, arm in enumerate(spec.arms):
            self._start_arm(place, arm)
        Course(self._clock())

    def run(self) -> Run:
        """Run from beginning to end.

        Returns
        -------
        Run
        """
        try:
            with settled_memory():
                self._env.run(until=self._spec.duration_s)
        finally:
            for arm in self._controllers.values():
                arm.close()
        if self._progress:
            self._progress(self._spec.duration_s)
        errors = {name: arm.error for name, arm in self._controllers.items() if arm.error}
        return Run(spec=self._spec, recording=self.recording, events=self._events, errors=errors)

    def _log(self, lane: int, event: str, value: float, detail: str) -> None:
        infant, name = self._who[lane]
        row = (int(self._env.now), infant, name, event, value, detail)
        self._events.append(tuple.__new__(EventRecord, row))  # by name it takes twice as long

    def _start_breathing(self) -> None:
        spec = self._spec
        for place in range(self._count):
            events = draw_breathing(
                spec.infants, place, spec.seed, spec.duration_s, spec.disturbances
            )
            if spec.periodic:
                pauses = draw_periodic(
                    spec.infants, place, spec.seed, spec.duration_s, spec.periodic
                )
                events = merge_breathing(events, pauses)
            Course(breathe(self._env, self.patients, place, events, self._log))
            self._start_activities(place)

    def _start_activities(self, place: int) -> None:
        spec = self._spec
        who = (spec.infants, place, spec.seed, spec.duration_s)
        if spec.activities:
            activities = draw_activities(*who, spec.activities)
            Course(live(self._env, self.patients, place, activities, self._log))
        if spec.artefacts:
            probe = draw_probe_events(*who, spec.artefacts)
            Course(disturb_probe(self._env, self.patients, place, probe, self._log))

    def _start_script(self) -> None:
        """Start the scripted events of the infants that are in this run."""
        for item in (*self._spec.script, *self._draw_faults()):
            lanes = [
                lane
                for lane in range(self.patients.lanes)
                if self._concerns(item, *divmod(lane, self._count))
            ]
            if lanes:
                self._env.process(play(self._env, self.patients, item, lanes, self._log))

    def _draw_faults(self) -> list[ScriptedEvent]:
        """Draw the random faults of every infant; the same in every arm."""
        spec = self._spec
        if spec.faults is None:
            return []
        numbers = spec.infants.infant.tolist()
        return [
            item
            for number in numbers
            for item in draw_faults(number, spec.seed, spec.duration_s, spec.faults)
        ]

    def _concerns(self, item: ScriptedEvent, arm: int, place: int) -> bool:
        infant, name = int(self._spec.infants.infant[place]), self._spec.arms[arm].name
        return (not item.infants or infant in item.infants) and (not item.arms or name in item.arms)

    def _start_arm(self, place: int, arm: ArmSpec) -> None:
        spec = self._spec
        lanes = slice(place * self._count, (place + 1) * self._count)
        if arm.controller is None:
            duty = Duty.TITRATE
            self._mode[lanes] = int(Mode.MANUAL)
        else:
            duty = Duty.LEAVE if arm.hands_off else Duty.OVERSEE
        self._staff_arm(place, duty)
        if arm.controller is None:
            return
        settings = Settings(
            target_low_pct=spec.target_low_pct,
            target_high_pct=spec.target_high_pct,
            fio2_min=spec.gas.fio2_min,
            fio2_max=spec.gas.fio2_max,
        )
        runner = ControllerArm(
            arm,
            self.patients,
            lanes,
            self._command,
            self._mode,
            settings,
            self._log,
            self._ward.alarms.controller,
        )
        self._controllers[arm.name] = runner
        Course(runner.run(self._env))

    def _staff_arm(self, place: int, duty: Duty) -> None:
        self._ward.staff_arm(place, duty)

    def _clock(self) -> Generator[simpy.Event, None, None]:
        for tick in range(self._spec.duration_s):
            yield At(self._env, 0 if tick == 0 else 1, Phase.PLANT)
            self._tick(tick)
            if self._progress and tick % PROGRESS_TICKS == 0:
                self._progress(tick)

    def _tick(self, tick: int) -> None:
        patients = self.patients
        patients.step(tick, self._command)
        oximeter, gas = patients.oximeter, patients.gas
        self._ward.look(tick)
        self.recording.write(
            tick,
            spo2_pct=oximeter.spo2_pct,
            valid=oximeter.valid,
            apnoea=patients.state.apnoea,
            sao2=patients.lungs.sao2_fraction,
            pao2_mmhg=patients.lungs.pao2_mmhg,
            set_fio2=gas.set_fio2,
            inspired_fio2=gas.inspired_fio2,
            heart_rate_bpm=patients.heart.rate_bpm,
        )
