"""Steady states of the lung and blood equations, solved forwards and backwards.

With every derivative zero the model is a small set of monotone equations. Each
is solved by Newton steps kept inside a bracket. An infant that has converged is
left alone, so its result does not depend on the infants beside it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .blood import STANDARD_P50_MMHG, curve_into, po2_at, po2_from_content, saturation
from .infants import FloatArray
from .lung_parameters import (
    DISSOLVED_ML_ML_MMHG,
    DRY_MMHG,
    GAS_FACTOR_MMHG,
    UPTAKE_HALF_CONTENT,
    LungParameters,
    shares,
)

#: Shares of ventilation of the poor compartment among which a root is sought.
SHARE_LOW, SHARE_HIGH = 0.003, 0.95

#: Inspired oxygen fractions among which a need is sought.
FIO2_LOW, FIO2_HIGH = 0.21, 1.0

# Above any PO2 that a lung can hold at sea level (mmHg).
_PO2_CEILING_MMHG = 1000.0
# A root counts as found when its equation holds to this content (mL/mL).
_CONTENT_TOLERANCE = 1e-9
_INNER_TOLERANCE, _OUTER_TOLERANCE, _MOST_STEPS = 1e-13, 1e-12, 120

_Equation = Callable[[FloatArray], tuple[FloatArray, FloatArray]]


@dataclass(frozen=True, kw_only=True)
class SteadyState:
    """Lung and blood of every lane at rest, with nothing changing.

    Attributes
    ----------
    p_mmhg : ndarray, shape (2, lanes)
        PO2 of the well (row 0) and poorly (row 1) ventilated compartment.
    ca, cv : ndarray, shape (lanes,)
        Arterial and venous oxygen content (mL/mL).
    sao2_fraction : ndarray, shape (lanes,)
        Arterial saturation.
    pao2_mmhg : ndarray, shape (lanes,)
        Arterial PO2.
    """

    p_mmhg: FloatArray
    ca: FloatArray
    cv: FloatArray
    sao2_fraction: FloatArray
    pao2_mmhg: FloatArray


def steady_state(parameters: LungParameters, fio2: FloatArray) -> SteadyState:
    """Solve the equations with every derivative zero, to 1e-10 relative.

    The venous content is the one unknown: what the lung takes up falls with it
    and what the tissue uses rises, so they meet once.

    Parameters
    ----------
    parameters : LungParameters
        Parameters of the lanes.
    fio2 : ndarray, shape (lanes,)
        Inspired oxygen fraction.

    Returns
    -------
    SteadyState
    """
    fio2 = np.asarray(fio2, dtype=np.float64)
    blood_flow = _compartment_flow(parameters)
    inspired = _alveolar_ceiling(parameters, fio2)
    highest = _content(parameters, inspired)[0]

    def shortfall(cv: FloatArray) -> tuple[FloatArray, FloatArray]:
        lung = _compartments(parameters, fio2, cv)
        used, used_slope = _uptake(parameters, cv)
        passed = blood_flow * lung.content_slope * lung.dp_dcv - blood_flow
        taken = blood_flow * (lung.content - cv)
        return used - (taken[0] + taken[1]), used_slope - (passed[0] + passed[1])

    cv = _root(shortfall, np.zeros_like(highest), highest, 0.6 * highest, _OUTER_TOLERANCE)
    lung = _compartments(parameters, fio2, cv)
    mixed = parameters.perfusion_share * lung.content
    ca = (1.0 - parameters.shunt) * (mixed[0] + mixed[1]) + parameters.shunt * cv
    pao2 = po2_from_content(ca, parameters.capacity, parameters.p50_mmhg)
    sao2 = np.asarray(saturation(pao2, parameters.p50_mmhg), dtype=np.float64)
    return SteadyState(p_mmhg=lung.p_mmhg, ca=ca, cv=cv, sao2_fraction=sao2, pao2_mmhg=pao2)


def venous_content(parameters: LungParameters, ca: FloatArray) -> FloatArray:
    """Find the venous content at rest from the arterial one (Fick).

    ``Q (Ca - Cv) = VO2 Cv / (Cv + k)`` is a quadratic in Cv with one positive root.

    Parameters
    ----------
    parameters : LungParameters
        Parameters of the lanes.
    ca : ndarray, shape (lanes,)
        Arterial content (mL/mL).

    Returns
    -------
    ndarray, shape (lanes,)
        Venous content (mL/mL).
    """
    b = ca - UPTAKE_HALF_CONTENT - parameters.vo2_ml_s / parameters.flow_ml_s
    root = np.sqrt(b * b + 4.0 * ca * UPTAKE_HALF_CONTENT)
    # The second form avoids the cancellation that the first has for negative b.
    return np.where(
        b >= 0.0, 0.5 * (b + root), 2.0 * ca * UPTAKE_HALF_CONTENT / np.where(b < 0, root - b, 1.0)
    )


def ventilation_share_for(
    parameters: LungParameters, fio2: FloatArray, sao2_fraction: FloatArray
) -> FloatArray:
    """Find the poor compartment's share of ventilation that gives a saturation.

    Saturation is highest where ventilation is shared out like perfusion, and
    falls on both sides. The root sought is the one on the side of poor
    ventilation, from 0.003 up to the perfusion share (at most 0.95).

    Parameters
    ----------
    parameters : LungParameters
        Parameters of the lanes; only the sum of `ventilation_ml_s` is used.
    fio2 : ndarray, shape (lanes,)
        Inspired oxygen fraction.
    sao2_fraction : ndarray, shape (lanes,)
        Arterial saturation at rest, below 1.

    Returns
    -------
    ndarray, shape (lanes,)
        Share of ventilation; NaN where none gives that saturation.
    """
    fio2 = np.asarray(fio2, dtype=np.float64)
    total = parameters.ventilation_ml_s[0] + parameters.ventilation_ml_s[1]
    cv, needed = _needed_lung_content(parameters, sao2_fraction)
    flow_share = parameters.perfusion_share

    def excess(share: FloatArray) -> tuple[FloatArray, FloatArray]:
        shared = replace(parameters, ventilation_ml_s=total * shares(share))
        lung = _compartments(shared, fio2, cv)
        mixed = flow_share * lung.content
        rise = flow_share * lung.content_slope * lung.dp_dventilation * total
        return mixed[0] + mixed[1] - needed, rise[1] - rise[0]

    low = np.full_like(cv, SHARE_LOW)
    high = np.maximum(np.minimum(flow_share[1], SHARE_HIGH), SHARE_LOW)
    at_low, at_high = excess(low)[0], excess(high)[0]
    share = _root(excess, low, high, 0.5 * (low + high), _OUTER_TOLERANCE)
    found = (at_low <= 0.0) & (at_high >= 0.0) & (np.abs(excess(share)[0]) < _CONTENT_TOLERANCE)
    return np.where(found, share, np.nan)


def fio2_for(parameters: LungParameters, sao2_fraction: FloatArray) -> FloatArray:
    """Find the FiO2 that holds a saturation at rest.

    Parameters
    ----------
    parameters : LungParameters
        Parameters of the lanes.
    sao2_fraction : ndarray, shape (lanes,)
        Arterial saturation wanted, below 1.

    Returns
    -------
    ndarray, shape (lanes,)
        FiO2 from 0.21 to 1; NaN where no FiO2 in that range will do.
    """
    cv, needed = _needed_lung_content(parameters, sao2_fraction)
    flow_share = parameters.perfusion_share

    def excess(fio2: FloatArray) -> tuple[FloatArray, FloatArray]:
        lung = _compartments(parameters, fio2, cv)
        mixed = flow_share * lung.content
        rise = flow_share * lung.content_slope * lung.dp_dfio2
        return mixed[0] + mixed[1] - needed, rise[0] + rise[1]

    low, high = np.full_like(cv, FIO2_LOW), np.full_like(cv, FIO2_HIGH)
    fio2 = _root(excess, low, high, np.full_like(cv, 0.35), _OUTER_TOLERANCE)
    return np.where(np.abs(excess(fio2)[0]) < _CONTENT_TOLERANCE, fio2, np.nan)


def fio2_gain(parameters: LungParameters, fio2: FloatArray) -> FloatArray:
    """Local effect of FiO2 on saturation at rest, by a small central difference.

    Parameters
    ----------
    parameters : LungParameters
        Parameters of the lanes.
    fio2 : ndarray, shape (lanes,)
        Inspired oxygen fraction around which the effect is taken.

    Returns
    -------
    ndarray, shape (lanes,)
        Points of saturation per point of FiO2.
    """
    half_step = 0.0005
    centre = np.minimum(np.asarray(fio2, dtype=np.float64), 1.0 - half_step)
    above = steady_state(parameters, centre + half_step).sao2_fraction
    below = steady_state(parameters, centre - half_step).sao2_fraction
    return (above - below) / (2.0 * half_step)


@dataclass(frozen=True, kw_only=True)
class _Compartments:
    """PO2 and content of both compartments, and how PO2 answers to its causes."""

    p_mmhg: FloatArray
    content: FloatArray
    content_slope: FloatArray
    dp_dcv: FloatArray
    dp_dfio2: FloatArray
    dp_dventilation: FloatArray


def _compartments(parameters: LungParameters, fio2: FloatArray, cv: FloatArray) -> _Compartments:
    """Solve the gas balance of each compartment for a given venous content."""
    ventilation = parameters.ventilation_ml_s
    inspired = _alveolar_ceiling(parameters, fio2)
    gas_flow = GAS_FACTOR_MMHG * _compartment_flow(parameters)
    exchange = gas_flow * (1.0 - fio2)

    def balance(p_mmhg: FloatArray) -> tuple[FloatArray, FloatArray]:
        held, slope = _content(parameters, p_mmhg)
        value = exchange * (held - cv) - ventilation * (inspired - p_mmhg)
        return value, exchange * slope + ventilation

    ceiling = np.full(ventilation.shape, _PO2_CEILING_MMHG)
    start = np.broadcast_to(0.5 * inspired, ventilation.shape)
    p_mmhg = _root(balance, np.zeros_like(ceiling), ceiling, start, _INNER_TOLERANCE)
    held, slope = _content(parameters, p_mmhg)
    stiffness = exchange * slope + ventilation
    per_fio2 = ventilation * (DRY_MMHG - parameters.paco2_mmhg) + gas_flow * (held - cv)
    return _Compartments(
        p_mmhg=p_mmhg,
        content=held,
        content_slope=slope,
        dp_dcv=exchange / stiffness,
        dp_dfio2=per_fio2 / stiffness,
        dp_dventilation=(inspired - p_mmhg) / stiffness,
    )


def _compartment_flow(parameters: LungParameters) -> FloatArray:
    """Blood flow through each compartment (mL/s/kg), shape (2, lanes)."""
    return parameters.flow_ml_s * (1.0 - parameters.shunt) * parameters.perfusion_share


def _alveolar_ceiling(parameters: LungParameters, fio2: FloatArray) -> FloatArray:
    """PO2 of a ventilated compartment from which no oxygen is taken (mmHg)."""
    return fio2 * (DRY_MMHG - parameters.paco2_mmhg)


def _content(parameters: LungParameters, p_mmhg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Content (mL/mL) and its slope (per mmHg); `p_mmhg` may be (2, lanes)."""
    stretch = STANDARD_P50_MMHG / parameters.p50_mmhg
    x = p_mmhg * stretch
    fraction, slope, work = np.empty_like(x), np.empty_like(x), np.empty_like(x)
    curve_into(x, fraction, slope, work)
    content = parameters.capacity * fraction + DISSOLVED_ML_ML_MMHG * p_mmhg
    return content, parameters.capacity * stretch * slope + DISSOLVED_ML_ML_MMHG


