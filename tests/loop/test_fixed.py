import numpy as np
import pytest

from oxytestbed.loop.controller import make_reading
from oxytestbed.loop.controllers.fixed import FixedFiO2
from oxytestbed.loop.signals import Settings
from oxytestbed.models.errors import TestbedError

SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.21, fio2_max=1.0)


def test_each_lane_keeps_the_fio2_of_its_first_reading():
    one = FixedFiO2()
    one.reset(2, SETTINGS)
    one.act(make_reading(2, set_fio2=[0.3, 0.5]))
    later = one.act(make_reading(2, spo2_pct=[70, np.nan], set_fio2=[0.6, 0.6]))
    np.testing.assert_array_equal(later, [0.3, 0.5])


def test_reset_forgets():
    one = FixedFiO2()
    one.reset(1, SETTINGS)
    one.act(make_reading(1, set_fio2=0.3))
    one.reset(1, SETTINGS)
    np.testing.assert_array_equal(one.act(make_reading(1, set_fio2=0.4)), [0.4])


def test_a_given_fio2_is_kept_whatever_is_set():
    one = FixedFiO2(fio2=0.35)
    one.reset(2, SETTINGS)
    np.testing.assert_array_equal(one.act(make_reading(2, set_fio2=0.6)), [0.35, 0.35])


def test_what_is_returned_is_a_copy():
    one = FixedFiO2()
    one.reset(1, SETTINGS)
    one.act(make_reading(1, set_fio2=0.3))[:] = 1.0
    np.testing.assert_array_equal(one.act(make_reading(1)), [0.3])


def test_an_unknown_first_fio2_is_the_lower_limit():
    one = FixedFiO2()
    one.reset(2, SETTINGS)
    np.testing.assert_array_equal(one.act(make_reading(2, set_fio2=[np.nan, 0.4])), [0.21, 0.4])


@pytest.mark.parametrize("fio2", [0.2, 1.1, 30, float("nan")])
def test_a_fio2_that_no_blender_gives_is_refused(fio2):
    with pytest.raises(TestbedError, match=r"from 0.21 to 1 \(fraction\)"):
        FixedFiO2(fio2=fio2)


def test_lanes_that_were_not_announced_are_refused():
    one = FixedFiO2()
    one.reset(2, SETTINGS)
    with pytest.raises(TestbedError, match="2 lanes"):
        one.act(make_reading(3))
