"""The methods part of a comparison: its estimand, its errors, its sensitivity to the warm-up."""

from __future__ import annotations

import pandas as pd

from .checklist import Study, methods_sections
from .monte_carlo import monte_carlo_table
from .page import Row, Section, Table
from .readable import DESCRIBED, rivals, shown_unit
from .report_text import interval_level, interval_text, verdict
from .result import ComparisonResult, error_text
from .statistics import paired_differences
from .warmup import WARMUP_OUTCOMES

#: Resamples for the intervals of the sensitivity table.
RESAMPLES = 1000


def comparison_methods(result: ComparisonResult) -> list[Section]:
    """Make the methods part of a comparison's report.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    list of Section
    """
    errors = [monte_carlo_table(result)] if result.finished_arms else []
    if len(result.warmups):
        errors.append(warmup_sensitivity_table(result))
    return methods_sections(_study(result), result.manifest, errors)


def warmup_sensitivity_table(result: ComparisonResult) -> Table:
    """Show the paired differences again with other warm-ups.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    Table
        A row per outcome and arm, a column per warm-up.
    """
    good = result.warmups[[error_text(value) == "" for value in result.warmups["error"]]]
    seconds = sorted(good["warmup_s"].unique())
    own = 3600.0 * result.scenario.run.warmup_h
    found = {value: _differences(result, good[good["warmup_s"] == value]) for value in seconds}
    arms = [arm for arm in rivals(result) if arm != result.baseline]
    rows = []
    for name in WARMUP_OUTCOMES:
        item = DESCRIBED[name]
        for arm in arms:
            cells = [found[value].get((arm, name)) for value in seconds]
            texts = ["" if row is None else interval_text(row, item) for row in cells]
            readings = {verdict(row, item) for row in cells if row is not None}
            reading = "the same" if len(readings) == 1 else "depends on the warm-up"
            rows.append(Row(cells=(item.label, shown_unit(item.unit), arm, *texts, reading)))
    heads = [f"{value / 60:.3g} min{' (this run)' if value == own else ''}" for value in seconds]
    return Table(
        caption=f"Sensitivity to the warm-up: mean difference to {result.baseline} with its "
        f"{interval_level(result)} % interval when more or less of the beginning is left out.",
        head=("Outcome", "Unit", "Arm", *heads, "Reading"),
        rows=tuple(rows),
        name="warmup_sensitivity",
    )


def _differences(
    result: ComparisonResult, rows: pd.DataFrame
) -> dict[tuple[str, str], dict[str, float]]:
    if result.baseline not in set(rows["arm"]):
        return {}
    table = paired_differences(
        rows.drop(columns="warmup_s"),
        result.baseline,
        WARMUP_OUTCOMES,
        seed=result.scenario.seed,
        resamples=RESAMPLES,
    )
    records = table.to_dict("records")
    return {
        (str(row["arm"]), str(row["outcome"])): {str(key): row[key] for key in row}
        for row in records
    }


def _study(result: ComparisonResult) -> Study:
    scenario, arms = result.scenario, ", ".join(result.arms)
    infants, base = len(result.cohort), result.baseline
    hours, warmup = scenario.run.duration_h, scenario.run.warmup_h
    return Study(
        purpose=scenario.question,
        outputs="Time below, in and above the target, time at either extreme, burdens, FiO2 use, "
        "alarms and staff work, by displayed SpO2 and again by true SaO2; each is defined above.",
        aims=f"Arms {arms}; each is compared with {base} within infants. All arms are shown.",
        scenario_logic="Arms differ only in who adjusts the oxygen; infants, candidate "
        "disturbances, noise, alarms and staffing are the same.",
        inputs="Every setting with unit, value and source is in the table of settings; the infants "
        "are in cohort.csv.",
        initialisation=f"Each infant starts at rest at the FiO2 that it needs; the first "
        f"{warmup:g} h are not counted.",
        run_length=f"{infants} infants, {hours:g} h each, every infant in every arm.",
        estimation=f"{interval_level(result)} % percentile intervals of a bootstrap that draws "
        "whole nursing groups, because infants who share a nurse are not independent.",
        estimand=(
            f"For each arm, the mean over the simulated population of infants of the difference "
            f"arm minus {base} in the same infant, over {hours - warmup:g} h after the warm-up, "
            "with displayed SpO2 as staff and controllers see it. Medians of these differences and "
            "the same by true SaO2 stand beside it.",
            "Infants with under an hour of readings on oxygen have no percentage on oxygen and are "
            "left out of these in that arm, which is counted in the table; a pair needs both arms.",
            "The population is that from which the virtual infants are drawn. Nothing is estimated "
            "about real infants.",
        ),
        seed=scenario.seed,
        command=str(result.manifest.get("command", "")),
    )


__all__ = ["comparison_methods", "warmup_sensitivity_table"]
