"""The rules by which a simulated figure is graded against a published one.

They were fixed before the first comparison was run, and nothing is tuned to
pass them:

- pass: the simulated median lies inside the published interval, both ends
  included. The interval is the published quartiles or 95 % interval; of a mean
  with SD the quartiles of a normal distribution (mean +/- 0.674 SD); of a mean
  with 2 SD the mean +/- 2 SD. A full range over infants is not an interval for
  the median: it counts as "none given". With none given the interval is the
  published figure +/- 25 %, so its sign must be right.
- near: inside an interval twice as wide on each side.
- miss: anything else.
- a statement of direction passes only with the right sign, and is never near.
- rows flagged "memory" or "derived" are graded and shown but not counted;
  calibration, validation and other rows are counted apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from ...models.errors import nearest, problem

#: Half-width of the interval where none is published (share of the figure).
UNSTATED_SHARE = 0.25

#: Quartiles of a normal distribution lie this many SD from its mean.
QUARTILE_SD = 0.674

#: How much wider than the interval of a pass that of a near is.
NEAR_FACTOR = 2.0

#: How a row states its spread.
SPREADS: dict[str, str] = {
    "iqr": "median with quartiles: low and high",
    "ci95": "value with its 95 % interval: low and high",
    "sd": "mean with SD: low and high are mean minus and plus SD",
    "2sd": "mean with 2 SD: low and high are mean minus and plus 2 SD",
    "range": "value with the full range over infants: shown, not used as an interval",
    "span": "two ends without a centre: low and high",
    "below": "an upper limit: value",
    "none": "a figure alone: value",
    "tolerance": "an exact figure with the tolerance of its source: low and high",
    "sign": "a direction: value is +1 or -1",
}

#: Flags whose rows count.
COUNTED_FLAGS = ("read",)

FLAGS = ("read", "memory", "derived")
SETS = ("calibration", "validation", "other")


class Grade(StrEnum):
    """How close a simulated figure came."""

    PASS = "pass"
    NEAR = "near"
    MISS = "miss"


@dataclass(frozen=True, kw_only=True)
class Interval:
    """An interval around a centre, both ends included.

    Attributes
    ----------
    centre, low, high : float
        In the unit of the row.
    """

    centre: float
    low: float
    high: float

    def holds(self, value: float, widened: float = 1.0) -> bool:
        """Say whether a value lies inside.

        Parameters
        ----------
        value : float
            In the unit of the row; NaN lies in no interval.
        widened : float
            Factor on the distance of each end from the centre.

        Returns
        -------
        bool
        """
        low = self.centre - widened * (self.centre - self.low)
        high = self.centre + widened * (self.high - self.centre)
        return low <= value <= high


def interval_of(spread: str, value: float, low: float, high: float) -> Interval:
    """Give the interval in which a simulated median passes.

    Parameters
    ----------
    spread : str
        A key of `SPREADS`, other than ``"sign"``.
    value : float
        The published figure; NaN for a span.
    low, high : float
        Published ends, as `SPREADS` says; NaN where none are given.

    Returns
    -------
    Interval

    Raises
    ------
    TestbedError
        If there is no such kind of spread, or it lacks a number.
    """
    if spread not in SPREADS or spread == "sign":
        raise problem("grading, spread", "a kind of spread", spread, nearest(spread, SPREADS))
    if spread == "span":
        value = 0.5 * (low + high)
    elif spread == "sd":
        low = value - QUARTILE_SD * (value - low)
        high = value + QUARTILE_SD * (high - value)
    elif spread in ("none", "range"):
        half = UNSTATED_SHARE * abs(value)
        low, high = value - half, value + half
    elif spread == "below":
        # From nought to the limit; the limit itself is the centre, so that twice the
        # distance from nought is twice the limit.
        return _checked(spread, Interval(centre=0.0, low=0.0, high=value))
    return _checked(spread, Interval(centre=value, low=low, high=high))


def _checked(spread: str, interval: Interval) -> Interval:
    numbers = (interval.centre, interval.low, interval.high)
    if not all(math.isfinite(number) for number in numbers):
        raise problem("grading, interval", f"numbers for {SPREADS[spread]!r}", numbers)
    if not interval.low <= interval.centre <= interval.high:
        raise problem("grading, interval", "low <= value <= high", numbers)
    return interval


def grade(spread: str, value: float, low: float, high: float, simulated: float) -> Grade | None:
    """Grade one simulated median.

    Parameters
    ----------
    spread : str
        A key of `SPREADS`.
    value, low, high : float
        The published figure and its ends; NaN where not given.
    simulated : float
        The simulated median; NaN where the experiment gave no figure.

    Returns
    -------
    Grade or None
        None where there is nothing to grade.
    """
    if math.isnan(simulated):
        return None
    if spread == "sign":
        return Grade.PASS if simulated * value > 0.0 else Grade.MISS
    interval = interval_of(spread, value, low, high)
    if interval.holds(simulated):
        return Grade.PASS
    return Grade.NEAR if interval.holds(simulated, NEAR_FACTOR) else Grade.MISS


@dataclass(frozen=True, kw_only=True)
class Tally:
    """How many rows of one set came out how; only rows that count.

    Attributes
    ----------
    passed, near, missed : int
        Counted rows by grade.
    shown_only : int
        Graded rows that do not count: from memory, or derived.
    """

    passed: int
    near: int
    missed: int
    shown_only: int

    @property
    def counted(self) -> int:
        """Rows that count."""
        return self.passed + self.near + self.missed

    @property
    def passed_pct(self) -> float:
        """Share of the counted rows that pass (percent); NaN without any."""
        return 100.0 * self.passed / self.counted if self.counted else math.nan


def tally(graded: Iterable[tuple[str, str, Grade | None]]) -> Mapping[str, Tally]:
    """Count grades by set.

    Parameters
    ----------
    graded : iterable of (str, str, Grade or None)
        Set, flag and grade of each row; rows without a grade are passed over.

    Returns
    -------
    mapping of str to Tally
        One for each of `SETS`.
    """
    rows = [row for row in graded if row[2] is not None]
    found: dict[str, Tally] = {}
    for name in SETS:
        grades = [row[2] for row in rows if row[0] == name and row[1] in COUNTED_FLAGS]
        shown = sum(row[0] == name and row[1] not in COUNTED_FLAGS for row in rows)
        found[name] = Tally(
            passed=grades.count(Grade.PASS),
            near=grades.count(Grade.NEAR),
            missed=grades.count(Grade.MISS),
            shown_only=shown,
        )
    return found


__all__ = [
    "COUNTED_FLAGS",
    "FLAGS",
    "NEAR_FACTOR",
    "QUARTILE_SD",
    "SETS",
    "SPREADS",
    "UNSTATED_SHARE",
    "Grade",
    "Interval",
    "Tally",
    "grade",
    "interval_of",
    "tally",
]
