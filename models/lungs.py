"""Two lung compartments, shunt and two blood pools, advanced for all lanes at once.

The equations (derived in `lung_equations`) are stiff: a small lung with much
blood flow follows its uptake within a fraction of a second. They are advanced
with a linearly implicit method of order 3, Rodas3 (Sandu, Verwer, Blom,
Spee, Carmichael and Potra, Atmos Environ 1997;31:3459; coefficients from
memory, order confirmed by step halving), with the analytic Jacobian, whose
arrow shape is solved by hand. Only additions, multiplications and divisions
are used, so each lane's bits are its own.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .blood import HALF, LINEAR, STANDARD_P50_MMHG, ContentInverse, curve_into
from .errors import problem
from .infants import FloatArray
from .lung_parameters import (
    DISSOLVED_ML_ML_MMHG,
    DRY_MMHG,
    GAS_FACTOR_MMHG,
    HB_CAPACITY_ML_G,
    UPTAKE_HALF_CONTENT,
    LungParameters,
)
from .steady import SteadyState

#: Steps within a second (s). The first are short because a breath that comes back, or stops, does
#: so at the beginning of a second; SaO2 stays within 0.1 points of the exact solution.
STEPS_S = (0.2, 0.3, 0.5)

#: Share of the way back to its resting volume that a lung goes in a second;
#: an assumption: about ten breaths after an obstruction or a pressure change.
REFILL_PER_S = 0.2


class _Vector:
    """An array of four rows with names for its parts: two gases, two bloods."""

    __slots__ = ("all", "arterial", "gas", "venous")

    def __init__(self, lanes: int, rows: FloatArray | None = None) -> None:
        self.all: FloatArray = np.zeros((4, lanes)) if rows is None else rows
        self.gas: FloatArray = self.all[:2]
        self.arterial: FloatArray = self.all[2]
        self.venous: FloatArray = self.all[3]


def divided(steps_s: tuple[float, ...], parts: int) -> tuple[float, ...]:
    """Divide each step into equal parts.

    Parameters
    ----------
    steps_s : tuple of float
        Steps (s); ``(1.0,)`` gives equal steps.
    parts : int
        How many parts.

    Returns
    -------
    tuple of float
    """
    return tuple(step / parts for step in steps_s for _ in range(parts))


class Lungs:
    """Gas exchange of all lanes.

    Parameters
    ----------
    parameters : LungParameters
        Parameters of the lanes.
    start : SteadyState
        State from which to start.
    steps_s : tuple of float
        Integration steps within a second (s); they add up to 1.

    Attributes
    ----------
    state : ndarray, shape (4, lanes)
        PO2 of the well and of the poorly ventilated compartment (mmHg),
        arterial and venous oxygen content (mL/mL).
    volume_ml : ndarray, shape (2, lanes)
        Volumes of the two compartments now (mL/kg BTPS).
    pao2_mmhg, sao2_fraction : ndarray, shape (lanes,)
        Arterial PO2 and saturation now.
    """

    def __init__(
        self, parameters: LungParameters, start: SteadyState, steps_s: tuple[float, ...] = STEPS_S
    ) -> None:
        lanes = parameters.lanes
        self.parameters = parameters
        if abs(sum(steps_s) - 1.0) > 1e-9 or min(steps_s) <= 0.0:
            raise problem("Lungs.steps_s", "positive steps that add up to 1 s", steps_s)
        self._steps_s = steps_s
        self.state: FloatArray = np.vstack([start.p_mmhg, start.ca, start.cv])
        self.volume_ml: FloatArray = parameters.volume_ml.copy()
        self.resting_volume_ml: FloatArray = parameters.volume_ml.copy()
        self.pao2_mmhg: FloatArray = start.pao2_mmhg.copy()
        self.sao2_fraction: FloatArray = start.sao2_fraction.copy()
        self._inverse = ContentInverse(parameters.capacity, parameters.p50_mmhg)
        scale = STANDARD_P50_MMHG / parameters.p50_mmhg
        self._per_arterial = 1.0 / parameters.arterial_volume_ml
        self._per_venous = 1.0 / parameters.venous_volume_ml
        # Written out for both compartments, and constants for every lane: arrays of one shape
        # are multiplied twice as fast as an array and what must be spread over it.
        self._capacity2 = np.stack([parameters.capacity, parameters.capacity])
        self._scale2 = np.stack([scale, scale])
        self._slope_scale2 = self._capacity2 * self._scale2
        self._per_arterial2 = np.stack([self._per_arterial, self._per_arterial])
        self._dry2 = np.full((2, lanes), DRY_MMHG)
        self._dissolved2 = np.full((2, lanes), DISSOLVED_ML_ML_MMHG)
        self._linear2, self._half2 = (np.full((2, lanes), LINEAR), np.full((2, lanes), HALF))
        self._nought4 = np.zeros((4, lanes))
        self._vo2 = parameters.vo2_ml_s
        self._allocate(lanes)

    def set_blood(self, hb_g_dl: FloatArray, p50_mmhg: FloatArray) -> None:
        """Change the blood of all lanes; saturations stay as they are.

        Parameters
        ----------
        hb_g_dl : ndarray, shape (lanes,)
            Haemoglobin (g/dL).
        p50_mmhg : ndarray, shape (lanes,)
            PO2 at half saturation.
        """
        old, capacity = self.parameters.capacity, HB_CAPACITY_ML_G * hb_g_dl / 100.0
        changed = (capacity != old) | (p50_mmhg != self.parameters.p50_mmhg)
        # Donor blood brings its oxygen along, so contents move with the capacity.
        ratio = np.where(changed, capacity / old, 1.0)
        self.state[2] *= ratio
        self.state[3] *= ratio
        self.parameters = replace(self.parameters, capacity=capacity, p50_mmhg=p50_mmhg)
        scale = STANDARD_P50_MMHG / p50_mmhg
        self._inverse = ContentInverse(capacity, p50_mmhg)
        self._capacity2 = np.stack([capacity, capacity])
        self._scale2 = np.stack([scale, scale])
        self._slope_scale2 = self._capacity2 * self._scale2

    def _allocate(self, lanes: int) -> None:
        def pair() -> FloatArray:
            return np.zeros((2, lanes))

        def single() -> FloatArray:
            return np.zeros(lanes)

        self._gain, self._inflow, self._washout = pair(), pair(), pair()
        self._open_factor, self._closed_factor, self._uptake_factor = (pair(), pair(), pair())
        self._volume_rate, self._closed_mass = pair(), pair()
        self._x, self._saturation, self._slope, self._work = (pair(), pair(), pair(), pair())
        self._uptake, self._pair, self._pair2 = pair(), pair(), pair()
        self._pivot, self._beta, self._weight = pair(), pair(), pair()
        self._work_rows = tuple(self._work)
        self._uptake_rows, self._beta_rows = tuple(self._uptake), tuple(self._beta)
        self._a, self._b, self._c = single(), single(), single()
        self._flow_arterial, self._flow_venous = single(), single()
        self._per_ga, self._rho, self._total, self._per_den = (
            single(),
            single(),
            single(),
            single(),
        )
        self._fade, self._flow = single(), single()
        self._rate, self._right, self._trial = (_Vector(lanes) for _ in range(3))
        self._k = [_Vector(lanes) for _ in range(4)]

    def step(
        self,
        inspired_fio2: FloatArray,
        breathing: FloatArray,
        closed: NDArray[np.bool_],
        ventilation_ml_s: FloatArray,
        shunt: FloatArray,
        flow_ml_s: FloatArray,
        vo2_ml_s: FloatArray | None = None,
    ) -> None:
        """Advance all lanes by one second; the arguments hold throughout it.

        Parameters
        ----------
        inspired_fio2 : ndarray, shape (lanes,)
            FiO2 at the airway (fraction).
        breathing : ndarray, shape (lanes,)
            Share of normal alveolar ventilation, 0 in apnoea.
        closed : ndarray of bool, shape (lanes,)
            Whether the airway is closed.
        ventilation_ml_s : ndarray, shape (2, lanes)
            Alveolar ventilation of each compartment in quiet breathing.
        shunt : ndarray, shape (lanes,)
            True shunt (fraction of cardiac output).
        flow_ml_s : ndarray, shape (lanes,)
            Cardiac output (mL/s/kg).
        vo2_ml_s : ndarray, shape (lanes,), optional
            Oxygen uptake (mL/s/kg STPD); that of the parameters if left out.
        """
        self._vo2 = self.parameters.vo2_ml_s if vo2_ml_s is None else vo2_ml_s
        any_closed = bool(closed.any())
        self._set_drive(inspired_fio2, breathing, ventilation_ml_s)
        self._set_flows(shunt, flow_ml_s)
        if any_closed:
            self._close(closed)
        state = _Vector(0, self.state)
        for step_s in self._steps_s:
            self._substep(state, any_closed, step_s)
        self._settle_volumes(closed, any_closed)
        self._inverse.solve(state.arterial, self.pao2_mmhg)
        np.multiply(self.pao2_mmhg, DISSOLVED_ML_ML_MMHG, out=self._a)
        np.subtract(state.arterial, self._a, out=self._a)
        np.divide(self._a, self.parameters.capacity, out=self.sao2_fraction)

    def _set_drive(
        self, fio2: FloatArray, breathing: FloatArray, ventilation_ml_s: FloatArray
    ) -> None:
        """Coefficients of ``P' = inflow - washout P - uptake_factor u``."""
        a, b, per_volume, growth = self._a, self._b, self._pair, self._pair2
        np.subtract(self.resting_volume_ml, self.volume_ml, out=self._volume_rate)
        self._volume_rate *= REFILL_PER_S
        np.multiply(self._volume_rate, 0.5, out=per_volume)
        per_volume += self.volume_ml
        np.divide(1.0, per_volume, out=per_volume)
        np.maximum(self._volume_rate, 0.0, out=growth)
        np.multiply(ventilation_ml_s, breathing, out=self._washout)
        np.multiply(fio2, DRY_MMHG, out=a)
        np.multiply(fio2, self.parameters.paco2_mmhg, out=b)
        np.subtract(a, b, out=b)
        np.multiply(self._washout, b, out=self._inflow)
        np.multiply(growth, a, out=self._x)
        self._inflow += self._x
        self._inflow *= per_volume
        self._washout += growth
        self._washout *= per_volume
        np.subtract(1.0, fio2, out=a)
        a *= GAS_FACTOR_MMHG
        np.multiply(per_volume, a, out=self._open_factor)

    def _set_flows(self, shunt: FloatArray, flow_ml_s: FloatArray) -> None:
        np.copyto(self._flow, flow_ml_s)
        np.subtract(1.0, shunt, out=self._a)
        self._a *= flow_ml_s
        np.multiply(self.parameters.perfusion_share, self._a, out=self._gain)
        np.multiply(flow_ml_s, self._per_arterial, out=self._flow_arterial)
        np.multiply(flow_ml_s, self._per_venous, out=self._flow_venous)
        np.multiply(self._flow_arterial, shunt, out=self._c)

    def _close(self, closed: NDArray[np.bool_]) -> None:
        """Let closed lungs exchange no gas but oxygen: V (PB - 47 - P) cannot change."""
        np.subtract(self._dry2, self.state[:2], out=self._closed_mass)
        self._closed_mass *= self.volume_ml
        np.divide(GAS_FACTOR_MMHG / DRY_MMHG, self._closed_mass, out=self._closed_factor)
        self._closed_factor *= closed  # nought where the airway is open
        for both in (self._inflow, self._washout, self._volume_rate, self._open_factor):
            np.copyto(both, 0.0, where=closed)

    def _settle_volumes(self, closed: NDArray[np.bool_], any_closed: bool) -> None:
        self.volume_ml += self._volume_rate
        if any_closed:
            np.subtract(DRY_MMHG, self.state[:2], out=self._pair)
            np.divide(self._closed_mass, self._pair, out=self._pair)
            np.copyto(self.volume_ml, self._pair, where=closed)

    def _rates(self, state: _Vector, any_closed: bool, slope: bool) -> None:
        """Write the derivative of `state` to `_rate`; with `slope` also dS/dx."""
        x, saturation, uptake, work = (self._x, self._saturation, self._uptake, self._work)
        np.multiply(state.gas, self._scale2, out=x)
        if slope:
            curve_into(x, saturation, self._slope, work)
        else:
            np.multiply(x, x, out=saturation)
            np.add(saturation, self._linear2, out=saturation)
            np.multiply(saturation, x, out=saturation)
            np.add(saturation, self._half2, out=work)
            np.divide(saturation, work, out=saturation)
        np.multiply(saturation, self._capacity2, out=uptake)
        np.multiply(state.gas, self._dissolved2, out=work)
        np.add(uptake, work, out=uptake)
        for row in self._uptake_rows:
            np.subtract(row, state.venous, out=row)
        np.multiply(uptake, self._gain, out=uptake)
        self._set_uptake_factor(state, any_closed)
        gas = self._rate.gas
        np.multiply(self._uptake_factor, uptake, out=work)
        np.multiply(self._washout, state.gas, out=gas)
        np.subtract(self._inflow, gas, out=gas)
        np.subtract(gas, work, out=gas)
        self._blood_rates(state)

    def _set_uptake_factor(self, state: _Vector, any_closed: bool) -> None:
        """How fast PO2 falls per uptake: constant if open, with (PB - 47 - P)^2 if closed."""
        factor = self._uptake_factor
        if not any_closed:
            np.copyto(factor, self._open_factor)
            return
        np.subtract(self._dry2, state.gas, out=self._pair)
        np.multiply(self._pair, self._pair, out=factor)
        np.multiply(factor, self._closed_factor, out=factor)
        np.add(factor, self._open_factor, out=factor)

    def _blood_rates(self, state: _Vector) -> None:
        rate, moved, fade = self._rate, self._a, self._fade
        np.subtract(state.arterial, state.venous, out=moved)
        np.multiply(moved, self._flow, out=moved)
        np.add(self._uptake_rows[0], self._uptake_rows[1], out=rate.arterial)
        np.subtract(rate.arterial, moved, out=rate.arterial)
        np.multiply(rate.arterial, self._per_arterial, out=rate.arterial)
        np.add(state.venous, UPTAKE_HALF_CONTENT, out=fade)
        np.divide(state.venous, fade, out=rate.venous)
        np.multiply(rate.venous, self._vo2, out=rate.venous)
        np.subtract(moved, rate.venous, out=rate.venous)
        np.multiply(rate.venous, self._per_venous, out=rate.venous)

    def _factor(self, shift: float, any_closed: bool) -> None:
        """Factor ``shift I - J`` at the state that `_rates` has just seen."""
        pivot, beta, weight = self._pivot, self._beta, self._weight
        np.multiply(self._slope, self._slope_scale2, out=weight)
        np.add(weight, self._dissolved2, out=weight)
        np.multiply(weight, self._gain, out=weight)
        np.multiply(self._uptake_factor, weight, out=pivot)
        np.add(pivot, self._washout, out=pivot)
        np.add(pivot, shift, out=pivot)
        if any_closed:  # `_pair` holds PB - 47 - P, `_closed_factor` is nought where open
            np.multiply(self._pair, self._closed_factor, out=self._work)
            np.multiply(self._work, self._uptake, out=self._work)
            np.multiply(self._work, -2.0, out=self._work)
            np.add(pivot, self._work, out=pivot)
        np.multiply(self._uptake_factor, self._gain, out=beta)
        np.divide(beta, pivot, out=beta)
        np.multiply(weight, self._per_arterial2, out=weight)
        np.multiply(weight, beta, out=self._work)
        np.add(self._work_rows[0], self._work_rows[1], out=self._total)
        np.add(self._total, self._c, out=self._total)
        self._factor_blood(shift)

    def _factor_blood(self, shift: float) -> None:
        b, per_den = self._b, self._per_den
        np.add(self._flow_arterial, shift, out=self._per_ga)
        np.divide(1.0, self._per_ga, out=self._per_ga)
        np.multiply(self._flow_venous, self._per_ga, out=self._rho)
        np.multiply(self._fade, self._fade, out=b)
        np.divide(UPTAKE_HALF_CONTENT, b, out=b)
        np.multiply(b, self._vo2, out=b)
        np.multiply(b, self._per_venous, out=b)
        np.add(b, self._flow_venous, out=b)
        np.add(b, shift, out=b)
        np.multiply(self._rho, self._total, out=per_den)
        np.subtract(b, per_den, out=per_den)
        np.divide(1.0, per_den, out=per_den)

    def _solve(self, right: _Vector, out: _Vector) -> None:
        """Solve ``(shift I - J) out = right`` with the factors of `_factor`."""
        b, work, venous, arterial = self._b, self._work, out.venous, out.arterial
        well, poor = self._work_rows
        np.divide(right.gas, self._pivot, out=out.gas)
        np.multiply(out.gas, self._weight, out=work)
        np.add(well, poor, out=b)
        np.add(b, right.arterial, out=b)
        np.multiply(b, self._rho, out=venous)
        np.add(venous, right.venous, out=venous)
        np.multiply(venous, self._per_den, out=venous)
        np.multiply(venous, self._total, out=arterial)
        np.add(arterial, b, out=arterial)
        np.multiply(arterial, self._per_ga, out=arterial)
        np.multiply(self._beta_rows[0], venous, out=well)
        np.multiply(self._beta_rows[1], venous, out=poor)
        np.add(out.gas, work, out=out.gas)

    def _substep(self, state: _Vector, any_closed: bool, step_s: float) -> None:
        per_step = 1.0 / step_s
        rate, right, trial = self._rate.all, self._right.all, self._trial.all
        k1, k2, k3, k4 = (stage.all for stage in self._k)
        self._rates(state, any_closed, slope=True)
        self._factor(2.0 * per_step, any_closed)
        self._solve(self._rate, self._k[0])
        np.multiply(k1, 4.0 * per_step, out=right)
        np.add(right, rate, out=right)
        self._solve(self._right, self._k[1])
        np.add(k1, k1, out=trial)
        np.add(trial, state.all, out=trial)
        self._rates(self._trial, any_closed, slope=False)
        np.subtract(k1, k2, out=k1)  # from here on k1 holds k1 - k2; `trial` holds state + 2 k1
        np.multiply(k1, per_step, out=k1)
        np.add(rate, k1, out=right)
        self._solve(self._right, self._k[2])
        np.add(trial, k3, out=trial)
        self._rates(self._trial, any_closed, slope=False)
        np.multiply(k3, -8.0 / 3.0 * per_step, out=right)
        np.add(right, k1, out=right)
        np.add(right, rate, out=right)
        self._solve(self._right, self._k[3])
        np.add(trial, k4, out=state.all)
        np.maximum(state.all, self._nought4, out=state.all)
