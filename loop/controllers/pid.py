"""A PID controller whose gain follows the slope of the dissociation curve."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ...models.settings import quantity, validate
from ..signals import BoolArray, FloatArray, Reading, Settings
from .curve import CurveTable
from .holding import Holding, Integral, error_from_middle, usable_lanes, weighted_error


def _empty() -> FloatArray:
    return np.empty(0)


@dataclass
class _Memory:
    holding: Holding = field(default_factory=Holding)
    integral: Integral = field(default_factory=Integral)
    curve: CurveTable = field(default_factory=CurveTable)
    smooth_pct: FloatArray = field(default_factory=_empty)
    followed: BoolArray = field(default_factory=lambda: np.empty(0, dtype=np.bool_))


@dataclass(frozen=True, kw_only=True)
class PID:
    """Move FiO2 by error, its sum and the speed of SpO2, with a scheduled gain.

    SpO2 answers to FiO2 through the dissociation curve, so the plant's gain
    is proportional to its slope: three times as much at 88 % as at 95 %. The
    controller's gain is therefore divided by the slope at the displayed SpO2
    and multiplied by that at mid-target, on the standard curve. The factor
    stays within `schedule_low` and `schedule_high`: in the flat upper part a
    whole percent says little about PO2, and in a desaturation the fall has
    another cause than too steep a curve. Both limits at 1 give a plain PID.

    The derivative acts on the displayed SpO2, not on the error, so a new
    target gives no kick, through a first-order filter (Astrom and Murray,
    Feedback Systems, chapter 11; from memory). It starts anew after a missing
    reading. Anti-windup and bumpless return: see `holding.Integral`.

    The defaults are what ``oxytestbed tune pid`` gave (seed 71, 60
    candidates, 6 infants of each stratum x 2 h), among candidates that do not
    swing on an infant who responds with 4 points per point.

    Parameters
    ----------
    gain_per_pct : float
        FiO2 (fraction) per SpO2 point at mid-target.
    integral_time_s : float
        Time in which a steady error adds one more `gain x error`.
    derivative_time_s : float
        A fall of 1 point per second counts as an error of so many points.
    filter_s : float
        Time constant of the derivative's filter.
    gain_share_in_target : float
        Share of the proportional gain that acts inside the target.
    schedule_low, schedule_high : float
        Least and greatest factor on the gain.
    period_s : int
        Seconds between two calls.
    name : str
        Name in tables.
    """

    gain_per_pct: float = quantity(
        unit="fraction per %", low=0, high=0.1, default=0.0054, doc="gain at mid-target"
    )
    integral_time_s: float = quantity(
        unit="s", low=1, high=36000, default=30.0, doc="integral time"
    )
    derivative_time_s: float = quantity(
        unit="s", low=0, high=120, default=6.4, doc="derivative time"
    )
    filter_s: float = quantity(
        unit="s", low=1, high=120, default=24.0, doc="time constant of the derivative's filter"
    )
    gain_share_in_target: float = quantity(
        unit="-", low=0, high=1, default=0.5, doc="share of the gain used inside the target"
    )
    schedule_low: float = quantity(
        unit="-", low=0.05, high=1, default=0.4, doc="least factor on the gain"
    )
    schedule_high: float = quantity(
        unit="-", low=1, high=10, default=1.5, doc="greatest factor on the gain"
    )
    period_s: int = quantity(unit="s", low=1, high=60, default=1, doc="time between two calls")
    name: str = "pid"
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
        memory = self._memory
        memory.holding = Holding("PID", lanes)
        memory.integral = Integral(lanes)
        memory.smooth_pct = np.zeros(lanes)
        memory.followed = np.zeros(lanes, dtype=np.bool_)

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
        if memory.holding.begin(reading):
            memory.integral.start(memory.holding.applied)
        usable = usable_lanes(reading)
        error = error_from_middle(reading, usable)
        gain = self.gain_per_pct * self.schedule(reading.spo2_pct, error, usable)
        speed = self._speed(np.where(usable, reading.spo2_pct, memory.smooth_pct), usable)
        weighted = weighted_error(error, reading, self.gain_share_in_target)
        momentary = gain * (weighted - self.derivative_time_s * speed)
        share = self.period_s / self.integral_time_s
        wanted = memory.integral.add(
            memory.holding, momentary, share * gain * error, usable, min(share, 1.0)
        )
        return memory.holding.finish(wanted, usable, reading)

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

    def schedule(self, spo2_pct: FloatArray, error: FloatArray, usable: BoolArray) -> FloatArray:
        """Give the factor on the gain.

        Parameters
        ----------
        spo2_pct : ndarray, shape (lanes,)
            Displayed SpO2 (percent).
        error : ndarray, shape (lanes,)
            Mid-target minus SpO2 (percent).
        usable : ndarray of bool, shape (lanes,)
            Where there is a reading.

        Returns
        -------
        ndarray, shape (lanes,)
            Slope at mid-target over slope at SpO2, limited; 1 where not usable.
        """
        spo2 = np.where(usable, spo2_pct, 93.0)
        curve = self._memory.curve
        ratio = curve.slope_pct_per_mmhg(spo2 + error) / curve.slope_pct_per_mmhg(spo2)
        return np.minimum(np.maximum(ratio, self.schedule_low), self.schedule_high)

    def _speed(self, spo2: FloatArray, usable: BoolArray) -> FloatArray:
        """Give the filtered speed of SpO2 (points per second); 0 at the first after a gap."""
        memory = self._memory
        np.copyto(memory.smooth_pct, spo2, where=~memory.followed)
        ahead = spo2 - memory.smooth_pct
        memory.smooth_pct += (self.period_s / (self.period_s + self.filter_s)) * ahead
        memory.followed[:] = usable
        return (1.0 / (self.period_s + self.filter_s)) * ahead
