"""What happens to a probe in a run, and the noise of motion."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from oxytestbed.models.artefacts import (
    FAULT_OF,
    MOTION_S,
    ArtefactSettings,
    MotionNoise,
    ProbeEventKind,
    ProbeEvents,
    draw_probe_events,
)
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.infants import Infants
from oxytestbed.models.probe_faults import INERT
from oxytestbed.models.streams import BLOCK_TICKS

DAY_S = 86400
PLAIN = ArtefactSettings()


def group(numbers: list[int]) -> Infants:
    """Infants in the middle of every range."""
    columns: dict[str, object] = {
        item.name: np.full(len(numbers), 0.5 * (item.metadata["low"] + item.metadata["high"]))
        for item in fields(Infants)
        if not item.metadata["choices"]
    }
    columns |= {"stratum": np.full(len(numbers), "settled"), "infant": np.array(numbers)}
    return Infants(**columns)  # type: ignore[arg-type]


def equal(one: ProbeEvents, two: ProbeEvents) -> bool:
    return all(
        np.array_equal(getattr(one, item.name), getattr(two, item.name)) for item in fields(one)
    )


def test_rates_lengths_and_values_are_those_of_the_settings() -> None:
    days = 200
    events = draw_probe_events(group([7]), 0, 3, days * DAY_S, PLAIN)
    per_day = {
        ProbeEventKind.MOTION: 24 * PLAIN.motion_per_h,
        ProbeEventKind.LOW_PERFUSION: PLAIN.low_perfusion_per_d,
        ProbeEventKind.PROBE_OFF: PLAIN.probe_off_per_d,
        ProbeEventKind.PROBE_DISPLACED: PLAIN.probe_displaced_per_d,
    }
    for kind, rate in per_day.items():
        count = int((events.kind == kind).sum())
        assert count == pytest.approx(rate * days, abs=4 * np.sqrt(rate * days))
    motion = events.kind == ProbeEventKind.MOTION
    assert events.duration_s[motion].mean() == pytest.approx(PLAIN.motion_s, rel=0.05)
    assert (events.value[motion] > 0).all() and (events.value[motion] <= 1).all()
    false_pct = events.value[events.kind == ProbeEventKind.PROBE_DISPLACED]
    assert PLAIN.false_low_pct <= false_pct.min() < false_pct.max() <= PLAIN.false_high_pct


def test_a_kind_never_overlaps_itself() -> None:
    settings = replace(PLAIN, motion_per_h=30.0, motion_s=60.0)
    events = draw_probe_events(group([7]), 0, 3, 10 * DAY_S, settings)
    for kind in ProbeEventKind:
        mine = events.kind == kind
        ends_s = events.onset_s[mine] + events.duration_s[mine]
        assert (events.onset_s[mine][1:] > ends_s[:-1]).all()


def test_company_and_length_of_the_run_change_nothing() -> None:
    alone = draw_probe_events(group([7]), 0, 3, 2 * DAY_S, PLAIN)
    assert equal(alone, draw_probe_events(group([1, 7]), 1, 3, 2 * DAY_S, PLAIN))
    assert not equal(alone, draw_probe_events(group([1, 7]), 0, 3, 2 * DAY_S, PLAIN))
    short = draw_probe_events(group([7]), 0, 3, DAY_S, PLAIN)
    first = alone.onset_s < DAY_S
    for item in fields(ProbeEvents):
        assert np.array_equal(getattr(short, item.name), getattr(alone, item.name)[first])


def test_every_kind_sets_a_fault_that_exists() -> None:
    assert set(FAULT_OF) == set(ProbeEventKind)
    assert set(FAULT_OF.values()) <= set(INERT)


def test_none_is_asked_for_and_none_comes() -> None:
    none = ArtefactSettings(
        motion_per_h=0, low_perfusion_per_d=0, probe_off_per_d=0, probe_displaced_per_d=0
    )
    assert len(draw_probe_events(group([7]), 0, 3, DAY_S, none)) == 0
    with pytest.raises(TestbedError, match="false_high_pct"):
        ArtefactSettings(false_low_pct=90.0, false_high_pct=80.0)


def test_motion_noise_is_standard_and_hangs_together() -> None:
    noise = MotionNoise(np.arange(30), 1)
    noise.reach(0)
    for values in (noise.wander, noise.loss):
        # 30 blocks of 1800 s hold about 3,400 independent values: standard error 0.017.
        assert values.mean() == pytest.approx(0, abs=0.07)
        assert values.std() == pytest.approx(1, abs=0.05)
        follows = (values[1:] * values[:-1]).mean() / (values * values).mean()
        assert follows == pytest.approx(np.exp(-1 / MOTION_S), abs=0.01)


def test_motion_noise_does_not_depend_on_when_it_is_first_asked_for() -> None:
    early, late = MotionNoise(np.array([4, 9]), 1), MotionNoise(np.array([9]), 1)
    for tick in range(0, 3 * BLOCK_TICKS, 600):
        early.reach(tick)
    row = late.reach(3 * BLOCK_TICKS - 1)
    assert row == BLOCK_TICKS - 1
    assert np.array_equal(early.wander[:, 1], late.wander[:, 0])
    assert np.array_equal(early.loss[:, 1], late.loss[:, 0])
