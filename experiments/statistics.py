"""Summaries over infants, and paired differences between arms.

Each infant gives one number per arm; medians and quartiles are taken over
infants. Arms are compared infant by infant, and the uncertainty of the
comparison comes from resampling whole nursing groups, because infants who
share staff are not independent of one another.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..models.errors import nearest, problem
from ..models.streams import Cause, stream

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Percentile intervals from fewer groups than this are marked as too narrow
#: (common practice, no source).
FEW_GROUPS = 10

_KEYS = ("infant", "arm", "group")
_NAN = float("nan")


def summarise(outcomes: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Summarise each outcome over the infants of each arm.

    Parameters
    ----------
    outcomes : DataFrame
        One row per infant and arm, with the columns infant, arm, group, the
        outcomes and, optionally, error (text; empty where the run succeeded).
    names : sequence of str
        Outcome columns to summarise.

    Returns
    -------
    DataFrame
        One row per arm (in order of first appearance) and outcome (in the
        order of `names`): arm, outcome, median, q1, q3, mean, infants (that
        have a value), left_out (that have none by definition) and failed
        (whose run stopped with an error). Quartiles interpolate linearly.

    Raises
    ------
    TestbedError
        If a column is missing or an infant stands twice in an arm.
    """
    _check(outcomes, names)
    rows = []
    for arm in outcomes["arm"].unique():
        of_arm = outcomes[outcomes["arm"] == arm].sort_values("infant")
        failed = _failed(of_arm)
        for name in names:
            values = of_arm.loc[~failed, name].to_numpy(dtype=np.float64)
            rows.append(
                {"arm": arm, "outcome": name, **_spread(values), "failed": int(failed.sum())}
            )
    columns = ["arm", "outcome", "median", "q1", "q3", "mean", "infants", "left_out", "failed"]
    return pd.DataFrame(rows, columns=columns)


def _spread(values: FloatArray) -> dict[str, float]:
    """Median, quartiles and mean of the values that exist."""
    given = values[~np.isnan(values)]
    counts = {"infants": len(given), "left_out": len(values) - len(given)}
    if not len(given):
        return {"median": _NAN, "q1": _NAN, "q3": _NAN, "mean": _NAN, **counts}
    q1, median, q3 = np.quantile(given, [0.25, 0.5, 0.75]).tolist()
    return {"median": median, "q1": q1, "q3": q3, "mean": float(np.mean(given)), **counts}


def paired_differences(
    outcomes: pd.DataFrame,
    baseline_arm: str,
    names: Sequence[str],
    *,
    seed: int,
    resamples: int = 2000,
    level: float = 0.95,
) -> pd.DataFrame:
    """Compare every arm with the baseline, infant by infant.

    The difference of an infant is arm minus baseline. The intervals are
    percentile intervals of a bootstrap that draws nursing groups with
    replacement and keeps all infants of a group, each as often as its group is
    drawn; there is one for the median and one for the mean of the
    differences. They depend on the seed and the pairs alone, not on the order
    of rows or on other arms.

    Parameters
    ----------
    outcomes : DataFrame
        As for `summarise`.
    baseline_arm : str
        Arm that the others are compared with.
    names : sequence of str
        Outcome columns to compare.
    seed : int
        Seed of the run; the draws have a stream of their own.
    resamples : int, optional
        Bootstrap samples.
    level : float, optional
        Confidence level of the intervals (fraction).

    Returns
    -------
    DataFrame
        One row per arm other than the baseline and outcome: arm, baseline,
        outcome, median_difference, mean_difference, median_low, median_high,
        mean_low, mean_high, infants (complete pairs), groups (that have one),
        left_out (infants of either arm without a complete pair) and note
        (why there is no interval, or why it is doubtful; else empty).

    Raises
    ------
    TestbedError
        If a column or the baseline is missing, an infant stands twice in an
        arm or in different groups, or a setting is out of range.

    Notes
    -----
    With few groups a percentile interval is too narrow: the variance of a
    mean over G equal groups comes out short by the factor (G - 1) / G.
    """
    _check(outcomes, names)
    _check_settings(outcomes, baseline_arm, resamples, level)
    group_of = outcomes.groupby("infant")["group"].first().sort_index()
    usable = outcomes[~_failed(outcomes)]
    draws: dict[int, IntArray] = {}
    rows = []
    for arm in outcomes["arm"].unique():
        if arm == baseline_arm:
            continue
        either = outcomes.loc[outcomes["arm"].isin([arm, baseline_arm]), "infant"].unique()
        tables = (_by_infant(usable, which, names) for which in (arm, baseline_arm))
        differences = _difference(*tables).reindex(np.sort(either))
        groups = group_of.reindex(differences.index).to_numpy()
        for name in names:
            values = differences[name].to_numpy(dtype=np.float64)
            row = _compared(values, groups, draws, seed, resamples, level)
            rows.append({"arm": arm, "baseline": baseline_arm, "outcome": name, **row})
    return pd.DataFrame(rows, columns=_PAIRED_COLUMNS)


_PAIRED_COLUMNS = [
    "arm",
    "baseline",
    "outcome",
    "median_difference",
    "mean_difference",
    "median_low",
    "median_high",
    "mean_low",
    "mean_high",
    "infants",
    "groups",
    "left_out",
    "note",
]


