"""One chunk of a comparison: whole nursing groups in all arms, in one process.

Nothing here is imported that a worker process does not need.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..loop.bench import Bench, BenchSpec, Run
from ..loop.event_log import EventRecord
from ..loop.event_outcomes import EVENT_OUTCOMES, event_outcomes
from ..loop.outcomes import OUTCOMES, outcomes_of
from ..loop.rounding import on_oxygen
from ..loop.trace import Trace
from .time_aligned import Courses, group_courses
from .warmup import warmup_rows

Row = dict[str, Any]

#: Displayed SpO2 is counted from 0 to 100 %.
SPO2_VALUES = 101

#: The arm that the others are compared with, where a scenario has it.
MANUAL_ARM = "manual"


@dataclass(frozen=True, kw_only=True)
class ChunkResult:
    """What a chunk gives back.

    Attributes
    ----------
    rows : list of dict
        A row of outcomes for each infant and arm.
    histogram : dict of str to ndarray, shape (2, 101)
        Seconds at each displayed SpO2 by arm: on oxygen, and in all.
    traces : dict
        Traces of the chosen infants by (infant, arm).
    events : list of EventRecord
        What happened.
    courses : Courses or None
        Sums of the courses around apnoeas; None if the chunk failed.
    warmups : list of dict
        Key outcomes counted with other warm-ups, for each infant and arm.
    """

    rows: list[Row]
    histogram: Mapping[str, NDArray[np.int64]] = field(default_factory=dict)
    traces: Mapping[tuple[int, str], Trace] = field(default_factory=dict)
    events: list[EventRecord] = field(default_factory=list)
    courses: Courses | None = None
    warmups: list[Row] = field(default_factory=list)


def baseline_of(arms: Sequence[str]) -> str:
    """Name the arm that the others are compared with.

    Parameters
    ----------
    arms : sequence of str
        Names of the arms, in order.

    Returns
    -------
    str
        The manual arm, or the first one.
    """
    return MANUAL_ARM if MANUAL_ARM in arms else arms[0]


def run_chunk(
    spec: BenchSpec,
    trace_infants: tuple[int, ...],
    progress: Callable[[int], None] | None = None,
) -> ChunkResult:
    """Run one chunk; whatever goes wrong becomes rows with the error.

    Parameters
    ----------
    spec : BenchSpec
        What to run.
    trace_infants : tuple of int
        Own numbers of the infants whose traces are kept.
    progress : callable, optional
        Called now and then with the number of ticks done.

    Returns
    -------
    ChunkResult
    """
    try:
        return _results(Bench(spec, progress).run(), trace_infants)
    except Exception as error:  # one chunk must not take the others with it
        return failed_chunk(spec, f"{type(error).__name__}: {error}")


def failed_chunk(spec: BenchSpec, message: str) -> ChunkResult:
    """Give rows that hold nothing but an error.

    Parameters
    ----------
    spec : BenchSpec
        What could not be run.
    message : str
        Why.

    Returns
    -------
    ChunkResult
    """
    keys = [(place, arm.name) for arm in spec.arms for place in range(len(spec.infants))]
    return ChunkResult(rows=[_row(spec, place, arm, message) for place, arm in keys])


def _row(spec: BenchSpec, place: int, arm: str, error: str = "") -> Row:
    infant, group = int(spec.infants.infant[place]), int(spec.groups[place])
    empty = dict.fromkeys([*OUTCOMES, *EVENT_OUTCOMES], float("nan"))
    return {"infant": infant, "arm": arm, "group": group, "error": error, **empty}


def _results(run: Run, trace_infants: tuple[int, ...]) -> ChunkResult:
    spec = run.spec
    counted = event_outcomes(run.events, spec.warmup_s, spec.duration_s)
    rows, traces = [], {}
    warmups: list[Row] = []
    histogram = {arm.name: np.zeros((2, SPO2_VALUES), dtype=np.int64) for arm in spec.arms}
    for arm in (item.name for item in spec.arms):
        for place in range(len(spec.infants)):
            row = _row(spec, place, arm, run.errors.get(arm, ""))
            rows.append(row)
            trace = run.trace(place, arm)
            if row["infant"] in trace_infants:
                traces[row["infant"], arm] = trace
            if row["error"]:
                continue
            row.update(outcomes_of(trace, spec.target_low_pct, spec.target_high_pct))
            row.update(counted.get((row["infant"], arm), dict.fromkeys(EVENT_OUTCOMES, 0.0)))
            histogram[arm] += _seconds_at(trace)
            lane = {key: row[key] for key in ("infant", "arm", "group", "error")}
            counts = warmup_rows(trace, spec.target_low_pct, spec.target_high_pct)
            warmups += [lane | count for count in counts]
    return ChunkResult(
        rows=rows,
        histogram=histogram,
        traces=traces,
        events=run.events,
        courses=_courses(run),
        warmups=warmups,
    )


def _courses(run: Run) -> Courses:
    """Add up the courses around apnoeas, one infant's lanes in memory at a time."""
    spec, names = run.spec, [arm.name for arm in run.spec.arms]
    places: dict[int, list[int]] = {}
    for place, group in enumerate(spec.groups.tolist()):
        places.setdefault(group, []).append(place)
    groups = (
        (
            [None if name in run.errors else run.trace(place, name) for name in names]
            for place in members
        )
        for members in places.values()
    )
    return group_courses(groups, names, baseline_of(names))


def _seconds_at(trace: Trace) -> NDArray[np.int64]:
    """Count seconds at each displayed SpO2 after the warm-up: on oxygen, and in all."""
    spo2 = trace.spo2_pct[trace.warmup_s :]
    oxygen = on_oxygen(trace.set_fio2[trace.warmup_s :])
    valid = ~np.isnan(spo2)
    return np.stack(
        [
            np.bincount(spo2[valid & chosen].astype(np.int64), minlength=SPO2_VALUES)
            for chosen in (oxygen, np.ones_like(valid))
        ]
    )
