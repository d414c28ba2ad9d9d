"""Figures of a trial of responses: steps, their spread over infants, sensitivity, plants."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..models.infants import FloatArray
from .response_parts import HIGH_PCT, LOW_PCT
from .response_trial import ResponseResult, stimuli
from .style import FAINT, INK, SHADE, TARGET, WIDTH_IN, ArmStyle, arm_styles, styled

#: How the stimuli are called above a panel.
TITLES = {
    "target": "Target steps",
    "need": "Need for oxygen steps",
    "shunt": "Shunt steps",
}

_BEFORE_S = 120


def title_of(result: ResponseResult, stimulus: str) -> str:
    """Name a stimulus with its size.

    Parameters
    ----------
    result : ResponseResult
        What was found.
    stimulus : str
        target, need or shunt.

    Returns
    -------
    str
    """
    settings = result.settings
    size = {
        "target": f"by {settings.target_step_pct:+g} points",
        "need": f"by {100 * settings.need_step_fio2:+g} FiO2 points",
        "shunt": f"to {settings.shunt_factor:g} times",
    }
    return f"{TITLES[stimulus]} {size[stimulus]}"


@styled
def nominal_steps(result: ResponseResult) -> Figure:
    """Draw the steps of the nominal infant, all controllers together.

    Parameters
    ----------
    result : ResponseResult
        What was found.

    Returns
    -------
    matplotlib.figure.Figure
        A row for each stimulus: saturation left, FiO2 right.
    """
    names = list(stimuli(result.settings))
    figure = Figure(figsize=(WIDTH_IN, 1.9 * len(names) + 0.5))
    panels = figure.subplots(len(names), 2, squeeze=False, sharex=True)
    styles = arm_styles(result.controllers)
    lane = result.plants["infant"].tolist().index(result.nominal)
    for row, stimulus in zip(panels, names, strict=True):
        for name in result.controllers:
            trace = result.traces[name, stimulus]
            _line(row[0], result, trace.measured_pct[:, lane], styles[name], name)
            _line(row[1], result, 100.0 * trace.fio2[:, lane], styles[name], name)
        _target(row[0], result, result.traces[result.controllers[0], stimulus].target_pct)
        row[0].set(ylabel="SpO2 (%)")
        row[1].set(ylabel="FiO2 (%)")
        row[0].set_title(title_of(result, stimulus))
    for axes in panels[-1]:
        axes.set_xlabel("minutes after the step")
    handles, labels = panels[0, 1].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower left", ncols=4)
    return figure


def _minutes(result: ResponseResult) -> FloatArray:
    at_s = result.settings.step_at_s
    first = max(at_s - _BEFORE_S, 0)
    return (np.arange(first, at_s + result.settings.after_s) - at_s) / 60.0


def _shown(result: ResponseResult, course: FloatArray) -> FloatArray:
    return course[max(result.settings.step_at_s - _BEFORE_S, 0) :]


def _line(
    axes: Axes, result: ResponseResult, course: FloatArray, style: ArmStyle, label: str
) -> None:
    axes.plot(
        _minutes(result),
        _shown(result, course),
        color=style.colour,
        linestyle=style.dash,
        label=label,
    )
    axes.grid(axis="y")


def _target(axes: Axes, result: ResponseResult, middle: FloatArray) -> None:
    target = result.scenario.target
    half = 0.5 * (target.high_pct - target.low_pct)
    minutes, shown = _minutes(result), _shown(result, middle)
    axes.fill_between(minutes, shown - half, shown + half, color=TARGET, step="post", linewidth=0)


@styled
def cohort_fan(result: ResponseResult) -> Figure:
    """Draw the spread of the saturation over infants after each step.

    Parameters
    ----------
    result : ResponseResult
        What was found.

    Returns
    -------
    matplotlib.figure.Figure
        A row for each controller, a column for each stimulus: median line,
        quartiles dark, 5 to 95 % light.
    """
    names = list(stimuli(result.settings))
    rows = len(result.controllers)
    figure = Figure(figsize=(WIDTH_IN, 1.75 * rows + 0.5))
    panels = figure.subplots(rows, len(names), squeeze=False, sharex=True, sharey="col")
    for name, row in zip(result.controllers, panels, strict=True):
        for axes, stimulus in zip(row, names, strict=True):
            trace = result.traces[name, stimulus]
            shown = _shown(result, trace.measured_pct)
            p5, q1, middle, q3, p95 = np.quantile(shown, (0.05, 0.25, 0.5, 0.75, 0.95), axis=1)
            minutes = _minutes(result)
            axes.fill_between(minutes, p5, p95, color=SHADE, linewidth=0)
            axes.fill_between(minutes, q1, q3, color=FAINT, linewidth=0)
            axes.plot(minutes, middle, color=INK)
            axes.plot(minutes, _shown(result, trace.target_pct), color="#D55E00", linewidth=0.8)
            axes.set_title(f"{name}: {stimulus}", fontsize=8.5)
        row[0].set_ylabel("SpO2 (%)")
    for axes in panels[-1]:
        axes.set_xlabel("minutes")
    return figure


@styled
def sensitivity_and_nyquist(result: ResponseResult) -> Figure:
    """Draw the linear loops of the nominal infant.

    Parameters
    ----------
    result : ResponseResult
        What was found; with at least one linear loop.

    Returns
    -------
    matplotlib.figure.Figure
        Left the sensitivity by the period of a disturbance, right the Nyquist
        plot with the point -1.
    """
    figure = Figure(figsize=(WIDTH_IN, 3.3))
    sensitivity, nyquist = figure.subplots(1, 2)
    styles = arm_styles(result.loops)
    for name, loop in result.loops.items():
        style = styles[name]
        line = {"color": style.colour, "linestyle": style.dash, "label": name}
        sensitivity.plot(2.0 * np.pi / result.omega, np.abs(1.0 / (1.0 + loop)), **line)
        nyquist.plot(loop.real, loop.imag, **line)
    sensitivity.axhline(1.0, color=INK, linewidth=0.7)
    sensitivity.set(xscale="log", yscale="log", ylim=(0.03, 10), xlim=(10, 6000))
    sensitivity.set_xticks((10, 100, 1000), ("10", "100", "1000"))
    sensitivity.set_yticks((0.1, 1, 10), ("0.1", "1", "10"))
    sensitivity.minorticks_off()
    sensitivity.set(xlabel="period of a disturbance (s)", ylabel="part that is left, times")
    sensitivity.set_title("Sensitivity")
    sensitivity.grid()
    nyquist.plot(-1.0, 0.0, "x", color=INK, markersize=7, markeredgewidth=1.6)
    nyquist.set(xlim=(-2, 1), ylim=(-2, 1), aspect="equal", xlabel="real", ylabel="imaginary")
    nyquist.set_title("Nyquist plot; the cross is -1")
    nyquist.grid()
    handles, labels = sensitivity.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower left", ncols=2)
    return figure


@styled
def plant_gains(result: ResponseResult) -> Figure:
    """Draw each infant's own gain at a low and at a high saturation.

    Parameters
    ----------
    result : ResponseResult
        What was found.

    Returns
    -------
    matplotlib.figure.Figure
        Dots on lines of equal ratio.
    """
    figure = Figure(figsize=(WIDTH_IN, 3.4))
    axes = figure.subplots()
    table = result.plants.dropna(subset=["gain_at_88", "gain_at_95"])
    high, low = table["gain_at_95"].to_numpy(), table["gain_at_88"].to_numpy()
    most = 1.1 * float(max(low.max(initial=0.5), high.max(initial=0.5)))
    for ratio, part in ((1.0, 0.86), (2.0, 0.86), (3.03, 0.97)):
        axes.plot((0, most), (0, ratio * most), color=FAINT, linewidth=0.8)
        end = min(most, most / ratio)
        axes.annotate(f"{ratio:g} : 1", (part * end, part * ratio * end), fontsize=7.5, color=INK)
    axes.plot(high, low, "o", color="#0072B2", markersize=4.5)
    axes.set(xlim=(0, most), ylim=(0, most), aspect="equal")
    axes.set(xlabel=f"points per FiO2 point at {HIGH_PCT:g} %", ylabel=f"at {LOW_PCT:g} %")
    axes.set_title("Each infant's own gain")
    return figure


__all__ = ["cohort_fan", "nominal_steps", "plant_gains", "sensitivity_and_nyquist", "title_of"]
