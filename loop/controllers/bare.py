"""Controllers that lack a safeguard on purpose, to show what it is for.

Each differs from `pi.PI` in one thing. They keep the contract and are not to
be taken as examples.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from ...models.settings import quantity, validate
from ..signals import BoolArray, FloatArray, Reading, Settings
from .holding import Holding, error_from_middle, usable_lanes
from .pi import PI


@dataclass(frozen=True, kw_only=True)
class PIWithoutAntiWindup(PI):
    """A PI whose integral goes on growing while FiO2 is at its limit.

    It also does not learn what somebody else did: after a time out of the
    loop it goes on from its own sum, with a bump.

    Parameters
    ----------
    name : str
        Name in tables.
    """

    name: str = "pi_no_antiwindup"

    def _wanted(
        self, proportional: FloatArray, growth: FloatArray, usable: BoolArray
    ) -> FloatArray:
        """Let the sum grow and nothing else."""
        return self._memory.integral.grow(proportional, growth, usable)


@dataclass
class _LastShown:
    spo2_pct: FloatArray = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True, kw_only=True)
class PIWithoutSignalGate(PI):
    """A PI that takes the last number it saw for a reading while the signal is lost.

    Its integral keeps growing on that number: after an artefact just before
    the loss, or in a long loss, FiO2 runs away from what the infant needs.

    Parameters
    ----------
    name : str
        Name in tables.
    """

    name: str = "pi_no_gate"
    _last: _LastShown = field(default_factory=_LastShown, init=False, repr=False, compare=False)

    def reset(self, lanes: int, settings: Settings) -> None:
        """Forget everything, the last number too.

        Parameters
        ----------
        lanes : int
            Length of the arrays to come.
        settings : Settings
            Handed on.
        """
        super().reset(lanes, settings)
        self._last.spo2_pct = np.full(lanes, np.nan)

    def act(self, reading: Reading) -> FloatArray:
        """Request the next FiO2, from the last number where there is none.

        Parameters
        ----------
        reading : Reading
            Arrays of shape (lanes,).

        Returns
        -------
        ndarray, shape (lanes,)
            FiO2 (fraction) within the limits of the reading. A lane that has
            not seen any number yet keeps its FiO2.
        """
        last = self._last.spo2_pct
        if len(reading.spo2_pct) == len(last):
            np.copyto(last, reading.spo2_pct, where=np.isfinite(reading.spo2_pct))
            reading = replace(reading, spo2_pct=last.copy(), valid=np.isfinite(last))
        return super().act(reading)


@dataclass
class _Memory:
    holding: Holding = field(default_factory=Holding)
    bias: FloatArray = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True, kw_only=True)
class ProportionalOnly:
    """A controller without integral: FiO2 is the one first set plus gain times error.

    Whatever shifts the infant leaves an error that stays: with a plant gain
    `k` and a controller gain `g` the share ``1 / (1 + g k)`` of it.

    Parameters
    ----------
    gain_per_pct : float
        FiO2 (fraction) per SpO2 point.
    period_s : int
        Seconds between two calls.
    name : str
        Name in tables.
    """

    gain_per_pct: float = quantity(
        unit="fraction per %", low=0, high=0.1, default=0.004, doc="proportional gain"
    )
    period_s: int = quantity(unit="s", low=1, high=60, default=1, doc="time between two calls")
    name: str = "p_only"
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
        self._memory.holding = Holding("ProportionalOnly", lanes)
        self._memory.bias = np.zeros(lanes)

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
            memory.bias[:] = memory.holding.applied
        usable = usable_lanes(reading)
        wanted = memory.bias + self.gain_per_pct * error_from_middle(reading, usable)
        return memory.holding.finish(wanted, usable, reading)

    def track(self, applied_fio2: FloatArray, active: BoolArray) -> None:
        """Learn what became of the last request: it is held while readings are missing.

        Parameters
        ----------
        applied_fio2 : ndarray, shape (lanes,)
            FiO2 after limits and safeguards (fraction).
        active : ndarray of bool, shape (lanes,)
            False where the controller was out of the loop.
        """
        self._memory.holding.track(applied_fio2, active)
