"""Other dissociation curves, and how pH, PCO2, temperature and DPG move the curve.

None of this runs in the per-tick path. The curves of Kelman 1966 and Dash,
Korman and Bassingthwaighte 2016 stand beside the default one so that its
influence on a result can be judged; the shifts give a P50 for a blood's state.
Where a coefficient was remembered rather than read, it says 'from memory'.
"""

from __future__ import annotations

import math
from typing import TypeVar

from .blood import PO2_MAX_MMHG
from .infants import FloatArray
from .operands import values_within

V = TypeVar("V", float, FloatArray)

#: State of standard blood, at which no curve here is shifted.
STANDARD_PH = 7.40
STANDARD_PCO2_MMHG = 40.0
STANDARD_TEMPERATURE_C = 37.0
STANDARD_DPG_MMOL_L = 4.65

#: Kelman 1966, J Appl Physiol 21:1375-1376: numerator and denominator, lowest power first,
#: without the leading x**4 of both. Coefficients from memory; with them the polynomial gives
#: all reference values to their four decimals.
KELMAN_NUMERATOR = (0.0, -8532.2289, 2121.4010, -67.073989)
KELMAN_DENOMINATOR = (935960.87, -31346.258, 2396.1674, -67.104406)

#: Below this PO2 Kelman's polynomial bends and turns negative (at 4.65 mmHg).
KELMAN_PO2_MIN_MMHG = 5.0

#: Dash, Korman and Bassingthwaighte 2016, Ann Biomed Eng (PMID 26298270): standard P50 (mmHg)
#: and n = alpha - beta * 10**(-PO2 / gamma). From memory; checked as Kelman's.
DASH_P50_MMHG = 26.8
DASH_HILL = (2.82, 1.20, 29.25)

#: Red-cell pH from plasma pH, same paper, from memory: 0.795 pH + 1.357; 7.24 at pH 7.40.
DASH_RED_CELL_PH = (0.795, 1.357)


def _check_state(
    where: str,
    ph: float = STANDARD_PH,
    pco2_mmhg: float = STANDARD_PCO2_MMHG,
    temperature_c: float = STANDARD_TEMPERATURE_C,
    dpg_mmol_l: float = STANDARD_DPG_MMOL_L,
) -> None:
    """Refuse a state of the blood outside what the fits were made for."""
    values_within(f"{where}: ph", ph, 6.8, 7.8, "a plasma pH from 6.8 to 7.8")
    values_within(f"{where}: pco2_mmhg", pco2_mmhg, 5.0, 150.0, "a PCO2 from 5 to 150 mmHg")
    values_within(f"{where}: temperature_c", temperature_c, 30.0, 42.0, "30 to 42 degC")
    values_within(f"{where}: dpg_mmol_l", dpg_mmol_l, 0.0, 12.0, "DPG from 0 to 12 mmol/L")


def kelman_saturation(po2_mmhg: V) -> V:
    """Saturation of adult standard blood by the curve of Kelman 1966.

    Parameters
    ----------
    po2_mmhg : float or ndarray
        PO2 (mmHg), 5 to 2000; in other than standard blood the virtual PO2 of
        `kelman_virtual_po2`.

    Returns
    -------
    float or ndarray
        Saturation (fraction).

    Raises
    ------
    TestbedError
        If a PO2 is out of range or NaN.
    """
    low = KELMAN_PO2_MIN_MMHG
    values_within("kelman_saturation: po2_mmhg", po2_mmhg, low, 2000.0, "5 to 2000 mmHg")
    a0, a1, a2, a3 = KELMAN_NUMERATOR
    b0, b1, b2, b3 = KELMAN_DENOMINATOR
    x = po2_mmhg
    return (a0 + x * (a1 + x * (a2 + x * (a3 + x)))) / (b0 + x * (b1 + x * (b2 + x * (b3 + x))))


