"""A proportional-integral controller with anti-windup."""

from __future__ import annotations

from dataclasses import dataclass, field

from ...models.settings import quantity, validate
from ..signals import BoolArray, FloatArray, Reading, Settings
from .holding import Holding, Integral, error_from_middle, usable_lanes, weighted_error


@dataclass
class _Memory:
    holding: Holding = field(default_factory=lambda: Holding("PI"))
    integral: Integral = field(default_factory=Integral)


@dataclass(frozen=True, kw_only=True)
class PI:
    """Move FiO2 in proportion to the error and to its sum over time.

    The request is ``P + I``. `I` begins at the FiO2 set at the first reading;
    the error is the middle of the target minus the displayed SpO2, and `I`
    grows by ``gain x error x period / integral time``. `P` follows the error
    with the full gain outside the target and with `gain_share_in_target` of
    it inside, joined without a step, so that whole percents flickering inside
    the target move FiO2 less. Where there is no valid reading the last applied
    FiO2 is held and the integral stands still.

    Anti-windup is back-calculation (`holding.Integral`): what limits took away
    is handed back to the integral over one integral time. At a limit in steady
    error the sum then settles at the limit plus `P`, so the request leaves the
    limit as soon as the error turns. After a time out of the loop the integral
    is set so that the first request continues from the FiO2 found (bumpless
    return).

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
        self._memory.holding = Holding("PI", lanes)
        self._memory.integral = Integral(lanes)

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
        if memory.holding.begin(reading):
            memory.integral.start(memory.holding.applied)
        usable = usable_lanes(reading)
        error = error_from_middle(reading, usable)
        proportional = self.gain_per_pct * weighted_error(error, reading, self.gain_share_in_target)
        share = self.period_s / self.integral_time_s
        wanted = self._wanted(proportional, (self.gain_per_pct * share) * error, usable)
        return memory.holding.finish(wanted, usable, reading)

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
        self._memory.holding.track(applied_fio2, active)

    def _wanted(
        self, proportional: FloatArray, growth: FloatArray, usable: BoolArray
    ) -> FloatArray:
        """Add the sum to `P`, corrected by what limits or somebody else changed."""
        memory, share = self._memory, min(self.period_s / self.integral_time_s, 1.0)
        return memory.integral.add(memory.holding, proportional, growth, usable, share)
