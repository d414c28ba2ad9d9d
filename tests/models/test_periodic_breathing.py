"""Periodic breathing: bouts of pauses, and their place among other events."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from oxytestbed.models.disturbances import (
    ALWAYS_MARK,
    Breathing,
    BreathingEvents,
    DisturbanceSettings,
    draw_breathing,
)
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.infants import Infants
from oxytestbed.models.periodic_breathing import (
    BREATHS_S,
    PeriodicSettings,
    draw_periodic,
    merge_breathing,
)

DAY_S = 86400
PLAIN = PeriodicSettings()


def group(numbers: list[int]) -> Infants:
    """Infants in the middle of every range."""
    columns: dict[str, object] = {
        item.name: np.full(len(numbers), 0.5 * (item.metadata["low"] + item.metadata["high"]))
        for item in fields(Infants)
        if not item.metadata["choices"]
    }
    columns |= {"stratum": np.full(len(numbers), "settled"), "infant": np.array(numbers)}
    columns["apnoea_rate_per_h"] = np.full(len(numbers), 5.0)
    return Infants(**columns)  # type: ignore[arg-type]


def equal(one: BreathingEvents, two: BreathingEvents) -> bool:
    return all(
        np.array_equal(getattr(one, item.name), getattr(two, item.name)) for item in fields(one)
    )


def test_pauses_are_central_short_and_happen_at_any_saturation() -> None:
    events = draw_periodic(group([7]), 0, 3, 5 * DAY_S, PLAIN)
    assert len(events) > 200
    assert (events.kind == Breathing.CENTRAL).all() and (events.ventilation == 0).all()
    assert ((events.duration_s >= 5) & (events.duration_s <= 9)).all()
    assert (events.closed_from_s == events.duration_s).all()
    assert (events.mark < ALWAYS_MARK).all()
    assert (np.diff(events.onset_s) >= events.duration_s[:-1] + BREATHS_S).all()


def test_a_bout_has_three_pauses_or_more() -> None:
    events = draw_periodic(group([7]), 0, 3, 5 * DAY_S, PLAIN)
    _, sizes = np.unique(events.mark, return_counts=True)
    assert sizes[:-1].min() >= 3
    assert 6 < sizes.mean() < 10


@pytest.mark.parametrize("share", [0.01, 0.05, 0.3])
def test_the_share_of_time_is_that_of_the_settings(share: float) -> None:
    settings = PeriodicSettings(periodic_share=share)
    events = draw_periodic(group([7]), 0, 3, 200 * DAY_S, settings)
    gap_s = np.diff(events.onset_s)
    same_bout = np.diff(events.mark) == 0
    bouts = len(np.unique(events.mark))
    # Each bout has one more cycle than gaps, of 15 s in the mean.
    in_bouts_s = gap_s[same_bout].sum() + 15 * bouts
    assert in_bouts_s / (200 * DAY_S) == pytest.approx(share, rel=0.1)


def test_none_is_asked_for_and_none_comes() -> None:
    assert len(draw_periodic(group([7]), 0, 3, DAY_S, PeriodicSettings(periodic_share=0.0))) == 0
    with pytest.raises(TestbedError, match="periodic_share"):
        PeriodicSettings(periodic_share=0.6)


def test_company_and_length_of_the_run_change_nothing() -> None:
    alone = draw_periodic(group([7]), 0, 3, 2 * DAY_S, PLAIN)
    assert equal(alone, draw_periodic(group([1, 7]), 1, 3, 2 * DAY_S, PLAIN))
    short = draw_periodic(group([7]), 0, 3, DAY_S, PLAIN)
    assert 0 < len(short) < len(alone)
    assert np.array_equal(short.onset_s, alone.onset_s[alone.onset_s < DAY_S])
    assert np.array_equal(short.duration_s, alone.duration_s[: len(short)])


def test_merged_events_keep_all_of_the_first_and_never_overlap() -> None:
    infants = group([7])
    base = draw_breathing(infants, 0, 3, 5 * DAY_S, DisturbanceSettings())
    more = draw_periodic(infants, 0, 3, 5 * DAY_S, PeriodicSettings(periodic_share=0.3))
    merged = merge_breathing(base, more)
    assert len(base) < len(merged) < len(base) + len(more)
    assert np.isin(base.onset_s, merged.onset_s).all()
    free_s = merged.onset_s[:-1] + merged.duration_s[:-1] + BREATHS_S
    assert (merged.onset_s[1:] >= free_s).all()


def test_merging_with_nothing_is_the_list_itself() -> None:
    infants = group([7])
    some = draw_periodic(infants, 0, 3, DAY_S, PLAIN)
    none = draw_periodic(infants, 0, 3, DAY_S, PeriodicSettings(periodic_share=0.0))
    assert equal(merge_breathing(some, none), some)
    assert equal(merge_breathing(none, some), some)
