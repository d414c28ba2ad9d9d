"""How many infant-days a second this machine simulates, with everything on.

Times are CPU times of one process and the best of a few repeats, because other
work on the machine can only add to them; only the growth with processes is in
wall time. Runs are those of a shipped scenario, with care, crying, periodic
breathing, probe artefacts, safeguards, alarms and staff on; outcomes are timed with
them, setting up apart, because it does not grow with the length of a run.
"""

from __future__ import annotations

import math
import multiprocessing
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from ..loop.arms import ArmSpec
from ..loop.bench import Bench, BenchSpec
from .benchmark import Timing, benchmark_spec, time_bench, time_parts, time_twin
from .chunk import outcomes_of_run, run_chunk
from .compare import LANES_A_CHUNK, bench_spec, nursing_groups, scenario_infants
from .reference_loop import ReferenceLoop
from .scenario import load_scenario, override
from .speed_solver import SolvedLungs
from .workers import Chunk, default_workers, run_chunks

SCENARIO = "unstable_group"
DAY_S = 86_400

#: Arms that are timed alone; "manual" is bedside staff, the others are built-in controllers.
ARMS = ("manual", "fixed", "pi", "rules", "pid", "adaptive", "predictive", "observer")

#: The slow ways are timed on this many lanes, and the solver over this many ticks at most.
TWIN_LANES = 2
SOLVER_TICKS = 120

#: Processes and memory are measured on runs that are so many times longer: a short one
#: would show little but the start of processes and the blocks of noise that any run draws.
LONG_RUN = 32

#: Memory is measured on this many lanes at most: what each adds does not depend on how many.
MEMORY_LANES = 300

Tell = Callable[[str], object]
Found = TypeVar("Found")


@dataclass(frozen=True, kw_only=True)
class SpeedSettings:
    """What is measured.

    Attributes
    ----------
    lanes : tuple of int
        Numbers of lanes.
    ticks : int
        Length of each run (s).
    workers : int
        Most processes; 0 for all cores.
    repeats : int
        How often each is timed; the best counts.
    """

    lanes: tuple[int, ...] = (1, 30, 300, 1000, 3000, 6000, 20_000)
    ticks: int = 600
    workers: int = 0
    repeats: int = 2


@dataclass(frozen=True, kw_only=True)
class Measured:
    """One run's cost.

    Attributes
    ----------
    what : str
        What was run.
    timing : Timing
        Run and outcomes.
    setup_s : float
        Setting up (s).
    """

    what: str
    timing: Timing
    setup_s: float = 0.0

    @property
    def infant_days_per_s(self) -> float:
        """Infant-days, each in one arm, in a second of one core."""
        return self.timing.lanes * self.timing.ticks / DAY_S / self.timing.cpu_s


@dataclass(frozen=True, kw_only=True)
class SpeedResult:
    """All that was measured.

    Attributes
    ----------
    by_lanes, by_hours, by_arm : list of Measured
        Growth with lanes and with the length of a run; each arm alone.
    slow : list of Measured
        The bench, the twin and the solver on the same kind of run, fixed FiO2
        and PI control without care or safeguards.
    parts : dict of str to Timing
        Shares of the time of a run.
    by_workers : dict of int to float
        Wall time by number of processes (s), their start included.
    long_hours : float
        Simulated hours of the runs for `by_workers` and `memory`.
    memory : tuple of float
        MiB of a worker before the run, and bytes per lane and tick of the run;
        NaN where this cannot be measured.
    """

    by_lanes: list[Measured]
    by_hours: list[Measured]
    by_arm: list[Measured]
    slow: list[Measured]
    parts: dict[str, Timing]
    by_workers: dict[int, float]
    long_hours: float
    memory: tuple[float, float]


