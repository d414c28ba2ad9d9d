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
from numpy import add, divide, maximum, multiply, subtract
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
from .lung_steps import Step, Vector, divided
from .operands import number
from .steady import SteadyState

#: Steps within a second (s). The first are short because a breath that comes back, or stops, does
#: so at the beginning of a second; SaO2 stays within 0.1 points of the exact solution.
STEPS_S = (0.2, 0.3, 0.5)

#: Share of the way back to its resting volume that a lung goes in a second;
#: an assumption: about ten breaths after an obstruction or a pressure change.
REFILL_PER_S = 0.2

_ONE, _HALF, _MINUS_TWO = number(1.0), number(0.5), number(-2.0)
_REFILL, _DRY, _GAS = number(REFILL_PER_S), number(DRY_MMHG), number(GAS_FACTOR_MMHG)
_GAS_PER_DRY = number(GAS_FACTOR_MMHG / DRY_MMHG)
_CURVE_LINEAR, _CURVE_HALF = number(LINEAR), number(HALF)
_DISSOLVED, _FADES_AT = number(DISSOLVED_ML_ML_MMHG), number(UPTAKE_HALF_CONTENT)


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
        self._steps = tuple(Step(step_s) for step_s in steps_s)
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
        self._per_blood2 = np.stack([self._per_arterial, self._per_venous])
        self._share_rows = tuple(parameters.perfusion_share)
        self._per_arterial2 = np.stack([self._per_arterial, self._per_arterial])
        self._nought4, self._nought2 = np.zeros((4, lanes)), np.zeros((2, lanes))
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
        self._open_factor, self._closed_factor, self._any_factor = (pair(), pair(), pair())
        self._uptake_factor = self._open_factor
        self._volume_rate, self._closed_mass = pair(), pair()
        self._x, self._saturation, self._slope, self._work = (pair(), pair(), pair(), pair())
        self._uptake, self._pair, self._pair2 = pair(), pair(), pair()
        self._pivot, self._beta, self._weight = pair(), pair(), pair()
        self._work_rows, self._gain_rows = tuple(self._work), tuple(self._gain)
        # A pair times an array of lanes goes row by row, which is quicker than spreading it.
        rows = (self._washout, self._inflow, self._pair2, self._x, self._pair, self._open_factor)
        self._drive_rows = tuple(zip(*rows, strict=True))
        self._uptake_rows, self._beta_rows = tuple(self._uptake), tuple(self._beta)
        self._a, self._b, self._c = single(), single(), single()
        self._d, self._e = single(), single()
        # Rows: what blood takes up in the lung, what it brings to the tissues, what they use.
        self._moves: FloatArray = np.zeros((3, lanes))
        self._moves_rows = tuple(self._moves)
        self._into_blood, self._out_of_blood = self._moves[:2], self._moves[1:]
        self._flow_arterial, self._flow_venous = single(), single()
        self._per_ga, self._rho, self._total, self._per_den = (
            single(),
            single(),
            single(),
            single(),
        )
        self._fade, self._flow = single(), single()
        self._rate, self._right, self._trial = (Vector(lanes) for _ in range(3))
        self._k = [Vector(lanes) for _ in range(4)]

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
        any_closed = bool(np.count_nonzero(closed))
        self._uptake_factor = self._any_factor if any_closed else self._open_factor
        self._set_drive(inspired_fio2, breathing, ventilation_ml_s)
        self._set_flows(shunt, flow_ml_s)
        if any_closed:
            self._close(closed)
        state = Vector(0, self.state)
        for step in self._steps:
            self._substep(state, any_closed, step)
        self._settle_volumes(closed, any_closed)
        self._inverse.solve(state.arterial, self.pao2_mmhg)
        multiply(self.pao2_mmhg, _DISSOLVED, self._a)
        subtract(state.arterial, self._a, self._b)
        divide(self._b, self.parameters.capacity, self.sao2_fraction)

    def _set_drive(
        self, fio2: FloatArray, breathing: FloatArray, ventilation_ml_s: FloatArray
    ) -> None:
        """Coefficients of ``P' = inflow - washout P - uptake_factor u``."""
        a, b, c, per_volume, growth = self._a, self._b, self._c, self._pair, self._pair2
        subtract(self.resting_volume_ml, self.volume_ml, self._volume_rate)
        multiply(self._volume_rate, _REFILL, self._volume_rate)
        multiply(self._volume_rate, _HALF, per_volume)
        add(per_volume, self.volume_ml, per_volume)
        divide(_ONE, per_volume, per_volume)
        maximum(self._volume_rate, self._nought2, out=growth)
        multiply(fio2, _DRY, a)
        multiply(fio2, self.parameters.paco2_mmhg, c)
        subtract(a, c, b)
        subtract(_ONE, fio2, c)
        multiply(c, _GAS, self._d)
        for share, rows in zip(ventilation_ml_s, self._drive_rows, strict=True):
            washout, inflow, grown, brought, per, opened = rows
            multiply(share, breathing, washout)
            multiply(washout, b, inflow)
            multiply(grown, a, brought)
            multiply(per, self._d, opened)
        add(self._inflow, self._x, self._inflow)
        multiply(self._inflow, per_volume, self._inflow)
        add(self._washout, growth, self._washout)
        multiply(self._washout, per_volume, self._washout)

    def _set_flows(self, shunt: FloatArray, flow_ml_s: FloatArray) -> None:
        self._flow = flow_ml_s
        subtract(_ONE, shunt, self._a)
        multiply(self._a, flow_ml_s, self._b)
        for share, gain in zip(self._share_rows, self._gain_rows, strict=True):
            multiply(share, self._b, gain)
        multiply(flow_ml_s, self._per_arterial, self._flow_arterial)
        multiply(flow_ml_s, self._per_venous, self._flow_venous)
        multiply(self._flow_arterial, shunt, self._c)

    def _close(self, closed: NDArray[np.bool_]) -> None:
        """Let closed lungs exchange no gas but oxygen: V (PB - 47 - P) cannot change."""
        subtract(_DRY, self.state[:2], self._closed_mass)
        self._closed_mass *= self.volume_ml
        divide(_GAS_PER_DRY, self._closed_mass, self._closed_factor)
        self._closed_factor *= closed  # nought where the airway is open
        for both in (self._inflow, self._washout, self._volume_rate, self._open_factor):
            np.copyto(both, 0.0, where=closed)

    def _settle_volumes(self, closed: NDArray[np.bool_], any_closed: bool) -> None:
        add(self.volume_ml, self._volume_rate, self.volume_ml)
        if any_closed:
            subtract(_DRY, self.state[:2], self._pair)
            divide(self._closed_mass, self._pair, self._pair)
            np.copyto(self.volume_ml, self._pair, where=closed)

    def _rates(self, state: Vector, any_closed: bool, slope: bool) -> None:
        """Write the derivative of `state` to `_rate`; with `slope` also dS/dx."""
        x, saturation, uptake, work = (self._x, self._saturation, self._uptake, self._work)
        multiply(state.gas, self._scale2, x)
        if slope:
            curve_into(x, saturation, self._slope, work)
        else:
            multiply(x, x, saturation)
            add(saturation, _CURVE_LINEAR, saturation)
            multiply(saturation, x, saturation)
            add(saturation, _CURVE_HALF, work)
            divide(saturation, work, saturation)
        multiply(saturation, self._capacity2, uptake)
        multiply(state.gas, _DISSOLVED, work)
        add(uptake, work, uptake)
        for row, beyond_venous in zip(self._uptake_rows, self._work_rows, strict=True):
            subtract(row, state.venous, beyond_venous)
        multiply(work, self._gain, uptake)
        if any_closed:
            self._set_uptake_factor(state)
        gas = self._rate.gas
        multiply(self._uptake_factor, uptake, work)
        multiply(self._washout, state.gas, gas)
        subtract(self._inflow, gas, gas)
        subtract(gas, work, gas)
        self._blood_rates(state)

    def _set_uptake_factor(self, state: Vector) -> None:
        """How fast PO2 falls per uptake: constant if open, with (PB - 47 - P)^2 if closed."""
        factor = self._uptake_factor
        subtract(_DRY, state.gas, self._pair)
        multiply(self._pair, self._pair, factor)
        multiply(factor, self._closed_factor, factor)
        add(factor, self._open_factor, factor)

    def _blood_rates(self, state: Vector) -> None:
        taken_up, moved, used = self._moves_rows
        add(self._uptake_rows[0], self._uptake_rows[1], taken_up)
        subtract(state.arterial, state.venous, self._a)
        multiply(self._a, self._flow, moved)
        add(state.venous, _FADES_AT, self._fade)
        divide(state.venous, self._fade, self._a)
        multiply(self._a, self._vo2, used)
        subtract(self._into_blood, self._out_of_blood, self._rate.blood)
        multiply(self._rate.blood, self._per_blood2, self._rate.blood)

    def _factor(self, shift: FloatArray, any_closed: bool) -> None:
        """Factor ``shift I - J`` at the state that `_rates` has just seen."""
        pivot, beta, weight = self._pivot, self._beta, self._weight
        multiply(self._slope, self._slope_scale2, weight)
        add(weight, _DISSOLVED, weight)
        multiply(weight, self._gain, weight)
        multiply(self._uptake_factor, weight, pivot)
        add(pivot, self._washout, pivot)
        add(pivot, shift, pivot)
        if any_closed:  # `_pair` holds PB - 47 - P, `_closed_factor` is nought where open
            multiply(self._pair, self._closed_factor, self._work)
            multiply(self._work, self._uptake, self._work)
            multiply(self._work, _MINUS_TWO, self._work)
            add(pivot, self._work, pivot)
        multiply(self._uptake_factor, self._gain, beta)
        divide(beta, pivot, beta)
        multiply(weight, self._per_arterial2, weight)
        multiply(weight, beta, self._work)
        add(self._work_rows[0], self._work_rows[1], self._a)
        add(self._a, self._c, self._total)
        self._factor_blood(shift)

    def _factor_blood(self, shift: FloatArray) -> None:
        # Each result goes elsewhere: NumPy takes thrice as long in place on a single lane.
        a, b, per_ga = self._a, self._b, self._per_ga
        add(self._flow_arterial, shift, a)
        divide(_ONE, a, per_ga)
        multiply(self._flow_venous, per_ga, self._rho)
        multiply(self._fade, self._fade, a)
        divide(_FADES_AT, a, b)
        multiply(b, self._vo2, a)
        multiply(a, self._per_venous, b)
        add(b, self._flow_venous, a)
        add(a, shift, b)
        multiply(self._rho, self._total, a)
        subtract(b, a, self._d)
        divide(_ONE, self._d, self._per_den)

    def _solve(self, right: Vector, out: Vector) -> None:
        """Solve ``(shift I - J) out = right`` with the factors of `_factor`."""
        a, b, work, venous, arterial = self._a, self._b, self._work, out.venous, out.arterial
        well, poor = self._work_rows
        divide(right.gas, self._pivot, out.gas)
        multiply(out.gas, self._weight, work)
        add(well, poor, a)
        add(a, right.arterial, b)
        multiply(b, self._rho, a)
        add(a, right.venous, self._d)
        multiply(self._d, self._per_den, venous)
        multiply(venous, self._total, arterial)
        multiply(self._beta_rows[0], venous, well)
        multiply(self._beta_rows[1], venous, poor)
        add(arterial, b, a)
        multiply(a, self._per_ga, arterial)
        add(out.gas, work, out.gas)

    def _substep(self, state: Vector, any_closed: bool, step: Step) -> None:
        rate, right, trial = self._rate.all, self._right.all, self._trial.all
        k1, k2, k3, k4 = (stage.all for stage in self._k)
        self._rates(state, any_closed, slope=True)
        self._factor(step.shift, any_closed)
        self._solve(self._rate, self._k[0])
        multiply(k1, step.four, right)
        add(right, rate, right)
        self._solve(self._right, self._k[1])
        add(k1, k1, trial)
        add(trial, state.all, trial)
        self._rates(self._trial, any_closed, slope=False)
        subtract(k1, k2, k1)  # from here on k1 holds k1 - k2; `trial` holds state + 2 k1
        multiply(k1, step.per_s, k1)
        add(rate, k1, right)
        self._solve(self._right, self._k[2])
        add(trial, k3, trial)
        self._rates(self._trial, any_closed, slope=False)
        multiply(k3, step.eight_thirds, right)
        add(right, k1, right)
        add(right, rate, right)
        self._solve(self._right, self._k[3])
        add(trial, k4, state.all)
        maximum(state.all, self._nought4, out=state.all)


__all__ = ["REFILL_PER_S", "STEPS_S", "Lungs", "divided"]
