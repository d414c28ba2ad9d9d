"""The figure of a lesson as it stands in the page for readers without JavaScript, and in print."""

from __future__ import annotations

from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .lesson_parts import Lesson, Variant
from .style import ABOVE, FAINT, INK, SHADE, TARGET, WIDTH_IN, arm_styles, styled

#: How a line looks, by its word; the script of the page draws the same.
LOOKS: dict[str, dict[str, Any]] = {
    "main": {"color": arm_styles("abc")["c"].colour, "linestyle": "-", "linewidth": 1.8},
    "true": {"color": INK, "linestyle": (0, (1.2, 1.6)), "linewidth": 1.2},
    "other": {"color": ABOVE, "linestyle": (0, (5, 2)), "linewidth": 1.4},
    "limit": {"color": FAINT, "linestyle": (0, (6, 2)), "linewidth": 1.0},
}


@styled
def lesson_figure(lesson: Lesson, key: str) -> Figure:
    """Draw one variant of a lesson.

    Parameters
    ----------
    lesson : Lesson
        The lesson.
    key : str
        Which variant.

    Returns
    -------
    matplotlib.figure.Figure
    """
    shares = [panel.share for panel in lesson.panels]
    figure = Figure(figsize=(WIDTH_IN, 1.0 + 1.5 * sum(shares)))
    axes = figure.subplots(
        len(shares), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": shares}
    )[:, 0]
    for place, axis in enumerate(axes):
        _draw_panel(axis, lesson, lesson.variants[key], place)
    axes[-1].set_xlabel(lesson.x_title)
    axes[-1].set_xticks(lesson.x_ticks)
    axes[-1].set_xlim(lesson.x[0], max(lesson.x[-1], lesson.x_ticks[-1]))
    return figure


def _draw_panel(axis: Axes, lesson: Lesson, variant: Variant, place: int) -> None:
    panel = lesson.panels[place]
    if panel.band is not None:
        axis.axhspan(*panel.band, color=TARGET, linewidth=0)
    for mark in variant.marks:
        axis.axvspan(mark.start, mark.end, color=SHADE, linewidth=0, zorder=0)
        if place == 0:
            room = panel.low + 0.03 * (panel.high - panel.low)
            axis.text(mark.start, room, f" {mark.label}", fontsize=8)
    for line in variant.lines:
        if line.panel == place:
            values = [float("nan") if value is None else value for value in line.values]
            axis.plot(lesson.x, values, label=line.label, **LOOKS[line.look])
    axis.set_title(panel.title)
    axis.set_ylim(panel.low, panel.high)
    axis.set_yticks(panel.ticks)
    if sum(line.panel == place for line in variant.lines) > 1:
        axis.legend(loc="lower right", ncols=2)


__all__ = ["LOOKS", "lesson_figure"]