def _by_infant(outcomes: pd.DataFrame, arm: str, names: Sequence[str]) -> pd.DataFrame:
    of_arm = outcomes[outcomes["arm"] == arm].set_index("infant")
    return of_arm[list(names)].astype(np.float64)


def _difference(arm: pd.DataFrame, baseline: pd.DataFrame) -> pd.DataFrame:
    return arm - baseline


def _compared(
    differences: FloatArray,
    group_labels: NDArray[np.generic],
    draws: dict[int, IntArray],
    seed: int,
    resamples: int,
    level: float,
) -> dict[str, float | str]:
    """Point estimates, intervals and counts of one arm and outcome."""
    paired = ~np.isnan(differences)
    values = differences[paired]
    labels, group = np.unique(group_labels[paired], return_inverse=True)
    row: dict[str, float | str] = dict.fromkeys(_PAIRED_COLUMNS[3:9], _NAN)
    row |= {"infants": len(values), "groups": len(labels), "note": ""}
    row["left_out"] = len(differences) - len(values)
    if not len(values):
        return row | {"note": "no infant has a value in both arms"}
    row["median_difference"] = float(np.median(values))
    row["mean_difference"] = float(np.mean(values))
    if len(labels) == 1:
        return row | {"note": "one nursing group: no interval"}
    if len(labels) not in draws:
        draws[len(labels)] = group_draws(len(labels), seed, resamples)
    means, medians = resampled(values, group, draws[len(labels)])
    ends = [0.5 - 0.5 * level, 0.5 + 0.5 * level]
    row["mean_low"], row["mean_high"] = np.quantile(means, ends).tolist()
    row["median_low"], row["median_high"] = np.quantile(medians, ends).tolist()
    if len(labels) < FEW_GROUPS:
        row["note"] = f"only {len(labels)} nursing groups: interval likely too narrow"
    return row


def group_draws(groups: int, seed: int, resamples: int) -> IntArray:
    """Draw groups with replacement.

    Parameters
    ----------
    groups : int
        Number of groups, and number drawn for each resample.
    seed : int
        Seed of the run.
    resamples : int
        Number of resamples.

    Returns
    -------
    ndarray of int, shape (resamples, groups)
        How often each resample holds each group; rows add up to `groups`.
    """
    drawn = stream(seed, 0, Cause.BOOTSTRAP).integers(0, groups, size=(resamples, groups))
    places = drawn + groups * np.arange(resamples)[:, None]
    times = np.bincount(places.ravel(), minlength=resamples * groups)
    return times.reshape(resamples, groups).astype(np.int64)


def resampled(
    values: FloatArray, group: IntArray, draws: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Compute the mean and the median of every resample.

    Parameters
    ----------
    values : ndarray, shape (infants,)
        One number per infant, without NaN.
    group : ndarray of int, shape (infants,)
        Group of each infant, numbered from 0; every group has an infant.
    draws : ndarray of int, shape (resamples, groups)
        How often each resample holds each group.

    Returns
    -------
    means, medians : ndarray, shape (resamples,)
        Over all infants of the drawn groups, each as often as it was drawn.
    """
    order = np.argsort(values, kind="stable")
    ranked = values[order]
    times = draws[:, group[order]]
    total = times.sum(axis=1)
    means = (times * ranked).sum(axis=1) / total
    reached = np.cumsum(times, axis=1)
    lower = (reached < ((total + 1) // 2)[:, None]).sum(axis=1)
    upper = (reached < (total // 2 + 1)[:, None]).sum(axis=1)
    return means, 0.5 * (ranked[lower] + ranked[upper])


def _failed(outcomes: pd.DataFrame) -> pd.Series[bool]:
    """Mark the rows whose run stopped with an error."""
    if "error" not in outcomes:
        return pd.Series(False, index=outcomes.index)
    return outcomes["error"].fillna("").astype(str).str.strip() != ""


def _check(outcomes: pd.DataFrame, names: Sequence[str]) -> None:
    """Refuse a table without its columns, or with an infant twice in an arm."""
    columns = [str(column) for column in outcomes.columns]
    for name in (*_KEYS, *names):
        if name not in columns:
            raise problem("outcomes", "a column for each name", name, nearest(name, columns))
    twice = outcomes.duplicated(["infant", "arm"])
    if twice.any():
        came = outcomes.loc[twice, ["infant", "arm"]].iloc[0].to_dict()
        raise problem("outcomes", "one row for each infant and arm", came)


def _check_settings(
    outcomes: pd.DataFrame, baseline_arm: str, resamples: int, level: float
) -> None:
    """Refuse an unknown baseline, split infants and impossible settings."""
    arms = outcomes["arm"].unique().tolist()
    if baseline_arm not in arms:
        hint = nearest(baseline_arm, arms)
        raise problem("paired_differences", "the name of an arm as baseline", baseline_arm, hint)
    if resamples < 1:
        raise problem("paired_differences: resamples", "a whole number of at least 1", resamples)
    if not 0.0 < level < 1.0:
        raise problem("paired_differences: level", "a value between 0 and 1", level)
    groups = outcomes.groupby("infant")["group"].nunique()
    if (groups > 1).any():
        came = groups.index[groups > 1].tolist()
        raise problem("outcomes: group", "the same group for an infant in every arm", came)
