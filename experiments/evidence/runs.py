"""The bench runs behind the evidence: which infants, which target, and what is kept of them."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from ...loop.arms import ArmSpec
from ...loop.bench import Bench, BenchSpec, Run
from ...loop.event_log import EventRecord
from ...loop.event_outcomes import EVENT_OUTCOMES, event_outcomes
from ...loop.outcomes import outcomes_of
from ...loop.rounding import whole_percent
from ...models.activities import ActivitySettings
from ...models.artefacts import ArtefactSettings
from ...models.cohort import CohortSettings, draw_infants
from ...models.infants import Infants
from ...models.periodic_breathing import PeriodicSettings
from ...models.settings import quantity, validate
from ...models.support import settings_for
from ..compare import nursing_groups
from .averaging import Counts, count_desaturations
from .bedside import (
    Arrays,
    answers,
    breathing_events,
    care,
    first_order_steps,
    hand_changes,
    lost_signal,
    readings,
    rescues,
)
from .limits import limits_of

FloatArray = NDArray[np.float64]

MANUAL = "manual"

#: Modes of support that published figures compare with nasal CPAP.
MODES_COMPARED = ("nasal_cpap", "nippv", "snippv", "nhfo")

#: Percent of time with a true SaO2 of 98-100 %; no outcome of the testbed, but published so.
AT_98 = "time_at_98_or_more_pct_sao2"


@dataclass(frozen=True, kw_only=True)
class Size:
    """How much is simulated.

    Attributes
    ----------
    infants, hours, seed
        As their fields say.
    """

    infants: int = quantity(
        unit="-", low=4, high=10_000, default=160, doc="infants in each of the two main runs"
    )
    hours: float = quantity(
        unit="h", low=0.5, high=240, default=18.0, doc="length of the main runs, first hour apart"
    )
    seed: int = quantity(unit="-", low=0, high=2**31, default=8128, doc="seed of everything")

    def __post_init__(self) -> None:
        validate(self)

    @property
    def side_infants(self) -> int:
        """Infants in each side run."""
        return max(4, round(0.3 * self.infants))

    @property
    def side_hours(self) -> float:
        """Length of the side runs."""
        return max(0.5, self.hours / 3.0)


@dataclass(frozen=True, kw_only=True)
class Job:
    """One run, or a part of one with whole nursing groups.

    Attributes
    ----------
    run : str
        Name of the run.
    spec : BenchSpec
        What to run; one arm, adjusted by hand.
    detail : bool
        Whether traces are looked at, or only outcomes kept.
    averaging : bool
        Whether the course is shown again with other averaging times.
    """

    run: str
    spec: BenchSpec
    detail: bool = False
    averaging: bool = False


@dataclass(frozen=True, kw_only=True)
class Lane:
    """What is kept of one infant.

    Attributes
    ----------
    infant : int
        Its own number.
    pma_wk, postnatal_age_d : float
        Postmenstrual age, and age since birth.
    low_alarms : int
        Low alarms after the warm-up.
    counted_h : float
        Hours after the warm-up.
    outcomes : dict of str to float
        As in `loop.outcomes` and `loop.event_outcomes`.
    arrays : dict of str to ndarray
        As the functions of `bedside` give them; empty without detail.
    """

    infant: int
    pma_wk: float
    postnatal_age_d: float
    low_alarms: int
    counted_h: float
    outcomes: Mapping[str, float]
    arrays: Mapping[str, FloatArray] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Study:
    """What a job leaves.

    Attributes
    ----------
    run : str
        Name of the run.
    lanes : list of Lane
        One for each infant.
    counts : dict
        From `averaging.count_desaturations`; empty without.
    """

    run: str
    lanes: list[Lane]
    counts: Counts = field(default_factory=dict)


def infants_of(stratum: str, count: int, mid_pct: float, seed: int) -> Infants:
    """Draw the infants of a run.

    Parameters
    ----------
    stratum : str
        settled or unstable.
    count : int
        How many.
    mid_pct : float
        Saturation that their needed FiO2 holds (percent).
    seed : int
        Seed.

    Returns
    -------
    Infants
    """
    return draw_infants(seed, CohortSettings(infants=count, stratum=stratum), mid_pct).infants


def plan(size: Size) -> list[Job]:
    """List the runs, longest first; the long ones are cut in two.

    Parameters
    ----------
    size : Size
        How much.

    Returns
    -------
    list of Job
    """
    main, few = size.infants, size.side_infants
    settled = infants_of("settled", main, 92.5, size.seed)
    unstable = infants_of("unstable", main, 90.0, size.seed)
    wide = infants_of("settled", few, 90.0, size.seed)
    rough = unstable.take(np.arange(few))
    long, short = size.hours, size.side_hours
    return [
        *_jobs("unstable", unstable, (87, 93), long, size, parts=2, detail=True, averaging=True),
        *_jobs("settled", settled, (90, 95), long, size, parts=2, detail=True),
        *_jobs("wide", wide, (85, 95), short, size),
        *_jobs("low_target", wide, (85, 89), short, size),
        *_jobs("high_target", wide, (91, 95), short, size),
        *_jobs("two_each", settled, (90, 95), 0.5 * long, size),
        *_jobs("four_each", settled, (90, 95), 0.5 * long, size, infants_per_nurse=4),
        *(
            job
            for mode in MODES_COMPARED
            for job in _jobs(mode, rough, (87, 93), short, size, detail=True, mode=mode)
        ),
    ]


def _jobs(
    run: str,
    infants: Infants,
    target_pct: tuple[float, float],
    hours: float,
    size: Size,
    *,
    parts: int = 1,
    detail: bool = False,
    averaging: bool = False,
    infants_per_nurse: int = 2,
    mode: str = "nasal_cpap",
) -> list[Job]:
    """Cut a run between nursing groups."""
    groups = nursing_groups(len(infants), infants_per_nurse)
    warmup_s = min(3600, round(1800 * hours))
    jobs = []
    for part in np.array_split(np.unique(groups), parts):
        places = np.flatnonzero(np.isin(groups, part))
        if not len(places):
            continue
        spec = BenchSpec(
            infants=infants.take(places),
            groups=groups[places],
            arms=(ArmSpec(name=MANUAL, controller=None),),
            seed=size.seed,
            duration_s=round(3600 * hours),
            warmup_s=warmup_s,
            target_low_pct=target_pct[0],
            target_high_pct=target_pct[1],
            support=settings_for(mode),
            activities=ActivitySettings(),
            periodic=PeriodicSettings(),
            artefacts=ArtefactSettings(),
        )
        staff = replace(spec.staff, infants_per_nurse=infants_per_nurse)
        spec = replace(spec, staff=staff)
        jobs.append(Job(run=run, spec=spec, detail=detail, averaging=averaging))
    return jobs


def run_jobs(
    jobs: Sequence[Job], workers: int, progress: Callable[[int, int], object] | None = None
) -> list[Study]:
    """Run all jobs; the results do not depend on the number of workers.

    Parameters
    ----------
    jobs : sequence of Job
        The work.
    workers : int
        Number of processes; with 1, everything runs in this one.
    progress : callable, optional
        Called with jobs done and to do.

    Returns
    -------
    list of Study
        In the order of the jobs.
    """
    studies: list[Study] = []

    def tell() -> None:
        if progress:
            progress(len(studies), len(jobs))

    tell()
    if workers <= 1:
        for job in jobs:
            studies.append(run_job(job))
            tell()
        return studies
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context) as pool:
        for study in pool.map(run_job, jobs):
            studies.append(study)
            tell()
    return studies


def run_job(job: Job) -> Study:
    """Run one job, in whatever process.

    Parameters
    ----------
    job : Job
        The work.

    Returns
    -------
    Study
    """
    run = Bench(job.spec).run()
    by_infant: dict[int, list[EventRecord]] = {int(i): [] for i in job.spec.infants.infant}
    for event in run.events:
        by_infant[event.infant].append(event)
    lanes = [_lane(job, run, place, by_infant) for place in range(len(job.spec.infants))]
    counts: Counts = {}
    if job.averaging:
        traces = [run.trace(place, MANUAL) for place in range(len(job.spec.infants))]
        counts = count_desaturations(
            job.spec.infants,
            np.stack([trace.sao2_pct for trace in traces], axis=1),
            np.stack([trace.heart_rate_bpm for trace in traces], axis=1),
            job.spec.seed,
            job.spec.warmup_s,
        )
    return Study(run=job.run, lanes=lanes, counts=counts)


def _lane(job: Job, run: Run, place: int, by_infant: Mapping[int, list[EventRecord]]) -> Lane:
    spec = job.spec
    infant = int(spec.infants.infant[place])
    events = by_infant[infant]
    trace = run.trace(place, MANUAL)
    counted = event_outcomes(events, spec.warmup_s, spec.duration_s)
    outcomes = outcomes_of(trace, spec.target_low_pct, spec.target_high_pct)
    true = whole_percent(trace.sao2_pct[spec.warmup_s :])
    outcomes[AT_98] = 100.0 * float((true >= 98).mean())
    outcomes |= counted.get((infant, MANUAL), dict.fromkeys(EVENT_OUTCOMES, 0.0))
    low = [e for e in events if e.event == "alarm_start" and e.detail == "spo2_low"]
    return Lane(
        infant=infant,
        pma_wk=float(spec.infants.gestation_wk[place] + spec.infants.postnatal_age_d[place] / 7.0),
        postnatal_age_d=float(spec.infants.postnatal_age_d[place]),
        low_alarms=sum(event.time_s >= spec.warmup_s for event in low),
        counted_h=(spec.duration_s - spec.warmup_s) / 3600.0,
        outcomes=outcomes,
        arrays=_arrays(spec, run, place, by_infant) if job.detail else {},
    )


def _arrays(
    spec: BenchSpec, run: Run, place: int, by_infant: Mapping[int, list[EventRecord]]
) -> Arrays:
    trace = run.trace(place, MANUAL)
    infant = int(spec.infants.infant[place])
    mates = spec.infants.infant[spec.groups == spec.groups[place]].tolist()
    group = [event for mate in mates for event in by_infant[int(mate)]]
    probe_s = float(spec.infants.circulation_delay_s[place])
    probe_s += 0.5 * (spec.oximeter.averaging_s - 1)
    limits = limits_of(spec, infant)
    changes = hand_changes(trace, by_infant[infant], limits)
    return {
        **changes,
        **care(by_infant[infant], changes, spec.warmup_s),
        **rescues(trace, changes),
        **answers(by_infant[infant], group, spec.warmup_s, spec.duration_s),
        **breathing_events(trace, by_infant[infant]),
        **lost_signal(trace),
        **readings(trace, probe_s),
        **first_order_steps(trace, changes),
    }


__all__ = [
    "AT_98",
    "MANUAL",
    "Job",
    "Lane",
    "Size",
    "Study",
    "infants_of",
    "plan",
    "run_job",
    "run_jobs",
]
