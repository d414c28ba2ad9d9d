"""Picks numbers out of a result, in the units and the form in which people read them."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from ..loop.event_outcomes import EVENT_OUTCOMES
from ..loop.oracle import ORACLE
from ..loop.outcome import Described
from ..loop.outcomes import OUTCOMES
from .result import ComparisonResult

#: Every outcome by name, those of the record before those of the event log.
DESCRIBED: dict[str, Described] = {**OUTCOMES, **EVENT_OUTCOMES}

IN_TARGET = "time_in_target_pct"
SHARES = ("time_below_target_pct", IN_TARGET, "time_above_target_pct")
TRUE_SUFFIX = "_sao2"

#: What the offline optimum minimises, and what it is, in words.
CRITERION = "criterion_j_sao2"
BOUND_WORDS = (
    "the offline optimum; it sees the true saturation and the future, and is no controller"
)

#: What stands where there is no number (en dash), and the minus of printed numbers.
NO_VALUE = "\u2013"
MINUS = "\u2212"


def numbers_of(result: ComparisonResult, arm: str, outcome: str) -> pd.Series[float]:
    """Give one outcome of one arm, one number per infant.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.
    arm : str
        Name of the arm.
    outcome : str
        Column of the outcomes table.

    Returns
    -------
    pandas.Series
        Indexed by infant number, without the infants that were left out;
        empty if the outcome is not in the table.
    """
    table = result.outcomes[result.outcomes["arm"] == arm].set_index("infant")
    if outcome not in table.columns:
        return pd.Series(dtype=float)
    return table[outcome].astype(float).dropna()


def arm_label(arm: str) -> str:
    """Name an arm for people; the offline optimum is marked as a bound.

    Parameters
    ----------
    arm : str
        Name of the arm.

    Returns
    -------
    str
    """
    return f"{arm} (bound)" if arm == ORACLE else arm


def rivals(result: ComparisonResult) -> list[str]:
    """List the arms that finished and that somebody or something could really be.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    list of str
        Without the offline optimum.
    """
    return [arm for arm in result.finished_arms if arm != ORACLE]


def rows_by_arm(table: pd.DataFrame, outcome: str) -> dict[str, dict[str, Any]]:
    """Pick the rows of one outcome out of a tidy table.

    Parameters
    ----------
    table : pandas.DataFrame
        The summary or the paired table.
    outcome : str
        Name of the outcome.

    Returns
    -------
    dict of str to dict
        Each arm's row, as a mapping from column to value.
    """
    return _keyed(table[table["outcome"] == outcome], "arm")


def rows_by_outcome(table: pd.DataFrame, arm: str) -> dict[str, dict[str, Any]]:
    """Pick the rows of one arm out of a tidy table.

    Parameters
    ----------
    table : pandas.DataFrame
        The summary or the paired table.
    arm : str
        Name of the arm.

    Returns
    -------
    dict of str to dict
        Each outcome's row, as a mapping from column to value.
    """
    return _keyed(table[table["arm"] == arm], "outcome")


def _keyed(table: pd.DataFrame, key: str) -> dict[str, dict[str, Any]]:
    records = table.to_dict("records")
    return {str(row[key]): {str(name): row[name] for name in row} for row in records}


def core_outcomes(result: ComparisonResult) -> list[Described]:
    """List the core outcomes on displayed saturation that the result holds.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    list of Described
        In the order of the registry, without the twins on true saturation.
    """
    known = set(result.outcomes.columns)
    return [
        item
        for item in DESCRIBED.values()
        if item.core and item.name in known and not item.name.endswith(TRUE_SUFFIX)
    ]


def number(value: float, decimals: int, *, signed: bool = False) -> str:
    """Write a number for people to read.

    Parameters
    ----------
    value : float
        The number; NaN becomes a dash.
    decimals : int
        Digits after the point.
    signed : bool, optional
        Put a plus before what is above zero.

    Returns
    -------
    str
        With a true minus sign, and never a negative zero.
    """
    if not math.isfinite(value):
        return NO_VALUE
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        return text.lstrip("-")
    if signed and value > 0:
        return "+" + text
    return text.replace("-", MINUS)


def shown_unit(unit: str) -> str:
    """Give the unit in which a report shows a quantity.

    Parameters
    ----------
    unit : str
        Unit of the stored number.

    Returns
    -------
    str
        Fractions are shown in percent, "-" as nothing.
    """
    return {"fraction": "%", "-": ""}.get(unit, unit)


def shown(value: float, unit: str) -> float:
    """Convert a stored number to the unit of `shown_unit`.

    Parameters
    ----------
    value : float
        The stored number.
    unit : str
        Its unit.

    Returns
    -------
    float
    """
    return 100.0 * value if unit == "fraction" else value


def lower_first(text: str) -> str:
    """Begin a label with a small letter, unless its first word is a symbol.

    Parameters
    ----------
    text : str
        The label.

    Returns
    -------
    str
    """
    first = text.split(" ", 1)[0]
    return text if any(letter.isupper() for letter in first[1:]) else text[:1].lower() + text[1:]


__all__ = [
    "BOUND_WORDS",
    "CRITERION",
    "DESCRIBED",
    "IN_TARGET",
    "MINUS",
    "NO_VALUE",
    "SHARES",
    "TRUE_SUFFIX",
    "arm_label",
    "core_outcomes",
    "lower_first",
    "number",
    "numbers_of",
    "rivals",
    "rows_by_arm",
    "rows_by_outcome",
    "shown",
    "shown_unit",
]
