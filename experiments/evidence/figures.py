"""Figures of the credibility report, in the common style."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from ...models.infants import Infants
from ..style import ABOVE, BELOW, FAINT, INK, SHADE, TARGET, WIDTH_IN, styled
from .averaging import AVERAGING_S, LIMITS_PCT, Counts
from .grading import Grade, interval_of
from .rows import Evidence
from .step_response import LEVELS_PCT

FloatArray = NDArray[np.float64]

#: Points further out than this are drawn at the edge, as arrows (half-widths).
_EDGE = 4.0
_MARKS = {Grade.PASS: ("o", "#009E73"), Grade.NEAR: ("s", ABOVE), Grade.MISS: ("X", "#B23A00")}
_SETTLED, _UNSTABLE = BELOW, "#D55E00"


def position(item: Evidence) -> float:
    """Say where a simulated figure lies in the published interval.

    Parameters
    ----------
    item : Evidence
        A graded row that is not a direction.

    Returns
    -------
    float
        0 at the published figure, -1 and +1 at the ends of the interval, in
        half-widths of the side on which it lies; so up to 1 is a pass and up
        to 2 is near.
    """
    row = item.published
    interval = interval_of(row.spread, row.value, row.low, row.high)
    simulated = item.simulated.value if item.simulated else float("nan")
    side = interval.high if simulated >= interval.centre else interval.low
    half = abs(side - interval.centre)
    distance = simulated - interval.centre
    if half == 0.0:
        return 0.0 if distance == 0.0 else float(np.sign(distance)) * float("inf")
    return distance / half


@styled
def grades(items: Sequence[Evidence], title: str) -> Figure:
    """Draw where every graded figure lies in its published interval.

    Parameters
    ----------
    items : sequence of Evidence
        Rows of one set; directions and rows without a grade are passed over.
    title : str
        Title of the figure.

    Returns
    -------
    matplotlib.figure.Figure
    """
    shown = [x for x in items if x.grade is not None and x.published.spread != "sign"]
    figure = Figure(figsize=(WIDTH_IN, 1.0 + 0.2 * len(shown)))
    axes = figure.subplots()
    axes.axvspan(-2, 2, color=SHADE)
    axes.axvspan(-1, 1, color=TARGET)
    axes.axvline(0, color=INK, linewidth=0.6)
    for place, item in enumerate(shown):
        marker, colour = _MARKS[item.grade or Grade.MISS]
        at = position(item)
        if abs(at) > _EDGE:
            marker = ">" if at > 0 else "<"
        counted = item.published.flag == "read"
        face = colour if counted else "white"
        x = float(np.clip(at, -_EDGE, _EDGE))
        axes.plot(x, place, marker, color=colour, markerfacecolor=face, markersize=6)
    axes.set_yticks(range(len(shown)), [_label(item) for item in shown], fontsize=7.5)
    axes.set(xlim=(-_EDGE - 0.3, _EDGE + 0.3), ylim=(len(shown) - 0.5, -0.5))
    axes.set_xticks(
        [-2, -1, 0, 1, 2], ["twice", "low end", "figure", "high end", "twice"], fontsize=7
    )
    axes.set_title(title)
    return figure


def _label(item: Evidence) -> str:
    text = item.published.quantity
    return text if len(text) <= 52 else text[:50] + "…"


@styled
def cohort_against_published(settled: Infants, unstable: Infants) -> Figure:
    """Draw what is drawn, with the published mean and SD beside it.

    Parameters
    ----------
    settled, unstable : Infants
        The two strata.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = Figure(figsize=(WIDTH_IN, 6.6))
    panels = figure.subplots(3, 2)
    _scatter(panels[0, 0], settled, unstable, "vo2_ml_min_kg", "VO2 (mL/min/kg)")
    panels[0, 0].errorbar([6, 36], [4.7, 9.1], yerr=[0.5, 1.0], fmt="D", color=INK, capsize=3)
    _scatter(panels[0, 1], settled, unstable, "respiratory_quotient", "respiratory quotient")
    panels[0, 1].errorbar([12, 30], [0.99, 0.91], yerr=[0.09, 0.05], fmt="D", color=INK, capsize=3)
    _bars(panels[1, 0], settled, unstable, "cardiac_output_ml_min_kg", "cardiac output (mL/min/kg)")
    _band(panels[1, 0], 221 - 56, 221, 221 + 56)
    _bars(panels[1, 1], settled, unstable, "frc_ml_kg", "FRC (mL/kg)")
    _band(panels[1, 1], 14, 25, 36)
    _bars(panels[2, 0], settled, unstable, "blood_volume_ml_kg", "blood volume (mL/kg)")
    _band(panels[2, 0], 87.9 - 13.6, 87.9, 87.9 + 13.6)
    _bars(panels[2, 1], settled, unstable, "paco2_mmhg", "PaCO2 (mmHg)")
    _band(panels[2, 1], 42 - 6.8, 42, 42 + 6.8)
    handles, labels = panels[1, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=3)
    return figure


def _scatter(axes: Axes, settled: Infants, unstable: Infants, name: str, label: str) -> None:
    for group, colour, marker in ((settled, _SETTLED, "o"), (unstable, _UNSTABLE, "^")):
        age, values = group.postnatal_age_d, getattr(group, name)
        axes.plot(age, values, marker, color=colour, markersize=2.5, alpha=0.6)
    axes.set(xlabel="postnatal age (d)", ylabel=label)