def kelman_virtual_po2(
    po2_mmhg: V,
    *,
    ph: float = STANDARD_PH,
    pco2_mmhg: float = STANDARD_PCO2_MMHG,
    temperature_c: float = STANDARD_TEMPERATURE_C,
) -> V:
    """PO2 that would give standard blood the same saturation, by Kelman 1966.

    P * 10**(0.024 (37 - T) + 0.40 (pH - 7.40) + 0.06 (log10 40 - log10 PCO2))

    Parameters
    ----------
    po2_mmhg : float or ndarray
        Actual PO2 (mmHg).
    ph : float
        Plasma pH, 6.8 to 7.8.
    pco2_mmhg : float
        PCO2 (mmHg), 5 to 150; its factor 0.06 is from memory.
    temperature_c : float
        Temperature of the blood (degC), 30 to 42.

    Returns
    -------
    float or ndarray
        Virtual PO2 (mmHg).

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    where = "kelman_virtual_po2"
    values_within(f"{where}: po2_mmhg", po2_mmhg, 0.0, PO2_MAX_MMHG, "0 to 1e5 mmHg")
    _check_state(where, ph, pco2_mmhg, temperature_c)
    exponent = (
        0.024 * (STANDARD_TEMPERATURE_C - temperature_c)
        + 0.40 * (ph - STANDARD_PH)
        + 0.06 * math.log10(STANDARD_PCO2_MMHG / pco2_mmhg)
    )
    return po2_mmhg * math.pow(10.0, exponent)


def dash_saturation(po2_mmhg: V, p50_mmhg: float = DASH_P50_MMHG) -> V:
    """Saturation by Dash, Korman and Bassingthwaighte 2016.

    A Hill curve whose exponent rises with PO2.

    Parameters
    ----------
    po2_mmhg : float or ndarray
        PO2 (mmHg), 0 to 1e5.
    p50_mmhg : float
        PO2 at half saturation (mmHg), 1 to 200; see `dash_p50`.

    Returns
    -------
    float or ndarray
        Saturation (fraction).

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    values_within("dash_saturation: po2_mmhg", po2_mmhg, 0.0, PO2_MAX_MMHG, "0 to 1e5 mmHg")
    values_within("dash_saturation: p50_mmhg", p50_mmhg, 1.0, 200.0, "1 to 200 mmHg")
    alpha, beta, gamma = DASH_HILL
    exponent = alpha - beta * 10.0 ** (-po2_mmhg / gamma)
    odds: V = (po2_mmhg / p50_mmhg) ** exponent
    return odds / (1.0 + odds)


def dash_p50(
    *,
    ph: float = STANDARD_PH,
    pco2_mmhg: float = STANDARD_PCO2_MMHG,
    dpg_mmol_l: float = STANDARD_DPG_MMOL_L,
    temperature_c: float = STANDARD_TEMPERATURE_C,
) -> float:
    """P50 of adult blood in a given state, by Dash, Korman and Bassingthwaighte 2016.

    Each variable alone moves P50 by a polynomial; the four ratios to the
    standard are multiplied. Polynomials and the product are from memory; each
    polynomial gives the reference values to their digits.

    Parameters
    ----------
    ph : float
        Plasma pH, 6.8 to 7.8.
    pco2_mmhg : float
        PCO2 (mmHg), 5 to 150.
    dpg_mmol_l : float
        2,3-diphosphoglycerate in the red cell (mmol/L), 0 to 12.
    temperature_c : float
        Temperature of the blood (degC), 30 to 42.

    Returns
    -------
    float
        P50 (mmHg).

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    _check_state("dash_p50", ph, pco2_mmhg, temperature_c, dpg_mmol_l)
    slope, offset = DASH_RED_CELL_PH
    acid = slope * ph + offset - 7.24
    carbon = pco2_mmhg - STANDARD_PCO2_MMHG
    dpg = 1e-3 * (dpg_mmol_l - STANDARD_DPG_MMOL_L)
    warm = temperature_c - STANDARD_TEMPERATURE_C
    moved_mmhg = (
        acid * (-25.535 + acid * (10.646 - 1.764 * acid)),
        carbon * (0.1273 + 1.083e-4 * carbon),
        dpg * (795.63 - 19660.89 * dpg),
        warm * (1.435 + warm * (4.163e-2 + 6.86e-4 * warm)),
    )
    return DASH_P50_MMHG * math.prod(1.0 + moved / DASH_P50_MMHG for moved in moved_mmhg)


def shifted_p50(
    p50_mmhg: V,
    *,
    ph: float = STANDARD_PH,
    pco2_mmhg: float = STANDARD_PCO2_MMHG,
    dpg_mmol_l: float = STANDARD_DPG_MMOL_L,
    temperature_c: float = STANDARD_TEMPERATURE_C,
) -> V:
    """P50 of any blood after pH, PCO2, DPG or temperature have moved it.

    The blood's standard P50, which carries its share of HbF, is multiplied by
    the ratio that `dash_p50` gives for adult blood. That the ratio holds for
    foetal haemoglobin too is an assumption; to DPG it reacts less (from memory).

    Parameters
    ----------
    p50_mmhg : float or ndarray
        P50 in the standard state (mmHg), 1 to 200.
    ph : float
        Plasma pH, 6.8 to 7.8.
    pco2_mmhg : float
        PCO2 (mmHg), 5 to 150.
    dpg_mmol_l : float
        2,3-diphosphoglycerate in the red cell (mmol/L), 0 to 12.
    temperature_c : float
        Temperature of the blood (degC), 30 to 42.

    Returns
    -------
    float or ndarray
        P50 (mmHg), for `blood.saturation` and its kin.

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    values_within("shifted_p50: p50_mmhg", p50_mmhg, 1.0, 200.0, "a P50 from 1 to 200 mmHg")
    moved = dash_p50(ph=ph, pco2_mmhg=pco2_mmhg, dpg_mmol_l=dpg_mmol_l, temperature_c=temperature_c)
    return p50_mmhg * (moved / DASH_P50_MMHG)


