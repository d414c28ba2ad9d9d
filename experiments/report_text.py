"""The words of a report that are computed from the numbers: what came out, and how sure."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from typing import Any

from markupsafe import Markup

from ..loop.oracle import ORACLE
from ..loop.outcome import Described
from .readable import (
    BOUND_WORDS,
    CRITERION,
    DESCRIBED,
    IN_TARGET,
    NO_VALUE,
    TRUE_SUFFIX,
    core_outcomes,
    lower_first,
    number,
    numbers_of,
    rivals,
    rows_by_outcome,
    shown_unit,
)
from .result import ComparisonResult

#: Outcomes that the answer gives with their numbers; the others it only names.
KEY_OUTCOMES = (IN_TARGET, "time_below_80_pct", "time_above_target_pct")

#: With fewer nursing groups a bootstrap over them gives intervals that are
#: too narrow; where to draw the line is common practice, no source.
ENOUGH_GROUPS = 10

#: How the answer introduces the outcomes of each verdict.
_KIND_WORDS = {
    "better": "better in",
    "worse": "worse in",
    "undecided": "no clear difference in",
    "no interval": "differs in",
}

#: A number and its unit stay on one line.
_HELD_TOGETHER = re.compile(r"(?<=\d) (?=%|s\b|h\b)")

_ONE_CASE = (
    "There are too few nursing groups for intervals: this shows what can happen, not what usually "
    "does, and not how well the models match any real infant."
)

_LIMITS = (
    "The intervals say how far another draw of such virtual infants could move these means; "
    "they do not say how well the models match any real infant."
)


def interval_text(row: Mapping[str, Any], item: Described, statistic: str = "mean") -> str:
    """Write a paired difference with its interval.

    Parameters
    ----------
    row : mapping
        A row of the paired table.
    item : Described
        The outcome it is about.
    statistic : {"mean", "median"}, optional
        Which difference.

    Returns
    -------
    str
        Such as ``"+20.1 (18.4 to 21.9)"``; without an interval, the
        difference alone.
    """
    middle, low, high = (
        float(row[column])
        for column in (f"{statistic}_difference", f"{statistic}_low", f"{statistic}_high")
    )
    text = number(middle, item.decimals, signed=True)
    if not (math.isfinite(low) and math.isfinite(high)):
        return text
    ends = (number(end, item.decimals, signed=True) for end in (low, high))
    return f"{text} ({' to '.join(ends)})"


def verdict(row: Mapping[str, Any], item: Described) -> str:
    """Judge one paired difference by the interval of its mean.

    Parameters
    ----------
    row : mapping
        A row of the paired table.
    item : Described
        The outcome it is about.

    Returns
    -------
    str
        "better", "worse", "undecided" where the interval holds zero or the
        outcome has no better side, or "no interval" where there is none.
    """
    low, high = float(row["mean_low"]), float(row["mean_high"])
    if not (math.isfinite(low) and math.isfinite(high)):
        return "no interval"
    if low <= 0 <= high:
        return "undecided"
    if item.direction not in ("higher better", "lower better"):
        return "undecided"
    return "better" if (low > 0) == (item.direction == "higher better") else "worse"


def answer(result: ComparisonResult) -> list[str]:
    """Say in a few sentences what the comparison found, all of it from its numbers.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    list of str
        Sentences of one short paragraph; `points` goes on arm by arm.
    """
    if not result.finished_arms:
        return ["No arm finished, so there is no answer; the errors are below."]
    sentences = [_opening(result), *_first_places(result), *_how_to_read(result), _closing(result)]
    return [_HELD_TOGETHER.sub("\u00a0", sentence) for sentence in sentences]


def points(result: ComparisonResult) -> list[str]:
    """Say for each arm how it differs from the baseline, all of it from the numbers.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    list of str
        One text for each arm but the baseline; the last one is about the
        offline optimum, where it was sought.
    """
    lines: list[str] = []
    for arm in (arm for arm in result.finished_arms if arm != result.baseline):
        sentences = [_bound(result)] if arm == ORACLE else _arm_sentences(result, arm)
        if sentences:
            text = _HELD_TOGETHER.sub("\u00a0", " ".join(sentences))
            lines.append(Markup("<strong>{}</strong>: {}").format(arm, text))
    return lines


def _bound(result: ComparisonResult) -> str:
    """Say what the offline optimum is, and how far each arm is from what it bounds."""
    item = DESCRIBED[CRITERION]
    means = [
        f"{arm} {number(float(numbers_of(result, arm, CRITERION).mean()), item.decimals)}"
        for arm in (ORACLE, *rivals(result))
    ]
    return (
        f"{BOUND_WORDS}. It bounds the mean of J, the squared distance of true SaO2 from "
        f"the target, and nothing else: {_listed(means)} {shown_unit(item.unit)}."
    )


def _first_places(result: ComparisonResult) -> list[str]:
    """Name the arm that comes first by each key outcome, where there are three or more."""
    table = result.ranking
    if not len(table) or table["arm"].nunique() < 3:
        return []
    first: dict[str, list[str]] = {}
    for _, row in table[table["rank"] == 1].iterrows():
        if row["outcome"] in DESCRIBED and row["outcome"] != "fio2_travel_pct_per_h":
            label = lower_first(DESCRIBED[str(row["outcome"])].label)
            share = float(row["first_share"])
            sure = f" (in {100 * share:.0f} % of resamples)" if math.isfinite(share) else ""
            first.setdefault(str(row["arm"]), []).append(label + sure)
    parts = [f"{arm} by {_listed(labels)}" for arm, labels in first.items()]
    return [f"Of {table['arm'].nunique()} arms, first on average came {'; '.join(parts)}."]


def _closing(result: ComparisonResult) -> str:
    if not len(result.paired):
        return "With one arm there is nothing to compare."
    if result.paired["mean_low"].isna().all():
        return _ONE_CASE
    groups = int(result.paired["groups"].max())
    if groups >= ENOUGH_GROUPS:
        return _LIMITS
    rough = f"With only {groups} nursing groups the intervals are rough and likely too narrow."
    return f"{rough} {_LIMITS}"


def _opening(result: ComparisonResult) -> str:
    target = result.scenario.target
    medians = ", ".join(_median_text(result, arm) for arm in rivals(result))
    spread = " (median over infants, quartiles in brackets)" if len(result.cohort) > 1 else ""
    return (
        f"In {_plural(len(result.cohort), 'virtual infant')}, displayed SpO2 was inside the target "
        f"of {target.low_pct:g} to {target.high_pct:g} % for this share of the time on "
        f"oxygen{spread}: {medians}."
    )


def _how_to_read(result: ComparisonResult) -> list[str]:
    if not len(result.paired):
        return []
    if result.paired["mean_low"].isna().all():
        return [
            f"The list compares each arm with {result.baseline} in the same infant; numbers are "
            "differences in percentage points."
        ]
    return [
        f"The list compares each arm with {result.baseline} within the same infants; numbers are "
        f"mean differences in percentage points, with {interval_level(result)} % intervals."
    ]


def interval_level(result: ComparisonResult) -> str:
    """Give the level of the intervals.

    Parameters
    ----------
    result : ComparisonResult
        Its manifest may hold `interval_level`, a fraction; 0.95 if not.

    Returns
    -------
    str
        In percent.
    """
    return f"{100 * float(result.manifest.get('interval_level', 0.95)):g}"


def _median_text(result: ComparisonResult, arm: str) -> str:
    values = numbers_of(result, arm, IN_TARGET)
    if not len(values):
        return f"{arm} {NO_VALUE}"
    if len(values) == 1:
        return f"{arm} {number(float(values.iloc[0]), 1)} %"
    q1, median, q3 = (float(values.quantile(part)) for part in (0.25, 0.5, 0.75))
    return f"{arm} {number(median, 1)} % ({number(q1, 1)} to {number(q3, 1)})"


def _arm_sentences(result: ComparisonResult, arm: str) -> list[str]:
    rows = rows_by_outcome(result.paired, arm)
    groups: dict[str, list[str]] = {kind: [] for kind in _KIND_WORDS}
    for item in core_outcomes(result):
        if item.name in rows and item.direction != "-":
            row = rows[item.name]
            kind = verdict(row, item)
            if kind != "no interval" or item.name in KEY_OUTCOMES:
                groups[kind].append(_finding(row, item))
    parts = [f"{_KIND_WORDS[kind]} {_listed(found)}" for kind, found in groups.items() if found]
    if not parts:
        return []
    head = f"{'; '.join(parts)}."
    return [head, *_worse_infants(result, arm), *_true_sentence(rows)]


def _finding(row: Mapping[str, Any], item: Described) -> str:
    label = lower_first(item.label)
    if item.name not in KEY_OUTCOMES:
        return label
    return f"{label} by {interval_text(row, item)}"


def _worse_infants(result: ComparisonResult, arm: str) -> list[str]:
    before = numbers_of(result, result.baseline, IN_TARGET)
    change = (numbers_of(result, arm, IN_TARGET) - before).dropna()
    fewer = int((change < 0).sum())
    infants = _plural(len(change), "infant")
    if len(change) < 2:
        return []
    return [f"{fewer} of {infants} spent less time in target than under {result.baseline}."]


def _true_sentence(rows: Mapping[str, Mapping[str, Any]]) -> list[str]:
    name = IN_TARGET + TRUE_SUFFIX
    if name not in rows or name not in DESCRIBED:
        return []
    text = interval_text(rows[name], DESCRIBED[name])
    return [f"By true SaO2 its time in target differed by {text} points."]


def _listed(parts: Iterable[str]) -> str:
    # Semicolons part the three groups, so the list inside a group uses commas.
    items = list(parts)
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1]


def _plural(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


__all__ = [
    "ENOUGH_GROUPS",
    "KEY_OUTCOMES",
    "answer",
    "interval_level",
    "interval_text",
    "points",
    "verdict",
]
