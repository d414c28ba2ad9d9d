"""Model-predictive control: constrained, receding horizon, offset-free."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from ...models.errors import problem
from ...models.settings import quantity, validate
from ..signals import BoolArray, FloatArray, Reading, Settings
from .curve import CurveTable
from .holding import Holding, usable_lanes

#: The horizon is cut into three moves, each held; these are the shares of the
#: horizon at which the second and the third begin.
MOVES_BEGIN = (0.0, 0.1, 0.3)

#: Sweeps of the solver: measured, each of the first ten reduces the distance
#: from the optimum at least threefold with the default tuning.
SWEEPS = 20

#: Offset of a bumpless return that is left after this time is 1/e (s).
RETURN_S = 60.0


class MovesProblem:
    """The quadratic programme of one call, the same for all lanes but for its linear part.

    The model answers to FiO2 `u` (points) with ``x' = a x + (1 - a) k u``.
    Over the horizon that follows the dead time, the moves `u_j` are to
    minimise the sum of squared errors, averaged over the horizon, plus
    ``travel_weight`` times the squared differences between moves, beginning
    with the FiO2 applied now.

    Parameters
    ----------
    steps : int
        Steps in the horizon.
    keep : float
        `a`, the share of `x` that is left after a step.
    gain : float
        `k`, points of SpO2 per point of FiO2.
    travel_weight : float
        Squared points of SpO2 that one squared point of FiO2 is worth.

    Attributes
    ----------
    hessian : tuple of tuple of float
        Of half the cost, three by three.
    """

    def __init__(self, steps: int, keep: float, gain: float, travel_weight: float) -> None:
        begins = [round(share * steps) for share in MOVES_BEGIN]
        ends = [*begins[1:], steps]
        free = [keep ** (i + 1) for i in range(steps)]
        unit = [
            [
                gain * (keep ** max(i + 1 - end, 0) - keep ** (i + 1 - begin)) if i >= begin else 0
                for i in range(steps)
            ]
            for begin, end in zip(begins, ends, strict=True)
        ]
        count = len(begins)
        hessian = [[sum(map(_times, a, b)) / steps for b in unit] for a in unit]
        for j in range(count):
            hessian[j][j] += travel_weight * (2.0 if j < count - 1 else 1.0)
            if j:
                hessian[j][j - 1] -= travel_weight
                hessian[j - 1][j] -= travel_weight
        self.hessian = tuple(tuple(row) for row in hessian)
        self._travel = travel_weight
        self._per_error = [sum(row) / steps for row in unit]
        self._per_state = [sum(map(_times, row, free)) / steps for row in unit]

    def solve(
        self,
        error: FloatArray,
        state: FloatArray,
        applied: FloatArray,
        low: FloatArray,
        high: FloatArray,
    ) -> FloatArray:
        """Find the moves: one variable after the other, clipped, again and again.

        For a strictly convex cost within box limits this goes to the optimum.
        It starts from the FiO2 applied now.

        Parameters
        ----------
        error : ndarray, shape (lanes,)
            Reference minus disturbance (points of SpO2).
        state : ndarray, shape (lanes,)
            Model state at the end of the dead time (points of SpO2).
        applied : ndarray, shape (lanes,)
            FiO2 applied now (points).
        low, high : ndarray, shape (lanes,)
            Limits of FiO2 (points).

        Returns
        -------
        ndarray, shape (3, lanes)
            FiO2 of each move (points).
        """
        moves = np.empty((len(self.hessian), len(error)))
        moves[:] = np.minimum(np.maximum(applied, low), high)
        linear = [
            e * error - s * state for e, s in zip(self._per_error, self._per_state, strict=True)
        ]
        linear[0] = linear[0] + self._travel * applied
        for _ in range(SWEEPS):
            for j, row in enumerate(self.hessian):
                rest = linear[j].copy()
                for i, value in enumerate(row):
                    if i != j:
                        rest -= value * moves[i]
                rest *= 1.0 / row[j]
                np.maximum(rest, low, out=rest)
                np.minimum(rest, high, out=moves[j])
        return moves


def _times(a: float, b: float) -> float:
    return a * b


@dataclass
class _Memory:
    holding: Holding = field(default_factory=Holding)
    curve: CurveTable = field(default_factory=CurveTable)
    problem: MovesProblem | None = None
    ahead: FloatArray = field(default_factory=lambda: np.empty(0))
    rows: FloatArray = field(default_factory=lambda: np.empty((0, 0)))
    place: int = 0
    disturbance: FloatArray = field(default_factory=lambda: np.empty(0))
    met: BoolArray = field(default_factory=lambda: np.empty(0, dtype=np.bool_))


@dataclass(frozen=True, kw_only=True)
class Predictive:
    """Choose the next moves of FiO2 that a model of the infant says are best.

    The model is first order with dead time. What displayed SpO2 differs from
    it is taken as a disturbance at the output, followed by a first-order
    filter and expected to stay: that makes the control offset-free (Maciejowski,
    Predictive Control with Constraints, chapter 8; from memory). At each call
    three moves over the horizon are chosen within the FiO2 limits, the first
    is applied, and the next call chooses anew. Limits are part of the
    problem, and the model is fed with what was applied: nothing winds up.

    SpO2 is first transformed: to the PO2 of the standard dissociation curve,
    scaled so that a point at mid-target stays a point. There the plant's gain
    is nearly constant. `curve_share` mixes it with the plain SpO2.

    The defaults are what ``oxytestbed tune predictive`` gave (seed 71, 60
    candidates, 6 infants of each stratum x 2 h), among candidates that do not
    swing on an infant who responds with 4 points per point.

    Parameters
    ----------
    model_gain : float
        Points of SpO2 per point of FiO2.
    lag_s, dead_time_s : float
        Dynamics of the model.
    horizon_s : float
        How far it looks ahead, after the dead time.
    travel_weight : float
        Squared points of SpO2 that one squared point of FiO2 is worth.
    filter_s : float
        Time constant of the disturbance estimate.
    curve_share : float
        Share of the transformed saturation; 0 for plain SpO2.
    period_s : int
        Seconds between two calls; a step of the model.
    name : str
        Name in tables.
    """

    model_gain: float = quantity(
        unit="% per %", low=0.05, high=20, default=2.1, doc="model's response to FiO2"
    )
    lag_s: float = quantity(unit="s", low=1, high=600, default=39.0, doc="model's lag")
    dead_time_s: float = quantity(unit="s", low=0, high=120, default=20.0, doc="model's dead time")
    horizon_s: float = quantity(unit="s", low=10, high=1200, default=120.0, doc="horizon")
    travel_weight: float = quantity(
        unit="%^2 per %^2", low=1e-6, high=1000, default=1.27, doc="price of moving FiO2"
    )
    filter_s: float = quantity(
        unit="s", low=0, high=600, default=2.9, doc="time constant of the disturbance estimate"
    )
    curve_share: float = quantity(
        unit="-", low=0, high=1, default=0.5, doc="share of the transformed saturation"
    )
    period_s: int = quantity(unit="s", low=1, high=60, default=2, doc="time between two calls")
    name: str = "predictive"
    _memory: _Memory = field(default_factory=_Memory, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        validate(self)
        if self.horizon_s < 10 * self.period_s:
            hint = "Make the horizon longer or the period shorter."
            expected = f"at least ten periods ({10 * self.period_s} s)"
            raise problem("Predictive.horizon_s", expected, self.horizon_s, hint)

    def reset(self, lanes: int, settings: Settings) -> None:
        """Forget everything and set up the problem.

        Parameters
        ----------
        lanes : int
            Length of the arrays to come.
        settings : Settings
            Not used: target and limits come with every reading.
        """
        memory = self._memory
        memory.holding = Holding("Predictive", lanes)
        steps = round(self.horizon_s / self.period_s)
        memory.problem = MovesProblem(steps, self._keep, self.model_gain, self.travel_weight)
        memory.ahead = np.zeros(lanes)
        memory.rows = np.zeros((round(self.dead_time_s / self.period_s) + 1, lanes))
        memory.place = 0
        memory.disturbance = np.zeros(lanes)
        memory.met = np.zeros(lanes, dtype=np.bool_)

    def act(self, reading: Reading) -> FloatArray:
        """Request the next FiO2.

        Parameters
        ----------
        reading : Reading
            Arrays of shape (lanes,).

        Returns
        -------
        ndarray, shape (lanes,)
            FiO2 (fraction) within the limits of the reading.
        """
        memory = self._memory
        usable = usable_lanes(reading)
        if memory.holding.begin(reading):
            memory.ahead[:] = (100.0 * self.model_gain) * memory.holding.applied
            memory.rows[:] = memory.ahead
        middle = np.where(usable, 0.5 * (reading.target_low_pct + reading.target_high_pct), 93.0)
        spo2 = np.where(usable, reading.spo2_pct, middle)
        self._observe(self.transformed(spo2, middle), usable)
        assert memory.problem is not None  # `begin` has refused a call before `reset`
        moves = memory.problem.solve(
            middle - memory.disturbance,
            memory.ahead,
            100.0 * memory.holding.applied,
            100.0 * reading.fio2_min,
            100.0 * reading.fio2_max,
        )
        fade = math.exp(-self.period_s / RETURN_S)
        return memory.holding.finish(0.01 * moves[0], usable, reading, fade)

    def track(self, applied_fio2: FloatArray, active: BoolArray) -> None:
        """Learn what became of the last request.

        Parameters
        ----------
        applied_fio2 : ndarray, shape (lanes,)
            FiO2 after limits and safeguards (fraction).
        active : ndarray of bool, shape (lanes,)
            False where the controller was out of the loop.
        """
        self._memory.holding.track(applied_fio2, active)

    def transformed(self, spo2_pct: FloatArray, middle_pct: FloatArray) -> FloatArray:
        """Straighten the dissociation curve.

        Parameters
        ----------
        spo2_pct : ndarray, shape (lanes,)
            Saturation (percent), finite.
        middle_pct : ndarray, shape (lanes,)
            Mid-target (percent); unchanged by the transformation.

        Returns
        -------
        ndarray, shape (lanes,)
            Transformed saturation (points).
        """
        curve = self._memory.curve
        distance = curve.po2_mmhg(spo2_pct) - curve.po2_mmhg(middle_pct)
        distance *= self.curve_share * curve.slope_pct_per_mmhg(middle_pct)
        return middle_pct + distance + (1.0 - self.curve_share) * (spo2_pct - middle_pct)

    @property
    def _keep(self) -> float:
        return math.exp(-self.period_s / self.lag_s)

    def _observe(self, measured: FloatArray, usable: BoolArray) -> None:
        """Advance the model by what was applied, and compare it with the reading."""
        memory = self._memory
        memory.ahead *= self._keep
        memory.ahead += ((1.0 - self._keep) * 100.0 * self.model_gain) * memory.holding.applied
        memory.rows[memory.place] = memory.ahead
        memory.place = (memory.place + 1) % len(memory.rows)
        # The row written next is the oldest: the model's output at this moment.
        surprise = measured - memory.rows[memory.place] - memory.disturbance
        share = self.period_s / (self.period_s + self.filter_s)
        memory.disturbance += np.where(memory.met, share, 1.0) * np.where(usable, surprise, 0.0)
        memory.met |= usable
