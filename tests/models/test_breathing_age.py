"""Apnoea by age: neutral where not asked for, in the drawn events where it is."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from oxytestbed.models.breathing_age import age_factors
from oxytestbed.models.disturbances import (
    ALWAYS_MARK,
    Breathing,
    DisturbanceSettings,
    draw_breathing,
)
from oxytestbed.models.infants import Infants


def infant(age_d: float) -> Infants:
    columns: dict[str, object] = {
        item.name: np.array([0.5 * (item.metadata["low"] + item.metadata["high"])])
        for item in fields(Infants)
        if not item.metadata["choices"]
    }
    columns |= {"stratum": np.array(["settled"]), "infant": np.array([7])}
    columns |= {"postnatal_age_d": np.array([age_d]), "apnoea_rate_per_h": np.array([4.0])}
    return Infants(**columns)  # type: ignore[arg-type]


@pytest.mark.parametrize("age_d", [0.0, 20.0, 35.0, 180.0])
def test_without_the_effect_age_changes_nothing(age_d: float) -> None:
    assert age_factors(age_d, 0.0) == (1.0, 1.0)


def test_factors_are_never_negative() -> None:
    assert min(min(age_factors(age_d, 2.0)) for age_d in (0.0, 90.0, 180.0)) >= 0.0


def test_drawn_events_follow_age() -> None:
    counts, lengths = [], []
    for age_d in (7.0, 35.0):
        settings = DisturbanceSettings(age_effect=1.0)
        events = draw_breathing(infant(age_d), 0, 3, 200 * 86400, settings)
        apnoea = (events.kind != Breathing.HYPOVENTILATION) & (events.duration_s >= 10)
        counts.append(int((apnoea & (events.mark < ALWAYS_MARK)).sum()))
        lengths.append(float(events.duration_s[apnoea].mean()))
    young, older = (age_factors(age_d, 1.0) for age_d in (7.0, 35.0))
    assert counts[1] / counts[0] == pytest.approx(older[0] / young[0], rel=0.06)
    assert (lengths[1] - 9.5) / (lengths[0] - 9.5) == pytest.approx(older[1] / young[1], rel=0.06)
