"""Strip charts: what happened to one infant, second by second, arm above arm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator, MultipleLocator
from numpy.typing import NDArray

from ..loop.episodes import runs
from ..models.disturbances import Breathing
from .readable import arm_label
from .result import ComparisonResult
from .style import FAINT, INK, SHADE, STRIP_WIDTH_IN, TARGET, arm_styles, styled

FloatArray = NDArray[np.float64]

#: Columns of points across a strip chart; each keeps its lowest and highest sample.
COLUMNS = 700
#: Length of the enlarged window (s).
WINDOW_S = 1500

_KINDS = {
    Breathing.CENTRAL: "central apnoea",
    Breathing.OBSTRUCTIVE: "obstructive",
    Breathing.MIXED: "mixed",
    Breathing.HYPOVENTILATION: "hypoventilation",
}
_AROUND = {"alarm": "alarm sounds", "visit": "nurse at the cot"}
_TRUE_COLOUR = "#D55E00"
_NICE_STEPS_S = (60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400)


@dataclass(frozen=True, kw_only=True)
class _Strip:
    """One arm's part of a strip chart."""

    arm: str
    trace: pd.DataFrame
    events: pd.DataFrame
    start_s: float
    end_s: float


def thin_out(
    time_s: FloatArray, values: FloatArray, columns: int = COLUMNS
) -> tuple[FloatArray, FloatArray]:
    """Keep the lowest and the highest sample of each column of a chart.

    Parameters
    ----------
    time_s, values : ndarray of float, shape (samples,)
        The curve; NaN is a gap.
    columns : int, optional
        Number of columns.

    Returns
    -------
    tuple of ndarray
        Times and values, at most two a column, in order of time; a column
        without any reading keeps one NaN. Every extreme of the curve survives.
    """
    if len(values) <= 2 * columns:
        return time_s, values
    size = -(-len(values) // columns)
    padded = np.full(size * -(-len(values) // size), np.nan)
    padded[: len(values)] = values
    blocks = padded.reshape(-1, size)
    lowest = np.argmin(np.where(np.isnan(blocks), np.inf, blocks), axis=1)
    highest = np.argmax(np.where(np.isnan(blocks), -np.inf, blocks), axis=1)
    picked = np.sort(np.stack((lowest, highest), axis=1), axis=1)
    picked += size * np.arange(len(blocks))[:, None]
    kept = np.unique(np.minimum(picked.ravel(), len(values) - 1))
    return time_s[kept], values[kept]


def instructive_window(
    trace: pd.DataFrame,
    *,
    low_pct: float,
    high_pct: float,
    warmup_s: float,
    length_s: int = WINDOW_S,
) -> tuple[float, float]:
    """Find the stretch that shows both a fall and an overshoot, if there is one.

    Parameters
    ----------
    trace : pandas.DataFrame
        A 1 Hz trace.
    low_pct, high_pct : float
        Ends of the target range (%).
    warmup_s : float
        The window starts no earlier (s).
    length_s : int, optional
        Length of the window (s).

    Returns
    -------
    tuple of float
        Start and end (s): the window in which the product of the area under the
        target and the area over it, of displayed SpO2, is largest; without any
        overshoot, the one with the largest area under the target.
    """
    counted = trace[trace["time_s"] >= warmup_s]
    times = counted["time_s"].to_numpy(dtype=float)
    spo2 = counted["spo2_pct"].to_numpy(dtype=float)
    length = min(length_s, len(spo2))
    under = _sliding_sum(np.maximum(0.0, low_pct - spo2), length)
    over = _sliding_sum(np.maximum(0.0, spo2 - high_pct), length)
    score = under * over if np.any(under * over > 0) else under
    start = float(times[int(np.argmax(score))])
    return start, start + length


def _sliding_sum(values: FloatArray, length: int) -> FloatArray:
    total = np.concatenate(((0.0,), np.cumsum(np.nan_to_num(values))))
    return np.asarray(total[length:] - total[:-length])


@styled
def strip_chart(
    result: ComparisonResult, infant: int, window_s: tuple[float, float] | None = None
) -> Figure:
    """Draw one infant's run under every arm on one time axis.

    Parameters
    ----------
    result : ComparisonResult
        The comparison; it must hold traces of this infant.
    infant : int
        The infant's own number.
    window_s : tuple of float, optional
        Start and end of the stretch to draw (s); the whole run by default.

    Returns
    -------
    matplotlib.figure.Figure
        For each arm displayed SpO2 with true SaO2, beneath it the breathing
        events by kind, beneath these set FiO2.

    Raises
    ------
    TestbedError
        If the result holds no trace of this infant.
    """
    arms = [arm for arm in result.arms if (infant, arm) in result.traces]
    if not arms:
        result.trace(infant, result.baseline)
    strips = [_strip(result, infant, arm, window_s) for arm in arms]
    figure = Figure(figsize=(STRIP_WIDTH_IN, 0.9 + 2.7 * len(strips)))
    figure.set_layout_engine("constrained", h_pad=0.02, hspace=0.0)
    panels = figure.subplots(
        3 * len(strips), 1, sharex=True, height_ratios=(3.2, 2.2, 1.8) * len(strips)
    )
    lowest = _lowest_shown(strips)
    for place, strip in enumerate(strips):
        spo2, rows, fio2 = panels[3 * place : 3 * place + 3]
        _draw_saturation(spo2, result, strip, lowest)
        _draw_rows(rows, strip)
        _draw_fio2(fio2, result, strip, _highest_fio2_pct(strips))
        for axes in (spo2, rows, fio2):
            _shade_warmup(axes, _warmup_s(result), strip)
    _draw_time_axis(panels[-1], strips[0])
    figure.legend(
        handles=_legend(), loc="outside lower center", ncols=3, handlelength=1.8, columnspacing=1.4
    )
    return figure


def _strip(
    result: ComparisonResult, infant: int, arm: str, window_s: tuple[float, float] | None
) -> _Strip:
    trace, events = result.trace(infant, arm), result.events
    times = trace["time_s"].to_numpy(dtype=float)
    start, end = window_s or (float(times[0]), float(times[-1]) + 1.0)
    return _Strip(
        arm=arm,
        trace=trace[(times >= start) & (times < end)],
        events=events[(events["infant"] == infant) & (events["arm"] == arm)],
        start_s=start,
        end_s=end,
    )


def _warmup_s(result: ComparisonResult) -> float:
    return 3600.0 * float(result.scenario.run.warmup_h)


def _lowest_shown(strips: Sequence[_Strip]) -> float:
    lowest = min(
        float(np.nanmin(strip.trace[["spo2_pct", "sao2_pct"]].to_numpy(dtype=float)))
        for strip in strips
    )
    return max(0.0, min(80.0, 10.0 * math.floor(lowest / 10.0)))


def _highest_fio2_pct(strips: Sequence[_Strip]) -> float:
    highest = max(100 * float(strip.trace["set_fio2"].max()) for strip in strips)
    return min(102.0, max(40.0, 10.0 * math.ceil(highest / 10.0) + 2.0))


def _column(strip: _Strip, name: str) -> FloatArray:
    return strip.trace[name].to_numpy(dtype=float)


def _draw_saturation(axes: Axes, result: ComparisonResult, strip: _Strip, lowest: float) -> None:
    target = result.scenario.target
    times = _column(strip, "time_s")
    axes.axhspan(target.low_pct, target.high_pct, color=TARGET, linewidth=0, zorder=0)
    axes.plot(*thin_out(times, _column(strip, "sao2_pct")), color=_TRUE_COLOUR, linewidth=0.8)
    axes.plot(*thin_out(times, _column(strip, "spo2_pct")), color=INK, linewidth=0.9)
    for start, end in _runs(np.isnan(_column(strip, "spo2_pct"))):
        axes.axvspan(
            times[start], times[end - 1] + 1, facecolor="none", edgecolor=FAINT, hatch="xxxx",
            linewidth=0, zorder=0.5,
        )  # fmt: skip
    axes.set(ylim=(lowest, 101), ylabel="SpO2 (%)")
    axes.yaxis.set_major_locator(MultipleLocator(10 if lowest >= 60 else 20))
    axes.set_title(arm_label(strip.arm))
    axes.grid(axis="y")
    axes.tick_params(labelbottom=False, bottom=False)
    axes.spines["bottom"].set_visible(False)


def _draw_rows(axes: Axes, strip: _Strip) -> None:
    """Draw one thin row for each kind of breathing event, alarms, staff and lost signal."""
    kinds = strip.trace["apnoea"].to_numpy(dtype=np.int64)
    times = _column(strip, "time_s")
    rows = {
        name: [
            (float(times[start]), float(end - start)) for start, end in _runs(kinds == int(kind))
        ]
        for kind, name in _KINDS.items()
    } | {name: _spans(strip, event) for event, name in _AROUND.items()}
    lost = _runs(np.isnan(_column(strip, "spo2_pct")))
    rows["no signal"] = [(float(times[start]), float(end - start)) for start, end in lost]
    for row, (name, spans) in enumerate(rows.items()):
        bars = [(start, max(length, _hair(strip))) for start, length in spans]
        colour = FAINT if name in _AROUND.values() else INK
        axes.broken_barh(bars, (row - 0.36, 0.72), facecolor=colour, linewidth=0)
        axes.axhline(row + 0.5, color="#DDDDDD", linewidth=0.4)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_yticks(range(len(rows)), list(rows), fontsize=6.2)
    axes.tick_params(left=False, labelbottom=False, bottom=False, pad=1)
    for side in ("left", "bottom"):
        axes.spines[side].set_visible(False)


def _spans(strip: _Strip, event: str) -> list[tuple[float, float]]:
    """List start and length of each pair of start and end events that is in view."""
    spans = []
    for _, same in strip.events.groupby("detail"):
        starts = np.sort(same.loc[same["event"] == f"{event}_start", "time_s"].to_numpy(float))
        ends = np.sort(same.loc[same["event"] == f"{event}_end", "time_s"].to_numpy(float))
        # One that is still open at the end of the record lasts to the edge.
        ends = np.append(ends, strip.end_s)
        for start in starts:
            end = ends[np.searchsorted(ends, start, side="right")] if start < ends[-1] else start
            first, last = max(start, strip.start_s), min(end, strip.end_s)
            if last > first:
                spans.append((float(first), float(last - first)))
    return sorted(spans)


def _draw_fio2(axes: Axes, result: ComparisonResult, strip: _Strip, highest_pct: float) -> None:
    style = arm_styles(result.arms)[strip.arm]
    times, fio2 = thin_out(_column(strip, "time_s"), 100 * _column(strip, "set_fio2"))
    axes.plot(times, fio2, color=style.colour, linewidth=1.0, drawstyle="steps-post")
    axes.fill_between(times, 21, fio2, step="post", color=style.colour, alpha=0.15, linewidth=0)
    by_hand = strip.events[strip.events["event"] == "fio2_by_hand"]
    hand_times, hand_pct = by_hand["time_s"].to_numpy(float), 100 * by_hand["value"].to_numpy(float)
    axes.plot(hand_times, hand_pct, "o", color="white", markeredgecolor=INK, markeredgewidth=0.6,
              markersize=2.6)  # fmt: skip
    axes.set(ylim=(19, highest_pct), ylabel="FiO2 (%)")
    axes.yaxis.label.set_fontsize(8)
    axes.yaxis.set_major_locator(MaxNLocator(3, steps=[2, 2.5, 5, 10]))
    axes.grid(axis="y")
    axes.tick_params(labelbottom=False)


def _shade_warmup(axes: Axes, warmup_s: float, strip: _Strip) -> None:
    if strip.start_s < warmup_s:
        axes.axvspan(strip.start_s, min(warmup_s, strip.end_s), color=SHADE, linewidth=0, zorder=-1)


def _draw_time_axis(axes: Axes, strip: _Strip) -> None:
    span = strip.end_s - strip.start_s
    step = next((step for step in _NICE_STEPS_S if span / step <= 8), _NICE_STEPS_S[-1])
    axes.set_xlim(strip.start_s, strip.end_s)
    axes.xaxis.set_major_locator(MultipleLocator(step))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: clock(value)))
    axes.tick_params(labelbottom=True)
    axes.set_xlabel("time since the start (h:mm)")


def clock(time_s: float) -> str:
    """Write a time as hours and minutes.

    Parameters
    ----------
    time_s : float
        Time (s).

    Returns
    -------
    str
        Such as ``"3:05"``.
    """
    minutes = round(time_s / 60.0)
    return f"{minutes // 60}:{minutes % 60:02d}"


def _hair(strip: _Strip) -> float:
    """Give the shortest time that is still seen as a mark."""
    return (strip.end_s - strip.start_s) / 500.0


def _runs(condition: NDArray[np.bool_]) -> list[tuple[int, int]]:
    starts, ends = runs(condition)
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def _legend() -> list[Line2D | Patch]:
    return [
        Line2D([], [], color=INK, linewidth=1.2, label="displayed SpO2"),
        Line2D([], [], color=_TRUE_COLOUR, linewidth=0.8, label="true SaO2 (thin)"),
        Patch(facecolor=TARGET, label="target range"),
        Patch(facecolor="white", edgecolor=FAINT, hatch="xxxx", label="no signal", linewidth=0),
        Patch(facecolor=SHADE, label="warm-up, not counted"),
        Line2D(
            [],
            [],
            color="white",
            marker="o",
            markeredgecolor=INK,
            markeredgewidth=0.6,
            markersize=3.5,
            label="FiO2 set by hand",
        ),
    ]


__all__ = ["COLUMNS", "WINDOW_S", "clock", "instructive_window", "strip_chart", "thin_out"]
