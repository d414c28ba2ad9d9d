"""The words and tables of a study of target ranges, all computed from its numbers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
from markupsafe import Markup

from .monte_carlo import grouped_error
from .page import Row, Table
from .readable import DESCRIBED, NO_VALUE, lower_first, number, shown_unit
from .report_text import ENOUGH_GROUPS, interval_text
from .result import error_text
from .targets import FIXED_LIMITS, SHOWN, TargetsResult
from .targets_figures import distribution, spread

HYPOXIA, HYPEROXIA = FIXED_LIMITS[:2]


def targets_answer(result: TargetsResult) -> list[str]:
    """Say in a few sentences what the study found.

    Parameters
    ----------
    result : TargetsResult
        The study.

    Returns
    -------
    list of str
        Sentences of one paragraph.
    """
    lanes = list(_lanes(result))
    if not lanes:
        return ["Nothing finished, so there is no answer; the errors are below."]
    what = " and ".join(factor.label for factor in result.factors)
    infants = result.outcomes["infant"].nunique()
    sentences = [
        f"{len(result.settings)} settings of {what} were tried on the same {infants} virtual "
        f"infants of each stratum ({', '.join(result.strata)}), under {', '.join(result.arms)}."
    ]
    both = [pair for pair in lanes if _least(result, *pair, HYPOXIA) == _least(
        result, *pair, HYPEROXIA)]  # fmt: skip
    traded = len(lanes) - len(both)
    sentences.append(
        f"By limits that are the same for all settings (below 80 %, above 95 % on oxygen), the "
        f"setting with the least hypoxia on average was not the one with the least hyperoxia in "
        f"{traded} of {len(lanes)} pairs of stratum and arm"
        + (": less of one was bought with more of the other." if traded else ".")
    )
    sentences.append(
        "Burdens by each target's own limits are shown beside these; they measure distance from "
        "different lines and cannot rank targets."
    )
    groups = int(result.paired["groups"].max()) if len(result.paired) else 0
    rough = "" if groups >= ENOUGH_GROUPS else f"With {groups} nursing groups they are rough. "
    sentences.append(
        f"Intervals are 95 %, over draws of such infants. {rough}Nothing here says which range is "
        "right for any real infant."
    )
    return sentences


def targets_points(result: TargetsResult) -> list[str]:
    """Say for each stratum and arm what the last setting changes against the first.

    Parameters
    ----------
    result : TargetsResult
        The study.

    Returns
    -------
    list of str
        A line per stratum and arm.
    """
    first, last = result.settings[0], result.settings[-1]
    lines: list[str] = []
    for stratum, arm in _lanes(result):
        parts = []
        for name in (HYPOXIA, HYPEROXIA):
            row = _paired_row(result, stratum, arm, last, name)
            if row is not None:
                item = DESCRIBED[name]
                text = interval_text(row, item)
                parts.append(f"{lower_first(item.label)} by {text} {shown_unit(item.unit)}")
        inside = [spread(result, stratum, arm, "time_in_target_pct")["median"][setting]
                  for setting in (first, last)]  # fmt: skip
        parts.append(
            f"time in the own target {number(float(inside[0]), 0)} % with {first} and "
            f"{number(float(inside[1]), 0)} % with {last} (medians)"
        )
        head = Markup("<strong>{}, {}</strong>, {} against {}: ").format(stratum, arm, last, first)
        lines.append(head + "; ".join(parts) + ".")
    return lines


def _lanes(result: TargetsResult) -> Iterator[tuple[str, str]]:
    """List the pairs of stratum and arm that have results."""
    good = [error_text(value) == "" for value in result.outcomes["error"]]
    rows = result.outcomes[good]
    for stratum in result.strata:
        for arm in result.arms:
            if ((rows["stratum"] == stratum) & (rows["arm"] == arm)).any():
                yield stratum, arm


def _least(result: TargetsResult, stratum: str, arm: str, name: str) -> str:
    means = spread(result, stratum, arm, name)["mean"].dropna()
    return str(means.idxmin()) if len(means) else ""


def _paired_row(
    result: TargetsResult, stratum: str, arm: str, setting: str, name: str
) -> dict[str, float] | None:
    table = result.paired
    chosen = (
        (table["stratum"] == stratum)
        & (table["arm"] == arm)
        & (table["setting"] == setting)
        & (table["outcome"] == name)
    )
    found = table[chosen]
    if not len(found):
        return None
    return {str(key): value for key, value in found.iloc[0].items()}


def outcome_tables(result: TargetsResult, names: Sequence[str], what: str) -> list[Table]:
    """Show some outcomes by setting and arm, a table per stratum.

    Parameters
    ----------
    result : TargetsResult
        The study.
    names : sequence of str
        Outcomes.
    what : str
        What they have in common, for caption and file name.

    Returns
    -------
    list of Table
    """
    tables = []
    for stratum in result.strata:
        rows = [
            Row(cells=(DESCRIBED[name].label, shown_unit(DESCRIBED[name].unit), setting, *cells))
            for name in names
            for setting in result.settings
            for cells in [[_median(result, stratum, arm, setting, name) for arm in result.arms]]
        ]
        tables.append(
            Table(
                caption=f"{stratum}: {what}. Median over infants (quartiles).",
                head=("Outcome", "Unit", "Setting", *result.arms),
                rows=tuple(rows),
                name=f"{what.split(',')[0]}_{stratum}".replace(" ", "_"),
            )
        )
    return tables


def _median(result: TargetsResult, stratum: str, arm: str, setting: str, name: str) -> str:
    found = spread(result, stratum, arm, name)
    values = [float(found[key].to_dict()[setting]) for key in ("median", "q1", "q3")]
    median, q1, q3 = (number(value, DESCRIBED[name].decimals) for value in values)
    if median == NO_VALUE:
        return NO_VALUE
    return f"{median} ({q1} to {q3})"


def achieved_table(result: TargetsResult) -> Table:
    """Show which SpO2 was achieved: quantiles of the displayed value, on oxygen.

    Parameters
    ----------
    result : TargetsResult
        The study.

    Returns
    -------
    Table
        A row per stratum, setting and arm.
    """
    rows = []
    for stratum in result.strata:
        for setting in result.settings:
            for arm in result.arms:
                spo2, share = distribution(result, stratum, setting, arm)
                cells = [_quantile(spo2, share, part) for part in (5, 25, 50, 75, 95)]
                rows.append(Row(cells=(f"{stratum}, {setting}", arm, *cells)))
    return Table(
        caption="Displayed SpO2 (%) while on oxygen, all infants together: the value that it is at "
        "or under for this share of the time.",
        head=("Setting", "Arm", "5 %", "25 %", "Half", "75 %", "95 %"),
        rows=tuple(rows),
        name="achieved_spo2",
    )


def _quantile(spo2: pd.Series[float], share: pd.Series[float], part: float) -> str:
    reached = np.cumsum(share.to_numpy())
    if not len(reached) or reached[-1] <= 0:
        return NO_VALUE
    return f"{spo2.to_numpy()[int(np.searchsorted(reached, part))]:.0f}"


def setting_differences(result: TargetsResult) -> Table:
    """Show each setting against the first one, within infants.

    Parameters
    ----------
    result : TargetsResult
        The study.

    Returns
    -------
    Table
        A row per outcome, stratum, arm and setting.
    """
    rows = []
    for name in (*FIXED_LIMITS[:2], "pao2_above_80_pct", "pao2_below_40_pct"):
        item = DESCRIBED[name]
        for stratum, arm in _lanes(result):
            for setting in result.settings[1:]:
                row = _paired_row(result, stratum, arm, setting, name)
                if row is None:
                    continue
                pairs = f"{row['infants']:.0f} ({row['groups']:.0f})"
                cells = (item.label, shown_unit(item.unit), f"{stratum}, {arm}", setting)
                rows.append(Row(cells=(*cells, interval_text(row, item), pairs)))
    return Table(
        caption=f"Mean difference to {result.settings[0]} in the same infants under the same arm, "
        "with the 95 % interval (bootstrap over nursing groups).",
        head=("Outcome", "Unit", "Infants and arm", "Setting", "Difference", "Infants (groups)"),
        rows=tuple(rows),
        name="setting_differences",
    )


def targets_errors(result: TargetsResult) -> Table:
    """Give the Monte Carlo errors of the two burdens of the trade-off.

    Parameters
    ----------
    result : TargetsResult
        The study.

    Returns
    -------
    Table
        A row per stratum, setting and arm.
    """
    good = result.outcomes[[error_text(value) == "" for value in result.outcomes["error"]]]
    rows = []
    for keys, part in good.groupby(["stratum", "setting", "arm"], sort=False):
        cells = []
        for name in (HYPOXIA, HYPEROXIA):
            given = part.dropna(subset=[name])
            error = grouped_error(
                np.asarray(given[name], dtype=np.float64), given["group"].to_numpy()
            )
            cells.append(f"{number(float(given[name].mean()), 1)} ± {number(error, 1)}")
        rows.append(Row(cells=(f"{keys[0]}, {keys[1]}", str(keys[2]), *cells)))
    return Table(
        caption="Mean over infants ± its Monte Carlo standard error, with the nursing group as the "
        "independent unit. Four times the infants halve it.",
        head=("Setting", "Arm", *(f"{DESCRIBED[name].label} (%·s/h)" for name in
                                  (HYPOXIA, HYPEROXIA))),
        rows=tuple(rows),
        name="monte_carlo",
    )  # fmt: skip


def definitions() -> Table:
    """Define every outcome that the study shows.

    Returns
    -------
    Table
        A row per outcome.
    """
    rows = [
        Row(cells=(item.label, shown_unit(item.unit), item.definition, item.name))
        for item in (DESCRIBED[name] for name in SHOWN)
    ]
    return Table(
        caption="The outcomes of this page; outcomes.csv holds more.",
        head=("Outcome", "Unit", "Definition", "Column in outcomes.csv"),
        rows=tuple(rows),
        kind="words",
        name="definitions",
    )


__all__ = [
    "achieved_table",
    "definitions",
    "outcome_tables",
    "setting_differences",
    "targets_answer",
    "targets_errors",
    "targets_points",
]
