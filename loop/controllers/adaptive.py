"""A PI controller that learns each infant's response to FiO2 while it works."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from ...models.settings import quantity, validate
from ..signals import BoolArray, FloatArray, Reading, Settings
from .holding import Holding, Integral, error_from_middle, usable_lanes, weighted_error

#: The estimate is followed only above this SpO2: below, apnoea rules, not FiO2.
LEAST_SPO2_PCT = 80.0


class GainEstimate:
    """How many points of SpO2 a point of FiO2 gives, lane by lane.

    FiO2 is sent through the expected dynamics with gain 1 (dead time, lag),
    slow changes are taken out of it and of SpO2, and SpO2 is regressed on it:
    least squares with exponential forgetting, in its recursive form
    (Ljung, System Identification, chapter 11; from memory), where the first
    guess counts like `prior_weight` squared points of excitation. For one
    unknown the recursion is two running sums and their quotient.

    Parameters
    ----------
    lanes : int
        Length of the arrays.
    period_s : int
        Seconds between two calls.
    lag_s, dead_time_s : float
        Expected dynamics.
    memory_s : float
        Time constant of forgetting.
    trend_s : float
        What changes more slowly than this is taken out.
    first_guess : float
        Gain before anything was learnt (points per point).
    prior_weight : float
        Excitation that weighs as much as the first guess (squared points x s).
    limits : tuple of float
        Least and greatest gain that is believed.

    Attributes
    ----------
    gain : ndarray, shape (lanes,)
        The estimate (points of SpO2 per point of FiO2).
    """

    def __init__(
        self,
        lanes: int,
        *,
        period_s: int,
        lag_s: float,
        dead_time_s: float,
        memory_s: float,
        trend_s: float,
        first_guess: float,
        prior_weight: float,
        limits: tuple[float, float],
    ) -> None:
        self._lag = 1.0 - math.exp(-period_s / lag_s)
        self._keep = math.exp(-period_s / memory_s)
        self._trend = 1.0 - math.exp(-period_s / trend_s)
        self._first_guess, self._prior, self._limits = first_guess, prior_weight, limits
        self._period_s = period_s
        self._rows = np.zeros((max(1, round(dead_time_s / period_s)), lanes))
        self._place = 0
        self._response, self._mean_x, self._mean_y = np.zeros((3, lanes))
        self._sum_xx, self._sum_xy = np.zeros((2, lanes))
        self._met: BoolArray = np.zeros(lanes, dtype=np.bool_)
        self.gain: FloatArray = np.full(lanes, first_guess)

    def start(self, fio2: FloatArray) -> None:
        """Take this FiO2 as having lasted.

        Parameters
        ----------
        fio2 : ndarray, shape (lanes,)
            FiO2 found (fraction).
        """
        self._rows[:] = 100.0 * fio2
        self._response[:] = 100.0 * fio2

    def update(self, fio2: FloatArray, spo2_pct: FloatArray, usable: BoolArray) -> None:
        """Learn from one reading.

        Parameters
        ----------
        fio2 : ndarray, shape (lanes,)
            FiO2 applied since the last call (fraction).
        spo2_pct : ndarray, shape (lanes,)
            Displayed SpO2 (percent).
        usable : ndarray of bool, shape (lanes,)
            Where there is a reading.
        """
        self._response += self._lag * (self._rows[self._place] - self._response)
        self._rows[self._place] = 100.0 * fio2
        self._place = (self._place + 1) % len(self._rows)
        x = self._response
        y = np.where(usable, spo2_pct, self._mean_y)
        new = usable & ~self._met
        np.copyto(self._mean_x, x, where=new)
        np.copyto(self._mean_y, y, where=new)
        self._met |= usable
        telling = usable & (y >= LEAST_SPO2_PCT)
        dx = np.where(telling, x - self._mean_x, 0.0)
        dy = np.where(telling, y - self._mean_y, 0.0)
        self._mean_x += self._trend * dx
        self._mean_y += self._trend * dy
        for total, product in ((self._sum_xx, dx * dx), (self._sum_xy, dx * dy)):
            total *= np.where(telling, self._keep, 1.0)
            total += self._period_s * product
        self.gain[:] = self._sum_xy + self._prior * self._first_guess
        self.gain /= self._sum_xx + self._prior
        np.maximum(self.gain, self._limits[0], out=self.gain)
        np.minimum(self.gain, self._limits[1], out=self.gain)


@dataclass
class _Memory:
    holding: Holding = field(default_factory=Holding)
    integral: Integral = field(default_factory=Integral)
    estimate: GainEstimate | None = None


@dataclass(frozen=True, kw_only=True)
class AdaptivePI:
    """A PI controller whose gain is divided by the infant's own response.

    The gain is ``loop_gain / k`` points of FiO2 per point of SpO2, where `k`
    is what `GainEstimate` has learnt of this lane, between `least_response`
    and `most_response`. With one loop gain for all, an infant who responds
    little is served as fast as one who responds much.

    In closed loop the disturbance moves SpO2 and FiO2 in opposite ways, so
    the estimate leans low and the controller towards too much gain (a known
    fact of identification in closed loop). Three things hold that: FiO2
    counts only after dead time and lag, what is learnt in desaturation is not
    counted, and the bounds.

    The defaults were set by hand and kept: what ``oxytestbed tune adaptive``
    found (seed 71: loop gain 0.93, 121 s, 0.56) held other infants a little
    nearer to the target, but moved FiO2 twice as much (seed 72).

    Parameters
    ----------
    loop_gain : float
        Gain of the controller times that of the infant.
    integral_time_s : float
        Time in which a steady error adds one more `gain x error`.
    gain_share_in_target : float
        Share of the proportional gain that acts inside the target.
    first_guess : float
        Response before anything was learnt.
    least_response, most_response : float
        Bounds of the response that is believed.
    memory_s : float
        Time constant of forgetting.
    trend_s : float
        Changes slower than this teach nothing.
    prior_weight : float
        Excitation that weighs as much as the first guess.
    lag_s, dead_time_s : float
        Expected dynamics from FiO2 to displayed SpO2.
    period_s : int
        Seconds between two calls.
    name : str
        Name in tables.
    """

    loop_gain: float = quantity(unit="-", low=0, high=5, default=0.5, doc="gain of the whole loop")
    integral_time_s: float = quantity(
        unit="s", low=1, high=36000, default=50.0, doc="integral time"
    )
    gain_share_in_target: float = quantity(
        unit="-", low=0, high=1, default=0.5, doc="share of the gain used inside the target"
    )
    first_guess: float = quantity(
        unit="% per %", low=0.05, high=20, default=1.2, doc="response before learning"
    )
    least_response: float = quantity(
        unit="% per %", low=0.05, high=20, default=0.6, doc="least response believed"
    )
    most_response: float = quantity(
        unit="% per %", low=0.05, high=20, default=4.0, doc="greatest response believed"
    )
    memory_s: float = quantity(unit="s", low=60, high=86400, default=1800.0, doc="forgetting")
    trend_s: float = quantity(
        unit="s", low=30, high=7200, default=240.0, doc="slower changes teach nothing"
    )
    prior_weight: float = quantity(
        unit="%^2 s", low=0, high=1e6, default=600.0, doc="weight of the first guess"
    )
    lag_s: float = quantity(unit="s", low=1, high=300, default=40.0, doc="expected lag")
    dead_time_s: float = quantity(unit="s", low=0, high=120, default=20.0, doc="expected dead time")
    period_s: int = quantity(unit="s", low=1, high=60, default=1, doc="time between two calls")
    name: str = "adaptive"
    _memory: _Memory = field(default_factory=_Memory, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        validate(self)

    def reset(self, lanes: int, settings: Settings) -> None:
        """Forget everything.

        Parameters
        ----------
        lanes : int
            Length of the arrays to come.
        settings : Settings
            Not used: target and limits come with every reading.
        """
        self._memory.holding = Holding("AdaptivePI", lanes)
        self._memory.integral = Integral(lanes)
        self._memory.estimate = GainEstimate(
            lanes,
            period_s=self.period_s,
            lag_s=self.lag_s,
            dead_time_s=self.dead_time_s,
            memory_s=self.memory_s,
            trend_s=self.trend_s,
            first_guess=self.first_guess,
            prior_weight=self.prior_weight,
            limits=(self.least_response, self.most_response),
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
        first = holding.begin(reading)
        estimate = memory.estimate
        assert estimate is not None  # `begin` has refused a call before `reset`
        if first:
            memory.integral.start(holding.applied)
            estimate.start(holding.applied)
        usable = usable_lanes(reading)
        error = error_from_middle(reading, usable)
        estimate.update(holding.applied, reading.spo2_pct, usable)
        gain = (0.01 * self.loop_gain) / estimate.gain
        momentary = gain * weighted_error(error, reading, self.gain_share_in_target)
        share = self.period_s / self.integral_time_s
        growth = share * gain * error
        wanted = memory.integral.add(holding, momentary, growth, usable, min(share, 1.0))
        return holding.finish(wanted, usable, reading)

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
