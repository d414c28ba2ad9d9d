"""Figures of the safeguards experiment: what each is worth, and how each hazard looks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap, SymLogNorm
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from ..loop.event_log import EventRecord
from ..loop.requirements import TECHNICAL_ALARMS
from ..loop.safeguards.settings import SAFEGUARDS
from ..loop.trace import Trace
from .hazards import QUIET, find_hazard
from .safeguard_runs import NONE, WHOLE, arm_name
from .safeguards import SafeguardResult, effects, quiet_costs
from .strip_chart import thin_out
from .style import ABOVE, BELOW, FAINT, INK, SHADE, STRIP_WIDTH_IN, TARGET, WIDTH_IN, styled

#: Blue where taking the safeguard away helps, orange where it harms: told apart by all.
_MAP = LinearSegmentedColormap.from_list("worth", ["#0072B2", "#FFFFFF", "#D55E00"])
_TRUE_COLOUR = "#D55E00"
#: Differences below this are not written into a cell (s).
_LEAST_SHOWN = 10.0
#: Seconds shown ahead of a hazard.
_BEFORE_S = 300


@styled
def heat_map(result: SafeguardResult, measure: str, title: str) -> Figure:
    """Draw what every safeguard is worth in every hazard.

    Parameters
    ----------
    result : SafeguardResult
        What was found.
    measure : str
        Column of `effects`, in seconds.
    title : str
        Title of the figure.

    Returns
    -------
    matplotlib.figure.Figure
        Hazards down, safeguards across, and at the right all of them taken away.
    """
    table = effects(result).pivot(index="hazard", columns="arm", values=measure)
    hazards = [name for name in result.rows["hazard"].unique() if name in table.index]
    arms = [*(arm_name(name) for name in SAFEGUARDS), NONE]
    values = table.reindex(index=hazards, columns=arms).to_numpy(dtype=float)
    figure = Figure(figsize=(STRIP_WIDTH_IN, 1.9 + 0.235 * len(hazards)))
    axes = figure.subplots()
    most = max(100.0, float(np.nanmax(np.abs(values), initial=0.0)))
    norm = SymLogNorm(linthresh=30.0, vmin=-most, vmax=most)
    axes.imshow(np.nan_to_num(values), cmap=_MAP, norm=norm, aspect="auto")
    for row, column in np.argwhere(np.abs(np.nan_to_num(values)) >= _LEAST_SHOWN).tolist():
        axes.text(column, row, f"{values[row, column]:.0f}", ha="center", va="center", fontsize=6.3)
    titles = [find_hazard(name).title for name in hazards]
    axes.set_yticks(range(len(hazards)), titles, fontsize=7)
    words = [*(name.replace("_", " ") for name in SAFEGUARDS), "all of them"]
    axes.set_xticks(range(len(arms)), words, rotation=55, ha="right", fontsize=7)
    axes.axvline(len(arms) - 1.5, color=INK, linewidth=1.2)
    axes.tick_params(length=0)
    axes.set_xlabel("taken away", fontsize=8)
    axes.set_title(title)
    for side in axes.spines.values():
        side.set_visible(False)
    return figure


@styled
def hazard_strip(result: SafeguardResult, hazard: str, arms: Sequence[str], infant: int) -> Figure:
    """Draw one infant in one hazard, with and without safeguards side by side.

    Parameters
    ----------
    result : SafeguardResult
        What was found.
    hazard : str
        Its name.
    arms : sequence of str
        Which arms, from left to right.
    infant : int
        Own number of the infant; its traces were kept.

    Returns
    -------
    matplotlib.figure.Figure
        Above, displayed SpO2 and true SaO2; below, set FiO2. The hazard is
        shaded, calls to staff are marked.
    """
    figure = Figure(figsize=(STRIP_WIDTH_IN, 3.3))
    panels = figure.subplots(
        2, len(arms), sharex=True, sharey="row", height_ratios=(3, 2), squeeze=False
    )
    start_s = result.trial.trial.settle_s
    for column, arm in enumerate(arms):
        trace, events = result.traces[hazard, arm, infant]
        upper, lower = panels[0, column], panels[1, column]
        trial = result.trial.trial
        draw_case(upper, lower, trace, events, start_s, (trial.low_pct, trial.high_pct))
        upper.set_title(_words(arm), fontsize=8.5)
        lower.set_xlabel("minutes from the hazard's beginning", fontsize=8)
    panels[0, 0].set_ylabel("SpO2 (%)")
    panels[1, 0].set_ylabel("FiO2 (%)")
    _fit(panels[0, 0], [result.traces[hazard, arm, infant][0] for arm in arms], start_s)
    add_case_legend(figure)
    return figure


def draw_case(
    upper: Axes,
    lower: Axes,
    trace: Trace,
    events: Sequence[EventRecord],
    start_s: int,
    target_pct: tuple[float, float],
) -> None:
    """Draw one record into two panels: saturation above, FiO2 below.

    Parameters
    ----------
    upper, lower : matplotlib.axes.Axes
        The panels.
    trace : Trace
        The record.
    events : sequence of EventRecord
        What happened.
    start_s : int
        Second that counts as the beginning.
    target_pct : tuple of float
        Ends of the target (percent).
    """
    _draw_saturation(upper, trace, start_s, target_pct)
    _draw_fio2(lower, trace, start_s)
    _mark(upper, lower, events, start_s)


def add_case_legend(figure: Figure) -> None:
    """Explain the lines of `draw_case` below a figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The figure.
    """
    handles = [
        Line2D([], [], color=INK, linewidth=1.0, label="displayed SpO2"),
        Line2D([], [], color=_TRUE_COLOUR, linewidth=1.0, label="true SaO2"),
        Patch(facecolor=TARGET, label="target"),
        Patch(facecolor=SHADE, label="fault"),
        Line2D([], [], color=INK, marker="v", linestyle="", label="staff are called"),
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=3, fontsize=7.5)


def _words(arm: str) -> str:
    if arm == WHOLE:
        return "with all safeguards"
    if arm == NONE:
        return "without any"
    return arm.replace("_", " ")


def _minutes(trace: Trace, start_s: int) -> tuple[slice, NDArray[np.float64]]:
    first = max(0, start_s - _BEFORE_S)
    seen = slice(first, len(trace))
    return seen, (np.arange(first, len(trace)) - start_s) / 60.0


def _draw_saturation(
    axes: Axes, trace: Trace, start_s: int, target_pct: tuple[float, float]
) -> None:
    seen, minutes = _minutes(trace, start_s)
    axes.axhspan(*target_pct, color=TARGET, linewidth=0, zorder=0)
    axes.plot(*thin_out(minutes, trace.sao2_pct[seen], 260), color=_TRUE_COLOUR, linewidth=0.9)
    axes.plot(*thin_out(minutes, trace.spo2_pct[seen], 260), color=INK, linewidth=0.8)
    axes.grid(axis="y")


def _draw_fio2(axes: Axes, trace: Trace, start_s: int) -> None:
    seen, minutes = _minutes(trace, start_s)
    fio2 = 100.0 * trace.set_fio2[seen]
    axes.plot(*thin_out(minutes, fio2, 260), color=INK, linewidth=0.9, drawstyle="steps-post")
    axes.grid(axis="y")


def _mark(upper: Axes, lower: Axes, events: Sequence[EventRecord], start_s: int) -> None:
    """Shade the faults and mark each call to staff."""
    open_s: dict[str, int] = {}
    spans = []
    for event in events:
        if event.event == "script_start":
            open_s[event.detail] = event.time_s
        elif event.event == "script_end" and event.detail in open_s:
            spans.append((open_s.pop(event.detail), event.time_s))
    last = max((event.time_s for event in events), default=start_s)
    spans += [(begun, max(last, begun + 60)) for begun in open_s.values()]
    for begun, ended in spans:
        for axes in (upper, lower):
            axes.axvspan(
                (begun - start_s) / 60.0, (ended - start_s) / 60.0, color=SHADE, linewidth=0,
                zorder=-1,
            )  # fmt: skip
    calls = [
        (event.time_s - start_s) / 60.0
        for event in events
        if event.event == "alarm_start"
        and event.detail in TECHNICAL_ALARMS
        and event.time_s >= start_s - _BEFORE_S
    ]
    (marks,) = lower.plot(
        calls, np.full(len(calls), 0.06), "v", color=INK, markersize=4, clip_on=False,
        transform=lower.get_xaxis_transform(),
    )  # fmt: skip
    marks.set_in_layout(False)  # one without a point has no place


def _fit(axes: Axes, traces: Sequence[Trace], start_s: int) -> None:
    lowest = min(float(np.nanmin(trace.sao2_pct[start_s - 1 :])) for trace in traces)
    axes.set_ylim(max(30.0, 5.0 * np.floor(min(lowest, 80.0) / 5.0)), 101.0)


@styled
def quiet_cost(result: SafeguardResult) -> Figure:
    """Draw what each safeguard costs in a quiet night.

    Parameters
    ----------
    result : SafeguardResult
        What was found; with the quiet night.

    Returns
    -------
    matplotlib.figure.Figure
        Left, false alerts per 24 h that taking it away would save; right, time
        in target that taking it away would gain.
    """
    table = quiet_costs(result).set_index("arm")
    arms = [*(arm_name(name) for name in SAFEGUARDS), NONE]
    words = [*(name.replace("_", " ") for name in SAFEGUARDS), "all of them"]
    figure = Figure(figsize=(WIDTH_IN, 3.8))
    alerts, target = figure.subplots(1, 2, sharey=True)
    rows = np.arange(len(arms))
    saved = table.loc[arms, "false_alerts_per_24h_cost"].to_numpy(dtype=float)
    gained = -table.loc[arms, "in_target_pct_cost"].to_numpy(dtype=float)
    alerts.barh(rows, saved, color=np.where(saved >= 0, ABOVE, BELOW).tolist(), edgecolor=INK)
    target.barh(rows, gained, color=np.where(gained >= 0, ABOVE, BELOW).tolist(), edgecolor=INK)
    alerts.set_yticks(rows, words)
    alerts.invert_yaxis()
    alerts.set_xlabel("alerts per 24 h saved")
    target.set_xlabel("points of time in target gained")
    for axes in (alerts, target):
        axes.axvline(0, color=FAINT, linewidth=0.8)
        axes.grid(axis="x")
    alerts.set_title("Taken away: fewer false alerts")
    target.set_title("Taken away: time in target")
    return figure


def shown_arms(hazard: str) -> tuple[str, ...]:
    """Choose the arms that tell a hazard's story.

    Parameters
    ----------
    hazard : str
        Its name.

    Returns
    -------
    tuple of str
        Whole; without its foremost safeguard; without any.
    """
    guards = find_hazard(hazard).guards
    if hazard == QUIET or not guards:
        return (WHOLE, NONE)
    return (WHOLE, arm_name(guards[0]), NONE)


__all__ = [
    "add_case_legend",
    "draw_case",
    "hazard_strip",
    "heat_map",
    "quiet_cost",
    "shown_arms",
]
