"""A bedside-rule table: SpO2 band, time in it, step of FiO2."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ...models.errors import problem
from ...models.settings import quantity, validate
from ..signals import BoolArray, FloatArray, Reading, Settings
from .holding import Holding, usable_lanes

#: Rows of (distance from the target in points of SpO2, seconds there, step in
#: points of FiO2): -1 is "1 or more below the low end", +1 "1 or more above
#: the high end". The shape follows a UK regional neonatal guideline: steps of
#: 1 to 3 points, more below 70 %; at a high alarm watch one cycle of 3 min,
#: reduce, repeat per cycle. The times below the target are chosen here.
DEFAULT_TABLE = (
    (-1.0, 60.0, 1.0),
    (-4.0, 40.0, 2.0),
    (-11.0, 30.0, 3.0),
    (-21.0, 20.0, 10.0),
    (1.0, 180.0, -1.0),
    (3.0, 180.0, -2.0),
    (5.0, 180.0, -3.0),
)


@dataclass
class _Memory:
    holding: Holding = field(default_factory=Holding)
    waited_s: FloatArray = field(default_factory=lambda: np.empty((0, 0)))


@dataclass(frozen=True, kw_only=True)
class RuleTable:
    """Do what a written bedside rule says, to the second.

    Each row of the table has a clock that runs while SpO2 is in its band, or
    further out, and that goes back to zero outside it. When a clock has run
    for the row's time the row is due. The row furthest from the target that
    is due gives the step, and then all clocks begin anew. A missing reading
    stops the clocks. The step is taken from the FiO2 that the lane really
    has, so nothing can wind up and a return from manual care has no bump.

    Parameters
    ----------
    table : sequence of rows
        Each row: distance from the target (points of SpO2, negative below the
        low end, not 0), time (s, at least 1), step (points of FiO2). Default:
        `DEFAULT_TABLE`, after published bedside titration steps.
    period_s : int
        Seconds between two calls.
    name : str
        Name in tables.
    """

    table: Sequence[Sequence[float]] = DEFAULT_TABLE
    period_s: int = quantity(unit="s", low=1, high=60, default=1, doc="time between two calls")
    name: str = "rules"
    _memory: _Memory = field(default_factory=_Memory, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        validate(self)
        rows = tuple(_checked_row(place, row) for place, row in enumerate(self.table))
        # Furthest out first, so that the first row that is due decides.
        ordered = sorted(rows, key=lambda row: (-abs(row[0]), row[0]))
        object.__setattr__(self, "table", tuple(ordered))

    def reset(self, lanes: int, settings: Settings) -> None:
        """Forget everything.

        Parameters
        ----------
        lanes : int
            Length of the arrays to come.
        settings : Settings
            Not used: target and limits come with every reading.
        """
        self._memory.holding = Holding("RuleTable", lanes)
        self._memory.waited_s = np.zeros((len(self.table), lanes))

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
        holding.begin(reading)
        usable = usable_lanes(reading)
        spo2 = np.where(usable, reading.spo2_pct, reading.target_low_pct)
        step = np.zeros(len(spo2))
        done: BoolArray = np.zeros(len(spo2), dtype=np.bool_)
        for waited_s, (distance, time_s, points) in zip(memory.waited_s, self.table, strict=True):
            below = spo2 <= reading.target_low_pct + distance
            above = spo2 >= reading.target_high_pct + distance
            inside = below if distance < 0 else above
            waited_s += np.where(usable, float(self.period_s), 0.0)
            waited_s *= inside | ~usable
            due = usable & (waited_s >= time_s) & ~done
            step[due] = 0.01 * points
            done |= due
        memory.waited_s *= ~done
        return holding.finish(holding.applied + step, usable, reading)

    def track(self, applied_fio2: FloatArray, active: BoolArray) -> None:
        """Learn what became of the last request.

        Parameters
        ----------
        applied_fio2 : ndarray, shape (lanes,)
            FiO2 after limits and safeguards (fraction).
        active : ndarray of bool, shape (lanes,)
            False where the controller was out of the loop; its clocks begin
            anew there.
        """
        self._memory.holding.track(applied_fio2, active)
        self._memory.waited_s *= active


def _checked_row(place: int, row: Sequence[float]) -> tuple[float, float, float]:
    where = f"RuleTable.table, row {place + 1}"
    expected = "three numbers: points of SpO2 (not 0), seconds (at least 1), points of FiO2"
    try:
        distance, time_s, points = (float(value) for value in row)
    except (TypeError, ValueError) as error:
        raise problem(where, expected, row) from error
    if distance == 0 or not time_s >= 1 or not np.isfinite([distance, time_s, points]).all():
        raise problem(where, expected, row)
    return distance, time_s, points
