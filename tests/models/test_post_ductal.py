"""Mixing of venous blood behind the arterial duct."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from oxytestbed.models.blood import saturation
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.infants import Infants
from oxytestbed.models.lung_parameters import DISSOLVED_ML_ML_MMHG, LungParameters, lung_parameters
from oxytestbed.models.post_ductal import LOWER_BODY_SHARE, PostDuctal


def parameters(count: int) -> LungParameters:
    columns: dict[str, object] = {
        item.name: np.full(count, 0.5 * (item.metadata["low"] + item.metadata["high"]))
        for item in fields(Infants)
        if not item.metadata["choices"]
    }
    columns |= {"stratum": np.full(count, "settled"), "infant": np.arange(count)}
    columns |= {"p50_mmhg": np.linspace(19.5, 24.0, count), "hb_g_dl": np.linspace(10, 16, count)}
    return lung_parameters(Infants(**columns))  # type: ignore[arg-type]


def contents(lanes: LungParameters, po2_mmhg: float) -> tuple[np.ndarray, np.ndarray]:
    """Content and saturation at a PO2."""
    sao2 = np.asarray(saturation(np.full(lanes.lanes, po2_mmhg), lanes.p50_mmhg))
    return lanes.capacity * sao2 + DISSOLVED_ML_ML_MMHG * po2_mmhg, sao2


def test_a_pre_ductal_probe_sees_the_arterial_saturation_itself() -> None:
    lanes = parameters(3)
    duct = PostDuctal(lanes)
    (ca, sao2), (cv, _) = contents(lanes, 60.0), contents(lanes, 30.0)
    assert duct.saturation(ca, cv, sao2) is sao2
    assert (duct.flow_factor == 1).all()


def test_mixed_blood_has_the_content_of_its_parts() -> None:
    lanes = parameters(3)
    duct = PostDuctal(lanes)
    duct.set_mixing(slice(None), 0.25)
    (ca, sao2), (cv, svo2) = contents(lanes, 60.0), contents(lanes, 30.0)
    seen = duct.saturation(ca, cv, sao2)
    # But for the little that is dissolved, contents mix as saturations do.
    assert seen == pytest.approx(0.75 * sao2 + 0.25 * svo2, abs=2e-3)
    assert duct.flow_factor == pytest.approx(np.full(3, 1 - 0.25 * LOWER_BODY_SHARE))


def test_oxygen_moved_by_the_smaller_flow_is_that_of_the_mix() -> None:
    """Own arithmetic: Q (mix - Cv) = Q (1 - w d) (Ca - Cv), mix weighted by the flows."""
    duct = PostDuctal(parameters(1))
    duct.set_mixing(0, 0.4)
    flow, ca, cv, w = 3.0, 0.17, 0.11, LOWER_BODY_SHARE
    post = 0.6 * ca + 0.4 * cv
    mix = (1 - w) * ca + w * post
    assert flow * (mix - cv) == pytest.approx(flow * float(duct.flow_factor[0]) * (ca - cv))


def test_mixing_in_other_lanes_changes_no_bit() -> None:
    lanes = parameters(3)
    busy, alone = PostDuctal(lanes), PostDuctal(lanes)
    busy.set_mixing(0, 0.3)
    for step in range(40):
        (ca, sao2), (cv, _) = contents(lanes, 60.0 - step), contents(lanes, 20.0)
        if step == 20:
            busy.set_mixing(1, 0.2)
            alone.set_mixing(1, 0.2)
        one, two = busy.saturation(ca, cv, sao2), alone.saturation(ca, cv, sao2)
        assert np.array_equal(one[1:], two[1:])
        assert one[0] < sao2[0] and one[2] == sao2[2]
    assert two[1] < sao2[1]


def test_an_impossible_share_is_refused() -> None:
    with pytest.raises(TestbedError, match=r"0 to 0\.8"):
        PostDuctal(parameters(1)).set_mixing(0, 0.9)
