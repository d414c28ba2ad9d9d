"""The null controller: FiO2 stays where it is."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ...models.errors import problem
from ...models.settings import quantity, validate
from ..signals import FloatArray, Reading, Settings


@dataclass
class _Memory:
    lanes: int = 0
    kept: FloatArray | None = None


@dataclass(frozen=True, kw_only=True)
class FixedFiO2:
    """Keep one FiO2 for the whole run.

    Parameters
    ----------
    fio2 : float, optional
        FiO2 for every lane (fraction, 0.21 to 1). Default: each lane keeps
        the FiO2 set at its first reading.
    period_s : int
        Seconds between two calls.
    name : str
        Name in tables.
    """

    fio2: float | None = None
    period_s: int = quantity(unit="s", low=1, high=600, default=1, doc="time between two calls")
    name: str = "fixed"
    _memory: _Memory = field(default_factory=_Memory, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        validate(self)
        # `quantity` knows no value that may be absent, so its range is here.
        if self.fio2 is not None and not 0.21 <= self.fio2 <= 1:
            raise problem("FixedFiO2.fio2", "a value from 0.21 to 1 (fraction)", self.fio2)

    def reset(self, lanes: int, settings: Settings) -> None:
        """Forget the FiO2 that was kept.

        Parameters
        ----------
        lanes : int
            Length of the arrays to come.
        settings : Settings
            Not used: a fixed FiO2 has no target.
        """
        self._memory.lanes = lanes
        self._memory.kept = None if self.fio2 is None else np.full(lanes, float(self.fio2))

    def act(self, reading: Reading) -> FloatArray:
        """Return the FiO2 that is kept.

        Parameters
        ----------
        reading : Reading
            Only the first one after `reset` is looked at.

        Returns
        -------
        ndarray, shape (lanes,)
            FiO2 (fraction). A lane whose first set FiO2 is missing stays at
            its lower limit.

        Raises
        ------
        TestbedError
            If the reading has not the lanes announced to `reset`.
        """
        memory = self._memory
        if len(reading.set_fio2) != memory.lanes:
            raise problem("FixedFiO2.act", f"{memory.lanes} lanes", len(reading.set_fio2))
        if memory.kept is None:
            known = np.isfinite(reading.set_fio2)
            memory.kept = np.where(known, reading.set_fio2, reading.fio2_min)
        return memory.kept.copy()
