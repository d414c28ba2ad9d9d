"""Constants and per-lane parameters of the lungs, in the units of the equations.

Per kilogram of body weight: pressures mmHg, contents mL O2 (STPD) per mL
blood, flows mL/s (gas BTPS; blood and oxygen uptake STPD), volumes mL BTPS.
The two lung compartments are stacked as row 0 (well ventilated) and row 1
(poorly ventilated) of arrays of shape ``(2, lanes)``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .infants import FloatArray, Infants

#: Barometric and water-vapour pressure (mmHg); sea level, 37 degC.
BAROMETRIC_MMHG = 760.0
WATER_VAPOUR_MMHG = 47.0
DRY_MMHG = BAROMETRIC_MMHG - WATER_VAPOUR_MMHG

#: mmHg that 1 mL STPD of gas makes in 1 mL BTPS: 760 * 310 / 273.
GAS_FACTOR_MMHG = 863.0

#: mL O2 bound by a gram of haemoglobin, and dissolved per mL blood and mmHg.
HB_CAPACITY_ML_G = 1.34
DISSOLVED_ML_ML_MMHG = 0.00003

#: Venous content at which tissue uptake has fallen to a half (mL/mL).
UPTAKE_HALF_CONTENT = 0.005


@dataclass(frozen=True, kw_only=True)
class LungParameters:
    """What the lung equations need of each lane.

    Attributes
    ----------
    capacity : ndarray, shape (lanes,)
        Oxygen that saturated blood binds (mL/mL).
    p50_mmhg : ndarray, shape (lanes,)
        PO2 at half saturation.
    flow_ml_s : ndarray, shape (lanes,)
        Cardiac output at rest (mL/s/kg).
    vo2_ml_s : ndarray, shape (lanes,)
        Oxygen uptake (mL/s/kg STPD).
    paco2_mmhg : ndarray, shape (lanes,)
        Arterial PCO2, held constant.
    ventilation_ml_s : ndarray, shape (2, lanes)
        Alveolar ventilation of each compartment at rest (mL/s/kg BTPS).
    perfusion_share : ndarray, shape (2, lanes)
        Share of the lung's blood flow that each compartment gets.
    volume_ml : ndarray, shape (2, lanes)
        Resting volume of each compartment (mL/kg BTPS).
    shunt : ndarray, shape (lanes,)
        True shunt at rest (fraction of cardiac output).
    arterial_volume_ml, venous_volume_ml : ndarray, shape (lanes,)
        Volumes of the two blood pools (mL/kg).
    """

    capacity: FloatArray
    p50_mmhg: FloatArray
    flow_ml_s: FloatArray
    vo2_ml_s: FloatArray
    paco2_mmhg: FloatArray
    ventilation_ml_s: FloatArray
    perfusion_share: FloatArray
    volume_ml: FloatArray
    shunt: FloatArray
    arterial_volume_ml: FloatArray
    venous_volume_ml: FloatArray

    @property
    def lanes(self) -> int:
        """Number of lanes."""
        return len(self.capacity)


def shares(poor: FloatArray) -> FloatArray:
    """Stack the share of the well ventilated compartment above the poor one's.

    Parameters
    ----------
    poor : ndarray, shape (lanes,)
        Share of the poorly ventilated compartment.

    Returns
    -------
    ndarray, shape (2, lanes)
    """
    return np.stack([1.0 - poor, poor])


def lung_parameters(infants: Infants, arms: int = 1) -> LungParameters:
    """Derive the parameters of all lanes, arm after arm.

    Alveolar ventilation is derived, never drawn: VA = 863 R VO2 / PaCO2.

    Parameters
    ----------
    infants : Infants
        The infants of one arm.
    arms : int
        How many arms these infants stand in; lane = arm * infants + place.

    Returns
    -------
    LungParameters
    """

    def lanes(values: FloatArray) -> FloatArray:
        return np.tile(np.asarray(values, dtype=np.float64), arms)

    vo2 = lanes(infants.vo2_ml_min_kg) / 60.0
    paco2 = lanes(infants.paco2_mmhg)
    ventilation = GAS_FACTOR_MMHG * lanes(infants.respiratory_quotient) * vo2 / paco2
    return LungParameters(
        capacity=HB_CAPACITY_ML_G * lanes(infants.hb_g_dl) / 100.0,
        p50_mmhg=lanes(infants.p50_mmhg),
        flow_ml_s=lanes(infants.cardiac_output_ml_min_kg) / 60.0,
        vo2_ml_s=vo2,
        paco2_mmhg=paco2,
        ventilation_ml_s=ventilation * shares(lanes(infants.ventilation_share_poor)),
        perfusion_share=shares(lanes(infants.perfusion_share_poor)),
        volume_ml=lanes(infants.frc_ml_kg) * shares(lanes(infants.volume_share_poor)),
        shunt=lanes(infants.shunt_fraction),
        arterial_volume_ml=lanes(infants.arterial_volume_ml_kg),
        venous_volume_ml=lanes(infants.blood_volume_ml_kg),
    )
