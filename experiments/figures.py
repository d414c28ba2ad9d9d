"""Figures of a comparison: what each arm did to all infants together.

Every function takes the result and returns a matplotlib Figure that belongs to
no window and no global state.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from ..loop.outcome import Described
from .readable import (
    IN_TARGET,
    SHARES,
    TRUE_SUFFIX,
    arm_label,
    core_outcomes,
    numbers_of,
    rows_by_arm,
)
from .result import ComparisonResult
from .style import (
    ABOVE,
    BELOW,
    FAINT,
    INK,
    INSIDE,
    TARGET,
    WIDTH_IN,
    ArmStyle,
    arm_styles,
    styled,
)

FloatArray = NDArray[np.float64]

_SHARE_FACES = ((BELOW, "", "white"), (INSIDE, "", INK), (ABOVE, "////", INK))
_NARROWEST_LABELLED_PCT = 7.0
_TAIL_TICKS = (0.01, 0.1, 1.0, 10.0, 100.0)


@styled
def time_in_range(result: ComparisonResult) -> Figure:
    """Draw time below, in and above the target by arm, and its spread over infants.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    matplotlib.figure.Figure
        Left, stacked bars of the mean over infants (only means add up to 100 %),
        displayed SpO2 above and true SaO2 below; right, each infant's time in
        target with median and quartiles.
    """
    arms = result.finished_arms
    figure = Figure(figsize=(WIDTH_IN, 1.35 + 0.62 * len(arms)))
    bars, dots = figure.subplots(1, 2, sharey=True, width_ratios=(3, 2))
    for place, arm in enumerate(arms):
        _stacked_bar(bars, result, arm, "", place - 0.14, 0.42)
        _stacked_bar(bars, result, arm, TRUE_SUFFIX, place + 0.25, 0.2)
        _infant_dots(dots, result, arm, place)
    bars.set(xlim=(0, 100), xlabel="time on oxygen (%), mean over infants", yticks=range(len(arms)))
    bars.set_yticklabels([arm_label(arm) for arm in arms])
    bars.set_ylim(len(arms) - 0.45, -0.55)
    bars.set_title("Time below, in and above target")
    dots.set(xlabel="time in target (%)", xlim=(0, 100))
    dots.set_title("Each infant")
    dots.grid(axis="x")
    dots.tick_params(left=False)
    faces = [
        Patch(facecolor=face, hatch=hatch, edgecolor=INK, linewidth=0.5)
        for face, hatch, _ in _SHARE_FACES
    ]
    figure.legend(faces, ("below", "in target", "above"), loc="outside lower left", ncols=3)
    return figure


def _stacked_bar(
    axes: Axes, result: ComparisonResult, arm: str, suffix: str, y: float, height: float
) -> None:
    start = 0.0
    for name, (face, hatch, ink) in zip(SHARES, _SHARE_FACES, strict=True):
        numbers = numbers_of(result, arm, name + suffix)
        share = float(numbers.mean()) if len(numbers) else 0.0
        axes.barh(
            y, share, height, left=start, color=face, hatch=hatch, edgecolor=INK, linewidth=0.5
        )
        if not suffix and share >= _NARROWEST_LABELLED_PCT:
            box = {"facecolor": face, "edgecolor": "none", "pad": 1.0}
            axes.text(
                start + share / 2, y, f"{share:.0f}", color=ink, ha="center", va="center", bbox=box
            )
        start += share


def _infant_dots(axes: Axes, result: ComparisonResult, arm: str, place: int) -> None:
    numbers = numbers_of(result, arm, IN_TARGET)
    if not len(numbers):
        return
    values = np.sort(numbers.to_numpy())
    # Alternating heights spread the dots without a random number.
    spread = 0.16 * (np.arange(len(values)) % 5 - 2) / 2
    axes.plot(values, place + spread, ".", color=FAINT, markersize=4.5, markeredgewidth=0)
    q1, median, q3 = np.quantile(values, (0.25, 0.5, 0.75))
    axes.plot((q1, q3), (place + 0.3, place + 0.3), color=INK, linewidth=2.2)
    axes.plot(median, place + 0.3, "o", color="white", markeredgecolor=INK, markersize=5)


@styled
def spo2_distribution(result: ComparisonResult) -> Figure:
    """Draw how long each arm spent at each displayed SpO2, on oxygen.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    matplotlib.figure.Figure
        Above, percent of time at each whole percent; below, percent of time at
        or under each SpO2, on a logarithmic scale, for the rare low values.
    """
    figure = Figure(figsize=(WIDTH_IN, 4.6))
    share_axes, tail_axes = figure.subplots(2, 1, height_ratios=(3, 2))
    low, high = result.scenario.target.low_pct, result.scenario.target.high_pct
    styles = arm_styles(result.arms)
    for arm in result.finished_arms:
        spo2, share = _histogram(result, arm)
        style = styles[arm]
        share_axes.plot(spo2, share, **_line(style), markevery=2, label=arm_label(arm))
        tail_axes.plot(spo2, np.cumsum(share), **_line(style), markevery=4)
    for axes in (share_axes, tail_axes):
        axes.axvspan(low - 0.5, high + 0.5, color=TARGET, zorder=0, linewidth=0)
        axes.grid(axis="y")
    share_axes.set(xlim=(76, 100.5), ylabel="time on oxygen (%)")
    share_axes.set_ylim(bottom=0)
    share_axes.set_title(f"Displayed SpO2; the target, {low:g} to {high:g} %, is shaded")
    share_axes.legend(loc="upper left")
    tail_axes.set(yscale="log", ylim=(0.01, 130), xlim=(60, 100.5), yticks=_TAIL_TICKS)
    tail_axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    tail_axes.minorticks_off()
    tail_axes.set(xlabel="displayed SpO2 (%)", ylabel="time at or\nbelow (%)")
    return figure


def _histogram(result: ComparisonResult, arm: str) -> tuple[FloatArray, FloatArray]:
    table = result.histogram[result.histogram["arm"] == arm].sort_values("spo2_pct")
    seconds = table["seconds_on_oxygen"].to_numpy(dtype=float)
    total = seconds.sum()
    share = 100 * seconds / total if total > 0 else np.full(len(seconds), np.nan)
    return table["spo2_pct"].to_numpy(dtype=float), share


def _line(style: ArmStyle) -> dict[str, object]:
    return {
        "color": style.colour,
        "linestyle": style.dash,
        "marker": style.marker,
        "markersize": 3.5,
    }


@styled
def paired_differences(result: ComparisonResult) -> Figure:
    """Draw each arm's difference to the baseline within infants, with its interval.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    matplotlib.figure.Figure
        One small panel per core outcome, because units differ: dot and bar are
        the mean difference and its interval, the open diamond the median.
    """
    panels_for = [item for item in core_outcomes(result) if _differs(result, item)]
    arms = [arm for arm in result.finished_arms if arm != result.baseline]
    columns = 2 if len(panels_for) > 1 else 1
    rows = max(1, -(-len(panels_for) // columns))
    figure = Figure(figsize=(WIDTH_IN, rows * (0.85 + 0.2 * len(arms))))
    figure.set_layout_engine("constrained", w_pad=0.1)
    panels = figure.subplots(rows, columns, squeeze=False, sharey=True)
    for axes, item in zip(panels.flat, panels_for, strict=False):
        _difference_panel(axes, result, item, arms)
    for axes in list(panels.flat)[len(panels_for) :]:
        axes.set_visible(False)
    for axes in panels[:, 0]:
        axes.set_yticks(range(len(arms)), [arm_label(arm) for arm in arms])
    panels[0, 0].set_ylim(len(arms) - 0.5, -0.5)
    return figure


def _difference_panel(
    axes: Axes, result: ComparisonResult, item: Described, arms: Sequence[str]
) -> None:
    styles = arm_styles(result.arms)
    table = rows_by_arm(result.paired, item.name)
    for place, arm in enumerate(arms):
        if arm not in table:
            continue
        style = styles[arm]
        mean, low, high, median = (
            float(table[arm][name])
            for name in ("mean_difference", "mean_low", "mean_high", "median_difference")
        )
        axes.plot((low, high), (place, place), color=INK, linewidth=1.8)
        axes.plot(mean, place, style.marker, color=style.colour, markeredgecolor=INK, markersize=6)
        axes.plot(
            median, place + 0.28, "d", color="white", markeredgecolor=INK, markeredgewidth=0.7,
            markersize=4,
        )  # fmt: skip
    axes.axvline(0, color=INK, linewidth=0.8, linestyle=(0, (4, 2)), zorder=0)
    _symmetric(axes)
    axes.tick_params(left=False)
    axes.grid(axis="x")
    axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]))
    axes.set_title(item.label, fontsize=8.5)
    arrow = {"higher better": "better →", "lower better": "← better"}.get(item.direction, "")
    unit = "points" if item.unit == "%" else item.unit
    axes.set_xlabel(f"{unit}    {arrow}" if arrow else unit, fontsize=8)


def _symmetric(axes: Axes) -> None:
    """Keep zero in view with a little room on both sides."""
    low, high = axes.get_xlim()
    room = 0.12 * max(abs(low), abs(high))
    axes.set_xlim(min(low, -room), max(high, room))


def _differs(result: ComparisonResult, item: Described) -> bool:
    """Tell whether any arm differs; what is the same by construction needs no panel."""
    rows = rows_by_arm(result.paired, item.name).values()
    return any(
        row["mean_difference"] != 0 or row["mean_low"] < 0 or row["mean_high"] > 0 for row in rows
    )


@styled
def infant_by_infant(result: ComparisonResult) -> Figure:
    """Draw each infant's time in target under every arm against the baseline.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    matplotlib.figure.Figure
        One square panel per arm; infants above the diagonal did better than
        under the baseline, filled; those below did worse, open.
    """
    arms = [arm for arm in result.finished_arms if arm != result.baseline]
    columns = min(2, max(1, len(arms)))
    rows = max(1, -(-len(arms) // columns))
    figure = Figure(figsize=(WIDTH_IN if columns > 1 else 3.6, 3.3 * rows))
    panels = figure.subplots(rows, columns, squeeze=False, sharex=True, sharey=True)
    for axes, arm in zip(panels.flat, arms, strict=False):
        _scatter_panel(axes, result, arm)
    for axes in list(panels.flat)[len(arms) :]:
        axes.set_visible(False)
    for axes in panels[:, 0]:
        axes.set_ylabel("time in target (%), this arm")
    for axes in panels[-1, :]:
        axes.set_xlabel(f"time in target (%), {result.baseline}")
    return figure


def _scatter_panel(axes: Axes, result: ComparisonResult, arm: str) -> None:
    both = pd.concat(
        [numbers_of(result, result.baseline, IN_TARGET), numbers_of(result, arm, IN_TARGET)],
        axis=1,
        join="inner",
    ).to_numpy(dtype=float)
    better = both[:, 1] >= both[:, 0]
    axes.plot((0, 100), (0, 100), color=INK, linewidth=0.8, linestyle=(0, (4, 2)))
    axes.plot(both[better, 0], both[better, 1], "o", color=BELOW, markersize=4)
    axes.plot(
        both[~better, 0], both[~better, 1], "s", color="white", markeredgecolor="#D55E00",
        markeredgewidth=1.3, markersize=4.5,
    )  # fmt: skip
    axes.set(xlim=(0, 100), ylim=(0, 100), aspect="equal")
    axes.set_title(
        f"{arm_label(arm)}: {int((~better).sum())} of {len(both)} infants do worse", fontsize=8.5
    )
    axes.grid()


__all__ = [
    "infant_by_infant",
    "paired_differences",
    "spo2_distribution",
    "time_in_range",
]