def _bars(axes: Axes, settled: Infants, unstable: Infants, name: str, label: str) -> None:
    both = np.concatenate([getattr(settled, name), getattr(unstable, name)])
    edges = np.linspace(both.min(), both.max(), 16).tolist()
    axes.hist(getattr(settled, name), edges, color=_SETTLED, alpha=0.55, label="settled")
    axes.hist(
        getattr(unstable, name), edges, color=_UNSTABLE, histtype="step", linewidth=1.6,
        label="unstable",
    )  # fmt: skip
    axes.set(xlabel=label, ylabel="infants")


def _band(axes: Axes, low: float, middle: float, high: float) -> None:
    axes.axvspan(low, high, color=SHADE, zorder=0, label="published: mean ± SD, or range")
    axes.axvline(middle, color=INK, linewidth=1.0)


@styled
def shunt_map(fits: pd.DataFrame) -> Figure:
    """Draw the fitted shunt and shift of every infant beside published groups.

    Parameters
    ----------
    fits : pandas.DataFrame
        From `shunt_fit.fit_cohort`.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = Figure(figsize=(WIDTH_IN, 3.9))
    axes = figure.subplots()
    for stratum, colour, marker in (("settled", _SETTLED, "o"), ("unstable", _UNSTABLE, "^")):
        few = fits[fits.stratum == stratum]
        axes.plot(
            few.shunt_pct, few.shift_kpa, marker, color=colour, markersize=4, alpha=0.6,
            label=f"simulated, {stratum}",
        )  # fmt: skip
    groups = (
        ("pulmonary failure, n=12 (range)", (19.9, 5.9, 31.0), (19.8, 9.7, 64.4), "s"),
        ("BPD, n=24 (quartiles)", (8.0, 0.3, 16.5), (14.5, 10.9, 19.4), "D"),
    )
    for label, (x, x0, x1), (y, y0, y1), marker in groups:
        axes.errorbar(
            x, y, xerr=[[x - x0], [x1 - x]], yerr=[[y - y0], [y1 - y]], fmt=marker, color=INK,
            capsize=3, label=f"published, {label}",
        )  # fmt: skip
    axes.plot([0, 8, 8], [7, 7, 0], color=FAINT, linestyle="--", label="published normal limits")
    axes.set(xlabel="shunt (%)", ylabel="shift (kPa)", xlim=(-1, 50), ylim=(0, 70))
    axes.legend(loc="upper right")
    return figure


@styled
def step_responses(by_level: pd.DataFrame, worked: pd.DataFrame) -> Figure:
    """Draw gain, delay and time constant by saturation, and the published infant among all.

    Parameters
    ----------
    by_level, worked : pandas.DataFrame
        From `step_response.responses_by_level` and `worked_response`.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = Figure(figsize=(WIDTH_IN, 4.6))
    panels = figure.subplots(2, 3)
    columns = (
        ("gain", "gain (SpO2 % per FiO2 %)", 3.9),
        ("delay_s", "delay (s)", 9.0),
        ("time_constant_s", "time constant (s)", 22.0),
    )
    for place, (column, label, published) in enumerate(columns):
        groups = [by_level[by_level.level_pct == level][column] for level in LEVELS_PCT]
        kept = [(level, g) for level, g in zip(LEVELS_PCT, groups, strict=True) if len(g)]
        panels[0, place].boxplot(
            [group for _, group in kept], whis=(5, 95), showfliers=False,
            medianprops={"color": INK},
        )  # fmt: skip
        panels[0, place].set_xticks(range(1, len(kept) + 1), [f"{level:g}" for level, _ in kept])
        panels[0, place].set(xlabel="SaO2 before (%)", ylabel=label)
        if len(worked):
            panels[1, place].hist(worked[column], 15, color=TARGET, edgecolor=INK, linewidth=0.5)
        panels[1, place].axvline(published, color=_UNSTABLE, linewidth=1.6)
        panels[1, place].set(xlabel=label, ylabel="infants" if place == 0 else "")
    panels[1, 0].set_title("The published step; line: published infant")
    return figure


@styled
def averaging_counts(counts: Counts) -> Figure:
    """Draw the number of desaturations against the averaging time.

    Parameters
    ----------
    counts : dict
        From `averaging.add_counts`.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = Figure(figsize=(WIDTH_IN, 3.2))
    axes = figure.subplots()
    styles = (("o", "-", INK), ("s", "--", _SETTLED), ("^", ":", _UNSTABLE))
    for limit, (marker, dash, colour) in zip(LIMITS_PCT, styles, strict=True):
        for least, alpha in ((1, 1.0), (10, 0.45)):
            numbers = [counts[averaging, limit, least][0] for averaging in AVERAGING_S]
            axes.plot(
                AVERAGING_S, numbers, marker=marker, linestyle=dash, color=colour, alpha=alpha,
                markersize=4, label=f"< {limit} %, at least {least} s",
            )  # fmt: skip
    first = counts[3, 80, 1][0]
    axes.plot([3, 16], [first, 0.18 * first], color="#CC79A7", linewidth=2.2,
              label="published ratio, < 80 %")  # fmt: skip
    axes.set(xscale="log", yscale="symlog", xlabel="averaging time (s)", ylabel="desaturations")
    axes.set_xticks(AVERAGING_S, [str(seconds) for seconds in AVERAGING_S])
    axes.minorticks_off()
    axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5))
    return figure


__all__ = [
    "averaging_counts",
    "cohort_against_published",
    "grades",
    "position",
    "shunt_map",
    "step_responses",
]
