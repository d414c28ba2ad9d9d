"""Shunt and ventilation-perfusion mismatch as a clinician fits them to FiO2 and SpO2.

The model that is fitted is much simpler than the one that is simulated: one
ideal lung whose blood leaves at a PO2 that lies a constant *shift* below the
inspired one, and a shunt that mixes in venous blood. A change of the shift
moves the curve of SpO2 against inspired PO2 to the right; shunt lowers its
upper end.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import least_squares

from ...models.blood import po2_from_content, saturation
from ...models.gas_equations import inspired_po2
from ...models.infants import Infants
from ...models.lung_parameters import (
    DISSOLVED_ML_ML_MMHG,
    GAS_FACTOR_MMHG,
    HB_CAPACITY_ML_G,
    lung_parameters,
)
from ...models.steady import steady_state
from .rows import Simulated, figure, spread_over

FloatArray = NDArray[np.float64]

MMHG_PER_KPA = 7.50062

#: FiO2 at which pairs are taken (fraction), and the saturations that are kept (percent).
FIO2_GRID = np.round(np.arange(0.21, 0.601, 0.01), 2)
KEPT_PCT = (85.0, 98.0)
#: Fewer pairs than this settle no curve of two parameters.
LEAST_PAIRS = 4

#: Arteriovenous difference that is assumed in the fit (mL O2/mL blood); 5 mL/dL, from memory.
AV_CONTENT_ML_ML = 0.05

_MOST_SHUNT, _MOST_SHIFT_KPA = 0.7, 80.0

#: VA/Q below these counts in the published cohort; shunt above this is called raised.
LOW_VA_Q, VERY_LOW_VA_Q, RAISED_SHUNT_PCT = 0.74, 0.52, 8.0


def predicted_pct(
    fio2: FloatArray, shunt: float, shift_kpa: float, hb_g_dl: float, p50_mmhg: float
) -> FloatArray:
    """Predict saturation from the two parameters.

    Parameters
    ----------
    fio2 : ndarray, shape (pairs,)
        Inspired oxygen fraction.
    shunt : float
        Shunt (fraction).
    shift_kpa : float
        Inspired PO2 minus PO2 of end-capillary blood (kPa).
    hb_g_dl, p50_mmhg : float
        Blood of the infant.

    Returns
    -------
    ndarray, shape (pairs,)
        Arterial saturation (percent).
    """
    po2 = np.maximum(np.asarray(inspired_po2(fio2)) - shift_kpa * MMHG_PER_KPA, 0.1)
    capacity = HB_CAPACITY_ML_G * hb_g_dl / 100.0
    end_capillary = capacity * saturation(po2, p50_mmhg) + DISSOLVED_ML_ML_MMHG * po2
    arterial = end_capillary - shunt / (1.0 - shunt) * AV_CONTENT_ML_ML
    many = np.ones(len(fio2))
    pao2 = po2_from_content(np.maximum(arterial, 1e-4), capacity * many, p50_mmhg * many)
    return np.asarray(100.0 * saturation(pao2, p50_mmhg), dtype=np.float64)


def fit_pairs(
    fio2: FloatArray, sao2_pct: FloatArray, hb_g_dl: float, p50_mmhg: float
) -> tuple[float, float, float]:
    """Fit shunt and shift to pairs of FiO2 and saturation.

    Parameters
    ----------
    fio2, sao2_pct : ndarray, shape (pairs,)
        Inspired oxygen (fraction) and saturation (percent).
    hb_g_dl, p50_mmhg : float
        Blood of the infant.

    Returns
    -------
    tuple of float
        Shunt (percent), shift (kPa), root mean square residual (points).
    """

    def residual(guess: FloatArray) -> FloatArray:
        return predicted_pct(fio2, float(guess[0]), float(guess[1]), hb_g_dl, p50_mmhg) - sao2_pct

    solved = least_squares(
        residual,
        x0=(0.1, 12.0),
        bounds=((0.0, 0.0), (_MOST_SHUNT, _MOST_SHIFT_KPA)),
        x_scale=(0.1, 5.0),
    )
    rms = float(np.sqrt(np.mean(solved.fun * solved.fun)))
    return 100.0 * float(solved.x[0]), float(solved.x[1]), rms


def va_q_of(shift_kpa: float, shunt_pct: float) -> float:
    """Give the ventilation-perfusion ratio that a shift stands for.

    Oxygen given up by the gas is what the blood takes up:
    ``VA (PI - P) = 863 Q (Cc - Cv)``, where ``Cc - Cv`` is the assumed
    arteriovenous difference over ``1 - shunt``. A normal shift of 6 kPa gives
    0.96 so, as published normals say 0.8-0.95.

    Parameters
    ----------
    shift_kpa : float
        Shift (kPa), above 0.
    shunt_pct : float
        Shunt (percent).

    Returns
    -------
    float
        Ventilation over perfusion; infinite without a shift.
    """
    uptake = AV_CONTENT_ML_ML / (1.0 - shunt_pct / 100.0)
    shift = shift_kpa * MMHG_PER_KPA
    return GAS_FACTOR_MMHG * uptake / shift if shift > 0.0 else float("inf")


def fit_cohort(infants: Infants) -> pd.DataFrame:
    """Fit every infant's own pairs of FiO2 and saturation at rest.

    Parameters
    ----------
    infants : Infants
        The infants.

    Returns
    -------
    pandas.DataFrame
        One row per infant with enough pairs: infant, stratum, pairs,
        shunt_pct, shift_kpa, va_q, rms_pct, true_shunt_pct.
    """
    parameters = lung_parameters(infants)
    courses = np.array(
        [
            100.0 * steady_state(parameters, np.full(len(infants), fio2)).sao2_fraction
            for fio2 in FIO2_GRID.tolist()
        ]
    )
    rows = []
    for place in range(len(infants)):
        kept = (courses[:, place] >= KEPT_PCT[0]) & (courses[:, place] <= KEPT_PCT[1])
        if kept.sum() < LEAST_PAIRS:
            continue
        blood = float(infants.hb_g_dl[place]), float(infants.p50_mmhg[place])
        shunt, shift, rms = fit_pairs(FIO2_GRID[kept], courses[kept, place], *blood)
        rows.append(
            {
                "infant": int(infants.infant[place]),
                "stratum": str(infants.stratum[place]),
                "pairs": int(kept.sum()),
                "shunt_pct": shunt,
                "shift_kpa": shift,
                "va_q": va_q_of(shift, shunt),
                "rms_pct": rms,
                "true_shunt_pct": 100.0 * float(infants.shunt_fraction[place]),
            }
        )
    names = ["infant", "stratum", "pairs", "shunt_pct", "shift_kpa", "va_q", "rms_pct"]
    return pd.DataFrame(rows, columns=[*names, "true_shunt_pct"])


def shunt_rows(settled: pd.DataFrame, unstable: pd.DataFrame) -> dict[str, Simulated]:
    """Give the figures for the published fits.

    Parameters
    ----------
    settled, unstable : pandas.DataFrame
        From `fit_cohort`.

    Returns
    -------
    dict of str to Simulated
        By row id.
    """
    found = {
        "shunt_failure": spread_over(unstable.shunt_pct),
        "shift_failure": spread_over(unstable.shift_kpa),
        "va_q_failure": spread_over(unstable.va_q),
        "shift_bpd_quine": spread_over(settled.shift_kpa),
        "shunt_bpd": spread_over(settled.shunt_pct),
        "shift_bpd": spread_over(settled.shift_kpa),
        "va_q_bpd": spread_over(settled.va_q),
    }
    shares = {
        "va_q_low": settled.va_q < LOW_VA_Q,
        "va_q_very_low": settled.va_q < VERY_LOW_VA_Q,
        "shunt_raised": settled.shunt_pct > RAISED_SHUNT_PCT,
    }
    found |= {
        name: figure(100.0 * float(marked.mean()), len(marked)) for name, marked in shares.items()
    }
    return found


__all__ = ["fit_cohort", "fit_pairs", "predicted_pct", "shunt_rows", "va_q_of"]
