"""The benchmark at a tiny size; no time is judged here."""

from __future__ import annotations

import pytest

from oxytestbed.experiments.benchmark import (
    PARTS,
    WITH_STAFF,
    Timing,
    benchmark_spec,
    main,
    memory_growth,
    time_bench,
    time_parts,
    time_twin,
)
from oxytestbed.models.errors import TestbedError


def test_spec_has_the_lanes_asked_for() -> None:
    spec = benchmark_spec(8, 60, WITH_STAFF)
    assert len(spec.infants) * len(spec.arms) == 8
    assert spec.arms[0].controller is None
    assert spec.duration_s == 60


@pytest.mark.parametrize("lanes", [0, 3])
def test_lanes_must_make_whole_infants(lanes: int) -> None:
    with pytest.raises(TestbedError, match=f"a multiple of 2 arms, got {lanes}"):
        benchmark_spec(lanes, 60)


def test_time_per_lane_and_tick() -> None:
    assert Timing(lanes=500, ticks=1000, cpu_s=0.5).per_lane_tick_us == pytest.approx(1.0)


def test_bench_and_twin_are_timed_over_the_same_size() -> None:
    spec = benchmark_spec(4, 60)
    for timing in (time_bench(spec, repeats=1), time_twin(spec, repeats=1)):
        assert (timing.lanes, timing.ticks) == (4, 60)
        assert timing.cpu_s > 0.0


def test_every_part_is_found_and_together_they_are_the_whole() -> None:
    whole = Timing(lanes=20, ticks=600, cpu_s=3.0)
    parts = time_parts(benchmark_spec(20, 600), whole)
    assert list(parts) == [*PARTS, "clock and rest"]
    assert all(part.cpu_s > 0.0 for part in parts.values())
    assert sum(part.cpu_s for part in parts.values()) == pytest.approx(3.0)


def test_memory_holds_at_least_the_recording() -> None:
    in_all, grown = memory_growth(benchmark_spec(20, 300))
    assert in_all >= 5 * 4 + 2  # five signals in single precision and two in a byte
    assert 0.0 <= grown < in_all


def test_main_prints_both_and_their_ratio(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--lanes", "4", "--ticks", "60", "--twin-lanes", "2", "--sweep", "2"]) == 0
    shown = capsys.readouterr().out
    assert "slow twin, fixed + pi" in shown
    assert "manual + fixed + pi + pi_again" in shown
    assert "times as fast" in shown
    assert all(f"  {part} " in shown for part in PARTS)
