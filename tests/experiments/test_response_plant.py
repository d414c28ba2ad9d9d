import numpy as np
import pytest

from oxytestbed.experiments.response_linear import linear_plant
from oxytestbed.experiments.response_parts import plant_table
from oxytestbed.experiments.response_plant import (
    FirstOrderPlant,
    InfantPlant,
    at_rest,
    shunt_factor_for,
)
from oxytestbed.models.cohort import CohortSettings, draw_infants
from oxytestbed.models.errors import TestbedError

SECONDS = 400


@pytest.fixture(scope="module")
def infants():
    settings = CohortSettings(infants=6, stratum="unstable")
    return at_rest(draw_infants(3, settings, 92.0).infants, 92.0)


def stepped(plant, change, seconds=SECONDS):
    """Step FiO2 in the first second; give what is measured before each tick."""
    rows = []
    for tick in range(seconds):
        rows.append(plant.measured_pct.copy())
        plant.step(tick, plant.rest_fio2 + change)
    return np.array(rows)


def test_first_order_plant_by_hand():
    course = stepped(FirstOrderPlant(gain=2.0, lag_s=30.0, dead_time_s=5), 0.01)[:, 0]
    times = np.arange(SECONDS)
    expected = 93.0 + 2.0 * (1.0 - np.exp(-np.maximum(times - 5, 0) / 30.0))
    np.testing.assert_allclose(course, expected, atol=1e-9)


def test_an_integrator_rises_along_a_line():
    course = stepped(FirstOrderPlant(gain=0.5, lag_s=np.inf, dead_time_s=0), 0.01, 10)[:, 0]
    np.testing.assert_allclose(course, 93.0 + 0.5 * np.arange(10))


def test_a_load_is_an_fio2_that_is_missing():
    plant = FirstOrderPlant(gain=1.0, lag_s=10.0, dead_time_s=0)
    plant.load(0, 0.05)
    assert stepped(plant, 0.0)[-1, 0] == pytest.approx(88.0)
    with pytest.raises(TestbedError, match="lag_s"):
        FirstOrderPlant(gain=1.0, lag_s=0.0, dead_time_s=0)


def test_infants_stay_at_rest_and_those_without_room_are_left_out(infants):
    assert len(infants) == 6
    course = stepped(InfantPlant(infants, quantised_fio2=False), 0.0)
    np.testing.assert_allclose(course[-1], 92.0, atol=0.02)
    settled = draw_infants(3, CohortSettings(infants=30), 92.0).infants
    rested = at_rest(settled, 92.0)
    assert 0 < len(rested) < 30
    assert rested.fio2_need.min() >= 0.23


def test_a_finer_step_than_the_blenders_reaches_the_infant_only_without_rounding(infants):
    rounded = InfantPlant(infants)
    still = stepped(InfantPlant(infants), 0.0, 100)
    np.testing.assert_array_equal(stepped(rounded, 1e-9, 100), still)
    exact = stepped(InfantPlant(infants, quantised_fio2=False), 0.0004, 300)
    assert (exact[-1] - 92.0 > 0.005).all()


def test_copies_are_lanes_of_their_own(infants):
    two = InfantPlant(infants, copies=2)
    change = np.repeat([0.0, 0.05], len(infants))
    course = stepped(two, change, 120)
    np.testing.assert_array_equal(course[:, :6], stepped(InfantPlant(infants), 0.0, 120))
    assert (course[-1, 6:] > course[-1, :6]).all()


def test_the_linear_plant_answers_as_the_simulated_infant(infants):
    change = 0.002
    still = stepped(InfantPlant(infants, quantised_fio2=False), 0.0)
    moved = stepped(InfantPlant(infants, quantised_fio2=False), change)
    points = 4096
    for place in range(len(infants)):
        plant = linear_plant(infants, place)
        turns = 2.0 * np.pi * np.arange(points) / points
        answer = np.cumsum(np.fft.ifft(plant.at(turns)).real)[:SECONDS] * change
        rise = 100.0 * plant.gain * change
        seen = (moved - still)[:, place]
        np.testing.assert_allclose(seen, answer, atol=0.03 * rise)
        assert seen[-1] > 0.8 * rise


def test_a_raised_need_is_needed(infants):
    factors = shunt_factor_for(infants, infants.fio2_need + 0.05)
    assert (factors > 1.0).all()
    plant = InfantPlant(infants, quantised_fio2=False)
    plant.load(0, 0.05)
    course = stepped(plant, 0.05, 1500)
    assert np.abs(course[-1] - 92.0).max() < 0.1
    assert course.min() < 91.9


def test_the_table_tells_gain_delay_and_lag(infants):
    plants = [linear_plant(infants, place) for place in range(len(infants))]
    table = plant_table(infants, plants)
    assert (table["gain"] > 0.1).all()
    dead = 5.5 + infants.circulation_delay_s + 3.5  # circuit, circulation, half the average
    np.testing.assert_allclose(table["dead_time_s"], dead)
    assert table["lag_s"].between(10, 200).all()
    ratio = table["gain_at_88"] / table["gain_at_95"]
    np.testing.assert_allclose(table["gain_ratio_88_to_95"], ratio)
