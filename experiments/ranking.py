"""Rank arms against each other, with how sure each place is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..loop.event_outcomes import EVENT_OUTCOMES
from ..loop.outcomes import OUTCOMES
from .result import error_text
from .statistics import group_draws, resampled

FloatArray = NDArray[np.float64]

#: What arms are ranked by. FiO2 travel has no better side for the infant; less
#: of it is ranked first, because it is what the rest costs the blender.
RANKED = (
    "time_in_target_pct",
    "hypoxia_burden_80_pct_s_per_h",
    "hyperoxia_burden_pct_s_per_h",
    "fio2_travel_pct_per_h",
)

RANKING_COLUMNS = (
    "outcome",
    "arm",
    "mean",
    "mean_low",
    "mean_high",
    "rank",
    "rank_low",
    "rank_high",
    "first_share",
    "infants",
    "groups",
)


def rank_arms(
    outcomes: pd.DataFrame,
    names: Sequence[str] = RANKED,
    *,
    seed: int,
    resamples: int = 2000,
    level: float = 0.95,
) -> pd.DataFrame:
    """Rank the arms by the mean of each outcome over infants that have it in all arms.

    Nursing groups are drawn with replacement, the same ones for all arms; each
    resample gives every arm a place, and the interval holds the middle share of
    these places.

    Parameters
    ----------
    outcomes : DataFrame
        A row per infant and arm, with infant, arm, group, error and the outcomes.
    names : sequence of str, optional
        Outcomes; those that the table does not have are passed over.
    seed : int
        Seed of the run.
    resamples : int, optional
        Bootstrap samples.
    level : float, optional
        Level of the intervals (fraction).

    Returns
    -------
    DataFrame
        Columns as in `RANKING_COLUMNS`, arms in order of their place: mean with
        its interval, place with its interval, and the share of resamples in
        which the arm came first (ties count for each).
    """
    good = outcomes[[error_text(value) == "" for value in outcomes["error"]]]
    rows: list[dict[str, object]] = []
    for name in names:
        if name in good.columns:
            rows += _rows_of(good, name, seed, resamples, level)
    return pd.DataFrame(rows, columns=list(RANKING_COLUMNS))


def _rows_of(
    good: pd.DataFrame, name: str, seed: int, resamples: int, level: float
) -> list[dict[str, object]]:
    arms = list(dict.fromkeys(good["arm"].astype(str)))
    table = good.pivot(index="infant", columns="arm", values=name)[arms].dropna().sort_index()
    if table.empty:
        return []
    homes = good.groupby("infant")["group"].first().reindex(table.index).to_numpy()
    labels, group = np.unique(homes, return_inverse=True)
    values = table.to_numpy(dtype=np.float64)
    sign = -1.0 if _higher_is_better(name) else 1.0
    means = values.mean(axis=0)
    places = _places(sign * means[None, :])[0]
    rows: list[dict[str, object]] = [
        {"outcome": name, "arm": arm, "mean": means[at], "rank": int(places[at]),
         "infants": len(table), "groups": len(labels)}
        for at, arm in enumerate(arms)
    ]  # fmt: skip
    if len(labels) > 1:
        draws = group_draws(len(labels), seed, resamples)
        drawn = np.stack([resampled(column, group, draws)[0] for column in values.T], axis=1)
        _add_intervals(rows, drawn, _places(sign * drawn), level)
    return sorted(rows, key=lambda row: places[arms.index(str(row["arm"]))])


def _add_intervals(
    rows: list[dict[str, object]], drawn: FloatArray, places: FloatArray, level: float
) -> None:
    ends = [0.5 - 0.5 * level, 0.5 + 0.5 * level]
    for at, row in enumerate(rows):
        row["mean_low"], row["mean_high"] = np.quantile(drawn[:, at], ends).tolist()
        low, high = np.quantile(places[:, at], ends, method="nearest").tolist()
        row["rank_low"], row["rank_high"] = int(low), int(high)
        row["first_share"] = float(np.mean(places[:, at] == 1))


def _places(costs: FloatArray) -> FloatArray:
    """Count, for each arm of each row, the arms that cost less, and add one."""
    less = costs[:, None, :] < costs[:, :, None]
    return np.asarray(1 + less.sum(axis=2), dtype=np.float64)


def _higher_is_better(name: str) -> bool:
    described = OUTCOMES.get(name) or EVENT_OUTCOMES.get(name)
    return described is not None and described.direction == "higher better"


__all__ = ["RANKED", "RANKING_COLUMNS", "rank_arms"]
