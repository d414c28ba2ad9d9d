"""Figures of a study of target ranges: the trade-off, what was achieved, what it costs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import NullFormatter

from .readable import DESCRIBED
from .style import INK, WIDTH_IN, arm_styles, styled
from .targets import TargetsResult

_TRADE_OFFS = (
    ("hyperoxia_burden_95_pct_s_per_h", "hypoxia_burden_80_pct_s_per_h", "fixed limits"),
    (
        "hyperoxia_burden_pct_s_per_h",
        "hypoxia_burden_target_pct_s_per_h",
        "limits of the target itself",
    ),
)

#: Burdens up to here are drawn on a linear scale (percent x s per hour).
_LINEAR_TO = 10.0

#: Shades of settings, light to dark, of one hue: readable in grey, too.
_SHADES = ("#9ECAE1", "#4292C6", "#08519C", "#041E42")
_DASHES = ((0, (1, 1)), (0, (4, 1.5)), (0, (7, 1.5, 1.5, 1.5)), "-")

#: Room that a name takes in a panel of the trade-off (shares of its sides).
LABEL_WIDTH, LABEL_HEIGHT = 0.19, 0.09


def spread(result: TargetsResult, stratum: str, arm: str, outcome: str) -> pd.DataFrame:
    """Pick median and quartiles of one outcome by setting.

    Parameters
    ----------
    result : TargetsResult
        The study.
    stratum, arm : str
        Which infants under which arm.
    outcome : str
        Which outcome.

    Returns
    -------
    DataFrame
        Indexed by setting in order, with median, q1, q3 and mean.
    """
    table = result.summary
    chosen = (table["stratum"] == stratum) & (table["arm"] == arm) & (table["outcome"] == outcome)
    found = table[chosen].set_index("setting")
    return found.reindex(result.settings)


@styled
def trade_off(result: TargetsResult) -> Figure:
    """Draw hypoxia burden against hyperoxia burden, a marker per setting and arm.

    Parameters
    ----------
    result : TargetsResult
        The study.

    Returns
    -------
    matplotlib.figure.Figure
        A row per stratum; left by limits that are the same for all settings,
        right by those of each setting's own target.
    """
    rows = len(result.strata)
    figure = Figure(figsize=(WIDTH_IN, 0.5 + 2.9 * rows))
    panels = figure.subplots(rows, 2, squeeze=False)
    for line, stratum in zip(panels, result.strata, strict=True):
        for axes, (x_name, y_name, what) in zip(line, _TRADE_OFFS, strict=True):
            _trade_panel(axes, result, stratum, x_name, y_name)
            axes.set_title(f"{stratum}: {what}", fontsize=8.5)
    handles, labels = panels[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=min(4, len(labels)))
    return figure


def _trade_panel(axes: Axes, result: TargetsResult, stratum: str, x_name: str, y_name: str) -> None:
    styles = arm_styles(result.arms)
    points: list[tuple[str, float, float]] = []
    for arm in result.arms:
        x, y = (spread(result, stratum, arm, name) for name in (x_name, y_name))
        style = styles[arm]
        axes.plot(x["median"], y["median"], color=style.colour, linestyle=style.dash, linewidth=1)
        for setting in result.settings:
            axes.plot(
                (x["q1"][setting], x["q3"][setting]), (y["median"][setting],) * 2,
                color=style.colour, linewidth=0.9, alpha=0.55,
            )  # fmt: skip
            axes.plot(
                (x["median"][setting],) * 2, (y["q1"][setting], y["q3"][setting]),
                color=style.colour, linewidth=0.9, alpha=0.55,
            )  # fmt: skip
            points.append((setting, x["median"][setting], y["median"][setting]))
        axes.plot(
            x["median"], y["median"], style.marker, color=style.colour, markeredgecolor=INK,
            markersize=5.5, linestyle="none", label=arm,
        )  # fmt: skip
    _burden_scale(axes, result, stratum, x_name, y_name)
    limits = ("above 95 %", "below 80 %") if x_name.endswith("95_pct_s_per_h") else (
        "above the target", "below the target"
    )  # fmt: skip
    axes.set_xlabel(f"hyperoxia burden {limits[0]} (%·s/h)", fontsize=8)
    axes.set_ylabel(f"hypoxia burden {limits[1]} (%·s/h)", fontsize=8)
    axes.grid()
    _label_apart(axes, points)


def _label_apart(axes: Axes, points: list[tuple[str, float, float]]) -> None:
    """Name the points, but for those so close to a named one that the names would overlap."""
    to_axes = axes.transData + axes.transAxes.inverted()
    named: list[tuple[float, float]] = []
    for label, x, y in points:
        across, up = to_axes.transform((x, y))
        if any(abs(across - a) < LABEL_WIDTH and abs(up - u) < LABEL_HEIGHT for a, u in named):
            continue
        named.append((across, up))
        axes.annotate(label, (x, y), xytext=(4, 4), textcoords="offset points", fontsize=7)


def _burden_scale(
    axes: Axes, result: TargetsResult, stratum: str, x_name: str, y_name: str
) -> None:
    """Show orders of magnitude; where a quartile is near zero, keep zero on the axis."""
    for name, axis in ((x_name, "x"), (y_name, "y")):
        found = pd.concat([spread(result, stratum, arm, name) for arm in result.arms])
        low, high = float(found["q1"].min()), float(found["q3"].max())
        if not np.isfinite(high) or high <= _LINEAR_TO:
            axes.set(**{f"{axis}lim": (0, None)})
        elif low > _LINEAR_TO:
            axes.set(**{f"{axis}scale": "log", f"{axis}lim": (0.7 * low, 1.6 * high)})
            getattr(axes, f"{axis}axis").set_minor_formatter(NullFormatter())
        else:
            getattr(axes, f"set_{axis}scale")("symlog", linthresh=_LINEAR_TO, linscale=0.5)
            axes.set(**{f"{axis}lim": (0, 2.2 * high)})


@styled
def achieved_distribution(result: TargetsResult) -> Figure:
    """Draw the displayed SpO2 that each setting achieved, on oxygen.

    Parameters
    ----------
    result : TargetsResult
        The study.

    Returns
    -------
    matplotlib.figure.Figure
        A row per stratum, a column per arm, a curve per setting.
    """
    rows, columns = len(result.strata), len(result.arms)
    figure = Figure(figsize=(WIDTH_IN, 0.6 + 2.1 * rows))
    panels = figure.subplots(rows, columns, squeeze=False, sharex=True, sharey="row")
    for line, stratum in zip(panels, result.strata, strict=True):
        for axes, arm in zip(line, result.arms, strict=True):
            for place, setting in enumerate(result.settings):
                spo2, share = distribution(result, stratum, setting, arm)
                axes.plot(spo2, share, **_setting_line(place, len(result.settings)), label=setting)
            axes.set_title(f"{stratum}, {arm}", fontsize=8.5)
            axes.set_xlim(76, 100.5)
            axes.grid(axis="y")
        line[0].set(ylabel="time on oxygen (%)", ylim=(0, None))  # once all curves are there
    for axes in panels[-1]:
        axes.set_xlabel("displayed SpO2 (%)")
    handles, labels = panels[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=min(4, len(labels)))
    return figure


def distribution(
    result: TargetsResult, stratum: str, setting: str, arm: str
) -> tuple[pd.Series[float], pd.Series[float]]:
    """Give the share of time on oxygen at each displayed SpO2.

    Parameters
    ----------
    result : TargetsResult
        The study.
    stratum, setting, arm : str
        Which cell.

    Returns
    -------
    spo2 : Series
        Whole percents.
    share : Series
        Percent of time.
    """
    table = result.histogram
    chosen = (table["stratum"] == stratum) & (table["setting"] == setting) & (table["arm"] == arm)
    rows = table[chosen]
    seconds = rows["seconds_on_oxygen"].astype(float)
    return rows["spo2_pct"].astype(float), 100 * seconds / max(float(seconds.sum()), 1.0)


def _setting_line(place: int, count: int) -> dict[str, object]:
    shade = _SHADES[round(place * (len(_SHADES) - 1) / max(count - 1, 1))]
    return {"color": shade, "linestyle": _DASHES[place % len(_DASHES)], "linewidth": 1.5}


@styled
def by_setting(result: TargetsResult, names: Sequence[str]) -> Figure:
    """Draw some outcomes by setting and arm.

    Parameters
    ----------
    result : TargetsResult
        The study.
    names : sequence of str
        Outcomes, a row of panels each.

    Returns
    -------
    matplotlib.figure.Figure
        Median with quartiles; a column per stratum.
    """
    columns = len(result.strata)
    figure = Figure(figsize=(WIDTH_IN, 0.6 + 1.75 * len(names)))
    panels = figure.subplots(len(names), columns, squeeze=False, sharex=True, sharey="row")
    places = np.arange(len(result.settings))
    styles = arm_styles(result.arms)
    for line, name in zip(panels, names, strict=True):
        for axes, stratum in zip(line, result.strata, strict=True):
            for number, arm in enumerate(result.arms):
                found = spread(result, stratum, arm, name)
                shifted = places + 0.14 * (number - 0.5 * (len(result.arms) - 1))
                axes.vlines(shifted, found["q1"], found["q3"], color=styles[arm].colour)
                axes.plot(
                    shifted, found["median"], styles[arm].marker, color=styles[arm].colour,
                    markeredgecolor=INK, markersize=5, linestyle="none", label=arm,
                )  # fmt: skip
            axes.set_title(f"{DESCRIBED[name].label}, {stratum}", fontsize=8)
            axes.grid(axis="y")
            axes.set_xticks(places, result.settings, fontsize=7.5)
        line[0].set_ylabel(DESCRIBED[name].unit, fontsize=8)
        line[0].set_ylim(bottom=0)  # once all marks are there, since the row shares the axis
    handles, labels = panels[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=min(4, len(labels)))
    return figure


@styled
def crossed(result: TargetsResult, name: str) -> Figure:
    """Draw the mean of one outcome for every pair of values of two factors.

    Parameters
    ----------
    result : TargetsResult
        A study with two factors.
    name : str
        The outcome.

    Returns
    -------
    matplotlib.figure.Figure
        A row per stratum, a column per arm; darker is more, and each cell
        holds its number.
    """
    first, second = result.factors
    rows, columns = len(result.strata), len(result.arms)
    height = 0.9 + rows * (0.7 + 0.32 * len(first.values))
    figure = Figure(figsize=(WIDTH_IN, height))
    panels = figure.subplots(rows, columns, squeeze=False, sharex=True, sharey=True)
    means = result.outcomes.groupby(["stratum", "arm", "first", "second"])[name].mean()
    top = max(float(means.max()), 1e-9)
    for line, stratum in zip(panels, result.strata, strict=True):
        for axes, arm in zip(line, result.arms, strict=True):
            grid = np.array(
                [[float(means[stratum, arm, a, b]) for b in second.values] for a in first.values]
            )
            axes.imshow(grid, cmap="Blues", vmin=0.0, vmax=1.15 * top, aspect="auto")
            for (row, column), value in np.ndenumerate(grid):
                ink = "white" if value > 0.6 * top else INK
                text = f"{value:.{DESCRIBED[name].decimals}f}"
                axes.text(column, row, text, ha="center", va="center", color=ink, fontsize=8)
            axes.set_title(f"{stratum}, {arm}", fontsize=8.5)
            axes.set_xticks(range(len(second.values)), second.values)
            axes.set_yticks(range(len(first.values)), first.values)
        line[0].set_ylabel(first.label, fontsize=8)
    for axes in panels[-1]:
        axes.set_xlabel(second.label, fontsize=8)
    return figure


__all__ = [
    "achieved_distribution",
    "by_setting",
    "crossed",
    "distribution",
    "spread",
    "trade_off",
]
