import numpy as np
import pytest

from oxytestbed.experiments.evidence.averaging import (
    AVERAGING_S,
    add_counts,
    averaging_rows,
    count_desaturations,
    exponent,
    shown_again,
)
from oxytestbed.experiments.evidence.rows import read_published
from oxytestbed.models.cohort import CohortSettings, draw_infants

SAMPLES = 1200


@pytest.fixture(scope="module")
def infants():
    return draw_infants(3, CohortSettings(infants=2, stratum="unstable"), 90.0).infants


@pytest.fixture(scope="module")
def dips():
    """Short dips to 70 % every two minutes, of 6 s, and one long one."""
    sao2 = np.full((SAMPLES, 2), 93.0)
    for start in range(100, 900, 120):
        sao2[start : start + 6] = 70.0
    sao2[1000:1060] = 70.0
    return sao2


def test_long_averaging_hides_short_dips_and_stretches_long_ones(infants, dips):
    rate = np.full((SAMPLES, 2), 150.0)
    counts = count_desaturations(infants, dips, rate, seed=1, warmup_s=60)
    short, long = counts[2, 80, 1], counts[16, 80, 1]
    assert short[0] > long[0] >= 2
    assert long[1] / long[0] > short[1] / short[0]
    assert counts[2, 80, 30][0] >= 2
    assert exponent(counts, 80, 1) < 0


def test_a_steady_course_has_no_exponent(infants):
    steady = np.full((SAMPLES, 2), 96.0)
    counts = count_desaturations(infants, steady, np.full((SAMPLES, 2), 150.0), 1, 60)
    assert counts[3, 80, 1] == (0.0, 0.0, 0.0)
    assert np.isnan(exponent(counts, 80, 1))
    assert "averaging_number" not in averaging_rows(counts, read_published())


def test_the_same_course_is_shown_later_and_flatter(infants, dips):
    rate = np.full((SAMPLES, 2), 150.0)
    fast, slow = (shown_again(infants, dips, rate, seconds, 1) for seconds in (2, 16))
    assert fast.min() < slow[:990].min() < 93


def test_parts_add_up():
    key = (3, 80, 1)
    assert add_counts([{key: (1.0, 2.0, 3.0)}, {key: (4.0, 5.0, 6.0)}]) == {key: (5.0, 7.0, 9.0)}
    assert add_counts([]) == {}


def test_ratios_and_exponents_follow_from_the_counts():
    keys = [(a, limit, s) for a in AVERAGING_S for limit in (90, 85, 80) for s in (1, 5, 10, 15)]
    keys += [(a, limit, s) for a in AVERAGING_S for limit in (90, 85, 80) for s in (20, 25, 30)]
    # Numbers that fall as 1 over the averaging time; areas half as fast.
    counts = {key: (240.0 / key[0], 2400.0, 4800.0 / key[0] ** 0.5) for key in keys}
    rows = averaging_rows(counts, read_published())
    assert rows["averaging_number"].value == pytest.approx(3 / 16)
    assert rows["averaging_duration"].value == pytest.approx(16 / 3)
    assert rows["averaging_area"].value == pytest.approx((3 / 16) ** 0.5)
    assert rows["exponent_90_1s_g1"].value == pytest.approx(-1.0)