def _uptake(parameters: LungParameters, cv: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Tissue uptake, which fades as the stores empty, and its slope."""
    supply = cv + UPTAKE_HALF_CONTENT
    used = parameters.vo2_ml_s * cv / supply
    return used, parameters.vo2_ml_s * UPTAKE_HALF_CONTENT / (supply * supply)


def _needed_lung_content(
    parameters: LungParameters, sao2_fraction: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Venous content, and content that lung blood needs, for a saturation."""
    wanted = np.asarray(sao2_fraction, dtype=np.float64)
    # One lane at a time: the inverse uses functions whose last bits may depend
    # on where in an array a value stands.
    pairs = zip(wanted.tolist(), parameters.p50_mmhg.tolist(), strict=True)
    pao2 = np.array([po2_at(fraction, p50) for fraction, p50 in pairs])
    ca = parameters.capacity * wanted + DISSOLVED_ML_ML_MMHG * pao2
    cv = venous_content(parameters, ca)
    return cv, (ca - parameters.shunt * cv) / (1.0 - parameters.shunt)


def _root(
    rising: _Equation, low: FloatArray, high: FloatArray, start: FloatArray, tolerance: float
) -> FloatArray:
    """Find where a rising function crosses zero, lane by lane.

    A Newton step that leaves the bracket, or is not half as long as the one
    before, gives way to halving the bracket: so the end is never far off.
    """
    low, high, x = low.copy(), high.copy(), start.copy()
    last_step = high - low
    active: NDArray[np.bool_] = np.ones(x.shape, dtype=bool)
    for _ in range(_MOST_STEPS):
        value, slope = rising(x)
        low = np.where(value < 0.0, x, low)
        high = np.where(value < 0.0, high, x)
        # A slope of zero would divide; the far step it stands for is refused below.
        newton = x - value / np.where(slope == 0.0, 1e-300, slope)
        trusted = (newton >= low) & (newton <= high)
        trusted &= np.abs(newton - x) <= 0.5 * last_step
        following = np.where(trusted, newton, 0.5 * (low + high))
        step = np.abs(following - x)
        x = np.where(active, following, x)
        last_step = np.where(active, step, last_step)
        active &= step > tolerance * np.abs(x)
        if not active.any():
            break
    return x
