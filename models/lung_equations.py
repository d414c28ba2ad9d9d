"""The lung equations as they are read, for one lane or many.

`Lungs` advances the same equations without temporary arrays; the scalar twin
of the loop and the tests use this plain form.

Oxygen in compartment *i* is ``V_i P_i`` (mmHg mL BTPS). What comes in as
inspired gas, less what leaves as expired gas and as uptake, changes it; the
balance of nitrogen says how much must come in: expired ventilation, plus the
volume that blood takes up, less the CO2 that it gives off. So with the airway
open

    V_i P_i' = VA_i e (PI - P_i - FI PaCO2) - 863 u_i (1 - FI) + max(V_i', 0) (PI - P_i)

whose steady state is the full alveolar gas equation. A lung that empties does
so at its own PO2, hence no term for V_i' < 0. With the airway closed nothing
comes in, the volume shrinks by the uptake, V_i' = -863 u_i / (PB - 47), and

    V_i P_i' = -863 u_i (1 - P_i / (PB - 47)).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .blood import saturation
from .infants import FloatArray
from .lung_parameters import (
    DISSOLVED_ML_ML_MMHG,
    DRY_MMHG,
    GAS_FACTOR_MMHG,
    UPTAKE_HALF_CONTENT,
    LungParameters,
)


@dataclass(frozen=True, kw_only=True)
class Drive:
    """What acts on the lungs from outside, constant for the moment.

    Attributes
    ----------
    inspired_fio2 : ndarray, shape (lanes,)
        FiO2 at the airway (fraction).
    breathing : ndarray, shape (lanes,)
        Share of normal alveolar ventilation.
    closed : ndarray of bool, shape (lanes,)
        Whether the airway is closed.
    ventilation_ml_s : ndarray, shape (2, lanes)
        Alveolar ventilation of each compartment in quiet breathing.
    shunt : ndarray, shape (lanes,)
        True shunt (fraction).
    flow_ml_s : ndarray, shape (lanes,)
        Cardiac output (mL/s/kg).
    volume_rate_ml_s : ndarray, shape (2, lanes)
        Change of compartment volumes from outside while the airway is open.
    """

    inspired_fio2: FloatArray
    breathing: FloatArray
    closed: FloatArray
    ventilation_ml_s: FloatArray
    shunt: FloatArray
    flow_ml_s: FloatArray
    volume_rate_ml_s: FloatArray


def resting_drive(parameters: LungParameters, inspired_fio2: FloatArray) -> Drive:
    """Quiet breathing with nothing disturbed.

    Parameters
    ----------
    parameters : LungParameters
        Parameters of the lanes.
    inspired_fio2 : ndarray, shape (lanes,)
        FiO2 at the airway (fraction).

    Returns
    -------
    Drive
    """
    lanes = parameters.lanes
    return Drive(
        inspired_fio2=inspired_fio2,
        breathing=np.ones(lanes),
        closed=np.zeros(lanes, dtype=np.bool_),
        ventilation_ml_s=parameters.ventilation_ml_s,
        shunt=parameters.shunt,
        flow_ml_s=parameters.flow_ml_s,
        volume_rate_ml_s=np.zeros((2, lanes)),
    )


def drive_with(drive: Drive, **changed: FloatArray) -> Drive:
    """Copy a drive with some of its fields changed.

    Parameters
    ----------
    drive : Drive
        Stays as it is.
    **changed : ndarray
        Fields of `Drive` by name; another name raises `TypeError`.

    Returns
    -------
    Drive
    """
    return replace(drive, **changed)


def blood_content(po2_mmhg: FloatArray, parameters: LungParameters) -> FloatArray:
    """Oxygen content of blood at a PO2 (mL/mL).

    Parameters
    ----------
    po2_mmhg : ndarray, shape (..., lanes)
        PO2.
    parameters : LungParameters
        Gives capacity and P50 of each lane.

    Returns
    -------
    ndarray
        Content, in the shape of `po2_mmhg`.
    """
    bound = parameters.capacity * saturation(np.maximum(po2_mmhg, 0.0), parameters.p50_mmhg)
    return np.asarray(bound + DISSOLVED_ML_ML_MMHG * po2_mmhg)


def derivative(
    state: FloatArray, volume_ml: FloatArray, drive: Drive, parameters: LungParameters
) -> tuple[FloatArray, FloatArray]:
    """Rates of change of the gas, the blood and the lung volumes.

    Parameters
    ----------
    state : ndarray, shape (4, lanes)
        PO2 of the two compartments (mmHg), arterial and venous content (mL/mL).
    volume_ml : ndarray, shape (2, lanes)
        Compartment volumes (mL/kg).
    drive : Drive
        What acts from outside.
    parameters : LungParameters
        Parameters of the lanes.

    Returns
    -------
    state_rate : ndarray, shape (4, lanes)
        Per second.
    volume_rate : ndarray, shape (2, lanes)
        mL/s/kg.
    """
    po2, arterial, venous = state[:2], state[2], state[3]
    fio2 = drive.inspired_fio2
    gain = drive.flow_ml_s * (1.0 - drive.shunt) * parameters.perfusion_share
    uptake = gain * (blood_content(po2, parameters) - venous)
    inspired = fio2 * DRY_MMHG
    opened = (
        drive.ventilation_ml_s * drive.breathing * (inspired - po2 - fio2 * parameters.paco2_mmhg)
        - GAS_FACTOR_MMHG * uptake * (1.0 - fio2)
        + np.maximum(drive.volume_rate_ml_s, 0.0) * (inspired - po2)
    )
    shut = -GAS_FACTOR_MMHG * uptake * (1.0 - po2 / DRY_MMHG)
    volume_rate = np.where(
        drive.closed, -GAS_FACTOR_MMHG * uptake / DRY_MMHG, drive.volume_rate_ml_s
    )
    moved = drive.flow_ml_s * (arterial - venous)
    used = parameters.vo2_ml_s * venous / (venous + UPTAKE_HALF_CONTENT)
    rates = np.empty_like(state)
    rates[:2] = np.where(drive.closed, shut, opened) / volume_ml
    rates[2] = (uptake[0] + uptake[1] - moved) / parameters.arterial_volume_ml
    rates[3] = (moved - used) / parameters.venous_volume_ml
    return rates, volume_rate


def oxygen_stores_ml(
    state: FloatArray, volume_ml: FloatArray, parameters: LungParameters
) -> FloatArray:
    """All oxygen in lungs and blood.

    Parameters
    ----------
    state : ndarray, shape (4, lanes)
        As in `derivative`.
    volume_ml : ndarray, shape (2, lanes)
        Compartment volumes (mL/kg).
    parameters : LungParameters
        Parameters of the lanes.

    Returns
    -------
    ndarray, shape (lanes,)
        mL STPD per kg.
    """
    gas = (volume_ml[0] * state[0] + volume_ml[1] * state[1]) / GAS_FACTOR_MMHG
    blood = parameters.arterial_volume_ml * state[2] + parameters.venous_volume_ml * state[3]
    return np.asarray(gas + blood)