def severinghaus_bohr_slope(po2_mmhg: V) -> V:
    """Shift of the curve with pH, dlnPO2/dpH, by Severinghaus 1979 eq 4 at base excess 0.

    Parameters
    ----------
    po2_mmhg : float or ndarray
        PO2 in standard blood (mmHg).

    Returns
    -------
    float or ndarray
        (P / 26.6)**0.184 - 2.2, per pH unit; negative: acid needs a higher PO2.

    Raises
    ------
    TestbedError
        If a PO2 is out of range or NaN.
    """
    where = "severinghaus_bohr_slope: po2_mmhg"
    values_within(where, po2_mmhg, 0.0, PO2_MAX_MMHG, "0 to 1e5 mmHg")
    slope: V = (po2_mmhg / 26.6) ** 0.184 - 2.2
    return slope


def severinghaus_temperature_slope(po2_mmhg: V) -> V:
    """Shift of the curve with temperature, dlnPO2/dT, by Severinghaus 1979 eq 3.

    Parameters
    ----------
    po2_mmhg : float or ndarray
        PO2 in standard blood (mmHg).

    Returns
    -------
    float or ndarray
        0.058 / ((0.243 P / 100)**3.88 + 1) + 0.013, per degC.

    Raises
    ------
    TestbedError
        If a PO2 is out of range or NaN.
    """
    where = "severinghaus_temperature_slope: po2_mmhg"
    values_within(where, po2_mmhg, 0.0, PO2_MAX_MMHG, "0 to 1e5 mmHg")
    slope: V = 0.058 / ((0.243 * po2_mmhg / 100.0) ** 3.88 + 1.0) + 0.013
    return slope


def severinghaus_actual_po2(
    standard_po2_mmhg: V,
    *,
    ph: float = STANDARD_PH,
    temperature_c: float = STANDARD_TEMPERATURE_C,
) -> V:
    """PO2 in shifted blood at the saturation that standard blood has at a PO2.

    Both slopes are those at the standard PO2, and are taken as constant.

    Parameters
    ----------
    standard_po2_mmhg : float or ndarray
        PO2 at pH 7.40 and 37 degC (mmHg).
    ph : float
        Plasma pH, 6.8 to 7.8.
    temperature_c : float
        Temperature of the blood (degC), 30 to 42.

    Returns
    -------
    float or ndarray
        PO2 (mmHg); at 26.857 mmHg it is the shifted P50.

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    _check_state("severinghaus_actual_po2", ph, temperature_c=temperature_c)
    log_ratio = severinghaus_bohr_slope(standard_po2_mmhg) * (ph - STANDARD_PH) + (
        severinghaus_temperature_slope(standard_po2_mmhg) * (temperature_c - STANDARD_TEMPERATURE_C)
    )
    ratio: V = math.e**log_ratio
    return standard_po2_mmhg * ratio


def severinghaus_standard_po2(
    po2_mmhg: V,
    *,
    ph: float = STANDARD_PH,
    temperature_c: float = STANDARD_TEMPERATURE_C,
) -> V:
    """PO2 at which standard blood has the saturation that this blood has.

    Inverse of `severinghaus_actual_po2`, by repetition: each round shrinks the
    error of lnPO2 at least to two thirds (0.63) within the accepted pH and temperature.

    Parameters
    ----------
    po2_mmhg : float or ndarray
        Actual PO2 (mmHg), 0 to 2000.
    ph : float
        Plasma pH, 6.8 to 7.8.
    temperature_c : float
        Temperature of the blood (degC), 30 to 42.

    Returns
    -------
    float or ndarray
        PO2 to give to `blood.saturation` (mmHg).

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    where = "severinghaus_standard_po2: po2_mmhg"
    values_within(where, po2_mmhg, 0.0, 2000.0, "a PO2 from 0 to 2000 mmHg")
    _check_state("severinghaus_standard_po2", ph, temperature_c=temperature_c)
    log_change = 0.0 * po2_mmhg
    for _ in range(100):
        standard: V = po2_mmhg * math.e**log_change
        log_change = -(
            severinghaus_bohr_slope(standard) * (ph - STANDARD_PH)
            + severinghaus_temperature_slope(standard) * (temperature_c - STANDARD_TEMPERATURE_C)
        )
    result: V = po2_mmhg * math.e**log_change
    return result