def speed_spec(
    lanes: int, ticks: int, arms: Sequence[str] = ("manual", "fixed", "pi")
) -> BenchSpec:
    """Describe a run with everything on.

    Parameters
    ----------
    lanes : int
        About how many lanes; infants are whole. Fewer than there are arms: the last arm alone.
    ticks : int
        Length of the run (s).
    arms : sequence of str
        Names as in `ARMS`.

    Returns
    -------
    BenchSpec
    """
    arms = arms if lanes >= len(arms) else arms[-1:]
    infants_count = max(1, round(lanes / len(arms)))
    changes = {"cohort.infants": infants_count, "report.trace_infants": [], "run.warmup_h": 0.0}
    scenario = override(load_scenario(SCENARIO), changes)
    infants, _ = scenario_infants(scenario)
    groups = nursing_groups(len(infants), scenario.staff.infants_per_nurse)
    chosen = tuple(
        ArmSpec(
            name=name,
            controller=None if name == "manual" else name,
            safeguards=None if name == "manual" else scenario.safeguards,
        )
        for name in arms
    )
    return replace(bench_spec(scenario, infants, groups), arms=chosen, duration_s=ticks)


def measure(what: str, spec: BenchSpec, repeats: int) -> Measured:
    """Time a run with its outcomes, and setting it up; many lanes go in blocks, as in `compare`.

    Parameters
    ----------
    what : str
        Its name.
    spec : BenchSpec
        What to run.
    repeats : int
        How often; the best counts.

    Returns
    -------
    Measured
    """
    best_s, setup_s = float("inf"), float("inf")
    for _ in range(repeats):
        times = [_once(part) for part in _blocks(spec, -(-_lanes(spec) // LANES_A_CHUNK))]
        setup_s = min(setup_s, sum(before_s for before_s, _ in times))
        best_s = min(best_s, sum(run_s for _, run_s in times))
    timing = Timing(lanes=_lanes(spec), ticks=spec.duration_s, cpu_s=best_s)
    return Measured(what=what, timing=timing, setup_s=setup_s)


def _once(spec: BenchSpec) -> tuple[float, float]:
    """Give the time of setting up, and of the run with its outcomes (s)."""
    begun_s = time.process_time()
    bench = Bench(spec)
    ready_s = time.process_time()
    outcomes_of_run(bench.run())
    return ready_s - begun_s, time.process_time() - ready_s


def _blocks(spec: BenchSpec, count: int) -> list[BenchSpec]:
    """Cut a run into whole nursing groups, as a comparison does."""
    groups = np.unique(spec.groups)
    found = []
    for part in np.array_split(groups, min(max(count, 1), len(groups))):
        places = np.flatnonzero(np.isin(spec.groups, part))
        infants, homes = spec.infants.take(places), spec.groups[places]
        found.append(replace(spec, infants=infants, groups=homes))
    return found


def _lanes(spec: BenchSpec) -> int:
    return len(spec.infants) * len(spec.arms)


def measure_speed(settings: SpeedSettings, tell: Tell) -> SpeedResult:
    """Measure everything; it takes some minutes.

    Parameters
    ----------
    settings : SpeedSettings
        What.
    tell : callable
        Called with a line whenever something has been measured.

    Returns
    -------
    SpeedResult
    """

    def one(what: str, spec: BenchSpec) -> Measured:
        found = measure(what, spec, settings.repeats)
        tell(f"{what}: {found.timing.per_lane_tick_us:.2f} us per lane and tick")
        return found

    ticks, middle = settings.ticks, sorted(settings.lanes)[len(settings.lanes) // 2]
    by_lanes = [one(f"{n} lanes", speed_spec(n, ticks)) for n in sorted(settings.lanes)]
    lengths = (ticks, 2 * ticks, 4 * ticks)
    by_hours = [one(f"{s} s", speed_spec(middle // 3, s)) for s in lengths]
    by_arm = [one(name, speed_spec(middle, ticks, (name,))) for name in ARMS]
    spec, long = speed_spec(middle, ticks), LONG_RUN * ticks
    close = next(found for found in by_lanes if found.timing.lanes == _lanes(spec))
    return SpeedResult(
        by_lanes=by_lanes,
        by_hours=by_hours,
        by_arm=by_arm,
        slow=_slow_ways(middle, ticks, settings.repeats, tell),
        parts=time_parts(spec, close.timing),
        by_workers=_with_workers(middle, long, settings, tell),
        long_hours=long / 3600.0,
        memory=_memory(speed_spec(min(middle, MEMORY_LANES), long)),
    )


def _slow_ways(lanes: int, ticks: int, repeats: int, tell: Tell) -> list[Measured]:
    """Time the bench, its twin and the solver on runs that all three can do."""
    few = benchmark_spec(TWIN_LANES, ticks)
    brief = replace(few, duration_s=min(ticks, SOLVER_TICKS))
    found = [
        Measured(
            what="bench", timing=time_bench(benchmark_spec(2 * -(-lanes // 2), ticks), repeats)
        ),
        Measured(what="scalar twin", timing=time_twin(few, repeats)),
        Measured(what="solve_ivp each tick", timing=_time_solver(brief)),
    ]
    for item in found:
        tell(f"{item.what}: {item.timing.per_lane_tick_us:.2f} us per lane and tick")
    return found


def _time_solver(spec: BenchSpec) -> Timing:
    lanes = [(place, arm.name) for arm in spec.arms for place in range(len(spec.infants))]
    loop = ReferenceLoop(spec, lanes, SolvedLungs)
    begun_s = time.process_time()
    loop.run()
    cpu_s = time.process_time() - begun_s
    return Timing(lanes=len(lanes), ticks=spec.duration_s, cpu_s=cpu_s)


def _with_workers(lanes: int, ticks: int, settings: SpeedSettings, tell: Tell) -> dict[int, float]:
    """Time the same chunks with 1, 2, 4 ... processes, in turn; the best of the repeats counts."""
    most = settings.workers or default_workers()
    spec = speed_spec(lanes, ticks)
    # As in a large study, the events stay in the chunks.
    chunks = [
        Chunk(spec=part, trace_infants=(), event_infants=()) for part in _blocks(spec, max(2, most))
    ]
    counts = sorted({1, most, *(2**k for k in range(1, 10) if 2**k < most)})
    wall_s = dict.fromkeys(counts, math.inf)
    for count in counts * settings.repeats:
        # This process is slow by now, after all that it has run.
        wall_s[count] = min(wall_s[count], _in_a_fresh_process(_wall_s, chunks, count))
        tell(f"{count} processes: {wall_s[count]:.1f} s")
    return wall_s


def _wall_s(chunks: Sequence[Chunk], count: int) -> float:
    begun_s = time.perf_counter()
    run_chunks(chunks, count)
    return time.perf_counter() - begun_s


def _in_a_fresh_process(measured: Callable[..., Found], *given: object) -> Found:
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, mp_context=context) as pool:
        return pool.submit(measured, *given).result()


def _memory(spec: BenchSpec) -> tuple[float, float]:
    """Measure what a fresh worker needs, and what the run adds."""
    before, after = _in_a_fresh_process(_peaks, spec)
    return before / 2**20, (after - before) / (_lanes(spec) * spec.duration_s)


def _peaks(spec: BenchSpec) -> tuple[float, float]:
    """Give the most memory of this process so far, after a short run and after a whole one."""
    run_chunk(replace(spec, duration_s=2, warmup_s=0), ())
    before = _peak_bytes()
    run_chunk(spec, ())
    return before, _peak_bytes()


def _peak_bytes() -> float:
    """Give the most memory that this process has held.

    The kernel's own count for this program is taken where there is one: that of
    `getrusage` starts at what the parent held when it started this process.
    """
    status = Path("/proc/self/status")
    if status.exists():
        known = dict(line.split(":", 1) for line in status.read_text().splitlines() if ":" in line)
        if "VmHWM" in known:
            return 1024.0 * float(known["VmHWM"].split()[0])
    try:
        import resource
    except ImportError:  # not on this system
        return float("nan")
    unit = 1 if sys.platform == "darwin" else 1024
    return float(unit * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)


__all__ = [
    "ARMS",
    "Measured",
    "SpeedResult",
    "SpeedSettings",
    "measure",
    "measure_speed",
    "speed_spec",
]
