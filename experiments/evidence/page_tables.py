"""The tables of the credibility report, as rows of text."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from ..readable import MINUS, NO_VALUE
from ..report_tables import Row, Table
from .grading import Tally
from .rows import SECTIONS, Evidence, Published, Simulated
from .verification import Check

HEAD = ("Figure", "Published", "Simulated", "Grade", "How simulated; why not a pass", "Source")


def digits(value: float) -> str:
    """Write a number with three significant digits.

    Parameters
    ----------
    value : float
        The number.

    Returns
    -------
    str
        A dash for NaN; never an exponent.
    """
    if math.isnan(value):
        return NO_VALUE
    if value == 0.0 or abs(value) >= 100.0:
        text = f"{value:.0f}"
    else:
        text = f"{value:.{max(0, 2 - math.floor(math.log10(abs(value))))}f}"
        text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.replace("-", MINUS)


def published_text(row: Published) -> str:
    """Write a published figure with its spread and unit.

    Parameters
    ----------
    row : Published
        The row.

    Returns
    -------
    str
    """
    unit = "" if row.unit == "-" else f" {row.unit}"
    value, low, high = digits(row.value), digits(row.low), digits(row.high)
    if row.spread == "sign":
        return "rises" if row.value > 0 else "falls"
    if row.spread == "span":
        return f"{low} to {high}{unit}"
    if row.spread == "below":
        return f"at most {value}{unit}"
    if row.spread in ("sd", "2sd"):
        return f"{value} ± {digits(row.high - row.value)} {row.spread.upper()}{unit}"
    if row.spread == "tolerance":
        return f"{value} ± {digits(row.high - row.value)}{unit}"
    if math.isnan(row.low):
        return f"{value}{unit}"
    names = {"iqr": "quartiles", "ci95": "95 %", "range": "range"}
    return f"{value} ({names[row.spread]} {low} to {high}){unit}"


def simulated_text(simulated: Simulated | None) -> str:
    """Write a simulated figure with its quartiles.

    Parameters
    ----------
    simulated : Simulated or None
        The figure.

    Returns
    -------
    str
    """
    if simulated is None or math.isnan(simulated.value):
        return "too little was simulated"
    count = f", n={simulated.count}" if simulated.count else ""
    if math.isnan(simulated.low):
        return digits(simulated.value) + count
    quartiles = f"{digits(simulated.low)} to {digits(simulated.high)}"
    return f"{digits(simulated.value)} ({quartiles}){count}"


def evidence_table(title: str, items: Sequence[Evidence]) -> Table:
    """Put published and simulated figures side by side.

    Parameters
    ----------
    title : str
        Caption.
    items : sequence of Evidence
        The rows, all shown.

    Returns
    -------
    Table
    """
    return Table(
        caption=f"{title}. Simulated: median (quartiles) unless the row says otherwise.",
        head=HEAD,
        rows=tuple(_evidence_row(item) for item in items),
        kind="words",
    )


def _evidence_row(item: Evidence) -> Row:
    row = item.published
    counted = row.flag == "read"
    grade = item.grade.value if item.grade else NO_VALUE
    how = [row.how, item.simulated.note if item.simulated else "", item.explanation]
    mark = "" if counted else f" ({row.flag}, not counted)"
    return Row(
        cells=(
            f"{row.quantity} ({row.population})",
            published_text(row),
            simulated_text(item.simulated),
            grade + mark,
            "; ".join(text for text in how if text),
            row.source,
        ),
        kind=f"{grade if item.grade else ''} {'' if counted else 'uncounted'}".strip(),
    )


def folded_section(evidence: Sequence[Evidence], section: str) -> tuple[str, Table]:
    """Summarise a section of many rows, and give them all behind the summary.

    Parameters
    ----------
    evidence : sequence of Evidence
        All rows.
    section : str
        Name of the section.

    Returns
    -------
    summary : str
        One line: how many pass.
    table : Table
        Every simulated row.
    """
    rows = [
        item
        for item in evidence
        if item.published.section == section and item.published.status == "simulated"
    ]
    counts = {name: sum(item.grade == name for item in rows) for name in ("pass", "near", "miss")}
    summary = f"{SECTIONS[section]}: {len(rows)} values, " + ", ".join(
        f"{count} {name}" for name, count in counts.items()
    )
    return summary, evidence_table(SECTIONS[section], rows)


def silent_table(evidence: Sequence[Evidence], status: str, caption: str) -> Table:
    """List the rows without a simulated figure, with the reason.

    Parameters
    ----------
    evidence : sequence of Evidence
        All rows.
    status : str
        "not yet" or "cannot".
    caption : str
        What the table shows.

    Returns
    -------
    Table
    """
    rows = [item.published for item in evidence if item.published.status == status]
    return Table(
        caption=caption,
        head=("Figure", "Published", "Set", "Why there is nothing beside it", "Source"),
        rows=tuple(
            Row(
                cells=(
                    f"{row.quantity} ({row.population})",
                    published_text(row),
                    row.set,
                    row.how,
                    row.source,
                )
            )
            for row in rows
        ),
        kind="words",
    )


def tallies_table(tallies: Mapping[str, Tally]) -> Table:
    """Show how many rows of each set came out how.

    Parameters
    ----------
    tallies : mapping of str to Tally
        By set.

    Returns
    -------
    Table
    """
    rows = [
        Row(
            cells=(
                name,
                str(tally.counted),
                f"{tally.passed} ({digits(tally.passed_pct)} %)",
                str(tally.near),
                str(tally.missed),
                str(tally.shown_only),
            )
        )
        for name, tally in tallies.items()
    ]
    return Table(
        caption="Published rows by set. Rows from memory or derived are graded but not counted.",
        head=("Set", "Counted", "Pass", "Near", "Miss", "Shown only"),
        rows=tuple(rows),
    )


def checks_table(checks: Sequence[Check], kind: str) -> Table:
    """Show the checks of one kind.

    Parameters
    ----------
    checks : sequence of Check
        All checks.
    kind : str
        "code" or "calculation".

    Returns
    -------
    Table
    """
    return Table(
        caption=f"Checks of the {kind}, run again for this page.",
        head=("Check", "Result", "Limit", "Grade"),
        rows=tuple(
            Row(
                cells=(
                    check.name,
                    f"{check.result:.2g} {check.unit}",
                    f"{check.limit:.2g} {check.unit}",
                    "within" if check.passed else "OUTSIDE",
                ),
                kind="pass" if check.passed else "miss",
            )
            for check in checks
            if check.kind == kind
        ),
    )


def manifest_table(manifest: Mapping[str, Any]) -> Table:
    """Show seed, sizes and versions.

    Parameters
    ----------
    manifest : mapping
        By name.

    Returns
    -------
    Table
    """
    rows = tuple(Row(cells=(name, str(value))) for name, value in manifest.items())
    return Table(caption="How this page was made.", head=("What", "Value"), rows=rows)


__all__ = [
    "checks_table",
    "digits",
    "evidence_table",
    "folded_section",
    "manifest_table",
    "published_text",
    "silent_table",
    "simulated_text",
    "tallies_table",
]
