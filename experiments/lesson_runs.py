"""Runs for the lessons: the real bench, one infant, and nothing that would distract.

Apnoeas, drifts, care, noise and lost signal are left out unless a lesson asks
for them, so that what is seen has one cause. The infant, lungs, gas delivery,
oximeter, controllers, safeguards and alarms are those of every other run.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..loop.arms import ArmSpec
from ..loop.bench import Bench, BenchSpec, Run
from ..loop.safeguards.settings import SafeguardSettings
from ..loop.script import ScriptedEvent
from ..loop.staff import Duty
from ..loop.trace import Trace
from ..models.cohort import CohortSettings, draw_infants
from ..models.disturbances import DisturbanceSettings
from ..models.gas_delivery import GasSettings
from ..models.infants import Infants
from ..models.oximeter import OximeterSettings

#: Seed and target range of all lessons.
SEED, LOW_PCT, HIGH_PCT = 7, 90.0, 95.0

#: A lesson without disturbances.
QUIET = DisturbanceSettings(apnoea_rate_scale=0.0, drift_scale=0.0, hypoventilation_rate_per_h=0.0)

_COHORT = 24


def infant(stratum: str, *places: int) -> Infants:
    """Take infants of the cohort that all lessons draw from.

    Parameters
    ----------
    stratum : str
        "settled" or "unstable".
    *places : int
        Places in that cohort.

    Returns
    -------
    Infants
        Their probes have no bias.
    """
    cohort = CohortSettings(infants=_COHORT, stratum=stratum)
    one = draw_infants(SEED, cohort, 0.5 * (LOW_PCT + HIGH_PCT)).infants.take(np.array(places))
    return replace(one, spo2_bias_pct=np.zeros(len(places)))


def quiet_spec(
    who: Infants,
    arms: Sequence[ArmSpec],
    minutes: float,
    *,
    script: Sequence[ScriptedEvent] = (),
    averaging_s: int = 8,
    fio2_max: float = 1.0,
    noise_scale: float = 0.0,
) -> BenchSpec:
    """Describe a run in which nothing happens but what the script says.

    Parameters
    ----------
    who : Infants
        The infants.
    arms : sequence of ArmSpec
        The arms.
    minutes : float
        Length (min).
    script : sequence of ScriptedEvent
        What happens.
    averaging_s : int
        Averaging time of the oximeter (s).
    fio2_max : float
        Highest FiO2 that can be set (fraction).
    noise_scale : float
        Factor on the oximeter's noise.

    Returns
    -------
    BenchSpec
    """
    return BenchSpec(
        infants=who,
        groups=np.arange(len(who), dtype=np.int64),
        arms=tuple(arms),
        seed=SEED,
        duration_s=round(60 * minutes),
        warmup_s=0,
        target_low_pct=LOW_PCT,
        target_high_pct=HIGH_PCT,
        gas=GasSettings(fio2_max=fio2_max),
        oximeter=OximeterSettings(
            averaging_s=averaging_s, noise_scale=noise_scale, dropout_rate_per_h=0.0
        ),
        disturbances=QUIET,
        script=tuple(script),
    )


def bare(name: str, controller: str, **options: object) -> ArmSpec:
    """Describe an arm without safeguards and without staff.

    Parameters
    ----------
    name : str
        Name of the arm.
    controller : str
        Name of the controller.
    **options : object
        Its options.

    Returns
    -------
    ArmSpec
    """
    return ArmSpec(name=name, controller=controller, options=options, overseen=False)


def guarded(name: str, controller: str, settings: SafeguardSettings) -> ArmSpec:
    """Describe an arm with safeguards and without staff.

    Parameters
    ----------
    name : str
        Name of the arm.
    controller : str
        Name of the controller.
    settings : SafeguardSettings
        The layer.

    Returns
    -------
    ArmSpec
    """
    return ArmSpec(name=name, controller=controller, safeguards=settings, overseen=False)


class _Alone(Bench):
    """A bench without staff."""

    def _staff_arm(self, place: int, duty: Duty) -> None:
        """Send nobody; alarms are only logged."""


def run_alone(spec: BenchSpec) -> Run:
    """Run without staff.

    Parameters
    ----------
    spec : BenchSpec
        Infants and arms.

    Returns
    -------
    Run
    """
    return _Alone(spec).run()


def traces_of(spec: BenchSpec) -> dict[str, Trace]:
    """Run without staff and give the course of each arm.

    Parameters
    ----------
    spec : BenchSpec
        One infant, any number of arms.

    Returns
    -------
    dict of str to Trace
        By name of the arm.
    """
    run = run_alone(spec)
    return {arm.name: run.trace(0, arm.name) for arm in spec.arms}


def first_alarm_s(run: Run, arm: str, kinds: Mapping[str, str]) -> dict[str, int]:
    """Say when each kind of alarm first sounded in an arm.

    Parameters
    ----------
    run : Run
        A run.
    arm : str
        Name of the arm.
    kinds : mapping of str to str
        Event and its detail, by the name under which the time is given.

    Returns
    -------
    dict of str to int
        Seconds; what never sounded is left out.
    """
    found: dict[str, int] = {}
    for name, wanted in kinds.items():
        event, _, detail = wanted.partition(" ")
        for record in run.events:
            if record.arm == arm and record.event == event and record.detail == detail:
                found.setdefault(name, record.time_s)
    return found


__all__ = [
    "HIGH_PCT",
    "LOW_PCT",
    "QUIET",
    "SEED",
    "bare",
    "first_alarm_s",
    "guarded",
    "infant",
    "quiet_spec",
    "run_alone",
    "traces_of",
]
