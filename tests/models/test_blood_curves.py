"""Laws of the alternative curves and of the shifts."""

import numpy as np
import pytest

from oxytestbed.models import blood
from oxytestbed.models import blood_curves as curves
from oxytestbed.models.errors import TestbedError

PO2 = np.geomspace(5.0, 2000.0, 400)


@pytest.mark.parametrize("curve", [curves.kelman_saturation, curves.dash_saturation])
def test_each_curve_rises_and_stays_a_fraction(curve):
    fraction = curve(PO2)
    assert np.all(np.diff(fraction) > 0)
    assert 0.0 < fraction[0] < fraction[-1] < 1.0
    assert curve(40.0) == pytest.approx(float(curve(np.array([40.0]))[0]))


def test_the_three_curves_agree_where_infants_live():
    """Within 1.2 points from 30 mmHg up and 2.1 from 15; Kelman's is the farther one."""
    for lowest, gap in ((15.0, 0.021), (30.0, 0.012)):
        po2 = PO2[lowest <= PO2]
        default = blood.saturation(po2)
        for other in (curves.kelman_saturation(po2), curves.dash_saturation(po2)):
            assert np.max(np.abs(other - default)) < gap


def test_kelman_is_refused_where_its_polynomial_fails():
    """Just below the accepted range it turns negative."""
    with pytest.raises(TestbedError, match="5 to 2000 mmHg"):
        curves.kelman_saturation(4.6)


STATES = [{"ph": 7.2}, {"pco2_mmhg": 60.0}, {"temperature_c": 39.0}, {"dpg_mmol_l": 6.0}]


@pytest.mark.parametrize("state", STATES)
def test_acid_carbon_dioxide_warmth_and_dpg_move_p50_up(state):
    assert curves.dash_p50(**state) > curves.dash_p50()
    assert curves.shifted_p50(20.0, **state) > 20.0


def test_shifts_multiply_and_standard_blood_is_not_shifted():
    assert curves.dash_p50() == pytest.approx(26.8, abs=1e-9)
    both = curves.dash_p50(ph=7.2, temperature_c=39.0)
    product = curves.dash_p50(ph=7.2) * curves.dash_p50(temperature_c=39.0) / 26.8
    assert both == pytest.approx(product, rel=1e-12)
    np.testing.assert_allclose(curves.shifted_p50(np.array([19.0, 24.0])), [19.0, 24.0])
    assert curves.kelman_virtual_po2(50.0) == 50.0
    assert curves.severinghaus_actual_po2(50.0) == 50.0


def test_acid_blood_gives_up_oxygen_in_all_three_models():
    """Their Bohr slopes dlnPO2/dpH near 40 mmHg differ: -0.75 Dash, -0.92 Kelman, -1.12."""
    acid, standard = 7.2, blood.saturation(40.0)
    kelman = curves.kelman_saturation(curves.kelman_virtual_po2(40.0, ph=acid))
    dash = blood.saturation(40.0, curves.shifted_p50(26.857, ph=acid))
    severinghaus = blood.saturation(curves.severinghaus_standard_po2(40.0, ph=acid))
    assert max(kelman, dash, severinghaus) < standard - 0.06
    assert max(kelman, dash, severinghaus) - min(kelman, dash, severinghaus) < 0.06


@pytest.mark.parametrize("ph", [6.8, 7.2, 7.8])
@pytest.mark.parametrize("temperature_c", [30.0, 33.5, 42.0])
def test_severinghaus_shift_is_undone(ph, temperature_c):
    standard = np.geomspace(0.5, 900.0, 60)
    actual = curves.severinghaus_actual_po2(standard, ph=ph, temperature_c=temperature_c)
    back = curves.severinghaus_standard_po2(actual, ph=ph, temperature_c=temperature_c)
    np.testing.assert_allclose(back, standard, rtol=1e-12)


def test_zero_po2_stays_zero():
    assert curves.dash_saturation(0.0) == 0.0
    assert curves.severinghaus_actual_po2(0.0, ph=7.2) == 0.0
    assert curves.severinghaus_standard_po2(0.0, temperature_c=39.0) == 0.0


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: curves.dash_p50(ph=74.0), "dash_p50: ph"),
        (lambda: curves.dash_p50(temperature_c=310.0), "temperature_c"),
        (lambda: curves.kelman_virtual_po2(-1.0), "kelman_virtual_po2: po2_mmhg"),
        (lambda: curves.kelman_virtual_po2(50.0, pco2_mmhg=0.0), "pco2_mmhg"),
        (lambda: curves.shifted_p50(0.0), "shifted_p50: p50_mmhg"),
        (lambda: curves.dash_saturation(float("nan")), "dash_saturation: po2_mmhg"),
        (lambda: curves.dash_p50(dpg_mmol_l=4650.0), "dpg_mmol_l"),
        (lambda: curves.severinghaus_actual_po2(-1.0), "po2_mmhg"),
    ],
)
def test_a_state_out_of_range_is_named(call, named):
    with pytest.raises(TestbedError, match=named):
        call()
