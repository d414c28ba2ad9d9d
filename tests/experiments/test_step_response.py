import numpy as np
import pytest

from oxytestbed.experiments.evidence.step_response import (
    fit_shape,
    place_of,
    responses,
    responses_by_level,
    step_courses,
    worked_response,
    worked_rows,
)
from oxytestbed.models.cohort import CohortSettings, draw_infants
from oxytestbed.models.lung_parameters import lung_parameters
from oxytestbed.models.steady import fio2_for, steady_state

TIME_S = np.arange(200.0)


@pytest.fixture(scope="module")
def infants():
    return draw_infants(3, CohortSettings(infants=8, stratum="unstable"), 90.0).infants


def first_order(rise, delay_s, time_constant_s, start=80.0):
    return start + rise * (1 - np.exp(-np.maximum(TIME_S - delay_s, 0.0) / time_constant_s))


@pytest.mark.parametrize("rise", [20.7, -6.0])
def test_the_fit_finds_a_first_order_response_again(rise):
    # The published worked response: delay 9 s, time constant 22 s, rise 20.7 points.
    shape = fit_shape(TIME_S, first_order(rise, 9.0, 22.0))
    assert (shape.delay_s, shape.time_constant_s) == (9.0, 22.0)
    assert shape.rise == pytest.approx(rise)
    assert shape.start == pytest.approx(80.0)
    assert shape.r2 == pytest.approx(1.0)


def test_a_fall_is_no_rise_and_noise_is_no_response():
    assert fit_shape(TIME_S, first_order(-6.0, 9.0, 22.0), rising=True).r2 == pytest.approx(
        0.0, abs=1e-9
    )
    noise = np.random.default_rng(1).standard_normal(200)
    assert fit_shape(TIME_S, noise).r2 < 0.2
    assert fit_shape(TIME_S, np.full(200, 90.0)).r2 == 0.0


def test_the_coarse_grid_comes_close():
    shape = fit_shape(TIME_S, first_order(10.0, 9.0, 22.0), coarse=True)
    assert shape.r2 > 0.99
    assert abs(shape.delay_s - 9.0) <= 2.0


def test_courses_end_at_the_steady_state_after_the_step(infants):
    parameters = lung_parameters(infants)
    before = np.round(fio2_for(parameters, np.full(8, 0.9)), 3)
    courses = step_courses(infants, before, before + 0.05)
    np.testing.assert_allclose(courses[0], 100 * steady_state(parameters, before).sao2_fraction)
    after = 100 * steady_state(parameters, before + 0.05).sao2_fraction
    # 300 s are many time constants, but for the slowest infant.
    np.testing.assert_allclose(courses[-1], after, atol=0.4)
    # Nothing can be seen before dead time and circulation have passed.
    assert np.abs(courses[int(5.5 + infants.circulation_delay_s.min())] - courses[0]).max() < 0.05


def test_gain_falls_as_saturation_rises(infants):
    table = responses_by_level(infants)
    gain = table.groupby("level_pct").gain.median()
    assert gain[95.0] < gain[85.0]
    assert (table.delay_s >= 3).all()


def test_the_worked_response_is_put_on_infants_that_start_low(infants):
    table = worked_response(infants)
    assert len(table) > 0
    assert table.start_pct.between(75, 85).all()
    rows = worked_rows(table, {"worked_delay": 9.0, "worked_tau": 22.0, "worked_gain": 3.9})
    assert set(rows) == {"worked_delay", "worked_tau", "worked_gain"}
    assert "percentile" in rows["worked_gain"].note


def test_the_place_of_the_published_infant_is_said():
    values = np.linspace(1.0, 2.0, 50)
    assert "lies inside" in place_of(1.5, values)
    assert "OUTSIDE" in place_of(3.9, values)
    assert "no simulated infant" in place_of(1.0, np.zeros(0))


def test_a_response_without_a_step_has_no_rise(infants):
    before = np.full(8, 0.4)
    table = responses(infants, before, before + 0.001)
    assert table.rise_pct.abs().max() < 0.5
