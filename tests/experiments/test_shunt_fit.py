import numpy as np
import pytest

from oxytestbed.experiments.evidence.shunt_fit import (
    FIO2_GRID,
    fit_cohort,
    fit_pairs,
    predicted_pct,
    shunt_rows,
    va_q_of,
)
from oxytestbed.models.blood import saturation
from oxytestbed.models.cohort import CohortSettings, draw_infants
from oxytestbed.models.gas_equations import inspired_po2


@pytest.mark.parametrize(("shunt", "shift_kpa"), [(0.05, 10.0), (0.2, 15.0), (0.3, 25.0)])
def test_the_fit_finds_the_two_parameters_again(shunt, shift_kpa):
    pairs = predicted_pct(FIO2_GRID, shunt, shift_kpa, 14.0, 21.0)
    kept = (pairs > 80) & (pairs < 99)
    found_shunt, found_shift, rms = fit_pairs(FIO2_GRID[kept], pairs[kept], 14.0, 21.0)
    assert found_shunt == pytest.approx(100 * shunt, abs=0.2)
    assert found_shift == pytest.approx(shift_kpa, abs=0.2)
    assert rms < 0.01


def test_without_shunt_the_curve_is_that_of_blood_shifted_right():
    fio2 = np.array([0.21, 0.3])
    expected = 100 * saturation(np.asarray(inspired_po2(fio2)) - 10 * 7.50062, 20.0)
    np.testing.assert_allclose(predicted_pct(fio2, 0.0, 10.0, 14.0, 20.0), expected, atol=1e-6)


def test_a_normal_shift_stands_for_a_normal_va_q():
    # Quine 2006 ADC FN 91:F409 (6 kPa); Smith & Jones 2001 ADC FN 85:F127 (0.8), Dassios 2017
    # J Clin Monit Comput 31(6): 0.95 (SD 0.21).
    assert 0.74 < va_q_of(6.0, 0.0) < 1.16
    assert va_q_of(12.0, 0.0) == pytest.approx(va_q_of(6.0, 0.0) / 2)
    assert va_q_of(0.0, 0.0) == float("inf")


def test_a_cohort_gives_every_row():
    groups = [
        fit_cohort(draw_infants(3, CohortSettings(infants=8, stratum=stratum), target).infants)
        for stratum, target in (("settled", 92.5), ("unstable", 90.0))
    ]
    assert all(len(fits) >= 4 for fits in groups)
    # The fitted shunt holds the part of mismatch that no shift can show: never under the true one.
    assert (groups[1].shunt_pct > groups[1].true_shunt_pct - 2).all()
    rows = shunt_rows(*groups)
    assert rows["shift_failure"].value > rows["shift_bpd"].value
    assert 0 <= rows["va_q_low"].value <= 100
