"""Find the infants who fared worst, and run them again to see what happened to them.

Only their nursing groups are run again. An infant's numbers do not depend on
who else is in a run, so what is seen is what was counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..loop.bench import BenchSpec
from ..models.infants import Infants
from .chunk import ChunkResult, work_ticks
from .compare_tables import event_table, in_order, trace_frame
from .result import ComparisonResult, error_text
from .resume import ChunkStore
from .workers import Chunk, Progress, run_chunks

WORST_COLUMNS = (
    "infant",
    "arm",
    "baseline",
    "time_in_target_change_pct",
    "time_in_target_pct",
    "baseline_time_in_target_pct",
    "hypoxia_burden_80_pct_s_per_h",
    "baseline_hypoxia_burden_80_pct_s_per_h",
)


def worst_infants(outcomes: pd.DataFrame, baseline: str, count: int) -> pd.DataFrame:
    """Choose the infants who lost most time in target against the baseline.

    Parameters
    ----------
    outcomes : DataFrame
        A row per infant and arm.
    baseline : str
        The arm that the others are compared with.
    count : int
        How many infants; the arms take turns in choosing.

    Returns
    -------
    DataFrame
        Columns as in `WORST_COLUMNS`; a row for each infant and the arm in
        which it lost most.
    """
    good = outcomes[[error_text(value) == "" for value in outcomes["error"]]]
    before = good[good["arm"] == baseline].set_index("infant")
    queues = [
        _ordered(good[good["arm"] == arm].set_index("infant"), before, str(arm), baseline)
        for arm in good["arm"].unique()
        if arm != baseline
    ]
    chosen: list[dict[str, Any]] = []
    while len(chosen) < count and any(queues):
        for queue in queues:
            taken = {row["infant"] for row in chosen}
            left = [row for row in queue if row["infant"] not in taken]
            queue[:] = left[1:]
            if left and len(chosen) < count:
                chosen.append(left[0])
    return pd.DataFrame(chosen, columns=list(WORST_COLUMNS))


def _ordered(
    of_arm: pd.DataFrame, before: pd.DataFrame, arm: str, baseline: str
) -> list[dict[str, Any]]:
    """List the infants of one arm, the one that lost most first."""
    if before.empty or "time_in_target_pct" not in of_arm:
        return []
    change = (of_arm["time_in_target_pct"] - before["time_in_target_pct"]).dropna()
    rows = []
    for infant in change.sort_values(kind="stable").index:
        row: dict[str, Any] = {"infant": int(infant), "arm": arm, "baseline": baseline}
        row["time_in_target_change_pct"] = float(change[infant])
        for name in ("time_in_target_pct", "hypoxia_burden_80_pct_s_per_h"):
            row[name] = float(of_arm.loc[infant, name])
            row[f"baseline_{name}"] = float(before.loc[infant, name])
        rows.append(row)
    return rows


def run_again(
    spec: BenchSpec,
    infants: Sequence[int],
    workers: int,
    progress: Progress | None = None,
    store: ChunkStore | None = None,
    scheduler: str = "",
) -> list[ChunkResult]:
    """Run the nursing groups of some infants again and keep these infants' traces and events.

    Parameters
    ----------
    spec : BenchSpec
        The whole comparison.
    infants : sequence of int
        Own numbers of the infants.
    workers : int
        Number of processes.
    progress : callable, optional
        Called with lane-seconds done and to do.
    store : ChunkStore, optional
        Keeps what finishes.
    scheduler : str
        Address of a Dask scheduler, if the rest ran there.

    Returns
    -------
    list of ChunkResult
        With traces and events of these infants only.
    """
    wanted = np.isin(spec.infants.infant, list(infants))
    chunks = []
    groups = np.unique(spec.groups[wanted])
    for share in np.array_split(groups, min(max(workers, 1), len(groups))) if len(groups) else ():
        places = np.flatnonzero(np.isin(spec.groups, share))
        part = _part(spec, spec.infants.take(places), spec.groups[places])
        numbers = tuple(infants)
        chunks.append(Chunk(spec=part, trace_infants=numbers, event_infants=numbers))
    return run_chunks(chunks, workers, progress, store, scheduler) if chunks else []


def with_worst_traces(
    result: ComparisonResult,
    spec: BenchSpec,
    workers: int,
    progress: Progress | None,
    store: ChunkStore | None,
    scheduler: str,
) -> ComparisonResult:
    """Add the traces of the infants who fared worst, where they are not kept already.

    Parameters
    ----------
    result : ComparisonResult
        The comparison; `worst` names the infants.
    spec : BenchSpec
        The whole comparison.
    workers : int
        Number of processes.
    progress : callable or None
        Called with lane-seconds done and to do, those of the comparison among
        them.
    store : ChunkStore or None
        Keeps what finishes.
    scheduler : str
        Address of a Dask scheduler, if the rest ran there.

    Returns
    -------
    ComparisonResult
        With more traces and, where they were not kept, these infants' events.
    """
    worst = [int(number) for number in result.worst["infant"]]
    named = (*result.scenario.report.trace_infants, *worst)
    kept = {key: frame for key, frame in result.traces.items() if key[0] in named}
    result = replace(result, traces=kept)
    missing = [number for number in worst if number not in result.trace_infants]
    if not missing:
        return result
    before = len(spec.infants) * len(spec.arms) * work_ticks(spec, result.scenario.report.oracle)

    def beyond(done: int, total: int) -> None:
        if progress:
            progress(before + done, before + total)

    again = run_again(spec, missing, workers, beyond, store, scheduler)
    frames = {key: trace_frame(trace) for part in again for key, trace in part.traces.items()}
    events = result.events
    if not set(missing) <= set(events["infant"]):  # a large run keeps those of some infants only
        others = events[~events["infant"].isin(missing)]
        events = in_order(pd.concat([others, event_table(again)], ignore_index=True))
    return replace(result, traces={**result.traces, **frames}, events=events)


def _part(spec: BenchSpec, infants: Infants, groups: NDArray[np.int64]) -> BenchSpec:
    return replace(spec, infants=infants, groups=groups)


__all__ = ["WORST_COLUMNS", "run_again", "with_worst_traces", "worst_infants"]
