"""Observer-based state feedback: a Kalman filter and a linear-quadratic law."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from ...models.settings import quantity, validate
from ..signals import BoolArray, FloatArray, Reading, Settings
from .holding import Holding, error_from_middle, usable_lanes

#: Offset of a bumpless return that is left after this time is 1/e (s).
RETURN_S = 60.0

#: The Riccati recursion ends when a step changes nothing by more than this
#: share, or after so many steps.
RICCATI_TOLERANCE, RICCATI_STEPS = 1e-13, 100_000


def kalman_gain(
    a: FloatArray, c: FloatArray, process: FloatArray, measurement: float
) -> FloatArray:
    """Find the stationary gain of a Kalman filter, by repeating its recursion.

    Parameters
    ----------
    a : ndarray, shape (n, n)
        State matrix, per step.
    c : ndarray, shape (n,)
        Output row.
    process : ndarray, shape (n, n)
        Covariance of the process noise, per step.
    measurement : float
        Variance of the measurement noise.

    Returns
    -------
    ndarray, shape (n,)
        Gain of the measurement update (filter form).
    """
    spread = process + np.eye(len(a))
    gain = np.zeros(len(a))
    for _ in range(RICCATI_STEPS):
        seen = spread @ c
        following = seen / (float(c @ seen) + measurement)
        settled = np.abs(following - gain).max() <= RICCATI_TOLERANCE * np.abs(following).max()
        gain = following
        spread = a @ (spread - np.outer(gain, seen)) @ a.T + process
        if settled:
            break
    return gain


def quadratic_gain(a: float, b: float, state_weight: float, input_weight: float) -> float:
    """Find the linear-quadratic gain of a first-order plant, in closed form.

    The Riccati equation ``p = a^2 p - (a b p)^2 / (r + b^2 p) + q`` is a
    quadratic in `p`.

    Parameters
    ----------
    a, b : float
        The plant, ``z' = a z + b u``.
    state_weight, input_weight : float
        `q` and `r`, above 0.

    Returns
    -------
    float
        `K` in ``u = -K z``.
    """
    half = 0.5 * (input_weight * (1.0 - a * a) - b * b * state_weight)
    p = (math.sqrt(half * half + b * b * state_weight * input_weight) - half) / (b * b)
    return a * b * p / (input_weight + b * b * p)


@dataclass
class _Memory:
    holding: Holding = field(default_factory=Holding)
    correction: tuple[float, float] = (0.0, 0.0)
    feedback: float = 0.0
    state: FloatArray = field(default_factory=lambda: np.empty(0))
    load: FloatArray = field(default_factory=lambda: np.empty(0))
    underway: FloatArray = field(default_factory=lambda: np.empty(0))
    rows: FloatArray = field(default_factory=lambda: np.empty((0, 0)))
    place: int = 0
    met: BoolArray = field(default_factory=lambda: np.empty(0, dtype=np.bool_))


@dataclass(frozen=True, kw_only=True)
class ObserverFeedback:
    """Estimate what disturbs the infant, and feed back the predicted state.

    Model, per step, with FiO2 in points and SpO2 relative to mid-target::

        z' = a z + b (u(dead time ago) + w)      y = z + measurement noise
        w' = w + noise                           the load, as if it were FiO2

    A Kalman filter estimates `z` and `w`; its gain comes from the Riccati
    recursion at `reset`. The state is predicted over the dead time with the
    FiO2 that is already on its way, and the law is
    ``u = -w - K z_predicted`` with the linear-quadratic `K`. The load is the
    integral action: whatever shifts the infant ends up in `w`, so the mean
    comes to the target although the model is wrong. The filter is fed with
    what was applied, so that limits do not wind it up (Astrom and Murray,
    Feedback Systems, chapters 7 and 8; from memory).

    The defaults are what ``oxytestbed tune observer`` gave (seed 71, 60
    candidates, 6 infants of each stratum x 2 h), among candidates that do not
    swing on an infant who responds with 4 points per point.

    Parameters
    ----------
    model_gain : float
        Points of SpO2 per point of FiO2.
    lag_s, dead_time_s : float
        Dynamics of the model.
    noise_pct : float
        SD of the measurement noise.
    load_sd : float
        SD of the change of the load in a second.
    input_weight : float
        Squared points of SpO2 that one squared point of FiO2 is worth.
    period_s : int
        Seconds between two calls; a step of the model.
    name : str
        Name in tables.
    """

    model_gain: float = quantity(
        unit="% per %", low=0.05, high=20, default=3.1, doc="model's response to FiO2"
    )
    lag_s: float = quantity(unit="s", low=1, high=600, default=47.0, doc="model's lag")
    dead_time_s: float = quantity(unit="s", low=0, high=120, default=20.0, doc="model's dead time")
    noise_pct: float = quantity(
        unit="%", low=0.01, high=50, default=5.8, doc="SD of the measurement noise"
    )
    load_sd: float = quantity(
        unit="% per sqrt(s)", low=1e-4, high=50, default=0.3, doc="how fast the load changes"
    )
    input_weight: float = quantity(
        unit="%^2 per %^2", low=1e-6, high=1e4, default=3.6, doc="price of FiO2"
    )
    period_s: int = quantity(unit="s", low=1, high=60, default=2, doc="time between two calls")
    name: str = "observer"
    _memory: _Memory = field(default_factory=_Memory, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        validate(self)

    def reset(self, lanes: int, settings: Settings) -> None:
        """Forget everything and compute the gains.

        Parameters
        ----------
        lanes : int
            Length of the arrays to come.
        settings : Settings
            Not used: target and limits come with every reading.
        """
        memory = self._memory
        memory.holding = Holding("ObserverFeedback", lanes)
        state, load = kalman_gain(*self.noise_model())
        memory.correction = (float(state), float(load))
        memory.feedback = quadratic_gain(self._a, self._b, 1.0, self.input_weight)
        memory.state, memory.load, memory.underway = np.zeros((3, lanes))
        memory.rows = np.zeros((max(1, round(self.dead_time_s / self.period_s)), lanes))
        memory.place = 0
        memory.met = np.zeros(lanes, dtype=np.bool_)

    def noise_model(self) -> tuple[FloatArray, FloatArray, FloatArray, float]:
        """Give what the Kalman filter is designed for.

        Returns
        -------
        a : ndarray, shape (2, 2)
            State matrix of `z` and `w`.
        c : ndarray, shape (2,)
            Output row.
        process : ndarray, shape (2, 2)
            Covariance of the process noise: the load's alone.
        measurement : float
            Variance of the measurement noise.
        """
        load_variance = self.load_sd * self.load_sd * self.period_s
        return (
            np.array([[self._a, self._b], [0.0, 1.0]]),
            np.array([1.0, 0.0]),
            np.array([[0.0, 0.0], [0.0, load_variance]]),
            self.noise_pct * self.noise_pct,
        )

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
        memory, holding = self._memory, self._memory.holding
        usable = usable_lanes(reading)
        if holding.begin(reading):
            memory.rows[:] = 100.0 * holding.applied
            memory.underway[:] = (100.0 * self._b * self._sum_of_powers) * holding.applied
        deviation = -error_from_middle(reading, usable)
        self._predict_and_correct(deviation, usable)
        whole, load = self._sum_of_powers, self._b * memory.load
        predicted = self._a_dead * memory.state + memory.underway + whole * load
        wanted = 0.01 * (-memory.load - memory.feedback * predicted)
        return holding.finish(wanted, usable, reading, math.exp(-self.period_s / RETURN_S))

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

    @property
    def _a(self) -> float:
        return math.exp(-self.period_s / self.lag_s)

    @property
    def _b(self) -> float:
        return self.model_gain * (1.0 - self._a)

    @property
    def _steps(self) -> int:
        return max(1, round(self.dead_time_s / self.period_s))

    @property
    def _a_dead(self) -> float:
        return self._a**self._steps

    @property
    def _sum_of_powers(self) -> float:
        return (1.0 - self._a_dead) / (1.0 - self._a)

    def _predict_and_correct(self, deviation: FloatArray, usable: BoolArray) -> None:
        """Advance the filter by a step and compare it with the reading."""
        memory = self._memory
        arriving = memory.rows[memory.place].copy()
        memory.state *= self._a
        memory.state += self._b * (arriving + memory.load)
        applied = 100.0 * memory.holding.applied
        # Effect, at the end of the dead time, of the FiO2 that is on its way.
        memory.underway *= self._a
        memory.underway += self._b * applied - (self._b * self._a_dead) * arriving
        memory.rows[memory.place] = applied
        memory.place = (memory.place + 1) % len(memory.rows)
        new = usable & ~memory.met
        np.copyto(memory.state, deviation, where=new)
        at_rest = deviation * (1.0 / self.model_gain) - applied
        np.copyto(memory.load, at_rest, where=new)
        memory.met |= usable
        surprise = np.where(usable, deviation - memory.state, 0.0)
        memory.state += memory.correction[0] * surprise
        memory.load += memory.correction[1] * surprise
