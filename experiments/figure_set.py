"""All figures of one comparison, with the words that go with them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from matplotlib.figure import Figure

from ..loop.oracle import ORACLE
from .figures import infant_by_infant, paired_differences, spo2_distribution, time_in_range
from .ranking_figures import TRAVEL, cost_figure, ranking_figure
from .readable import BOUND_WORDS, IN_TARGET, arm_label, rivals
from .result import ComparisonResult
from .strip_chart import WINDOW_S, clock, instructive_window, strip_chart
from .style import svg_document
from .time_aligned_figures import aligned_courses


@dataclass(frozen=True, kw_only=True)
class FigureEntry:
    """One figure of a report.

    Attributes
    ----------
    name : str
        File name without its ending; unique in a report.
    section : str
        Part of the report in which it stands: "range", "distribution",
        "ranking", "aligned", "paired", "infants" or "strips".
    caption : str
        What it shows and how to read it.
    figure : matplotlib.figure.Figure
        The figure.
    """

    name: str
    section: str
    caption: str
    figure: Figure


def figure_set(result: ComparisonResult) -> list[FigureEntry]:
    """Draw every figure that the result has numbers for.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.

    Returns
    -------
    list of FigureEntry
        In the order of the report.
    """
    entries = [*_group_figures(result), *_infant_figures(result)]
    if ORACLE not in result.finished_arms:
        return entries
    bound = f" {arm_label(ORACLE).capitalize()}: {BOUND_WORDS}."
    return [
        replace(entry, caption=entry.caption + bound) if _shows_bound(result, entry) else entry
        for entry in entries
    ]


def _shows_bound(result: ComparisonResult, entry: FigureEntry) -> bool:
    """Tell whether the offline optimum is drawn: not among places, nor where it has no trace."""
    if entry.section == "strips":
        return any(
            entry.name.endswith(f"_{infant}") for infant, arm in result.traces if arm == ORACLE
        )
    return entry.section not in ("ranking", "aligned")


def write_figures(
    result: ComparisonResult, folder: Path, entries: Sequence[FigureEntry] | None = None
) -> list[Path]:
    """Write every figure as an SVG file.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.
    folder : path
        Folder to write into; made if it is not there.
    entries : sequence of FigureEntry, optional
        Figures that are already drawn; drawn here by default.

    Returns
    -------
    list of path
        The files, in the order of the report.
    """
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for entry in figure_set(result) if entries is None else entries:
        path = folder / f"{entry.name}.svg"
        path.write_text(svg_document(entry.figure), encoding="utf-8", newline="\n")
        files.append(path)
    return files


def _group_figures(result: ComparisonResult) -> Iterator[FigureEntry]:
    if not result.finished_arms or IN_TARGET not in result.outcomes.columns:
        return
    yield FigureEntry(
        name="time_in_range",
        section="range",
        caption="Share of the time on oxygen below, in and above the target. Left: mean over "
        "infants (means, because only these add up to 100 %); thick bar displayed SpO2, thin bar "
        "true SaO2. Right: a grey dot is one infant, the ring the median, the bar the quartiles.",
        figure=time_in_range(result),
    )
    yield FigureEntry(
        name="spo2_distribution",
        section="distribution",
        caption="How long each arm spent at each displayed SpO2 while on oxygen, all infants "
        "together. Below: the share of time at or under each value, on a logarithmic scale, which "
        "shows the rare deep falls.",
        figure=spo2_distribution(result),
    )
    if not len(result.paired):
        return
    yield from _side_by_side(result)
    yield FigureEntry(
        name="paired_differences",
        section="paired",
        caption=f"Each arm minus {result.baseline} in the same infants. Filled mark and bar: mean "
        "difference and its interval; open diamond: median difference. A bar that crosses the "
        "dashed line leaves it undecided which arm is better.",
        figure=paired_differences(result),
    )
    yield FigureEntry(
        name="infant_by_infant",
        section="infants",
        caption=f"Time in target of each infant: across, under {result.baseline}; upwards, under "
        "the arm named above the panel. Blue dots lie on or above the dashed line (as good or "
        "better), open squares below it (worse).",
        figure=infant_by_infant(result),
    )


def _side_by_side(result: ComparisonResult) -> Iterator[FigureEntry]:
    """Draw the arms' places and costs, and where in time they differ."""
    ranking, arms = result.ranking, result.arms
    if len(ranking) and ranking["arm"].nunique() > 1:
        yield FigureEntry(
            name="ranking",
            section="ranking",
            caption="Mean of each key outcome by arm, best on top; the bar is the interval of the "
            "mean. FiO2 travel is what the rest costs: how far the set FiO2 moves in an hour.",
            figure=ranking_figure(ranking, arms),
        )
    if {IN_TARGET, TRAVEL} <= set(ranking["outcome"] if len(ranking) else ()):
        yield FigureEntry(
            name="cost_in_fio2_travel",
            section="ranking",
            caption="What an arm achieves against how much it moves the oxygen; bars are the "
            "intervals of the means. Up is better, left is calmer.",
            figure=cost_figure(ranking, arms),
        )
    if len(result.courses):
        target = result.scenario.target
        yield FigureEntry(
            name="aligned_after_apnoea",
            section="aligned",
            caption="Mean course from 60 s before to 300 s after the start of apnoeas of 10 s or "
            "more that begin at the same second in every arm: mean over the apnoeas of an infant, "
            "then over infants and nursing groups. The target is shaded; the band is the 95 % "
            "interval of the mean difference over nursing groups, second by second.",
            figure=aligned_courses(
                result.courses, tuple(rivals(result)), result.baseline, target.low_pct,
                target.high_pct,
            ),
        )  # fmt: skip


def _infant_figures(result: ComparisonResult) -> Iterator[FigureEntry]:
    for infant in result.trace_infants:
        yield FigureEntry(
            name=f"strip_infant_{infant}",
            section="strips",
            caption=f"Infant {infant}, the whole run, arm above arm on one time axis. The same "
            "candidate disturbances meet the infant in every arm; which of the extra ones happen "
            "depends on how hypoxic the infant is.",
            figure=strip_chart(result, infant),
        )
        start, end = _window(result, infant)
        yield FigureEntry(
            name=f"zoom_infant_{infant}",
            section="strips",
            caption=f"Infant {infant} enlarged, {clock(start)} to {clock(end)}: the "
            f"{WINDOW_S // 60} minutes in which falls and overshoot under {_lead(result, infant)} "
            "were largest together.",
            figure=strip_chart(result, infant, (start, end)),
        )


def _lead(result: ComparisonResult, infant: int) -> str:
    """Name the arm by which the enlarged window is chosen."""
    if (infant, result.baseline) in result.traces:
        return result.baseline
    return next(arm for arm in result.arms if (infant, arm) in result.traces)


def _window(result: ComparisonResult, infant: int) -> tuple[float, float]:
    target = result.scenario.target
    return instructive_window(
        result.trace(infant, _lead(result, infant)),
        low_pct=target.low_pct,
        high_pct=target.high_pct,
        warmup_s=3600.0 * result.scenario.run.warmup_h,
    )


__all__ = ["FigureEntry", "figure_set", "write_figures"]
