"""Monte Carlo error: how far a mean over simulated infants is from that of very many."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .page import Row, Table
from .readable import DESCRIBED, NO_VALUE, number, shown_unit
from .report_text import KEY_OUTCOMES
from .result import ComparisonResult, error_text

FloatArray = NDArray[np.float64]

#: Main figures of a comparison.
MAIN = (*KEY_OUTCOMES, "hypoxia_burden_80_pct_s_per_h", "hyperoxia_burden_pct_s_per_h")


def grouped_error(values: FloatArray, groups: NDArray[np.generic]) -> float:
    """Estimate the standard error of a mean over infants who share nurses.

    Parameters
    ----------
    values : ndarray, shape (infants,)
        One number per infant, without NaN.
    groups : ndarray, shape (infants,)
        Nursing group of each.

    Returns
    -------
    float
        Of the linearised cluster estimator, in which the group is the
        independent unit; NaN with fewer than two groups.
    """
    labels, home = np.unique(groups, return_inverse=True)
    if len(labels) < 2:
        return float("nan")
    sums = np.bincount(home, weights=values - values.mean())
    inflation = len(labels) / (len(labels) - 1)
    return float(np.sqrt(inflation * np.sum(sums * sums)) / len(values))


def monte_carlo_table(result: ComparisonResult) -> Table:
    """Give the standard errors of the main figures, of arms and of paired differences.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    Table
        A row per outcome and arm.
    """
    good = result.outcomes[[error_text(value) == "" for value in result.outcomes["error"]]]
    rows = []
    for name in (name for name in MAIN if name in good.columns):
        wide = good.pivot(index="infant", columns="arm", values=name)
        homes = good.groupby("infant")["group"].first()
        for arm in result.finished_arms:
            alone = wide[arm]
            base = wide.get(result.baseline, alone)
            paired = alone - base if arm != result.baseline else None
            rows.append(_row(name, arm, alone, paired, homes))
    return Table(
        caption="Mean over infants and its Monte Carlo standard error (±), with the nursing group "
        "as the independent unit. Four times the infants halve it. It says nothing about how "
        "well the model matches real infants.",
        head=("Outcome", "Unit", "Arm", "Mean", f"Difference to {result.baseline}"),
        rows=tuple(rows),
        name="monte_carlo",
    )


def _row(
    name: str,
    arm: str,
    alone: pd.Series[float],
    paired: pd.Series[float] | None,
    homes: pd.Series[int],
) -> Row:
    item = DESCRIBED[name]
    cells = [item.label, shown_unit(item.unit), arm, _with_error(alone, homes, item.decimals)]
    return Row(cells=(*cells, "" if paired is None else _with_error(paired, homes, item.decimals)))


def _with_error(values: pd.Series[float], homes: pd.Series[int], decimals: int) -> str:
    given = values.dropna()
    if not len(given):
        return NO_VALUE
    found: FloatArray = np.asarray(given, dtype=np.float64)
    error = grouped_error(found, homes.reindex(given.index).to_numpy())
    return f"{number(float(found.mean()), decimals)} ± {number(error, decimals + 1)}"


__all__ = ["MAIN", "grouped_error", "monte_carlo_table"]
