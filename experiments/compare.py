"""The main job: every arm of a scenario on the same virtual infants.

`compare` makes the result; `save` writes its folder; nothing here prints.
"""

from __future__ import annotations

import platform
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .. import __version__
from ..loop.arms import ArmSpec
from ..loop.bench import BenchSpec
from ..loop.event_outcomes import EVENT_OUTCOMES
from ..loop.oracle import LANES_A_ROUND, ORACLE
from ..loop.outcomes import OUTCOMES
from ..loop.registry import load_controller
from ..loop.safeguards.settings import SafeguardSettings
from ..models.cohort import draw_infants
from ..models.infants import Infants
from .chunk import ChunkResult, baseline_of
from .cohort_files import read_infants
from .compare_tables import (
    cohort_table,
    event_table,
    histogram_table,
    outcome_table,
    trace_frame,
    warmup_table,
)
from .ranking import rank_arms
from .result import ComparisonResult
from .resume import store_for
from .scenario import check_named_infants, load_scenario, scenario_table
from .scenario_settings import ArmSettings, Scenario
from .statistics import paired_differences, summarise
from .time_aligned_figures import course_table
from .workers import Chunk, Progress, default_workers, run_chunks, samples_a_chunk
from .worst_infants import with_worst_traces, worst_infants

#: A chunk has at most this many lanes: with more, what the lungs touch in a step leaves the cache.
LANES_A_CHUNK = 2000

#: Events are kept for as many infants, in order, as spend this many hours in all arms: a lane
#: has about a hundred an hour. Outcomes count the events of every infant all the same.
LANE_HOURS_WITH_EVENTS = 4_000

#: The search of the offline optimum keeps every sample of its lanes, several times over.
ORACLE_SAMPLES_A_CHUNK = 20_000_000

#: Most samples of traces that are kept only because an infant might have fared worst.
WORST_SAMPLES = 6_000_000

INTERVAL_LEVEL = 0.95

LIBRARIES = ("numpy", "scipy", "simpy", "pandas", "matplotlib")


def compare(
    scenario: Scenario | str,
    *,
    workers: int | None = None,
    progress: Progress | None = None,
    command: str = "",
    keep_beside: Path | str | None = None,
    scheduler: str = "",
) -> ComparisonResult:
    """Put every arm of a scenario on the same infants.

    Parameters
    ----------
    scenario : Scenario or str
        The scenario, or its name or path.
    workers : int, optional
        Number of processes; all cores if left out. Changes nothing but the wall time.
    progress : callable, optional
        Called with lane-seconds done and to do.
    command : str, optional
        How to make this result again, for the record.
    keep_beside : Path or str, optional
        Result folder to come. What finishes is kept beside it until the result
        is saved there, so that a run that is stopped goes on where it was.
    scheduler : str
        Address of a Dask scheduler whose workers run the chunks; `workers` then
        only says into how many parts the work is cut at least.

    Returns
    -------
    ComparisonResult

    Raises
    ------
    TestbedError
        If the scenario, its cohort or a controller cannot be used.
    """
    resolved = load_scenario(scenario) if isinstance(scenario, str) else scenario
    for arm in resolved.arms:
        if arm.kind == "controller":
            load_controller(arm.controller, arm.options)  # refused now, not after hours
    begun, clock = datetime.now(UTC), time.perf_counter()
    infants, redraws = scenario_infants(resolved)
    count = workers or default_workers()
    groups = nursing_groups(len(infants), resolved.staff.infants_per_nurse)
    store = store_for(Path(keep_beside) if keep_beside else None)
    chunks = make_chunks(resolved, infants, groups, count)
    results = run_chunks(chunks, count, progress, store, scheduler)
    manifest = run_manifest(resolved.seed, begun, count, command) | {"redraws": redraws}
    if chunks[0].event_infants is not None:
        manifest["infants_with_events"] = len(chunks[0].event_infants)
    result = _gather(resolved, infants, results, manifest)
    whole = bench_spec(resolved, infants, groups)
    result = with_worst_traces(result, whole, count, progress, store, scheduler)
    seconds = round(time.perf_counter() - clock, 1)
    return replace(result, manifest={**result.manifest, "wall_time_s": seconds})


