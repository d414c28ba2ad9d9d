"""Faults of probe and display, seen on the oximeter that has them."""

from __future__ import annotations

import math
from dataclasses import fields

import numpy as np
import pytest

from oxytestbed.models.errors import TestbedError
from oxytestbed.models.infants import FloatArray, Infants
from oxytestbed.models.oximeter import Oximeter, OximeterSettings
from oxytestbed.models.streams import BLOCK_TICKS

QUIET = OximeterSettings(noise_scale=0.0, dropout_rate_per_h=0.0, bias_scale=0.0, averaging_s=4)
NOISY = OximeterSettings(dropout_rate_per_h=10.0)
ARRAYS = ("spo2_pct", "pulse_rate_bpm", "signal_quality", "valid")


def make(numbers: list[int], settings: OximeterSettings, arms: int = 1) -> Oximeter:
    count = len(numbers)
    columns: dict[str, object] = {
        item.name: np.full(count, 0.5 * (item.metadata["low"] + item.metadata["high"]))
        for item in fields(Infants)
        if not item.metadata["choices"]
    }
    columns |= {"stratum": np.full(count, "settled"), "infant": np.array(numbers)}
    columns |= {"circulation_delay_s": np.full(count, 3.5), "heart_rate_bpm": np.full(count, 150.0)}
    infants = Infants(**columns)  # type: ignore[arg-type]
    return Oximeter(infants, arms, settings, 6, 2 * BLOCK_TICKS, np.full(arms * count, 0.9))


def truth(tick: int) -> float:
    return 0.90 + 0.04 * math.sin(tick / 37)


def run(
    oximeter: Oximeter, ticks: int, plan: dict[int, list[tuple[int, str, float]]] | None = None
) -> FloatArray:
    """All that is shown: shape (ticks, 4, lanes). The plan sets faults ahead of ticks."""
    lanes = len(oximeter.spo2_pct)
    seen = []
    for tick in range(ticks):
        for lane, name, value in (plan or {}).get(tick, []):
            oximeter.set_fault(lane, name, value)
        oximeter.step(tick, np.full(lanes, truth(tick)), np.full(lanes, 150.0))
        seen.append(np.array([getattr(oximeter, name).astype(float) for name in ARRAYS]))
    return np.array(seen)


EVERY_FAULT = [
    ("forced_pct", 85.0),
    ("forced_bpm", 60.0),
    ("offset_pct", -4.0),
    ("frozen", 1.0),
    ("lost", 1.0),
    ("motion", 0.9),
    ("handling", 0.9),
    ("low_perfusion", 0.8),
]


@pytest.mark.parametrize(("name", "value"), EVERY_FAULT)
def test_a_fault_changes_its_own_lane_only(name: str, value: float) -> None:
    plain = run(make([3, 5], NOISY), 700)
    faulty = run(make([3, 5], NOISY), 700, {100: [(1, name, value)]})
    assert np.array_equal(faulty[:, :, 0], plain[:, :, 0], equal_nan=True)
    assert np.array_equal(faulty[:100], plain[:100], equal_nan=True)
    assert not np.array_equal(faulty[:, :, 1], plain[:, :, 1], equal_nan=True)


@pytest.mark.parametrize(("name", "value"), EVERY_FAULT)
def test_a_fault_that_ends_leaves_no_trace(name: str, value: float) -> None:
    ended = math.nan if name.startswith("forced") else 0.0
    oximeter = make([3], NOISY)
    faulty = run(oximeter, 500, {100: [(0, name, value)], 200: [(0, name, ended)]})
    assert not oximeter.faults.active
    plain = run(make([3], NOISY), 500)
    assert np.array_equal(faulty[220:], plain[220:], equal_nan=True)


@pytest.mark.parametrize(("name", "value"), EVERY_FAULT)
def test_company_and_its_faults_change_no_bit(name: str, value: float) -> None:
    late = BLOCK_TICKS + 50
    alone = run(make([5], NOISY), late + 200, {late: [(0, name, value)]})
    plan = {40: [(0, name, value)], late: [(1, name, value), (3, name, value)]}
    together = run(make([3, 5], NOISY, arms=2), late + 200, plan)
    assert np.array_equal(together[:, :, 1], alone[:, :, 0], equal_nan=True)
    assert np.array_equal(together[:, :, 3], alone[:, :, 0], equal_nan=True)
    assert not np.array_equal(together[:, :, 0], together[:, :, 2], equal_nan=True)


