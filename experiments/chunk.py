"""One chunk of a comparison: whole nursing groups in all arms, in one process.

Nothing here is imported that a worker process does not need.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..loop.bench import Bench, BenchSpec, Run
from ..loop.counted import Counted, counted
from ..loop.event_log import EventRecord
from ..loop.event_outcomes import EVENT_OUTCOMES, event_outcomes
from ..loop.oracle import DEFAULT_ROUNDS, LANES_A_ROUND, ORACLE, find_oracle
from ..loop.outcomes import OUTCOMES, outcomes_of_counted
from ..loop.recording import Recording
from ..loop.trace import Trace
from .time_aligned import Courses, group_courses
from .warmup import warmup_rows

Row = dict[str, Any]

#: Displayed SpO2 is counted from 0 to 100 %.
SPO2_VALUES = 101

#: So many infants are taken out of the recording at a time.
BLOCK_INFANTS = 8

#: Outcomes of the event log that an arm without staff has: alarms sound, nobody comes.
_WITHOUT_STAFF = tuple(name for name in EVENT_OUTCOMES if name.endswith("_priority_per_24h"))

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
    *,
    oracle: bool = False,
    worst: int = 0,
) -> ChunkResult:
    """Run one chunk; whatever goes wrong in it becomes rows with the error.

    Parameters
    ----------
    spec : BenchSpec
        What to run.
    trace_infants : tuple of int
        Own numbers of the infants whose traces are kept.
    progress : callable, optional
        Called now and then with the number of ticks done, of `work_ticks`.
        What it raises stops the run.
    oracle : bool
        Search the offline optimum, too, as one more arm.
    worst : int
        Keep the traces of so many infants for each arm, too: those who lost
        most time in target against the baseline.

    Returns
    -------
    ChunkResult
    """
    told = _Told(progress)
    try:
        run = Bench(spec, told).run()
        result = outcomes_of_run(run, trace_infants, worst)
    except Exception as error:  # one chunk must not take the others with it
        told.refuse_to_go_on()
        return failed_chunk(spec, f"{type(error).__name__}: {error}", oracle=oracle)
    if not oracle:
        return result
    try:
        return _with_oracle(result, run, trace_infants, told)
    except Exception as error:  # nor the search the arms that have finished
        told.refuse_to_go_on()
        rows = _failed_rows(spec, (ORACLE,), f"{type(error).__name__}: {error}")
        return replace(result, rows=[*result.rows, *rows])


def outcomes_of_run(run: Run, trace_infants: tuple[int, ...] = (), worst: int = 0) -> ChunkResult:
    """Count all outcomes of a run.

    Parameters
    ----------
    run : Run
        What the bench left.
    trace_infants : tuple of int
        Own numbers of the infants whose traces are kept.
    worst : int
        As for `run_chunk`.

    Returns
    -------
    ChunkResult
    """
    counts = _Counts(run, trace_infants, tuple(EVENT_OUTCOMES))
    names = [arm.name for arm in run.spec.arms]
    places: dict[int, list[int]] = {}
    for place, group in enumerate(run.spec.groups.tolist()):
        places.setdefault(group, []).append(place)
    groups = ((counts.infant(place) for place in members) for members in places.values())
    courses = group_courses(groups, names, baseline_of(names))
    result = counts.result()
    traces = dict(result.traces)
    for infant in _who_lost_most(result.rows, worst) - set(trace_infants):
        place = int(np.flatnonzero(run.spec.infants.infant == infant)[0])
        for arm in run.spec.arms:
            traces[infant, arm.name] = run.trace(place, arm.name)
    return replace(result, traces=traces, courses=courses)


def _who_lost_most(rows: Sequence[Row], count: int) -> set[int]:
    """Choose, for each arm, the infants who lost most time in target against the baseline."""
    outcome = "time_in_target_pct"
    values = {
        (row["arm"], row["infant"]): row[outcome] for row in rows if not math.isnan(row[outcome])
    }
    arms = list(dict.fromkeys(row["arm"] for row in rows))
    base = baseline_of(arms)
    chosen: set[int] = set()
    for arm in arms:
        changes = [
            (value - values[base, infant], infant)
            for (name, infant), value in values.items()
            if name == arm != base and (base, infant) in values
        ]
        chosen |= {infant for _, infant in sorted(changes)[:count]}
    return chosen


def work_ticks(spec: BenchSpec, oracle: bool) -> int:
    """Count the ticks of a chunk, for its progress.

    Parameters
    ----------
    spec : BenchSpec
        What to run.
    oracle : bool
        Whether the offline optimum is searched, too.

    Returns
    -------
    int
        Ticks with as many lanes as the arms have; the search may end earlier.
    """
    searched = DEFAULT_ROUNDS * LANES_A_ROUND / len(spec.arms) if oracle else 0.0
    return round(spec.duration_s * (1.0 + searched))


def failed_chunk(spec: BenchSpec, message: str, *, oracle: bool = False) -> ChunkResult:
    """Give rows that hold nothing but an error.

    Parameters
    ----------
    spec : BenchSpec
        What could not be run.
    message : str
        Why.
    oracle : bool
        Whether the offline optimum should have been searched, too.

    Returns
    -------
    ChunkResult
    """
    arms = [arm.name for arm in spec.arms] + ([ORACLE] if oracle else [])
    return ChunkResult(rows=_failed_rows(spec, arms, message))


def keep_events(result: ChunkResult, infants: Collection[int]) -> ChunkResult:
    """Leave out the events of all other infants; what was counted of them stays.

    Parameters
    ----------
    result : ChunkResult
        Of a chunk.
    infants : collection of int
        Own numbers of the infants whose events are kept.

    Returns
    -------
    ChunkResult
    """
    kept = frozenset(infants)
    return replace(result, events=[event for event in result.events if event.infant in kept])


def _failed_rows(spec: BenchSpec, arms: Sequence[str], message: str) -> list[Row]:
    places = range(len(spec.infants))
    return [_row(spec, place, arm, message) for arm in arms for place in places]


class _Told:
    """Hands progress on and keeps what that raises: it is no fault of the run."""

    def __init__(self, progress: Callable[[int], None] | None) -> None:
        self._progress = progress
        self._raised: Exception | None = None

    def __call__(self, ticks: int) -> None:
        if self._progress is None:
            return
        try:
            self._progress(ticks)
        except Exception as error:
            self._raised = error
            raise

    def refuse_to_go_on(self) -> None:
        """Raise again, as it came, what the progress raised."""
        if self._raised is not None:
            raise self._raised


def _row(spec: BenchSpec, place: int, arm: str, error: str = "") -> Row:
    infant, group = int(spec.infants.infant[place]), int(spec.groups[place])
    empty = dict.fromkeys([*OUTCOMES, *EVENT_OUTCOMES], float("nan"))
    return {"infant": infant, "arm": arm, "group": group, "error": error, **empty}


class _Counts:
    """Counts the lanes of a run, infant by infant, each lane read once.

    Parameters
    ----------
    run : Run
        What the bench left.
    trace_infants : tuple of int
        Own numbers of the infants whose traces are kept.
    event_names : tuple of str
        Outcomes of the event log that are counted.
    """

    def __init__(
        self, run: Run, trace_infants: tuple[int, ...], event_names: tuple[str, ...]
    ) -> None:
        spec = run.spec
        self._run, self._kept, self._event_names = run, trace_infants, event_names
        self._arms = [arm.name for arm in spec.arms]
        self._found = event_outcomes(run.events, spec.warmup_s, spec.duration_s)
        self._ends = (spec.target_low_pct, spec.target_high_pct)
        self._rows: dict[tuple[int, int], Row] = {}
        self._warmups: dict[tuple[int, int], list[Row]] = {}
        self._traces: dict[tuple[int, int], Trace] = {}
        self._histogram = {name: np.zeros((2, SPO2_VALUES), dtype=np.int64) for name in self._arms}
        self._block, self._parts = -1, list[Recording]()

    def infant(self, place: int) -> list[Trace | None]:
        """Count an infant in all arms, and give its traces; None where an arm failed."""
        self._take_block(place // BLOCK_INFANTS)
        traces = [part.trace(place % BLOCK_INFANTS) for part in self._parts]
        counted_arms: list[Trace | None] = []
        for arm, trace in enumerate(traces):
            row = _row(
                self._run.spec, place, self._arms[arm], self._run.errors.get(self._arms[arm], "")
            )
            self._rows[arm, place] = row
            if row["infant"] in self._kept:
                self._traces[arm, place] = trace
            if not row["error"]:
                self._count(arm, place, trace)
            counted_arms.append(None if row["error"] else trace)
        return counted_arms

    def result(self) -> ChunkResult:
        """Give what was counted, arm by arm."""
        traces = {
            (self._rows[key]["infant"], self._arms[key[0]]): self._traces[key]
            for key in sorted(self._traces)
        }
        return ChunkResult(
            rows=[self._rows[key] for key in sorted(self._rows)],
            histogram=self._histogram,
            traces=traces,
            events=self._run.events,
            warmups=[row for key in sorted(self._warmups) for row in self._warmups[key]],
        )

    def _take_block(self, block: int) -> None:
        """Take the lanes of some infants, in all arms, out of the recording."""
        if block == self._block:
            return
        count = len(self._run.spec.infants)
        first, last = block * BLOCK_INFANTS, min((block + 1) * BLOCK_INFANTS, count)
        starts = range(0, count * len(self._arms), count)
        self._parts = [
            self._run.recording.take(range(start + first, start + last)) for start in starts
        ]
        self._block = block

    def _count(self, arm: int, place: int, trace: Trace) -> None:
        row = self._rows[arm, place]
        displayed = counted(trace, *self._ends, true_signal=False)
        row.update(outcomes_of_counted(displayed, trace))
        none = dict.fromkeys(EVENT_OUTCOMES, 0.0)
        events = self._found.get((row["infant"], row["arm"]), none)
        row.update({name: events[name] for name in self._event_names})
        self._histogram[row["arm"]] += _seconds_at(displayed)
        lane = {key: row[key] for key in ("infant", "arm", "group", "error")}
        self._warmups[arm, place] = [lane | counts for counts in warmup_rows(displayed)]


def _without_staff(run: Run, trace_infants: tuple[int, ...]) -> ChunkResult:
    """Count the outcomes of a run to which nobody comes."""
    counts = _Counts(run, trace_infants, _WITHOUT_STAFF)
    for place in range(len(run.spec.infants)):
        counts.infant(place)
    return counts.result()


def _with_oracle(
    result: ChunkResult, run: Run, trace_infants: tuple[int, ...], told: _Told
) -> ChunkResult:
    """Search the offline optimum and add it, but to nothing that compares arms as controllers.

    Courses are means over the apnoeas that all arms share, which one more arm
    would change; another warm-up would ask for another optimum.
    """
    ticks, arms = run.spec.duration_s, len(run.spec.arms)

    def searched(done: int, _: int) -> None:
        told(ticks + round(ticks * done * LANES_A_ROUND / arms))

    best = _without_staff(find_oracle(run, progress=searched).run, trace_infants)
    told(work_ticks(run.spec, oracle=True))
    return replace(
        result,
        rows=[*result.rows, *best.rows],
        histogram={**result.histogram, **best.histogram},
        traces={**result.traces, **best.traces},
        events=[*result.events, *best.events],
    )


def _seconds_at(lane: Counted) -> NDArray[np.int64]:
    """Count seconds at each displayed SpO2 after the warm-up: on oxygen, and in all."""
    return np.stack(
        [
            np.bincount(lane.exact_pct[chosen].astype(np.int64), minlength=SPO2_VALUES)
            for chosen in (lane.valid_on_oxygen, lane.valid)
        ]
    )