def run_manifest(seed: int, begun: datetime, workers: int, command: str) -> dict[str, Any]:
    """Say where numbers come from: versions, seed, start and command.

    Parameters
    ----------
    seed : int
        Seed of the run.
    begun : datetime
        When it began.
    workers : int
        Number of processes.
    command : str
        How to make the result again.

    Returns
    -------
    dict
        Ready for JSON.
    """
    return {
        "oxytestbed": __version__,
        "python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
        "platform": platform.platform(),
        "seed": seed,
        "started": begun.isoformat(timespec="seconds"),
        "workers": workers,
        "interval_level": INTERVAL_LEVEL,
        "command": command,
    }


def scenario_infants(scenario: Scenario) -> tuple[Infants, int]:
    """Draw the cohort of a scenario, or read it from the file that it names.

    Parameters
    ----------
    scenario : Scenario
        The scenario.

    Returns
    -------
    infants : Infants
        The cohort.
    redraws : int
        How many draws were thrown away.

    Raises
    ------
    TestbedError
        If the file cannot be used, or lacks an infant that the scenario names.
    """
    if scenario.cohort.csv:
        infants = read_infants(scenario.cohort.csv)
        check_named_infants(scenario, infants.infant.tolist())
        return infants, 0
    target = 0.5 * (scenario.target.low_pct + scenario.target.high_pct)
    cohort = draw_infants(scenario.seed, scenario.cohort, target)
    return cohort.infants, int(cohort.redraws.sum())


def nursing_groups(infants: int, infants_per_nurse: int) -> NDArray[np.int64]:
    """Put consecutive infants into nursing groups.

    Parameters
    ----------
    infants : int
        Number of infants.
    infants_per_nurse : int
        Size of a group; the last one may be smaller.

    Returns
    -------
    ndarray of int, shape (infants,)
        Number of each infant's group.
    """
    return np.arange(infants, dtype=np.int64) // infants_per_nurse