def test_a_misplaced_probe_shows_its_false_value_after_the_averaging_time() -> None:
    seen = run(make([5], QUIET), 60, {30: [(0, "forced_pct", 84.0)]})[:, 0, 0]
    assert (seen[33:] == 84).all()
    assert seen[31] > 84


def test_an_offset_is_added_to_what_is_shown() -> None:
    plain, shifted = (
        run(make([5], QUIET), 60, {0: [(0, "offset_pct", points)]})[:, 0, 0] for points in (0, -4)
    )
    assert (plain[10:] - shifted[10:] == 4).all()


def test_a_frozen_display_repeats_its_last_reading_as_valid() -> None:
    seen = run(make([5], QUIET), 200, {50: [(0, "frozen", 1.0)], 60: [(0, "frozen", 1.0)]})
    assert (seen[50:] == seen[49]).all()
    assert seen[49, 3, 0] == 1


def test_a_display_that_shows_nothing_freezes_at_a_valid_reading() -> None:
    plan = {40: [(0, "lost", 1.0)], 50: [(0, "frozen", 1.0)], 60: [(0, "lost", 0.0)]}
    seen = run(make([5], QUIET), 100, plan)
    assert np.isnan(seen[40:60, 0, 0]).all()
    assert (seen[60:, 0, 0] == seen[60, 0, 0]).all()
    assert (seen[60:, 3, 0] == 1).all()


def test_a_lost_reading_is_nan_and_flagged() -> None:
    seen = run(make([5], QUIET), 60, {30: [(0, "lost", 1.0)], 50: [(0, "lost", 0.0)]})
    assert np.isnan(seen[30:50, 0]).all() and np.isnan(seen[30:50, 1]).all()
    assert (seen[30:50, 2:] == 0).all()
    assert np.isfinite(seen[50:]).all()


def test_more_motion_loses_more_signal_and_quality() -> None:
    lost, quality = [], []
    for level in (0.0, 0.5, 1.0):
        seen = run(
            make(list(range(20)), QUIET), 1500, {0: [(k, "motion", level) for k in range(20)]}
        )
        lost.append(1 - seen[:, 3].mean())
        quality.append(seen[:, 2].mean())
        blank = seen[:, 3] == 0
        assert np.array_equal(blank, np.isnan(seen[:, 0]))
        assert np.array_equal(blank, seen[:, 2] == 0)
    assert lost[0] == 0 and 0 < lost[1] < lost[2] < 0.1
    assert quality[0] == 1 and quality[1] > quality[2]


def test_motion_pulls_down_more_than_up() -> None:
    plain = run(make(list(range(20)), QUIET), 1500)[:, 0]
    plan = {0: [(lane, "handling", 1.0) for lane in range(20)]}
    error = run(make(list(range(20)), QUIET), 1500, plan)[:, 0] - plain
    error = error[np.isfinite(error)]
    assert (error < -3).sum() > 10 * (error > 3).sum()
    assert 0.001 < (error <= -3).mean() < 0.1


def test_the_stronger_motion_counts() -> None:
    oximeter = make([5, 6], QUIET)
    oximeter.set_fault(0, "motion", 0.4)
    oximeter.set_fault([0, 1], "handling", 0.7)
    assert oximeter.faults.motion.tolist() == [0.7, 0.7]
    oximeter.set_fault([0, 1], "handling", 0.0)
    assert oximeter.faults.motion.tolist() == [0.4, 0.0]


def test_low_perfusion_delays_and_smooths() -> None:
    def seen(level: float) -> FloatArray:
        oximeter = make([5], QUIET)
        oximeter.set_fault(0, "low_perfusion", level)
        shown = []
        for tick in range(120):
            oximeter.step(tick, np.array([0.9 if tick < 20 else 0.8]), np.array([150.0]))
            shown.append(oximeter.spo2_pct[0])
        return np.array(shown)

    good, poor = seen(0.0), seen(1.0)
    assert np.flatnonzero(good <= 85)[0] + 5 <= np.flatnonzero(poor <= 85)[0]
    assert good[-1] == poor[-1] == 80


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("froze", 1.0, "Did you mean 'frozen'"),
        ("motion", 1.1, "a value from 0 to 1"),
        ("forced_pct", 101.0, "a value from 1 to 100"),
        ("offset_pct", math.nan, "a value from -50 to 50"),
    ],
)
def test_impossible_faults_are_refused(name: str, value: float, text: str) -> None:
    oximeter = make([5], QUIET)
    with pytest.raises(TestbedError, match=text):
        oximeter.set_fault(0, name, value)
    assert not oximeter.faults.active
