"""What a study of target ranges varies: a range, or any other setting, by its dotted key."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ..models.errors import problem
from .scenario import override, parse_setting
from .scenario_settings import Scenario

#: Key that stands for both ends of the range, written low-high.
TARGET = "target"
#: Keys that move the range, or widen it around its middle.
MIDDLE, WIDTH = "target.middle_pct", "target.width_pct"

#: Ranges in use in published trials (settings seen in published trials; none is
#: a recommendation).
DEFAULT_RANGES = ("85-89", "88-92", "90-94", "91-95")

#: Keys that would change the infants, the draws or the arms, so that nothing
#: could be compared within infants.
_FIXED_KEYS = (
    *("cohort", "seed", "run", "arms", "report"),
    *("name", "title", "question", "staff.infants_per_nurse"),
)


@dataclass(frozen=True, kw_only=True)
class Factor:
    """One setting and the values that it takes in turn.

    Attributes
    ----------
    key : str
        Dotted key of the scenario, or one of the three of this module.
    values : tuple of str
        Values as written, which are also the labels.
    """

    key: str
    values: tuple[str, ...]

    def __post_init__(self) -> None:
        if not self.values or len(set(self.values)) != len(self.values):
            raise problem(f"factor {self.key}", "one value or more, each once", list(self.values))
        root = self.key.split(".")[0]
        if root in _FIXED_KEYS or self.key in _FIXED_KEYS:
            hint = "Infants, draws and arms stay the same, so that cells compare within infants."
            raise problem("factor", "a setting of care or equipment", self.key, hint)

    @property
    def label(self) -> str:
        """The key in words."""
        words = {TARGET: "target range", MIDDLE: "middle of the range", WIDTH: "width of the range"}
        return words.get(self.key, self.key)


def parse_factor(text: str) -> Factor:
    """Read a factor as written on a command line.

    Parameters
    ----------
    text : str
        ``key=value1,value2``; ranges as ``target=88-92,91-95``.

    Returns
    -------
    Factor

    Raises
    ------
    TestbedError
        If it is not of that form.
    """
    key, equals, values = (part.strip() for part in text.partition("="))
    parts = tuple(part.strip() for part in values.split(",") if part.strip())
    if not equals or not key or not parts:
        expected = "key=value1,value2, such as oximeter.averaging_s=2,8,16"
        raise problem("factor", expected, text)
    return Factor(key=key, values=parts)


def parse_range(text: str) -> tuple[float, float]:
    """Read a target range.

    Parameters
    ----------
    text : str
        ``low-high`` in percent.

    Returns
    -------
    tuple of float
        Low and high end.

    Raises
    ------
    TestbedError
        If it is not of that form.
    """
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*[-–]\s*(\d+(?:\.\d+)?)\s*", text)  # noqa: RUF001
    if not found:
        raise problem("target range", "low-high in percent, such as 88-92", text)
    return float(found[1]), float(found[2])


def cell_scenario(scenario: Scenario, factors: Sequence[Factor], values: Sequence[str]) -> Scenario:
    """Set each factor to one of its values.

    Parameters
    ----------
    scenario : Scenario
        Stays as it is.
    factors : sequence of Factor
        What is varied; a later one is applied to what an earlier one made.
    values : sequence of str
        A value for each.

    Returns
    -------
    Scenario

    Raises
    ------
    TestbedError
        If the scenario does not know the key or refuses the value.
    """
    for factor, value in zip(factors, values, strict=True):
        changes = _changes(scenario, factor.key, value)
        scenario = override(scenario, changes, where=f"{factor.key}={value}")
    return scenario


def _changes(scenario: Scenario, key: str, value: str) -> Mapping[str, object]:
    target = scenario.target
    if key == TARGET:
        low, high = parse_range(value)
    elif key == MIDDLE:
        half = 0.5 * (target.high_pct - target.low_pct)
        low, high = _number(key, value) - half, _number(key, value) + half
    elif key == WIDTH:
        middle = 0.5 * (target.low_pct + target.high_pct)
        low, high = middle - 0.5 * _number(key, value), middle + 0.5 * _number(key, value)
    else:
        return dict([parse_setting(f"{key}={value}")])
    return {"target.low_pct": low, "target.high_pct": high}


def _number(key: str, value: str) -> float:
    try:
        found = float(value)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise problem(f"factor {key}", "numbers in percent", value)
    return found


__all__ = [
    "DEFAULT_RANGES",
    "MIDDLE",
    "TARGET",
    "WIDTH",
    "Factor",
    "cell_scenario",
    "parse_factor",
    "parse_range",
]
