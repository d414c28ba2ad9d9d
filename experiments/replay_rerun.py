"""Let controllers hold the oxygen of the infants that were fitted to a recording.

The whole plant runs, with circuit, heart and oximeter, on the usual clock; the
fitted disturbance takes the place of drawn events, and there are no nurses.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import simpy

from ..loop.arms import ArmSpec, ControllerArm
from ..loop.patients import Patients
from ..loop.phases import At, Phase
from ..loop.recording import Recording
from ..loop.signals import Mode, Settings
from ..loop.trace import Trace
from ..models.activities import ActivitySettings
from ..models.disturbances import DisturbanceSettings
from ..models.gas_delivery import GasSettings
from ..models.oximeter import OximeterSettings
from ..models.support import NasalCpap
from .replay_plant import AVERAGING_S, at_seconds, factors
from .replay_whatif import Recovered, lost, refuse_unidentifiable

#: Time before the first second of the recording, with everything as it is there.
LEAD_S = 300


@dataclass(frozen=True, kw_only=True)
class Rerun:
    """What a re-run leaves.

    Attributes
    ----------
    traces : dict of str to list of Trace
        For each arm a trace of every fitted infant. The warm-up is the time
        before the recording.
    errors : dict of str to str
        Arms that failed, with the reason.
    """

    traces: dict[str, list[Trace]]
    errors: dict[str, str]


class _Plant:
    """The fitted infants in all arms, and what disturbs them second by second."""

    def __init__(self, recovered: Recovered, arms: int, settings: Settings) -> None:
        infants, count = recovered.candidates.infants, len(recovered.candidates)
        first = np.full(count, float(recovered.recording.fio2[0]))
        gas = GasSettings(
            blender_error_sd=0.0,
            monitor_error_sd=0.0,
            fio2_min=settings.fio2_min,
            fio2_max=settings.fio2_max,
        )
        self.seconds = LEAD_S + len(recovered.recording)
        self.patients = Patients(
            infants=replace(infants, fio2_need=first),
            arms=arms,
            seed=recovered.seed,
            duration_s=self.seconds,
            gas=gas,
            oximeter=OximeterSettings(averaging_s=AVERAGING_S, dropout_rate_per_h=0.0),
            # What was fitted is all of breathing, with what the infant made up for.
            disturbances=DisturbanceSettings(drift_scale=0.0, co2_response=0.0),
            activities=ActivitySettings(),
            support=NasalCpap(),
        )
        self.command = self.patients.gas.set_fio2.copy()
        self.recording = Recording(self.seconds, self.patients.lanes, LEAD_S)
        course = at_seconds(recovered.knots, len(recovered.recording))
        self._arms, self._factors = arms, factors(course, recovered.candidates.manner)
        self._gone = lost(recovered.recording)
        self._was_gone = False

    def clock(self, env: simpy.Environment) -> Generator[simpy.Event, None, None]:
        """Advance the plant once a second, after the controllers."""
        for tick in range(self.seconds):
            yield At(env, 0 if tick == 0 else 1, Phase.PLANT)
            self._disturb(max(tick - LEAD_S, 0))
            self.patients.step(tick, self.command)
            self._record(tick)

    def _disturb(self, second: int) -> None:
        patients = self.patients
        shunt, poor, breathing = (np.tile(rows[second], self._arms) for rows in self._factors)
        patients.state.shunt_factor[...] = shunt
        patients.state.breathing[...] = breathing
        patients.support.poor_factor = poor
        gone = bool(self._gone[second])
        if gone != self._was_gone:
            self._was_gone = gone
            patients.oximeter.set_fault(slice(0, patients.lanes), "lost", float(gone))

    def _record(self, tick: int) -> None:
        patients = self.patients
        self.recording.write(
            tick,
            spo2_pct=patients.oximeter.spo2_pct,
            valid=patients.oximeter.valid,
            apnoea=patients.state.apnoea,
            sao2=patients.lungs.sao2_fraction,
            pao2_mmhg=patients.lungs.pao2_mmhg,
            set_fio2=patients.gas.set_fio2,
            inspired_fio2=patients.gas.inspired_fio2,
            heart_rate_bpm=patients.heart.rate_bpm,
        )


def rerun(recovered: Recovered, arms: Sequence[ArmSpec], settings: Settings) -> Rerun:
    """Let controllers hold the oxygen of the fitted infants.

    Parameters
    ----------
    recovered : Recovered
        The fitted infants.
    arms : sequence of ArmSpec
        The controllers, at least one.
    settings : Settings
        Target range and limits of FiO2.

    Returns
    -------
    Rerun

    Raises
    ------
    TestbedError
        If the gain cannot be identified, or a controller cannot be loaded.
    """
    refuse_unidentifiable(recovered)
    plant, env = _Plant(recovered, len(arms), settings), simpy.Environment(initial_time=0)
    mode = np.full(plant.patients.lanes, int(Mode.AUTOMATIC), dtype=np.int64)
    count = len(recovered.candidates)
    runners = []
    for place, arm in enumerate(arms):
        lanes = slice(place * count, (place + 1) * count)
        runners.append(
            ControllerArm(arm, plant.patients, lanes, plant.command, mode, settings, _unheard)
        )
        env.process(runners[-1].run(env))
    env.process(plant.clock(env))
    try:
        env.run(until=plant.seconds)
    finally:
        for runner in runners:
            runner.close()
    traces = {
        arm.name: [plant.recording.trace(place * count + member) for member in range(count)]
        for place, arm in enumerate(arms)
    }
    errors = {arm.name: r.error for arm, r in zip(arms, runners, strict=True) if r.error}
    return Rerun(traces=traces, errors=errors)


def _unheard(lane: int, event: str, value: float, detail: str) -> None:
    """Take a line of the log, which a re-run does not keep."""


__all__ = ["LEAD_S", "Rerun", "rerun"]
