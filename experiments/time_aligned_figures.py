"""The mean course around an apnoea as a table and as a figure."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from .style import FAINT, INK, TARGET, WIDTH_IN, arm_styles, styled
from .time_aligned import OFFSETS_S, SIGNALS, STEPS_PER_PCT, Courses, add_courses

COURSE_COLUMNS = (
    "arm",
    "signal",
    "offset_s",
    "mean_pct",
    "difference_pct",
    "difference_low_pct",
    "difference_high_pct",
    "groups",
    "infants",
    "apnoeas",
)

#: Normal approximation of a 95 % interval.
_Z = 1.96

_LABELS = {"spo2_pct": "displayed SpO2 (%)", "set_fio2_pct": "set FiO2 (%)"}


def course_table(parts: Iterable[Courses | None]) -> pd.DataFrame:
    """Turn the sums of all chunks into mean courses with intervals.

    Parameters
    ----------
    parts : iterable of Courses or None
        Of the chunks of one comparison.

    Returns
    -------
    DataFrame
        Columns as in `COURSE_COLUMNS`: means over nursing groups, and for
        arms other than the baseline the mean paired difference with a 95 %
        interval over groups. Empty without an apnoea.
    """
    whole: Courses | None = None
    for part in parts:
        if part is not None:
            whole = part if whole is None else add_courses(whole, part)
    if whole is None or not whole.apnoeas:
        return pd.DataFrame(columns=list(COURSE_COLUMNS))
    tables = [
        _one(whole, place, signal)
        for place in range(len(whole.arms))
        for signal in range(len(SIGNALS))
    ]
    return pd.concat(tables, ignore_index=True)


def _one(whole: Courses, arm: int, signal: int) -> pd.DataFrame:
    groups = whole.groups[arm, signal].astype(float)
    paired = whole.paired[arm, signal].astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = whole.total[arm, signal] / groups / STEPS_PER_PCT
        change = whole.difference[arm, signal] / paired
        spread = whole.squares[arm, signal] / paired - change * change
        error = np.sqrt(np.maximum(spread, 0.0) / (paired - 1.0))
    change, error = change / STEPS_PER_PCT, error / STEPS_PER_PCT
    if whole.arms[arm] == whole.baseline:
        change = error = np.full(len(OFFSETS_S), np.nan)
    return pd.DataFrame(
        {
            "arm": whole.arms[arm],
            "signal": SIGNALS[signal],
            "offset_s": OFFSETS_S,
            "mean_pct": mean,
            "difference_pct": change,
            "difference_low_pct": change - _Z * error,
            "difference_high_pct": change + _Z * error,
            "groups": whole.groups[arm, signal],
            "infants": whole.infants,
            "apnoeas": whole.apnoeas,
        }
    )


@styled
def aligned_courses(
    courses: pd.DataFrame, arms: tuple[str, ...], baseline: str, low_pct: float, high_pct: float
) -> Figure:
    """Draw the mean course of SpO2 and FiO2 around an apnoea, and where arms differ.

    Parameters
    ----------
    courses : DataFrame
        As `course_table` gives it.
    arms : tuple of str
        All arms, in order.
    baseline : str
        The arm that the others are compared with.
    low_pct, high_pct : float
        Ends of the target range (percent).

    Returns
    -------
    matplotlib.figure.Figure
        Above SpO2, in the middle FiO2, below the difference of SpO2 to the
        baseline with its 95 % band.
    """
    figure = Figure(figsize=(WIDTH_IN, 6.2))
    panels = figure.subplots(3, 1, sharex=True, height_ratios=(3, 2.2, 2.2))
    panels[0].axhspan(low_pct, high_pct, color=TARGET, zorder=0, linewidth=0)
    styles = arm_styles(arms)
    for arm in arms:
        of_arm = courses[courses["arm"] == arm]
        for axes, signal in zip(panels, ("spo2_pct", "set_fio2_pct"), strict=False):
            part = of_arm[of_arm["signal"] == signal]
            axes.plot(
                part["offset_s"], part["mean_pct"], color=styles[arm].colour,
                linestyle=styles[arm].dash, label=arm,
            )  # fmt: skip
        part = of_arm[of_arm["signal"] == "spo2_pct"]
        if arm != baseline and not part["difference_pct"].isna().all():
            colour = styles[arm].colour
            panels[2].fill_between(
                part["offset_s"], part["difference_low_pct"], part["difference_high_pct"],
                color=colour, alpha=0.2, linewidth=0,
            )  # fmt: skip
            panels[2].plot(
                part["offset_s"], part["difference_pct"], color=colour, linestyle=styles[arm].dash
            )
    for axes, signal in zip(panels, ("spo2_pct", "set_fio2_pct"), strict=False):
        axes.set_ylabel(_LABELS[signal])
    panels[2].set_ylabel(f"SpO2 minus\n{baseline} (points)")
    panels[2].axhline(0, color=INK, linewidth=0.8, linestyle=(0, (4, 2)), zorder=0)
    panels[2].set_xlabel("seconds after the apnoea began")
    panels[0].legend(loc="upper right", ncols=3)
    for axes in panels:
        axes.axvline(0, color=FAINT, linewidth=0.8)
        axes.grid(axis="y")
        axes.set_xlim(OFFSETS_S[0], OFFSETS_S[-1])
    count, infants = int(courses["apnoeas"].iloc[0]), int(courses["infants"].iloc[0])
    panels[0].set_title(f"Mean course around {count} apnoeas of {infants} infants")
    return figure


__all__ = ["COURSE_COLUMNS", "aligned_courses", "course_table"]
