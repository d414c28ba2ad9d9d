"""What goes on at the moment in each lane."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from oxytestbed.models.activities import Activities, ActivityKind, ActivitySettings
from oxytestbed.models.activity_state import ActivityState
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.infants import Infants


def group(count: int) -> Infants:
    """Infants in the middle of every range."""
    columns: dict[str, object] = {
        item.name: np.full(count, 0.5 * (item.metadata["low"] + item.metadata["high"]))
        for item in fields(Infants)
        if not item.metadata["choices"]
    }
    columns |= {"stratum": np.full(count, "settled"), "infant": np.arange(count)}
    return Infants(**columns)  # type: ignore[arg-type]


def some() -> Activities:
    """Handling, crying that overlaps it, an interface that comes off, a transfusion."""
    kinds = ("HANDLING", "CRYING", "INTERFACE_OFF", "TRANSFUSION")
    return Activities(
        onset_s=np.array([10, 20, 30, 40]),
        duration_s=np.array([60, 60, 60, 10800]),
        kind=np.array([int(ActivityKind[name]) for name in kinds]),
        vo2_factor=np.array([1.15, 1.4, 1.0, 1.0]),
        ventilation_factor=np.array([1.1, 1.2, 1.0, 1.0]),
        shunt_factor=np.array([1.1, 1.3, 1.3, 1.0]),
        motion=np.array([0.5, 0.6, 0.0, 0.0]),
        interface_off=np.array([False, False, True, False]),
        stimulates=np.array([True, True, False, False]),
    )


NAMES = ("vo2_factor", "ventilation_factor", "shunt_factor", "motion", "interface_off")


def test_nothing_goes_on_at_first() -> None:
    state = ActivityState(group(2), 2, ActivitySettings())
    assert not state.any_active
    assert state.count_transfusion(60) is None
    for name, value in zip(NAMES, (1, 1, 1, 0, 0), strict=True):
        assert (getattr(state, name) == value).all()


def test_what_overlaps_is_multiplied_and_leaves_no_trace() -> None:
    state, acts = ActivityState(group(2), 2, ActivitySettings()), some()
    state.start([1, 3], acts, 0)
    state.start([1, 3], acts, 1)
    assert state.vo2_factor.tolist() == [1.0, 1.15 * 1.4, 1.0, 1.15 * 1.4]
    assert state.motion.tolist() == [0.0, 0.6, 0.0, 0.6]
    assert state.stimulates.tolist() == [False, True, False, True]
    assert state.ongoing(1) == (ActivityKind.HANDLING, ActivityKind.CRYING)
    state.stop([1], acts, 0)
    assert state.vo2_factor.tolist() == [1.0, 1.4, 1.0, 1.15 * 1.4]
    state.stop([1, 3], acts, 1)
    state.stop([3], acts, 0)
    assert not state.any_active
    assert (state.vo2_factor == 1).all() and (state.shunt_factor == 1).all()


def test_the_order_of_starting_changes_no_bit() -> None:
    values = []
    for order in ((0, 1, 2), (2, 1, 0), (1, 0, 2)):
        state = ActivityState(group(1), 1, ActivitySettings())
        for number in order:
            state.start([0], some(), number)
        values.append([float(getattr(state, name)[0]) for name in NAMES])
    assert values[0] == values[1] == values[2]


def test_a_transfusion_changes_the_blood_of_its_own_lane() -> None:
    settings = ActivitySettings(transfusion_h=1.0, transfusion_ml_kg=20.0)
    state = ActivityState(group(2), 1, settings)
    before = state.blood()
    state.start([0], some(), 3)
    for _ in range(60):
        changed = state.count_transfusion(60)
        assert changed is not None and changed.tolist() == [True, False]
    state.stop([0], some(), 3)
    assert state.count_transfusion(60) is None
    assert state.transfused.tolist() == [pytest.approx(1.0), 0.0]
    after = state.blood()
    # 20 mL/kg at 20 g/dL in 100 mL/kg of blood: 4 g/dL more, mass balance by hand.
    assert after.hb_g_dl - before.hb_g_dl == pytest.approx([4.0, 0.0])
    assert after.hbf_fraction[0] == pytest.approx(0.5 * 15.0 / 19.0)
    assert after.p50_mmhg[0] > before.p50_mmhg[0]
    assert after.p50_mmhg[1] == before.p50_mmhg[1]


def test_stopping_what_does_not_go_on_is_an_error() -> None:
    state = ActivityState(group(1), 1, ActivitySettings())
    with pytest.raises(TestbedError, match="expected handling going on in lane 0"):
        state.stop([0], some(), 0)
