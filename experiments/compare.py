"""The main job: every arm of a scenario on the same virtual infants.

`compare` makes the result; `save` writes its folder; nothing here prints.
"""

from __future__ import annotations

import platform
import time
from collections.abc import Mapping, Sequence
from dataclasses import fields
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .. import __version__
from ..loop.arms import ArmSpec
from ..loop.bench import BenchSpec
from ..loop.event_log import EventRecord
from ..loop.event_outcomes import EVENT_OUTCOMES
from ..loop.outcomes import OUTCOMES
from ..loop.registry import load_controller
from ..loop.trace import Trace
from ..models.cohort import draw_infants
from ..models.infants import Infants
from .chunk import SPO2_VALUES, ChunkResult
from .cohort_files import read_infants
from .result import MANUAL_ARM, ComparisonResult
from .scenario import check_trace_infants, load_scenario, scenario_table
from .scenario_settings import ArmSettings, Scenario
from .statistics import paired_differences, summarise
from .workers import Chunk, Progress, default_workers, run_chunks

#: A chunk has at most this many lanes, so that memory stays flat.
LANES_A_CHUNK = 400

INTERVAL_LEVEL = 0.95

LIBRARIES = ("numpy", "scipy", "simpy", "pandas", "matplotlib")


def compare(
    scenario: Scenario | str,
    *,
    workers: int | None = None,
    progress: Progress | None = None,
    command: str = "",
) -> ComparisonResult:
    """Put every arm of a scenario on the same infants.

    Parameters
    ----------
    scenario : Scenario or str
        The scenario, or its name or path.
    workers : int, optional
        Number of processes; all cores if left out. No number of the result
        depends on it, but for the wall time.
    progress : callable, optional
        Called with lane-seconds done and to do.
    command : str, optional
        How to make this result again, for the record.

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
    check_trace_infants(resolved, infants.infant.tolist())
    count = workers or default_workers()
    groups = nursing_groups(len(infants), resolved.staff.infants_per_nurse)
    chunks = make_chunks(resolved, infants, groups, count)
    results = run_chunks(chunks, count, progress)
    manifest = {
        "oxytestbed": __version__,
        "python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
        "platform": platform.platform(),
        "seed": resolved.seed,
        "started": begun.isoformat(timespec="seconds"),
        "wall_time_s": round(time.perf_counter() - clock, 1),
        "workers": count,
        "redraws": redraws,
        "interval_level": INTERVAL_LEVEL,
        "command": command,
    }
    return _gather(resolved, infants, results, manifest)


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
    """
    if scenario.cohort.csv:
        return read_infants(scenario.cohort.csv), 0
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
    names = np.unique(groups)
    wanted = max(workers, -(-len(infants) * len(scenario.arms) // LANES_A_CHUNK))
    parts = np.array_split(names, min(wanted, len(names)))
    chunks = []
    for part in parts:
        places = np.flatnonzero(np.isin(groups, part))
        spec = bench_spec(scenario, infants.take(places), groups[places])
        chunks.append(Chunk(spec=spec, trace_infants=scenario.report.trace_infants))
    return chunks


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
        arms=tuple(arm_spec(arm) for arm in scenario.arms),
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
    )


def arm_spec(arm: ArmSettings) -> ArmSpec:
    """Turn an arm of a scenario into an arm of the bench.

    Parameters
    ----------
    arm : ArmSettings
        As in the scenario.

    Returns
    -------
    ArmSpec
    """
    controller = arm.controller if arm.kind == "controller" else None
    return ArmSpec(name=arm.name, controller=controller, options=dict(arm.options))


def _gather(
    scenario: Scenario,
    infants: Infants,
    results: Sequence[ChunkResult],
    manifest: Mapping[str, Any],
) -> ComparisonResult:
    arms = [arm.name for arm in scenario.arms]
    outcomes = _outcome_table(results, arms, infants)
    names = [*OUTCOMES, *EVENT_OUTCOMES]
    baseline = MANUAL_ARM if MANUAL_ARM in arms else arms[0]
    return ComparisonResult(
        scenario=scenario,
        cohort=cohort_table(infants),
        outcomes=outcomes,
        summary=summarise(outcomes, names),
        paired=paired_differences(
            outcomes,
            baseline,
            names,
            seed=scenario.seed,
            resamples=scenario.report.resamples,
            level=INTERVAL_LEVEL,
        ),
        histogram=_histogram_table(results, arms),
        traces={key: trace_frame(trace) for part in results for key, trace in part.traces.items()},
        events=_event_table(results),
        scenario_table=scenario_table(scenario),
        manifest=manifest,
    )


def cohort_table(infants: Infants) -> pd.DataFrame:
    """Turn a cohort into a table with a row per infant.

    Parameters
    ----------
    infants : Infants
        The cohort.

    Returns
    -------
    pandas.DataFrame
        A column per field of `Infants`.
    """
    return pd.DataFrame({item.name: getattr(infants, item.name) for item in fields(infants)})


def _outcome_table(
    results: Sequence[ChunkResult], arms: Sequence[str], infants: Infants
) -> pd.DataFrame:
    """Order rows by arm and infant, whatever the chunks were."""
    place = {number: place for place, number in enumerate(infants.infant.tolist())}
    rows = [row for part in results for row in part.rows]
    rows.sort(key=lambda row: (arms.index(row["arm"]), place[row["infant"]]))
    return pd.DataFrame(rows)


def _histogram_table(results: Sequence[ChunkResult], arms: Sequence[str]) -> pd.DataFrame:
    tables = []
    for arm in arms:
        counts = np.zeros((2, SPO2_VALUES), dtype=np.int64)
        for part in results:
            if arm in part.histogram:
                counts += part.histogram[arm]
        tables.append(
            pd.DataFrame(
                {
                    "arm": arm,
                    "spo2_pct": np.arange(SPO2_VALUES),
                    "seconds_on_oxygen": counts[0],
                    "seconds_all": counts[1],
                }
            )
        )
    return pd.concat(tables, ignore_index=True)


def _event_table(results: Sequence[ChunkResult]) -> pd.DataFrame:
    events = [event for part in results for event in part.events]
    table = pd.DataFrame(events, columns=EventRecord._fields)
    return table.sort_values(["infant", "arm", "time_s"], kind="stable", ignore_index=True)


def trace_frame(trace: Trace) -> pd.DataFrame:
    """Turn a trace into a table with a row a second.

    Parameters
    ----------
    trace : Trace
        One infant in one arm.

    Returns
    -------
    pandas.DataFrame
        Columns as in `result.TRACE_COLUMNS`.
    """
    return pd.DataFrame(
        {
            "time_s": np.arange(len(trace)),
            "spo2_pct": trace.spo2_pct,
            "sao2_pct": trace.sao2_pct,
            "pao2_mmhg": trace.pao2_mmhg,
            "set_fio2": trace.set_fio2,
            "inspired_fio2": trace.inspired_fio2,
            "heart_rate_bpm": trace.heart_rate_bpm,
            "apnoea": trace.apnoea,
        }
    )
