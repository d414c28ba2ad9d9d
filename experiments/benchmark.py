"""How fast the bench is, and how much faster than its slow twin.

Run it as ``python -m oxytestbed.experiments.benchmark``.

Times are CPU times of this process and the best of a few repeats, because other
work on the machine can only add to them. Everything is on: drift, breathing
events, noise, lost signal, alarms, full recording, control once a second.
"""

from __future__ import annotations

import argparse
import sys
import time
import tracemalloc
from collections.abc import Callable, Sequence
from cProfile import Profile
from dataclasses import dataclass

import numpy as np

from ..loop.alarms import Alarms
from ..loop.arms import ArmSpec, ControllerArm
from ..loop.bench import Bench, BenchSpec
from ..loop.breathing import breathe
from ..loop.patients import Patients
from ..loop.recording import Recording
from ..models.cohort import CohortSettings, draw_infants
from ..models.errors import problem
from ..models.gas_delivery import GasDelivery
from ..models.heart import HeartRate
from ..models.lungs import Lungs
from ..models.oximeter import Oximeter
from .reference_loop import ReferenceLoop

#: The arms of the two runs that are timed, by name; "manual" stands for bedside staff.
CONTROLLERS_ONLY = ("fixed", "pi")
WITH_STAFF = ("manual", "fixed", "pi", "pi_again")

#: Parts of a tick, with the function in which each is spent.
PARTS: dict[str, Callable[..., object]] = {
    "drift": Patients._drift_to,
    "gas": GasDelivery.step,
    "heart": HeartRate.step,
    "lungs": Lungs.step,
    "oximeter": Oximeter.step,
    "alarms": Alarms.step,
    "recording": Recording.write,
    "controllers": ControllerArm.run,
    "breathing events": breathe,
}

TARGET_PCT = (90.0, 95.0)
SEED = 1


@dataclass(frozen=True, kw_only=True)
class Timing:
    """What a run cost.

    Attributes
    ----------
    lanes, ticks : int
        Size of the run.
    cpu_s : float
        CPU time of the best repeat, without setting up (s).
    """

    lanes: int
    ticks: int
    cpu_s: float

    @property
    def per_lane_tick_us(self) -> float:
        """CPU time for one lane and tick (microseconds)."""
        return 1e6 * self.cpu_s / (self.lanes * self.ticks)


def benchmark_spec(lanes: int, ticks: int, arms: Sequence[str] = CONTROLLERS_ONLY) -> BenchSpec:
    """Describe a run of unstable infants with everything on.

    Parameters
    ----------
    lanes : int
        Number of lanes, a multiple of the number of arms.
    ticks : int
        Length of the run (s).
    arms : sequence of str
        Names of the arms, from `CONTROLLERS_ONLY` or `WITH_STAFF`.

    Returns
    -------
    BenchSpec

    Raises
    ------
    TestbedError
        If the lanes do not make whole infants.
    """
    infants, over = divmod(lanes, len(arms))
    if over or not infants:
        raise problem("benchmark: lanes", f"a multiple of {len(arms)} arms", lanes)
    middle_pct = 0.5 * (TARGET_PCT[0] + TARGET_PCT[1])
    cohort = draw_infants(SEED, CohortSettings(infants=infants, stratum="unstable"), middle_pct)
    kinds = {"manual": None, "fixed": "fixed", "pi": "pi", "pi_again": "pi"}
    return BenchSpec(
        infants=cohort.infants,
        groups=np.arange(infants) // 2,
        arms=tuple(ArmSpec(name=name, controller=kinds[name]) for name in arms),
        seed=SEED,
        duration_s=ticks,
        warmup_s=0,
        target_low_pct=TARGET_PCT[0],
        target_high_pct=TARGET_PCT[1],
    )


def time_bench(spec: BenchSpec, repeats: int = 3) -> Timing:
    """Time the bench.

    Parameters
    ----------
    spec : BenchSpec
        What to run.
    repeats : int
        How often; the best counts.

    Returns
    -------
    Timing
    """
    lanes = len(spec.infants) * len(spec.arms)
    best_s = min(_cpu_s(Bench(spec).run) for _ in range(repeats))
    return Timing(lanes=lanes, ticks=spec.duration_s, cpu_s=best_s)


