"""A proportional-integral controller with anti-windup."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ...models.errors import problem
from ...models.settings import quantity, validate
from ..signals import BoolArray, FloatArray, Reading, Settings


def _empty() -> FloatArray:
    return np.empty(0)


@dataclass
class _Memory:
    """What the controller remembers, one value a lane; FiO2 as a fraction."""

    started: bool = False
    bias: FloatArray = field(default_factory=_empty)
    proportional: FloatArray = field(default_factory=_empty)
    integral: FloatArray = field(default_factory=_empty)
    unlimited: FloatArray = field(default_factory=_empty)
    applied: FloatArray = field(default_factory=_empty)
    return_share: FloatArray = field(default_factory=_empty)
    in_loop: BoolArray = field(default_factory=lambda: np.empty(0, dtype=np.bool_))


@dataclass(frozen=True, kw_only=True)
class PI:
    """Move FiO2 in proportion to the error and to its sum over time.

    The request is ``bias + P + I``. The bias is the FiO2 set at the first
    reading, the error is the middle of the target minus the displayed SpO2,
    and the integral grows by ``gain x error x period / integral time``. `P`
    follows the error with the full gain outside the target and with
    `gain_share_in_target` of it inside, joined without a step, so that whole
    percents flickering inside the target move FiO2 less. Where there is no
    valid reading the last applied FiO2 is held and the integral stands still.

    Anti-windup is back-calculation: what limits took away is handed back to
    the integral over one integral time (Astrom and Murray, Feedback Systems,
    chapter 11; from memory). At a limit in steady error the sum then settles
    at the limit plus `P`, so the request leaves the limit as soon as the
    error turns. After a time out of the loop the integral is set so that the
    first request continues from the FiO2 found (bumpless return).

    Default tuning. SIMC rules (Skogestad 2003; from memory) for a lag `tau`
    and dead time `theta` with the closed-loop time chosen equal to `theta`:
    ``gain = tau / (2 theta k)`` and ``integral time = min(tau, 8 theta)``.
    The plant of a preterm infant has k = 0.4 to 4 SpO2 points per FiO2 point,
    tau = 20 to 60 s, and theta near 20 s from circuit, circulation and
    averaging. With tau = 40 s the integral time is 40 s and the gain is
    1 / k FiO2 points per SpO2 point: 0.25 for the most responsive infant and
    2.5 for the least. One fixed gain must keep every infant stable, so it is
    set by the responsive end: 0.4 points (0.004 as a fraction) leaves a gain
    margin of 1.2 in the worst corner (k = 4, tau = 20 s), of 1.9 at tau =
    40 s; 0.5 points would be unstable in that corner. Infants who respond
    little are served slowly: that is the price of one gain for all.

    Parameters
    ----------
    gain_per_pct : float
        FiO2 (fraction) per SpO2 point outside the target.
    integral_time_s : float
        Time in which a steady error adds one more `gain x error`.
    gain_share_in_target : float
        Share of the proportional gain that acts inside the target; 1 makes
        the controller linear, 0 leaves only the integral there.
    period_s : int
        Seconds between two calls.
    name : str
        Name in tables.
    """

    gain_per_pct: float = quantity(
        unit="fraction per %", low=0, high=0.1, default=0.004, doc="proportional gain"
    )
    integral_time_s: float = quantity(
        unit="s", low=1, high=36000, default=40.0, doc="integral time"
    )
    gain_share_in_target: float = quantity(
        unit="-", low=0, high=1, default=0.5, doc="share of the gain used inside the target"
    )
    period_s: int = quantity(unit="s", low=1, high=60, default=1, doc="time between two calls")
    name: str = "pi"
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
        memory.started = False
        memory.bias = np.zeros(lanes)
        memory.proportional = np.zeros(lanes)
        memory.integral = np.zeros(lanes)
        memory.unlimited = np.zeros(lanes)
        memory.applied = np.zeros(lanes)
        memory.return_share = np.zeros(lanes)
        memory.in_loop = np.ones(lanes, dtype=np.bool_)

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

        Raises
        ------
        TestbedError
            If the reading has not the lanes announced to `reset`.
        """
        memory = self._memory
        if len(reading.spo2_pct) != len(memory.bias):
            raise problem("PI.act", f"{len(memory.bias)} lanes", len(reading.spo2_pct))
        if not memory.started:
            self._start(reading)
        error = 0.5 * (reading.target_low_pct + reading.target_high_pct) - reading.spo2_pct
        usable = reading.valid & np.isfinite(error)
        error = np.where(usable, error, 0.0)
        half_width = 0.5 * (reading.target_high_pct - reading.target_low_pct)
        np.copyto(memory.proportional, self._proportional(error, half_width), where=usable)
        self._take_back()
        share = self.period_s / self.integral_time_s
        memory.integral += (self.gain_per_pct * share) * error
        np.add(memory.bias, memory.proportional, out=memory.unlimited)
        memory.unlimited += memory.integral
        request = np.where(usable, memory.unlimited, memory.applied)
        np.clip(request, reading.fio2_min, reading.fio2_max, out=request)
        memory.applied[:] = request
        # While a reading is missing the request is held on purpose; its
        # distance from the sum is no windup.
        memory.return_share[:] = np.where(usable, min(share, 1.0), 0.0)
        memory.in_loop[:] = True
        return request

    def track(self, applied_fio2: FloatArray, active: BoolArray) -> None:
        """Learn what became of the last request.

        Repeated calls before the next `act` do not add up: the last counts.

        Parameters
        ----------
        applied_fio2 : ndarray, shape (lanes,)
            FiO2 after limits and safeguards (fraction).
        active : ndarray of bool, shape (lanes,)
            False where the controller was out of the loop.
        """
        memory = self._memory
        np.copyto(memory.applied, applied_fio2, where=np.isfinite(applied_fio2))
        memory.in_loop[:] = active

    def _start(self, reading: Reading) -> None:
        """Begin from the FiO2 that is set."""
        memory = self._memory
        known = np.isfinite(reading.set_fio2)
        memory.bias[:] = np.where(known, reading.set_fio2, reading.fio2_min)
        memory.unlimited[:] = memory.bias
        memory.applied[:] = memory.bias
        memory.started = True

    def _proportional(self, error: FloatArray, half_width: FloatArray) -> FloatArray:
        """Weigh the part of the error inside the target by its share."""
        inside = np.clip(error, -half_width, half_width)
        return self.gain_per_pct * (error - (1.0 - self.gain_share_in_target) * inside)

    def _take_back(self) -> None:
        """Correct the integral by what limits or somebody else changed."""
        memory = self._memory
        limited = memory.return_share * (memory.applied - memory.unlimited)
        taken_over = memory.applied - memory.bias - memory.proportional - memory.integral
        memory.integral += np.where(memory.in_loop, limited, taken_over)
