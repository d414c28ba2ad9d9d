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

import numpy as np
from numpy.typing import NDArray

from .blood import STANDARD_P50_MMHG, ContentInverse, curve_into
from .infants import FloatArray
from .lung_parameters import (
    DISSOLVED_ML_ML_MMHG,
    DRY_MMHG,
    GAS_FACTOR_MMHG,
    UPTAKE_HALF_CONTENT,
    LungParameters,
)
from .steady import SteadyState

#: Two steps a second keep SaO2 within 0.1 points of the exact solution.
DEFAULT_SUBSTEPS = 2

#: Share of the way back to its resting volume that a lung goes in a second;
#: an assumption: about ten breaths after an obstruction or a pressure change.
REFILL_PER_S = 0.2


class Lungs:
    """Gas exchange of all lanes.

    Parameters
    ----------
    parameters : LungParameters
        Parameters of the lanes.
    start : SteadyState
        State from which to start.
    substeps : int
        Integration steps a second.

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
        self, parameters: LungParameters, start: SteadyState, substeps: int = DEFAULT_SUBSTEPS
    ) -> None:
        lanes = parameters.lanes
        self.parameters = parameters
        self.substeps = substeps
        self.state: FloatArray = np.vstack([start.p_mmhg, start.ca, start.cv])
        self.volume_ml: FloatArray = parameters.volume_ml.copy()
        self.resting_volume_ml: FloatArray = parameters.volume_ml.copy()
        self.pao2_mmhg: FloatArray = start.pao2_mmhg.copy()
        self.sao2_fraction: FloatArray = start.sao2_fraction.copy()
        self._inverse = ContentInverse(parameters.capacity, parameters.p50_mmhg)
        self._scale = STANDARD_P50_MMHG / parameters.p50_mmhg
        self._slope_scale = parameters.capacity * self._scale
        self._per_arterial = 1.0 / parameters.arterial_volume_ml
        self._per_venous = 1.0 / parameters.venous_volume_ml
        self._allocate(lanes)

    def _allocate(self, lanes: int) -> None:
        def pair() -> FloatArray:
            return np.zeros((2, lanes))

        def single() -> FloatArray:
            return np.zeros(lanes)

        self._gain, self._inflow, self._washout, self._uptake_factor = (
            pair(),
            pair(),
            pair(),
            pair(),
        )
        self._volume_rate, self._closed_mass, self._closed_factor = pair(), pair(), pair()
        self._x, self._saturation, self._slope, self._work = pair(), pair(), pair(), pair()
        self._uptake, self._pair, self._pair2 = pair(), pair(), pair()
        self._pivot, self._beta, self._weight = pair(), pair(), pair()
        self._a, self._b, self._c = single(), single(), single()
        self._flow_arterial, self._flow_venous = single(), single()
        self._per_ga, self._rho, self._total, self._per_den = single(), single(), single(), single()
        self._k = [np.zeros((4, lanes)) for _ in range(4)]
        self._rate, self._right, self._trial = (np.zeros((4, lanes)) for _ in range(3))
        self._fade = single()
        self._flow = single()

    def step(
        self,
        inspired_fio2: FloatArray,
        breathing: FloatArray,
        closed: NDArray[np.bool_],
        ventilation_ml_s: FloatArray,
        shunt: FloatArray,
        flow_ml_s: FloatArray,
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
        """
        any_closed = bool(closed.any())
        self._set_drive(inspired_fio2, breathing, ventilation_ml_s)
        self._set_flows(shunt, flow_ml_s)
        if any_closed:
            self._close(closed)
        for _ in range(self.substeps):
            self._substep(closed, any_closed)
        self._settle_volumes(closed, any_closed)
        self._inverse.solve(self.state[2], self.pao2_mmhg)
        np.multiply(self.pao2_mmhg, DISSOLVED_ML_ML_MMHG, out=self._a)
        np.subtract(self.state[2], self._a, out=self._a)
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
        np.multiply(per_volume, a, out=self._uptake_factor)

    def _set_flows(self, shunt: FloatArray, flow_ml_s: FloatArray) -> None:
        np.copyto(self._flow, flow_ml_s)
        np.subtract(1.0, shunt, out=self._a)
        self._a *= flow_ml_s
        np.multiply(self.parameters.perfusion_share, self._a, out=self._gain)
        np.multiply(flow_ml_s, self._per_arterial, out=self._flow_arterial)
        np.multiply(flow_ml_s, self._per_venous, out=self._flow_venous)
        np.multiply(self._flow_arterial, shunt, out=self._c)

    def _close(self, closed: NDArray[np.bool_]) -> None:
        """A closed lung exchanges no gas: V (PB - 47 - P) cannot change."""
        np.subtract(DRY_MMHG, self.state[:2], out=self._closed_mass)
        self._closed_mass *= self.volume_ml
        np.divide(GAS_FACTOR_MMHG / DRY_MMHG, self._closed_mass, out=self._closed_factor)
        np.copyto(self._inflow, 0.0, where=closed)
        np.copyto(self._washout, 0.0, where=closed)
        np.copyto(self._volume_rate, 0.0, where=closed)

    def _settle_volumes(self, closed: NDArray[np.bool_], any_closed: bool) -> None:
        self.volume_ml += self._volume_rate
        if any_closed:
            np.subtract(DRY_MMHG, self.state[:2], out=self._pair)
            np.divide(self._closed_mass, self._pair, out=self._pair)
            np.copyto(self.volume_ml, self._pair, where=closed)

    def _rates(
        self, state: FloatArray, closed: NDArray[np.bool_], any_closed: bool, slope: bool
    ) -> None:
        """Write the derivative of `state` to `_rate`; with `slope` also dS/dx."""
        x, saturation = self._x, self._saturation
        np.multiply(state[:2], self._scale, out=x)
        if slope:
            curve_into(x, saturation, self._slope, self._work)
        else:
            np.multiply(x, x, out=saturation)
            saturation += 150.0
            saturation *= x
            np.add(saturation, 23400.0, out=self._work)
            saturation /= self._work
        uptake, rate = self._uptake, self._rate
        np.multiply(saturation, self.parameters.capacity, out=uptake)
        np.multiply(state[:2], DISSOLVED_ML_ML_MMHG, out=self._work)
        uptake += self._work
        uptake -= state[3]
        uptake *= self._gain
        if any_closed:
            np.subtract(DRY_MMHG, state[:2], out=self._work)
            self._work *= self._work
            self._work *= self._closed_factor
            np.copyto(self._uptake_factor, self._work, where=closed)
        np.multiply(self._uptake_factor, uptake, out=self._work)
        np.multiply(self._washout, state[:2], out=rate[:2])
        np.subtract(self._inflow, rate[:2], out=rate[:2])
        rate[:2] -= self._work
        self._blood_rates(state)

    def _blood_rates(self, state: FloatArray) -> None:
        rate, moved = self._rate, self._a
        np.subtract(state[2], state[3], out=moved)
        moved *= self._flow
        np.add(self._uptake[0], self._uptake[1], out=rate[2])
        rate[2] -= moved
        rate[2] *= self._per_arterial
        np.add(state[3], UPTAKE_HALF_CONTENT, out=self._fade)
        np.divide(state[3], self._fade, out=rate[3])
        rate[3] *= self.parameters.vo2_ml_s
        np.subtract(moved, rate[3], out=rate[3])
        rate[3] *= self._per_venous

    def _factor(self, shift: float, closed: NDArray[np.bool_], any_closed: bool) -> None:
        """Factor ``shift I - J`` at the state that `_rates` has just seen."""
        pivot, beta, weight = self._pivot, self._beta, self._weight
        np.multiply(self._slope, self._slope_scale, out=weight)
        weight += DISSOLVED_ML_ML_MMHG
        weight *= self._gain
        np.multiply(self._uptake_factor, weight, out=pivot)
        pivot += self._washout
        pivot += shift
        if any_closed:
            np.subtract(DRY_MMHG, self.state[:2], out=self._work)
            self._work *= self._closed_factor
            self._work *= self._uptake
            self._work *= -2.0
            np.add(pivot, self._work, out=pivot, where=closed)
        np.multiply(self._uptake_factor, self._gain, out=beta)
        beta /= pivot
        weight *= self._per_arterial
        np.multiply(weight, beta, out=self._work)
        np.add(self._work[0], self._work[1], out=self._total)
        self._total += self._c
        np.add(self._flow_arterial, shift, out=self._per_ga)
        np.divide(1.0, self._per_ga, out=self._per_ga)
        np.multiply(self._flow_venous, self._per_ga, out=self._rho)
        np.multiply(self._fade, self._fade, out=self._b)
        np.divide(UPTAKE_HALF_CONTENT, self._b, out=self._b)
        self._b *= self.parameters.vo2_ml_s
        self._b *= self._per_venous
        self._b += self._flow_venous
        self._b += shift
        np.multiply(self._rho, self._total, out=self._per_den)
        np.subtract(self._b, self._per_den, out=self._per_den)
        np.divide(1.0, self._per_den, out=self._per_den)

    def _solve(self, right: FloatArray, out: FloatArray) -> None:
        """Solve ``(shift I - J) out = right`` with the factors of `_factor`."""
        np.divide(right[:2], self._pivot, out=out[:2])
        np.multiply(out[:2], self._weight, out=self._work)
        np.add(self._work[0], self._work[1], out=self._b)
        self._b += right[2]
        np.multiply(self._b, self._rho, out=out[3])
        out[3] += right[3]
        out[3] *= self._per_den
        np.multiply(out[3], self._total, out=out[2])
        out[2] += self._b
        out[2] *= self._per_ga
        np.multiply(self._beta, out[3], out=self._work)
        out[:2] += self._work

    def _substep(self, closed: NDArray[np.bool_], any_closed: bool) -> None:
        per_step = float(self.substeps)
        state, right, trial = self.state, self._right, self._trial
        k1, k2, k3, k4 = self._k
        self._rates(state, closed, any_closed, slope=True)
        self._factor(2.0 * per_step, closed, any_closed)
        self._solve(self._rate, k1)
        np.multiply(k1, 4.0 * per_step, out=right)
        right += self._rate
        self._solve(right, k2)
        np.add(k1, k1, out=trial)
        trial += state
        self._rates(trial, closed, any_closed, slope=False)
        k1 -= k2  # from here on k1 holds k1 - k2; `trial` holds state + 2 k1
        np.multiply(k1, per_step, out=k1)
        np.add(self._rate, k1, out=right)
        self._solve(right, k3)
        trial += k3
        self._rates(trial, closed, any_closed, slope=False)
        np.multiply(k3, -8.0 / 3.0 * per_step, out=right)
        right += k1
        right += self._rate
        self._solve(right, k4)
        np.add(trial, k4, out=state)
        np.maximum(state, 0.0, out=state)
