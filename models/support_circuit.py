"""Gas between the blender and the infant on each support mode: circuit, entrained room air."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from .gas_delivery import GasSettings
from .infants import FloatArray
from .support import HighFlow, SupportSettings
from .support_pressure import TIDAL_ML_KG

#: Dead time of a high-flow cannula circuit (Tejkl 2019, Clinician & Technology 49:77).
HIGH_FLOW_DEAD_TIME_S = 6.5

#: Inspiratory time (te Pas 2008, preterm infants on CPAP just after birth). The flow of a breath
#: is taken as a triangle, whose peak is twice its mean; assumption.
INSPIRATION_S = 0.36
PEAK_FLOW_L_MIN_KG = 2.0 * TIDAL_ML_KG / INSPIRATION_S * 60.0 / 1000.0


def gas_settings(settings: SupportSettings, base: GasSettings | None = None) -> GasSettings:
    """Give the gas delivery its circuit: volume, flow and dead time.

    Parameters
    ----------
    settings : SupportSettings
        Settings of any mode.
    base : GasSettings, optional
        Where blender, monitor and limits come from.

    Returns
    -------
    GasSettings
        Below the lowest flow of `GasSettings` volume is scaled with it: the ratio of the two,
        on which the wash-in depends, is that of the settings.
    """
    base = base or GasSettings()
    lowest = next(item.metadata["low"] for item in fields(base) if item.name == "flow_l_min")
    scale = max(lowest / settings.flow_l_min, 1.0)
    long = isinstance(settings, HighFlow)
    return replace(
        base,
        circuit_volume_ml=settings.circuit_volume_ml * scale,
        flow_l_min=settings.flow_l_min * scale,
        dead_time_s=HIGH_FLOW_DEAD_TIME_S if long else base.dead_time_s,
    )


def air_share(
    flow_l_min: FloatArray, peak_flow_l_min: FloatArray, way_in: FloatArray
) -> FloatArray:
    """Give the share of a breath that is room air, where gas flow is less than the breath's.

    Parameters
    ----------
    flow_l_min : ndarray, shape (lanes,)
        Gas flow that is left for the infant (L/min).
    peak_flow_l_min : ndarray, shape (lanes,)
        Peak of the infant's inspiratory flow (L/min).
    way_in : ndarray, shape (lanes,)
        How freely room air comes in, from 0 (sealed) to 1 (cannula).

    Returns
    -------
    ndarray, shape (lanes,)
        The part of a triangle that is above the gas flow, ``(1 - flow / peak)^2``, times `way_in`.
    """
    short = np.maximum(1.0 - flow_l_min / peak_flow_l_min, 0.0)
    return np.asarray(short * short * way_in)
