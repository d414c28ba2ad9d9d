"""The tables of a report, as rows of text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import pandas as pd
from markupsafe import Markup

from ..loop.oracle import ORACLE
from ..loop.outcome import Described
from ..models.infants import Infants
from .page import Row, Table
from .readable import (
    DESCRIBED,
    NO_VALUE,
    TRUE_SUFFIX,
    arm_label,
    core_outcomes,
    number,
    rivals,
    rows_by_arm,
    shown,
    shown_unit,
)
from .report_text import interval_level, interval_text, verdict
from .result import ComparisonResult, error_text


def main_table(result: ComparisonResult) -> Table:
    """Show the core outcomes, each with its twin on true saturation.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    Table
        Outcomes as rows, arms as columns.
    """
    rows: list[Row] = []
    for item in core_outcomes(result):
        rows.append(_outcome_row(result, item))
        twin = DESCRIBED.get(item.name + TRUE_SUFFIX)
        if twin is not None and twin.name in result.outcomes.columns:
            rows.append(_outcome_row(result, twin, twin=True))
    return Table(
        caption="Median over infants (quartiles). Indented rows: the same by true SaO2, which no "
        "bedside monitor shows.",
        head=("Outcome", "Unit", *map(arm_label, result.finished_arms)),
        rows=tuple(rows),
    )


def other_outcomes_table(result: ComparisonResult) -> Table:
    """Show the outcomes that are not in the main table.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    Table
        Outcomes as rows, arms as columns.
    """
    above = {item.name for item in core_outcomes(result)}
    above |= {name + TRUE_SUFFIX for name in above}
    rest = [
        item for item in DESCRIBED.values()
        if item.name not in above and item.name in result.outcomes.columns
    ]  # fmt: skip
    rows = [_outcome_row(result, item) for item in rest]
    rows += [_unnamed_row(result, name) for name in _unnamed(result)]
    return Table(
        caption="Median over infants (quartiles).",
        head=("Outcome", "Unit", *map(arm_label, result.finished_arms)),
        rows=tuple(rows),
    )


def _unnamed(result: ComparisonResult) -> list[str]:
    """List summarised columns that the registry does not describe."""
    return [name for name in result.summary["outcome"].unique() if name not in DESCRIBED]


def _unnamed_row(result: ComparisonResult, name: str) -> Row:
    table = rows_by_arm(result.summary, name)
    cells = [_spread(table, arm) for arm in result.finished_arms]
    return Row(cells=(name.replace("_", " "), "", *cells))


def _outcome_row(result: ComparisonResult, item: Described, *, twin: bool = False) -> Row:
    table = rows_by_arm(result.summary, item.name)
    cells = [_spread(table, arm, item) for arm in result.finished_arms]
    label = "by true SaO2" if twin else item.label
    return Row(cells=(label, shown_unit(item.unit), *cells), kind="twin" if twin else "")


def _spread(table: Mapping[str, Mapping[str, Any]], arm: str, item: Described | None = None) -> str:
    if arm not in table:
        return NO_VALUE
    decimals = item.decimals if item is not None else 1
    median, q1, q3 = (
        number(float(table[arm][column]), decimals) for column in ("median", "q1", "q3")
    )
    alone = median == NO_VALUE or int(table[arm]["infants"]) == 1
    return median if alone else f"{median} ({q1} to {q3})"


def left_out(result: ComparisonResult) -> list[str]:
    """Say for each arm how many infants its main outcome leaves out.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    list of str
        Arms that left nobody out are not named.
    """
    core = core_outcomes(result)
    if not core:
        return []
    rows = rows_by_arm(result.summary, core[0].name)
    return [
        f"{arm}: {int(rows[arm]['left_out'])}"
        for arm in rivals(result)
        if arm in rows and int(rows[arm]["left_out"]) > 0
    ]


def difference_table(result: ComparisonResult) -> Table:
    """Show the paired differences of the core outcomes and of their true twins.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    Table
        A row per outcome and arm.
    """
    names = {item.name for item in core_outcomes(result)}
    names |= {name + TRUE_SUFFIX for name in names}
    rows = []
    for item in (item for item in DESCRIBED.values() if item.name in names):
        for row in rows_by_arm(result.paired, item.name).values():
            rows.append(_difference_row(row, item))
    return Table(
        caption=f"Arm minus {result.baseline} within each infant, with the "
        f"{interval_level(result)} % interval in brackets (bootstrap over nursing groups). "
        "The last column reads the interval of the mean: undecided where it holds zero.",
        head=("Outcome", "Unit", "Arm", "Mean difference", "Median difference",
              "Infants (groups)", "Reading"),
        rows=tuple(rows),
    )  # fmt: skip


def _difference_row(row: Mapping[str, Any], item: Described) -> Row:
    reading = verdict(row, item) if item.direction != "-" and row["arm"] != ORACLE else ""
    return Row(
        cells=(
            item.label,
            shown_unit(item.unit),
            arm_label(str(row["arm"])),
            interval_text(row, item),
            interval_text(row, item, "median"),
            f"{int(row['infants'])} ({int(row['groups'])})",
            reading,
        ),
        kind=reading.replace(" ", "-"),
    )


def failure_rows(result: ComparisonResult) -> list[tuple[str, str]]:
    """List the arms that failed, with how many infants and the first error.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    list of tuple of str
        Arm with the number of its infants that failed, and the error.
    """
    rows = []
    for arm, error in result.failures.items():
        errors = result.outcomes.loc[result.outcomes["arm"] == arm, "error"]
        failed = sum(bool(error_text(value)) for value in errors)
        rows.append((f"{arm} ({failed} of {len(errors)} infants)", error))
    return rows


def cohort_table(result: ComparisonResult) -> Table:
    """Show the infants: median and range of each parameter.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    Table
        A row per parameter, with its unit and meaning.
    """
    rows = []
    for item in fields(Infants):
        if item.name == "infant" or item.name not in result.cohort.columns:
            continue
        unit = str(item.metadata["unit"])
        middle, spread = _cohort_cells(result.cohort[item.name], unit)
        meaning = _plain(item.metadata["doc"])
        rows.append(Row(cells=(meaning, shown_unit(unit), middle, spread)))
    return Table(
        caption=f"{len(result.cohort)} virtual infants, drawn from published ranges; none is real.",
        head=("Parameter", "Unit", "Median", "Range"),
        rows=tuple(rows),
    )


def _plain(meaning: object) -> str:
    """Drop the marks that only a reader of source code needs."""
    return str(meaning).replace("`", "")


def _cohort_cells(values: pd.Series[Any], unit: str) -> tuple[str, str]:
    if not pd.api.types.is_numeric_dtype(values):
        counts = values.value_counts().sort_index()
        return ", ".join(f"{name} {count}" for name, count in counts.items()), ""
    low, middle, high = (shown(float(values.quantile(part)), unit) for part in (0, 0.5, 1))
    decimals = 0 if abs(middle) >= 100 else 1 if abs(middle) >= 10 else 2
    spread = f"{number(low, decimals)} to {number(high, decimals)}"
    return number(middle, decimals), spread


def scenario_table(result: ComparisonResult) -> Table:
    """Show every setting of a comparison; those that the user set are marked.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    Table
        A row per setting.
    """
    return settings_table(result.scenario_table)


def settings_table(settings: pd.DataFrame) -> Table:
    """Show every setting; those that the user set are marked.

    Parameters
    ----------
    settings : pandas.DataFrame
        Columns key, value, unit, meaning and source.

    Returns
    -------
    Table
        A row per setting.
    """
    rows = []
    for _, row in settings.iterrows():
        given = str(row["source"]) != "default"
        unit = "" if row["unit"] == "-" else str(row["unit"])
        cells = (
            str(row["key"]),
            str(row["value"]),
            unit,
            _plain(row["meaning"]),
            str(row["source"]),
        )
        rows.append(Row(cells=cells, kind="given" if given else ""))
    return Table(
        caption="Every setting of this run. A bar at the left marks what the scenario sets itself.",
        head=("Key", "Value", "Unit", "Meaning", "Source"),
        rows=tuple(rows),
        kind="words",
    )


def definitions_table(result: ComparisonResult) -> Table:
    """Define every outcome that the result holds.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    Table
        A row per outcome; a twin on true saturation shares the row of its
        original.
    """
    held = [item for item in DESCRIBED.values() if item.name in result.outcomes.columns]
    names = {item.name for item in held}
    rows = []
    for item in held:
        if item.name.endswith(TRUE_SUFFIX) and item.name.removesuffix(TRUE_SUFFIX) in names:
            continue
        twin = f"; again as {item.name}{TRUE_SUFFIX}" if item.name + TRUE_SUFFIX in names else ""
        side = "" if item.direction == "-" else item.direction
        cells = (item.label, shown_unit(item.unit), item.definition, side, item.name + twin)
        rows.append(Row(cells=cells))
    return Table(
        caption="Outcomes by displayed SpO2. Those with a second name are counted again by true "
        "SaO2, where every sample counts as valid.",
        head=("Outcome", "Unit", "Definition", "Direction", "Column in outcomes.csv"),
        rows=tuple(rows),
        kind="words",
    )


def worst_table(result: ComparisonResult) -> Table:
    """Show the infants who lost most, with links to their strip charts.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    Table
        A row per infant and the arm in which it lost most.
    """
    rows = []
    for _, row in result.worst.iterrows():
        infant = int(row["infant"])
        name = f"infant {infant}"
        if infant in result.trace_infants:
            name = Markup('<a href="#figure-strip-infant-{}">infant {}</a>').format(infant, infant)
        values = [
            number(float(row[prefix + column]), 1)
            for column in ("time_in_target_pct", "hypoxia_burden_80_pct_s_per_h")
            for prefix in ("baseline_", "")
        ]
        change = number(float(row["time_in_target_change_pct"]), 1, signed=True)
        rows.append(Row(cells=(name, str(row["arm"]), change, *values)))
    base = result.baseline
    return Table(
        caption=f"The infants who lost most time in target against {base} (or gained least), the "
        "arms taking turns. Follow a link to the infant's strip chart, run again with the same "
        "draws.",
        head=(
            "Infant", "Arm", "Change in time in target (points)", f"In target, {base} (%)",
            "In target, arm (%)", f"Hypoxia burden, {base} (%·s/h)", "Hypoxia burden, arm (%·s/h)",
        ),
        rows=tuple(rows),
        name="worst_infants",
    )  # fmt: skip


__all__ = [
    "Row",
    "Table",
    "cohort_table",
    "definitions_table",
    "difference_table",
    "failure_rows",
    "left_out",
    "main_table",
    "other_outcomes_table",
    "scenario_table",
    "settings_table",
    "worst_table",
]