def time_twin(spec: BenchSpec, repeats: int = 2) -> Timing:
    """Time the slow twin.

    Parameters
    ----------
    spec : BenchSpec
        What to run; arms with bedside staff are not possible.
    repeats : int
        How often; the best counts.

    Returns
    -------
    Timing
    """
    lanes = [(place, arm.name) for arm in spec.arms for place in range(len(spec.infants))]
    best_s = min(_cpu_s(ReferenceLoop(spec, lanes).run) for _ in range(repeats))
    return Timing(lanes=len(lanes), ticks=spec.duration_s, cpu_s=best_s)


def _cpu_s(run: Callable[[], object]) -> float:
    start_s = time.process_time()
    run()
    return time.process_time() - start_s


def time_parts(spec: BenchSpec, whole: Timing) -> dict[str, Timing]:
    """Share out the time of a run over the parts of a tick, as a profiler sees them.

    Parameters
    ----------
    spec : BenchSpec
        What to run, once more.
    whole : Timing
        Its time without the profiler, which is shared out.

    Returns
    -------
    dict of str to Timing
        By part; "clock and rest" is what is in none of the others, bedside
        staff among it.
    """
    bench, profile = Bench(spec), Profile(builtins=False)
    profile.enable()
    try:
        bench.run()
    finally:
        profile.disable()
    by_code = {entry.code: entry.totaltime for entry in profile.getstats()}
    spent_s = {name: by_code.get(part.__code__, 0.0) for name, part in PARTS.items()}
    all_s = by_code[Bench.run.__code__]
    spent_s["clock and rest"] = all_s - sum(spent_s.values())
    return {
        name: Timing(lanes=whole.lanes, ticks=whole.ticks, cpu_s=whole.cpu_s * part_s / all_s)
        for name, part_s in spent_s.items()
    }


def memory_growth(spec: BenchSpec) -> tuple[float, float]:
    """Measure the memory of a run, and how much of it comes while it runs.

    Parameters
    ----------
    spec : BenchSpec
        What to run; it takes several times as long as usual.

    Returns
    -------
    tuple of float
        Bytes per lane and second in all, and of these what was not allocated
        before the first tick.
    """
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        bench = Bench(spec)
        ready = tracemalloc.get_traced_memory()[0]
        run = bench.run()
        after = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    samples = len(run.spec.infants) * len(run.spec.arms) * spec.duration_s
    return (after - before) / samples, (after - ready) / samples


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print.

    Parameters
    ----------
    arguments : sequence of str, optional
        Words after the program's name; those of the process if left out.

    Returns
    -------
    int
        Exit status, always 0.
    """
    parser = argparse.ArgumentParser(description="Time the bench and its slow twin.")
    parser.add_argument("--lanes", type=int, default=500, help="lanes, a multiple of 4")
    parser.add_argument("--ticks", type=int, default=1200, help="simulated seconds")
    parser.add_argument("--twin-lanes", type=int, default=4, help="lanes of the slow twin")
    parser.add_argument("--sweep", type=int, nargs="*", default=[], help="more numbers of lanes")
    parser.add_argument("--memory", action="store_true", help="measure memory as well; slow")
    given = parser.parse_args(arguments)
    spec = benchmark_spec(given.lanes, given.ticks)
    fast = time_bench(spec)
    slow = time_twin(benchmark_spec(given.twin_lanes, given.ticks))
    staff = time_bench(benchmark_spec(given.lanes, given.ticks, WITH_STAFF))
    print(f"{given.ticks} ticks, NumPy {np.__version__}, one process, CPU time")
    print(_line("bench, " + " + ".join(CONTROLLERS_ONLY), fast))
    print(_line("bench, " + " + ".join(WITH_STAFF), staff))
    print(_line("slow twin, " + " + ".join(CONTROLLERS_ONLY), slow))
    print(f"the bench is {slow.per_lane_tick_us / fast.per_lane_tick_us:.1f} times as fast")
    print(f"\nBy part, as a profiler shares it out ({' + '.join(CONTROLLERS_ONLY)}):")
    for name, timing in time_parts(spec, fast).items():
        print(f"  {name:<18}{timing.per_lane_tick_us:8.3f} us per lane and tick")
    for lanes in given.sweep:
        print(_line("bench", time_bench(benchmark_spec(lanes, given.ticks))))
    if given.memory:
        in_all, grown = memory_growth(spec)
        print(f"memory: {in_all:.1f} bytes per lane and second, {grown:.1f} of it while running")
    return 0


def _line(what: str, timing: Timing) -> str:
    return f"{what:<42}{timing.lanes:6d} lanes{timing.per_lane_tick_us:9.3f} us per lane and tick"


if __name__ == "__main__":
    sys.exit(main())
