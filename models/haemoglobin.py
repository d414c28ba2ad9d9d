"""Foetal haemoglobin: what it does to P50, and what a transfusion does to both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from .infants import FloatArray
from .operands import Value, values_within

V = TypeVar("V", float, FloatArray)

#: P50 = adult - fall * f / (f + half), f the fraction of HbF.
ADULT_P50_MMHG = 26.8
HBF_FALL_MMHG = 13.07
HBF_HALF = 0.534


def p50_from_hbf(hbf_fraction: V) -> V:
    """P50 of blood with a given fraction of foetal haemoglobin.

    Parameters
    ----------
    hbf_fraction : float or ndarray
        HbF as a fraction of all haemoglobin, 0 to 1.

    Returns
    -------
    float or ndarray
        P50 (mmHg) in the standard state.

    Raises
    ------
    TestbedError
        If a fraction is out of range or NaN.

    Notes
    -----
    The curve goes through the adult value and the two means of De Halleux 2002
    (Semin Perinatol 26:411, doi:10.1053/sper.2002.37313), measured in preterm infants of
    27 weeks or less, before and after transfusion; so their residuals are nought by
    construction. Other laboratories found higher values at the same HbF:

    =================================  =====  ========  ======  ========
    population                         HbF %  measured  fitted  residual
    =================================  =====  ========  ======  ========
    preterm before transfusion          92.9      18.5   18.50      0.00
    after 26.9 mL/kg red cells          42.6      21.0   21.00      0.00
    adult                                0        26.8   26.80      0.00
    very low birth weight, high HbF     58        23.3   20.00     +3.30
    very low birth weight, low HbF      29        24.5   22.20     +2.30
    cord blood                          66.2     23.83   19.57     +4.26
    =================================  =====  ========  ======  ========
    """
    values_within("p50_from_hbf: hbf_fraction", hbf_fraction, 0.0, 1.0, "a fraction from 0 to 1")
    return ADULT_P50_MMHG - HBF_FALL_MMHG * hbf_fraction / (hbf_fraction + HBF_HALF)


@dataclass(frozen=True, kw_only=True)
class Transfused:
    """Blood after a transfusion.

    Attributes
    ----------
    hb_g_dl : ndarray
        Haemoglobin (g/dL).
    hbf_fraction : ndarray
        HbF as a fraction of all haemoglobin.
    p50_mmhg : ndarray
        P50 (mmHg).
    """

    hb_g_dl: FloatArray
    hbf_fraction: FloatArray
    p50_mmhg: FloatArray


def transfuse(
    *,
    hb_g_dl: Value,
    hbf_fraction: Value,
    p50_mmhg: Value,
    blood_volume_ml_kg: Value,
    given_ml_kg: Value,
    donor_hb_g_dl: Value,
    withdrawn_ml_kg: Value = 0.0,
) -> Transfused:
    """Blood after adult red cells were given, by mass balance of haemoglobin.

    What was sampled or exchanged leaves first; then the donor's haemoglobin,
    all of it adult, joins the infant's. Blood volume returns to its former value,
    as plasma adjusts within hours. P50 moves as `p50_from_hbf` does between
    the two fractions, so that an infant keeps its own distance from that curve.

    Parameters
    ----------
    hb_g_dl : float or ndarray
        Haemoglobin before (g/dL), above 0 to 40.
    hbf_fraction : float or ndarray
        HbF before, as a fraction, 0 to 1.
    p50_mmhg : float or ndarray
        P50 before (mmHg), 1 to 200.
    blood_volume_ml_kg : float or ndarray
        Blood volume (mL/kg), 20 to 200.
    given_ml_kg : float or ndarray
        Volume given (mL/kg), 0 to 200.
    donor_hb_g_dl : float or ndarray
        Haemoglobin of what is given (g/dL), 0 to 40: about 13 for whole blood, 20 for
        packed cells (both from memory), 33 for red cells without plasma (from memory).
    withdrawn_ml_kg : float or ndarray
        Blood taken beforehand (mL/kg), at least 0 and below the blood volume.

    Returns
    -------
    Transfused
        Arrays of the broadcast shape.

    Raises
    ------
    TestbedError
        If a value is out of range or NaN.
    """
    hb = values_within("transfuse: hb_g_dl", hb_g_dl, 0.1, 40.0, "0.1 to 40 g/dL")
    volume = values_within(
        "transfuse: blood_volume_ml_kg", blood_volume_ml_kg, 20.0, 200.0, "20 to 200 mL/kg"
    )
    given = values_within("transfuse: given_ml_kg", given_ml_kg, 0.0, 200.0, "0 to 200 mL/kg")
    donor = values_within("transfuse: donor_hb_g_dl", donor_hb_g_dl, 0.0, 40.0, "0 to 40 g/dL")
    p50 = values_within("transfuse: p50_mmhg", p50_mmhg, 1.0, 200.0, "1 to 200 mmHg")
    left = 1.0 - np.asarray(withdrawn_ml_kg, dtype=np.float64) / volume
    values_within(
        "transfuse: withdrawn_ml_kg over blood volume", 1.0 - left, 0.0, 0.99, "a share 0 to 0.99"
    )
    before = np.asarray(hbf_fraction, dtype=np.float64)
    own = hb * left
    added = donor * given / volume
    after = before * (own / (own + added))
    return Transfused(
        hb_g_dl=np.asarray(own + added),
        hbf_fraction=np.asarray(after),
        p50_mmhg=np.asarray(p50 + (p50_from_hbf(after) - p50_from_hbf(before))),
    )
