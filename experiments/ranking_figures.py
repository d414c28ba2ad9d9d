"""Figures that put arms side by side: place by each key outcome, and cost in FiO2 travel."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .page import Row, Table
from .readable import DESCRIBED, IN_TARGET, NO_VALUE, number, shown_unit
from .style import INK, WIDTH_IN, arm_styles, styled

TRAVEL = "fio2_travel_pct_per_h"


def ranking_table(ranking: pd.DataFrame, level_pct: str) -> Table:
    """Show the place of each arm by each key outcome.

    Parameters
    ----------
    ranking : DataFrame
        As `ranking.rank_arms` gives it.
    level_pct : str
        Level of the intervals (percent).

    Returns
    -------
    Table
        A row per outcome and place.
    """
    rows = []
    for _, row in ranking.iterrows():
        item = DESCRIBED[str(row["outcome"])]
        ends = [number(float(row[name]), item.decimals) for name in ("mean_low", "mean_high")]
        mean = number(float(row["mean"]), item.decimals)
        sure = pd.notna(row["rank_low"])
        places = f"{row['rank_low']:.0f} to {row['rank_high']:.0f}" if sure else NO_VALUE
        first = f"{100 * float(row['first_share']):.0f} %" if sure else NO_VALUE
        spread = f" ({ends[0]} to {ends[1]})" if sure else ""
        cells = (item.label, shown_unit(item.unit), f"{row['rank']:.0f}", str(row["arm"]))
        rows.append(Row(cells=(*cells, mean + spread, places, first)))
    return Table(
        caption=f"Arms by the mean over infants that have the outcome in all arms, best first, "
        f"with {level_pct} % intervals (bootstrap over nursing groups, the same draws for all "
        "arms). Less FiO2 travel is put first; it is a cost, not an outcome of the infant.",
        head=("Outcome", "Unit", "Place", "Arm", "Mean", "Places in interval", "First in"),
        rows=tuple(rows),
        name="ranking",
    )


@styled
def ranking_figure(ranking: pd.DataFrame, arms: tuple[str, ...]) -> Figure:
    """Draw the mean of each key outcome by arm, in order of place.

    Parameters
    ----------
    ranking : DataFrame
        As `ranking.rank_arms` gives it.
    arms : tuple of str
        All arms, in order.

    Returns
    -------
    matplotlib.figure.Figure
        A panel per outcome, best arm on top.
    """
    names = list(dict.fromkeys(ranking["outcome"]))
    rows = -(-len(names) // 2)
    count = ranking["arm"].nunique()
    figure = Figure(figsize=(WIDTH_IN, rows * (0.95 + 0.24 * count)))
    panels = figure.subplots(rows, 2, squeeze=False)
    for axes, name in zip(panels.flat, names, strict=False):
        _panel(axes, ranking[ranking["outcome"] == name], arms)
    for axes in list(panels.flat)[len(names) :]:
        axes.set_visible(False)
    return figure


def _panel(axes: Axes, rows: pd.DataFrame, arms: tuple[str, ...]) -> None:
    styles = arm_styles(arms)
    for place, (_, row) in enumerate(rows.iterrows()):
        style = styles[str(row["arm"])]
        axes.plot((row["mean_low"], row["mean_high"]), (place, place), color=INK, linewidth=1.8)
        axes.plot(
            row["mean"], place, style.marker, color=style.colour, markeredgecolor=INK, markersize=6
        )
    item = DESCRIBED[str(rows["outcome"].iloc[0])]
    axes.set_yticks(range(len(rows)), list(rows["arm"]))
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xlim(left=0)
    axes.tick_params(left=False)
    axes.grid(axis="x")
    axes.set_title(item.label, fontsize=8.5)
    axes.set_xlabel(item.unit, fontsize=8)


@styled
def cost_figure(ranking: pd.DataFrame, arms: tuple[str, ...]) -> Figure:
    """Draw what an arm achieves against how much it moves the oxygen.

    Parameters
    ----------
    ranking : DataFrame
        As `ranking.rank_arms` gives it.
    arms : tuple of str
        All arms, in order.

    Returns
    -------
    matplotlib.figure.Figure
        Mean time in target against mean FiO2 travel, with intervals.
    """
    figure = Figure(figsize=(WIDTH_IN, 3.0))
    axes = figure.subplots()
    styles = arm_styles(arms)
    by_name = {name: rows.set_index("arm") for name, rows in ranking.groupby("outcome")}
    gain, cost = by_name[IN_TARGET], by_name[TRAVEL]
    for arm in (arm for arm in arms if arm in gain.index and arm in cost.index):
        y, x = gain.loc[arm], cost.loc[arm]
        axes.plot((x["mean_low"], x["mean_high"]), (y["mean"],) * 2, color=INK, linewidth=1.2)
        axes.plot((x["mean"],) * 2, (y["mean_low"], y["mean_high"]), color=INK, linewidth=1.2)
        axes.plot(
            x["mean"], y["mean"], styles[arm].marker, color=styles[arm].colour,
            markeredgecolor=INK, markersize=7, linestyle="none", label=arm,
        )  # fmt: skip
    axes.set_xlabel("FiO2 travel (points per hour)")
    axes.set_ylabel("time in target (%)")
    axes.grid()
    axes.margins(0.12)
    figure.legend(loc="outside right upper")
    return figure


__all__ = ["TRAVEL", "cost_figure", "ranking_figure", "ranking_table"]
