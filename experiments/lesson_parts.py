"""What a lesson is made of: controls, panels, and one precomputed variant for each choice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..loop.outcomes import OUTCOMES, outcomes_of
from ..loop.trace import Trace
from ..models.errors import problem
from .lesson_runs import HIGH_PCT, LOW_PCT

#: Every so many seconds a sample of a run is kept for the page.
STRIDE_S = 2

Values = tuple[float | None, ...]


@dataclass(frozen=True, kw_only=True)
class Option:
    """One position of a control.

    Attributes
    ----------
    value : str
        Short and without "|"; part of a variant's key.
    label : str
        For people.
    """

    value: str
    label: str


@dataclass(frozen=True, kw_only=True)
class Control:
    """Something that the reader of a lesson can change.

    Attributes
    ----------
    name : str
        Short name.
    legend : str
        What it changes.
    options : tuple of Option
        Its positions.
    start : int
        Place of the one to begin with.
    slider : bool
        Whether the positions lie in an order along a slider.
    """

    name: str
    legend: str
    options: tuple[Option, ...]
    start: int = 0
    slider: bool = False


@dataclass(frozen=True, kw_only=True)
class Panel:
    """One panel of a lesson's chart.

    Attributes
    ----------
    title : str
        With the unit.
    low, high : float
        Ends of its axis.
    ticks : tuple of float
        Where lines and numbers stand.
    band : tuple of float or None
        Ends of a shaded range, such as the target.
    share : float
        Height beside the other panels.
    """

    title: str
    low: float
    high: float
    ticks: tuple[float, ...]
    band: tuple[float, float] | None = None
    share: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line in a panel.

    Attributes
    ----------
    panel : int
        Place of its panel.
    label : str
        For the legend.
    look : {'main', 'true', 'other', 'limit'}
        How it is drawn; the same words mean the same in every lesson.
    values : tuple of float or None
        One for each x of the lesson; None leaves a gap.
    """

    panel: int
    label: str
    look: str
    values: Values


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A time, or a range of x, that is shaded and named.

    Attributes
    ----------
    start, end : float
        Ends, in the unit of x.
    label : str
        What it is.
    """

    start: float
    end: float
    label: str


@dataclass(frozen=True, kw_only=True)
class Variant:
    """What one choice of all controls leads to.

    Attributes
    ----------
    lines : tuple of Line
        What is drawn.
    facts : mapping of str to str
        Numbers to read, by what they are; the same names in all variants.
    says : str
        What there is to see, in a sentence.
    marks : tuple of Mark
        What happens when.
    """

    lines: tuple[Line, ...]
    facts: Mapping[str, str]
    says: str
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Lesson:
    """One lesson, ready to be written.

    Attributes
    ----------
    name : str
        File name without its ending.
    title : str
        Title.
    gist : str
        One sentence for the list of lessons.
    lead : tuple of str
        Paragraphs before the chart.
    task : str
        What to try.
    controls : tuple of Control
        What can be changed.
    x_title : str
        Title of the horizontal axis, with unit.
    x : tuple of float
        Positions of all values.
    x_ticks : tuple of float
        Where numbers stand.
    panels : tuple of Panel
        From top to bottom.
    variants : mapping of str to Variant
        By the values of all controls, joined by "|".
    question, answer : str and tuple of str
        What to ask a class, and paragraphs of the answer.
    made : str
        How the runs were made, in a sentence or two.
    """

    name: str
    title: str
    gist: str
    lead: tuple[str, ...]
    task: str
    controls: tuple[Control, ...]
    x_title: str
    x: tuple[float, ...]
    x_ticks: tuple[float, ...]
    panels: tuple[Panel, ...]
    variants: Mapping[str, Variant]
    question: str
    answer: tuple[str, ...]
    made: str

    def __post_init__(self) -> None:
        wanted = keys_of(self.controls)
        if list(self.variants) != wanted:
            raise problem(f"Lesson {self.name}: variants", f"{wanted}", list(self.variants))
        for key, variant in self.variants.items():
            for line in variant.lines:
                if len(line.values) != len(self.x):
                    expected = f"{len(self.x)} values"
                    raise problem(f"Lesson {self.name}: {key}", expected, len(line.values))

    @property
    def start(self) -> str:
        """Key of the variant to begin with."""
        return "|".join(control.options[control.start].value for control in self.controls)


def keys_of(controls: Sequence[Control]) -> list[str]:
    """List the keys of all variants.

    Parameters
    ----------
    controls : sequence of Control
        The first changes slowest.

    Returns
    -------
    list of str
    """
    keys = [""]
    for control in controls:
        keys = [f"{key}|{option.value}" for key in keys for option in control.options]
    return [key[1:] for key in keys]


def rounded(values: NDArray[np.floating[Any]], decimals: int = 1) -> Values:
    """Make numbers short enough for a page.

    Parameters
    ----------
    values : ndarray
        Numbers; NaN becomes None.
    decimals : int
        Decimals that are kept.

    Returns
    -------
    tuple of float or None
    """
    return tuple(None if np.isnan(value) else round(float(value), decimals) for value in values)


def positions(values: NDArray[np.floating[Any]]) -> tuple[float, ...]:
    """Give positions along the horizontal axis.

    Parameters
    ----------
    values : ndarray
        Positions.

    Returns
    -------
    tuple of float
    """
    return tuple(round(float(value), 3) for value in values)


def minutes_of(duration_s: int) -> tuple[float, ...]:
    """Give the times, in minutes, of what is kept of a run.

    Parameters
    ----------
    duration_s : int
        Length of the run (s).

    Returns
    -------
    tuple of float
    """
    return positions(np.arange(0, duration_s, STRIDE_S) / 60.0)


def course_lines(trace: Trace, *, truth: bool = True) -> tuple[Line, ...]:
    """Draw a run: saturation in the first panel, FiO2 in the second.

    Parameters
    ----------
    trace : Trace
        One lane.
    truth : bool
        Draw the true saturation too.

    Returns
    -------
    tuple of Line
    """
    thin = slice(None, None, STRIDE_S)
    true = Line(panel=0, label="true SaO2", look="true", values=rounded(trace.sao2_pct[thin], 1))
    shown = Line(
        panel=0, label="displayed SpO2", look="main", values=rounded(trace.spo2_pct[thin], 0)
    )
    fio2 = Line(
        panel=1, label="set FiO2", look="main", values=rounded(100 * trace.set_fio2[thin], 0)
    )
    return ((true,) if truth else ()) + (shown, fio2)


def course_panels(
    low_pct: float, fio2_low: float, fio2_high: float, step: float
) -> tuple[Panel, ...]:
    """Describe the two panels of a run.

    Parameters
    ----------
    low_pct : float
        Lowest saturation that is drawn (percent).
    fio2_low, fio2_high, step : float
        Ends and steps of the FiO2 axis (percent).

    Returns
    -------
    tuple of Panel
    """
    spacing = 10.0 if low_pct < 80 else 5.0 if low_pct < 90 else 2.0
    ticks = tuple(float(v) for v in np.arange(low_pct, 100.1, spacing))
    levels = tuple(float(v) for v in np.arange(fio2_low, fio2_high + 0.1, step))
    return (
        Panel(
            title="Saturation (%)", low=low_pct, high=100.0, ticks=ticks,
            band=(LOW_PCT, HIGH_PCT), share=1.5,
        ),
        Panel(title="FiO2 (%)", low=fio2_low, high=fio2_high, ticks=levels),
    )  # fmt: skip


def outcome_facts(trace: Trace, names: Sequence[str]) -> dict[str, str]:
    """Give outcomes of a run in words and numbers.

    Parameters
    ----------
    trace : Trace
        One lane.
    names : sequence of str
        Of `OUTCOMES`.

    Returns
    -------
    dict of str to str
        Value and unit by label.
    """
    values = outcomes_of(trace, LOW_PCT, HIGH_PCT)
    facts = {}
    for name in names:
        outcome = OUTCOMES[name]
        label = outcome.label.replace(", convention (b)", "")
        value = values[name]
        text = "not defined" if np.isnan(value) else f"{value:.{outcome.decimals}f} {outcome.unit}"
        facts[label] = text
    return facts


__all__ = [
    "STRIDE_S",
    "Control",
    "Lesson",
    "Line",
    "Mark",
    "Option",
    "Panel",
    "Variant",
    "course_lines",
    "course_panels",
    "keys_of",
    "minutes_of",
    "outcome_facts",
    "positions",
    "rounded",
]
