"""Pressure and the closing of lung units in apnoea."""

import numpy as np
import pytest

from oxytestbed.models.support_pressure import (
    LOST_IN_APNOEA,
    MOST_CLOSING,
    REFERENCE_AIRWAY_CMH2O,
    closing_left,
    flow_factor,
    shunt_factor,
    volume_factor,
)

PRESSURES = np.linspace(0.0, 14.0, 57)


def test_at_the_reference_and_without_breaths_all_closing_is_left():
    usual = volume_factor(np.array([REFERENCE_AIRWAY_CMH2O]))
    assert closing_left(usual, np.zeros(1))[0] == 1.0


def test_a_larger_lung_closes_less_and_a_smaller_one_more():
    left = closing_left(volume_factor(PRESSURES), np.zeros(len(PRESSURES)))
    assert (np.diff(left) <= 0).all()
    assert left[0] == MOST_CLOSING and left[-1] < 0.5


def test_a_lung_held_as_much_larger_as_apnoea_takes_closes_nothing():
    left = closing_left(np.array([1.0 + LOST_IN_APNOEA, 1.5]), np.zeros(2))
    assert left.tolist() == [pytest.approx(0.0, abs=1e-12), 0.0]


@pytest.mark.parametrize("added", [0.0, 0.25, 0.6, 1.0, 1.4])
def test_breaths_that_go_on_take_closing_back_in_proportion(added):
    assert closing_left(np.ones(1), np.full(1, added))[0] == pytest.approx(max(1.0 - added, 0.0))


def test_pressure_opens_the_lung_and_then_overdistends_it():
    volume, shunt, flow = (of(PRESSURES) for of in (volume_factor, shunt_factor, flow_factor))
    assert (np.diff(volume) > 0).all()
    assert shunt.argmin() not in (0, len(shunt) - 1)
    assert (np.diff(flow) <= 0).all() and flow[0] > flow[-1]
