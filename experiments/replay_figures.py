"""Figures of a replayed recording."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from .replay import RECORDED, ReplayResult
from .replay_predict import HORIZONS_S, METHODS
from .replay_whatif import interval
from .strip_chart import thin_out
from .style import FAINT, INK, STRIP_WIDTH_IN, TARGET, WIDTH_IN, arm_styles, styled

FloatArray = NDArray[np.float64]

_BAND = 0.22  # opacity of an interval


def _hours(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    time, kept = thin_out(np.arange(len(values), dtype=np.float64), values)
    return time / 3600.0, kept


def _fill(axes: Axes, low: FloatArray, high: FloatArray, colour: str) -> None:
    """Shade an interval; one sample in each column of the chart."""
    step = max(1, len(low) // 700)
    time = np.arange(0, len(low), step) / 3600.0
    axes.fill_between(time, low[::step], high[::step], color=colour, alpha=_BAND, linewidth=0)


def _frame(axes: Axes, result: ReplayResult, label: str) -> None:
    axes.set_ylabel(label)
    axes.set_xlim(0, len(result.recording) / 3600.0)


@styled
def fitted_course(result: ReplayResult) -> Figure:
    """Draw the recording, the fitted saturation and the disturbance that explains it.

    Parameters
    ----------
    result : ReplayResult
        What the recording told.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = Figure(figsize=(STRIP_WIDTH_IN, 5.0))
    top, middle, bottom = figure.subplots(3, 1, sharex=True, height_ratios=(3, 1.5, 1.8))
    recording, recovered = result.recording, result.recovered
    settings = result.settings
    top.axhspan(settings.target_low_pct, settings.target_high_pct, color=TARGET, linewidth=0)
    known = np.flatnonzero(np.isfinite(recording.spo2_pct))
    time, kept = thin_out(known.astype(np.float64), recording.spo2_pct[known])
    top.plot(time / 3600.0, kept, ".", color=FAINT, markersize=2, label="recorded SpO2")
    low, centre, high = interval(recovered.widened(recovered.fitted_pct))
    _fill(top, low, high, "#0072B2")
    top.plot(*_hours(centre), color="#0072B2", linewidth=1.0, label="fitted SaO2, 90 % interval")
    top.legend(loc="lower left", ncols=2)
    _frame(top, result, "saturation (%)")
    middle.plot(*_hours(100.0 * recording.fio2), color=INK, linewidth=1.0)
    _frame(middle, result, "FiO2 (%)")
    low, centre, high = interval(recovered.knots)
    low, centre, high = (np.repeat(values, 10) for values in (low, centre, high))
    _fill(bottom, low, high, "#D55E00")
    bottom.plot(*_hours(centre), color="#D55E00", linewidth=1.0)
    _frame(bottom, result, "disturbance (no unit)")
    bottom.set_xlabel("time (h)")
    return figure


@styled
def prediction_skill(result: ReplayResult) -> Figure:
    """Draw the error of predictions beside persistence, by horizon.

    Parameters
    ----------
    result : ReplayResult
        What the recording told; with predictions.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = Figure(figsize=(WIDTH_IN, 2.8))
    axes = figure.subplots()
    styles = arm_styles(METHODS)
    for name, words in METHODS.items():
        table = result.skill[result.skill["method"] == name]
        style = styles[name]
        axes.plot(
            table["horizon_s"] / 60.0,
            table["rms_pct"],
            color=style.colour,
            linestyle=style.dash,
            marker=style.marker,
            label=words,
        )
    axes.set_xticks([horizon / 60.0 for horizon in HORIZONS_S])
    axes.set_xlabel("predicted ahead (min)")
    axes.set_ylabel("RMS error (points)")
    axes.set_ylim(bottom=0)
    axes.legend()
    return figure


@styled
def what_if_strip(result: ReplayResult) -> Figure:
    """Draw each controller on the fitted infants, with what was recorded.

    Parameters
    ----------
    result : ReplayResult
        What the recording told; with a what-if.

    Returns
    -------
    matplotlib.figure.Figure
    """
    count = len(result.what_if)
    figure = Figure(figsize=(STRIP_WIDTH_IN, 1.0 + 3.2 * count))
    rows = figure.subplots(2 * count, 1, sharex=True, height_ratios=(2, 1) * count)
    styles = arm_styles([RECORDED, *(item.name for item in result.what_if)])
    before = np.median(result.recovered.widened(result.recovered.fitted_pct), axis=1)
    settings = result.settings
    for place, item in enumerate(result.what_if):
        top, below = rows[2 * place], rows[2 * place + 1]
        colour = styles[item.name].colour
        top.axhspan(settings.target_low_pct, settings.target_high_pct, color=TARGET, linewidth=0)
        top.plot(*_hours(before), color=FAINT, linewidth=0.8, label="as recorded (fitted)")
        _fill(top, item.sao2[0], item.sao2[2], colour)
        top.plot(*_hours(item.sao2[1]), color=colour, linewidth=1.0, label=item.name)
        top.set_title(item.name)
        top.legend(loc="lower left", ncols=2)
        _frame(top, result, "SaO2 (%)")
        below.plot(*_hours(100.0 * result.recording.fio2), color=FAINT, linewidth=0.8)
        _fill(below, 100.0 * item.set_fio2[0], 100.0 * item.set_fio2[2], colour)
        below.plot(*_hours(100.0 * item.set_fio2[1]), color=colour, linewidth=1.0)
        _frame(below, result, "FiO2 (%)")
    rows[-1].set_xlabel("time (h)")
    return figure


@styled
def open_loop(result: ReplayResult) -> Figure:
    """Draw what each controller would have ordered beside what was set.

    Parameters
    ----------
    result : ReplayResult
        What the recording told; with orders.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = Figure(figsize=(STRIP_WIDTH_IN, 3.0))
    axes = figure.subplots()
    names = [item.name for item in result.orders]
    styles = arm_styles([RECORDED, *names])
    axes.plot(
        *_hours(100.0 * result.recording.fio2),
        color=styles[RECORDED].colour,
        linewidth=1.2,
        label="recorded",
    )
    for item in result.orders:
        style = styles[item.name]
        axes.plot(
            *_hours(100.0 * item.fio2),
            color=style.colour,
            linestyle=style.dash,
            linewidth=0.9,
            label=f"{item.name}, would order",
        )
    _frame(axes, result, "FiO2 (%)")
    axes.set_xlabel("time (h)")
    axes.legend(ncols=2)
    return figure


__all__ = ["fitted_course", "open_loop", "prediction_skill", "what_if_strip"]