def make_chunks(
    scenario: Scenario, infants: Infants, groups: NDArray[np.int64], workers: int
) -> list[Chunk]:
    """Cut a comparison into chunks of whole nursing groups.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    infants : Infants
        Its cohort.
    groups : ndarray of int, shape (infants,)
        Nursing group of each infant.
    workers : int
        Number of processes that share the work.

    Returns
    -------
    list of Chunk
    """
    names, oracle = np.unique(groups), scenario.report.oracle
    lanes, ticks = len(infants) * len(scenario.arms), scenario.run.duration_s
    by_memory = -(-lanes * ticks // samples_a_chunk(workers))
    wanted = max(workers, -(-lanes // LANES_A_CHUNK), by_memory)
    if oracle:
        samples = len(infants) * LANES_A_ROUND * scenario.run.duration_s
        wanted = max(wanted, -(-samples // ORACLE_SAMPLES_A_CHUNK))
    parts = np.array_split(names, min(wanted, len(names)))
    logged = infants_with_events(scenario, infants)
    worst = _worst_kept(scenario, len(parts)) if logged is None else 0
    chunks = []
    for part in parts:
        places = np.flatnonzero(np.isin(groups, part))
        spec = bench_spec(scenario, infants.take(places), groups[places])
        traced = scenario.report.trace_infants
        work = Chunk(
            spec=spec, trace_infants=traced, oracle=oracle, event_infants=logged, worst=worst
        )
        chunks.append(work)
    return chunks


def _worst_kept(scenario: Scenario, chunks: int) -> int:
    """Say of how many infants each chunk keeps traces in case they fared worst of all.

    Of a small run, each chunk keeps those who could; of a large one none, and
    they are run again, which then costs little beside the rest.
    """
    wanted, arms = scenario.report.worst_infants, len(scenario.arms)
    samples = chunks * wanted * (arms - 1) * arms * scenario.run.duration_s
    return wanted if samples <= WORST_SAMPLES else 0


def infants_with_events(scenario: Scenario, infants: Infants) -> tuple[int, ...] | None:
    """Say whose events are kept, however the work is cut: own numbers, or None for everybody's.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    infants : Infants
        Its cohort.

    Returns
    -------
    tuple of int or None
    """
    hours_each = len(scenario.arms) * scenario.run.duration_s / 3600.0
    first = max(1, int(LANE_HOURS_WITH_EVENTS / hours_each))
    if first >= len(infants):
        return None
    return tuple(sorted({*infants.infant[:first].tolist(), *scenario.report.trace_infants}))


def bench_spec(scenario: Scenario, infants: Infants, groups: NDArray[np.int64]) -> BenchSpec:
    """Say what the bench has to run.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    infants : Infants
        Some or all of its cohort.
    groups : ndarray of int, shape (infants,)
        Nursing group of each.

    Returns
    -------
    BenchSpec
    """
    return BenchSpec(
        infants=infants,
        groups=groups,
        arms=tuple(arm_spec(arm, scenario.safeguards) for arm in scenario.arms),
        seed=scenario.seed,
        duration_s=scenario.run.duration_s,
        warmup_s=scenario.run.warmup_s,
        target_low_pct=scenario.target.low_pct,
        target_high_pct=scenario.target.high_pct,
        gas=scenario.gas,
        support=scenario.support,
        activities=scenario.activities,
        periodic=scenario.periodic,
        artefacts=scenario.artefacts,
        oximeter=scenario.oximeter,
        disturbances=scenario.disturbances,
        alarms=scenario.alarms,
        staff=scenario.staff,
        script=scenario.script,
        faults=scenario.faults,
    )


def arm_spec(arm: ArmSettings, safeguards: SafeguardSettings | None = None) -> ArmSpec:
    """Turn an arm of a scenario into an arm of the bench.

    Parameters
    ----------
    arm : ArmSettings
        As in the scenario.
    safeguards : SafeguardSettings, optional
        Those of the scenario; a bare controller if left out.

    Returns
    -------
    ArmSpec
    """
    controller = arm.controller if arm.kind == "controller" else None
    layer = arm.layer(safeguards) if safeguards is not None else None
    return ArmSpec(
        name=arm.name, controller=controller, options=dict(arm.options), safeguards=layer
    )


def _gather(
    scenario: Scenario,
    infants: Infants,
    results: Sequence[ChunkResult],
    manifest: Mapping[str, Any],
) -> ComparisonResult:
    controllers = [arm.name for arm in scenario.arms]
    arms = [*controllers, ORACLE] if scenario.report.oracle else controllers
    outcomes = outcome_table(results, arms, infants)
    ranked = outcomes[outcomes["arm"] != ORACLE]  # it is a bound and takes no place
    names = [*OUTCOMES, *EVENT_OUTCOMES]
    seed, resamples = scenario.seed, scenario.report.resamples
    baseline = baseline_of(arms)
    return ComparisonResult(
        scenario=scenario,
        cohort=cohort_table(infants),
        outcomes=outcomes,
        summary=summarise(outcomes, names),
        paired=paired_differences(
            outcomes, baseline, names, seed=seed, resamples=resamples, level=INTERVAL_LEVEL
        ),
        histogram=histogram_table(results, arms),
        traces={key: trace_frame(trace) for part in results for key, trace in part.traces.items()},
        events=event_table(results),
        scenario_table=scenario_table(scenario),
        ranking=rank_arms(ranked, seed=seed, resamples=resamples, level=INTERVAL_LEVEL),
        courses=course_table(part.courses for part in results),
        warmups=warmup_table(results, arms),
        worst=worst_infants(ranked, baseline, scenario.report.worst_infants),
        manifest=manifest,
    )


__all__ = [
    "INTERVAL_LEVEL",
    "LANES_A_CHUNK",
    "arm_spec",
    "bench_spec",
    "cohort_table",
    "compare",
    "infants_with_events",
    "make_chunks",
    "nursing_groups",
    "run_manifest",
    "scenario_infants",
    "trace_frame",
]
