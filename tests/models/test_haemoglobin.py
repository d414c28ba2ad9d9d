"""HbF, P50 and transfusion: laws of the mass balance."""

import numpy as np
import pytest

from oxytestbed.models.errors import TestbedError
from oxytestbed.models.haemoglobin import p50_from_hbf, transfuse

INFANT = {
    "hb_g_dl": 12.0,
    "hbf_fraction": 0.9,
    "p50_mmhg": 19.0,
    "blood_volume_ml_kg": 80.0,
    "donor_hb_g_dl": 20.0,
}


def test_p50_falls_as_hbf_rises():
    p50 = p50_from_hbf(np.linspace(0.0, 1.0, 50))
    assert np.all(np.diff(p50) < 0)


def test_haemoglobin_is_conserved():
    """15 mL/kg at 20 g/dL: 3 g/kg join 9.6 g/kg in 80 mL/kg; all the HbF stays."""
    after = transfuse(**INFANT, given_ml_kg=15.0)
    assert after.hb_g_dl == pytest.approx(12.6 / 0.80)
    assert after.hbf_fraction == pytest.approx(0.9 * 9.6 / 12.6)


def test_an_exchange_at_the_same_haemoglobin_leaves_it_unchanged():
    given = {**INFANT, "donor_hb_g_dl": 12.0}
    after = transfuse(**given, given_ml_kg=20.0, withdrawn_ml_kg=20.0)
    assert after.hb_g_dl == pytest.approx(12.0)
    assert after.hbf_fraction == pytest.approx(0.9 * 0.75)


def test_nothing_given_changes_nothing():
    after = transfuse(**INFANT, given_ml_kg=0.0)
    assert (after.hb_g_dl, after.hbf_fraction, after.p50_mmhg) == (12.0, 0.9, 19.0)


def test_p50_rises_and_keeps_the_infants_distance_from_the_curve():
    given = np.array([0.0, 10.0, 20.0, 40.0])
    after = transfuse(**INFANT, given_ml_kg=given)
    assert np.all(np.diff(after.p50_mmhg) > 0)
    distance = after.p50_mmhg - p50_from_hbf(after.hbf_fraction)
    np.testing.assert_allclose(distance, 19.0 - p50_from_hbf(0.9))


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"given_ml_kg": -1.0}, "given_ml_kg"),
        ({"hbf_fraction": 90.0}, "hbf_fraction"),
        ({"withdrawn_ml_kg": 80.0}, "withdrawn_ml_kg"),
        ({"hb_g_dl": 0.0}, "hb_g_dl"),
        ({"blood_volume_ml_kg": float("nan")}, "blood_volume_ml_kg"),
    ],
)
def test_a_value_out_of_range_is_named(change, named):
    with pytest.raises(TestbedError, match=named):
        transfuse(**{**INFANT, "given_ml_kg": 15.0, **change})
