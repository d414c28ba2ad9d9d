"""The report of a comparison: one HTML file that opens offline, prints well and hides nothing.

The page is a rendering of a `ComparisonResult`; every number in it, and every
sentence of its answer, is computed from that result.
"""

from __future__ import annotations

from collections.abc import Sequence

from ..loop.oracle import ORACLE
from . import report_tables as tables
from .comparison_methods import comparison_methods
from .figure_set import FigureEntry, figure_set
from .page import CAUTION, Page, Picture, Section, render_page
from .ranking_figures import ranking_table
from .readable import BOUND_WORDS, arm_label
from .report_text import answer, interval_level, points
from .result import ComparisonResult

_PAIRING = (
    "Every infant meets the same candidate disturbances, sensor noise and faults in every arm, so "
    "arms are compared within infants. Infants that share staff are not independent; the intervals "
    "resample whole nursing groups."
)


def render_report(result: ComparisonResult, entries: Sequence[FigureEntry] | None = None) -> str:
    """Render the report of a comparison.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.
    entries : sequence of FigureEntry, optional
        Figures that are already drawn; drawn here by default.

    Returns
    -------
    str
        A whole HTML page with its figures and styles inside; needs no network.
    """
    return render_page(report_page(result, entries))


def report_page(result: ComparisonResult, entries: Sequence[FigureEntry] | None = None) -> Page:
    """Put together the report of a comparison: figures, then tables, then methods.

    Parameters
    ----------
    result : ComparisonResult
        The comparison.
    entries : sequence of FigureEntry, optional
        Figures that are already drawn; drawn here by default.

    Returns
    -------
    Page
    """
    drawn = figure_set(result) if entries is None else entries
    sections = [*_figure_sections(result, drawn), *_table_sections(result)]
    return Page(
        kind="Comparison of oxygen control on virtual infants",
        title=result.scenario.title,
        facts=_facts(result),
        answer=answer(result),
        points=points(result),
        failures=tables.failure_rows(result),
        sections=sections,
        methods=comparison_methods(result),
    )


def _facts(result: ComparisonResult) -> str:
    run, target, infants = result.scenario.run, result.scenario.target, len(result.cohort)
    return (
        f"{infants} virtual infant{'' if infants == 1 else 's'} · {run.duration_h:g} h each, first "
        f"{run.warmup_h:g} h not counted · target {target.low_pct:g}–{target.high_pct:g} % "  # noqa: RUF001
        f"· arms: {', '.join(map(arm_label, result.arms))}"
    )


def _figure_sections(result: ComparisonResult, drawn: Sequence[FigureEntry]) -> list[Section]:
    def pictures(section: str) -> list[Picture]:
        return [
            Picture(name=entry.name, caption=entry.caption, figure=entry.figure)
            for entry in drawn
            if entry.section == section
        ]

    alone = "There is no second arm to compare with."
    kept = "This scenario kept no traces. Name infants under report.trace_infants to see theirs."
    strips = pictures("strips")
    asked = Section(name="asked", title="What was asked", lead=(result.scenario.question,))
    wanted = (
        ("range", "Time in range", ()),
        ("distribution", "Distribution of displayed SpO2", ()),
        ("ranking", "Arms side by side", ()),
        ("aligned", "After an apnoea", ()),
        ("paired", "Paired differences", (_PAIRING if len(result.paired) else alone,)),
        ("infants", "Infant by infant", ()),
    )
    found = [
        Section(name=name, title=title, lead=lead, figures=pictures(name))
        for name, title, lead in wanted
        if lead or pictures(name)
    ]
    if len(result.worst):
        found.append(
            Section(name="worst", title="Who fared worst", tables=(tables.worst_table(result),))
        )
    last = Section(
        name="strips", title="Strip charts", lead=() if strips else (kept,), figures=strips
    )
    return [asked, *found, last]


def _table_sections(result: ComparisonResult) -> list[Section]:
    left_out = tables.left_out(result)
    notes: tuple[str, ...] = ()
    if left_out:
        notes = (
            "Infants left out of percentages of time on oxygen, for want of an hour of readings on "
            f"oxygen: {'; '.join(left_out)}.",
        )
    if ORACLE in result.finished_arms:
        notes += (f"{arm_label(ORACLE).capitalize()}: {BOUND_WORDS}. It takes no place.",)
    compared = [tables.difference_table(result)] if len(result.paired) else []
    if len(result.ranking):
        compared.append(ranking_table(result.ranking, interval_level(result)))
    return [
        Section(
            name="main-table", title="Outcomes", tables=(tables.main_table(result),), notes=notes
        ),
        Section(name="differences", title="Differences and places", tables=compared),
        Section(name="cohort", title="The infants", tables=(tables.cohort_table(result),)),
        Section(
            name="others", title="All other outcomes", tables=(tables.other_outcomes_table(result),)
        ),
        Section(
            name="settings",
            title="Scenario settings",
            tables=(tables.scenario_table(result),),
        ),
        Section(
            name="definitions",
            title="Definitions",
            tables=(tables.definitions_table(result),),
        ),
    ]


__all__ = ["CAUTION", "render_report", "report_page"]
