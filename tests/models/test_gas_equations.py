"""Laws of the alveolar gas and shunt equations."""

import numpy as np
import pytest

from oxytestbed.models import gas_equations as gas
from oxytestbed.models.errors import TestbedError


def test_full_and_short_form_agree_when_r_is_one():
    fio2 = np.linspace(0.21, 1.0, 20)
    np.testing.assert_allclose(
        gas.alveolar_po2(fio2, 45.0, 1.0), gas.alveolar_po2_short(fio2, 45.0, 1.0)
    )


def test_on_pure_oxygen_r_does_not_matter():
    assert gas.alveolar_po2(1.0, 40.0, 0.7) == pytest.approx(gas.alveolar_po2(1.0, 40.0, 1.1))


def test_full_form_balances_nitrogen():
    """Inspired nitrogen = expired nitrogen, with expired volume from the CO2 balance."""
    fio2, paco2, quotient, dry = 0.35, 48.0, 0.9, 713.0
    alveolar = gas.alveolar_po2(fio2, paco2, quotient)
    expired = 1.0  # volume; CO2 output is expired * paco2 / dry
    uptake = expired * paco2 / dry / quotient
    inspired = (uptake + expired * alveolar / dry) / fio2
    nitrogen_in = inspired * (1.0 - fio2)
    nitrogen_out = expired * (dry - alveolar - paco2) / dry
    assert nitrogen_in == pytest.approx(nitrogen_out)


def test_shunt_fraction_reproduces_the_mixture():
    for shunt in (0.0, 0.15, 1.0):
        arterial = (1.0 - shunt) * 20.0 + shunt * 14.0
        assert gas.shunt_fraction(20.0, arterial, 14.0) == pytest.approx(shunt)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: gas.alveolar_po2(21.0, 40.0), "a fraction from 0 to 1, got 21.0"),
        (lambda: gas.alveolar_po2(0.21, -1.0), "alveolar_po2: paco2_mmhg"),
        (lambda: gas.alveolar_po2_short(0.21, 40.0, 0.0), "respiratory_quotient"),
        (lambda: gas.inspired_po2(0.21, 7.6), "barometric_mmhg"),
        (lambda: gas.shunt_fraction(20.0, 21.0, 14.0), "shunt_fraction"),
        (lambda: gas.shunt_fraction(20.0, 20.0, 20.0), "undetermined"),
    ],
)
def test_a_value_out_of_range_is_named(call, named):
    with pytest.raises(TestbedError, match=named):
        call()
