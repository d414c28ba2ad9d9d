"""Textbook equations of gas exchange at steady state: alveolar gas and shunt.

They tie the lung model to what a clinician works out on paper, and serve the
checks; the lungs themselves are in `lung_equations`.
"""

from __future__ import annotations

from typing import TypeVar

from .errors import problem
from .infants import FloatArray
from .lung_parameters import BAROMETRIC_MMHG, WATER_VAPOUR_MMHG
from .operands import values_within

V = TypeVar("V", float, FloatArray)


def inspired_po2(fio2: V, barometric_mmhg: float = BAROMETRIC_MMHG) -> V:
    """PO2 of inspired gas once it is warm and humid: FI (PB - 47).

    Parameters
    ----------
    fio2 : float or ndarray
        Inspired oxygen fraction, 0 to 1.
    barometric_mmhg : float
        Barometric pressure (mmHg), 100 to 1000.

    Returns
    -------
    float or ndarray
        Inspired PO2 (mmHg).

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    values_within("inspired_po2: fio2", fio2, 0.0, 1.0, "a fraction from 0 to 1")
    values_within(
        "inspired_po2: barometric_mmhg", barometric_mmhg, 100.0, 1000.0, "100 to 1000 mmHg"
    )
    return fio2 * (barometric_mmhg - WATER_VAPOUR_MMHG)


def _check_alveolar(where: str, paco2_mmhg: float, respiratory_quotient: float) -> None:
    values_within(f"{where}: paco2_mmhg", paco2_mmhg, 0.0, 200.0, "0 to 200 mmHg")
    values_within(
        f"{where}: respiratory_quotient", respiratory_quotient, 0.5, 1.5, "a ratio from 0.5 to 1.5"
    )


def alveolar_po2(
    fio2: V,
    paco2_mmhg: float,
    respiratory_quotient: float = 0.8,
    barometric_mmhg: float = BAROMETRIC_MMHG,
) -> V:
    """Alveolar PO2 by the full alveolar gas equation.

    PA = PI - PaCO2 (FI + (1 - FI) / R): exact for a homogeneous lung in steady
    state, because inspired and expired nitrogen are equal.

    Parameters
    ----------
    fio2 : float or ndarray
        Inspired oxygen fraction, 0 to 1.
    paco2_mmhg : float
        Arterial, taken as alveolar, PCO2 (mmHg), 0 to 200.
    respiratory_quotient : float
        CO2 output over O2 uptake, 0.5 to 1.5.
    barometric_mmhg : float
        Barometric pressure (mmHg).

    Returns
    -------
    float or ndarray
        Alveolar PO2 (mmHg).

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    _check_alveolar("alveolar_po2", paco2_mmhg, respiratory_quotient)
    inspired = inspired_po2(fio2, barometric_mmhg)
    return inspired - paco2_mmhg * (fio2 + (1.0 - fio2) / respiratory_quotient)


def alveolar_po2_short(
    fio2: V,
    paco2_mmhg: float,
    respiratory_quotient: float = 0.8,
    barometric_mmhg: float = BAROMETRIC_MMHG,
) -> V:
    """Alveolar PO2 by the bedside short form PI - PaCO2 / R.

    It overstates the fall at high FiO2; with R = 1 it is the form that textbooks
    give for an FiO2 of 0.6 and more.

    Parameters
    ----------
    fio2 : float or ndarray
        Inspired oxygen fraction, 0 to 1.
    paco2_mmhg : float
        Arterial PCO2 (mmHg), 0 to 200.
    respiratory_quotient : float
        CO2 output over O2 uptake, 0.5 to 1.5.
    barometric_mmhg : float
        Barometric pressure (mmHg).

    Returns
    -------
    float or ndarray
        Alveolar PO2 (mmHg).

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    _check_alveolar("alveolar_po2_short", paco2_mmhg, respiratory_quotient)
    return inspired_po2(fio2, barometric_mmhg) - paco2_mmhg / respiratory_quotient


def shunt_fraction(end_capillary: V, arterial: V, mixed_venous: V) -> V:
    """Shunt as a fraction of cardiac output, from three oxygen contents.

    Qs/Qt = (Cc - Ca) / (Cc - Cv), with all contents in one unit.

    Parameters
    ----------
    end_capillary, arterial, mixed_venous : float or ndarray
        Oxygen contents, in the same unit, falling in this order.

    Returns
    -------
    float or ndarray
        Shunt fraction, 0 to 1.

    Raises
    ------
    TestbedError
        If the contents do not fall from end-capillary to mixed venous.
    """
    where = "shunt_fraction: contents"
    order = "end-capillary >= arterial >= mixed venous >= 0, and Cc > Cv"
    highest = float("inf")
    values_within(where, mixed_venous, 0.0, highest, order)
    values_within(where, arterial - mixed_venous, 0.0, highest, order)
    values_within(where, end_capillary - arterial, 0.0, highest, order)
    difference = end_capillary - mixed_venous
    if (values_within(where, difference, 0.0, highest, order) == 0.0).any():
        raise problem(where, order, 0.0, "Equal contents leave the shunt undetermined")
    return (end_capillary - arterial) / difference
