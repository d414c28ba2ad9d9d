"""The report: one HTML file that opens offline, prints well and hides nothing.

The page is a rendering of a `ComparisonResult`; every number in it, and every
sentence of its answer, is computed from that result.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from .. import __version__
from . import report_tables as tables
from .figure_set import FigureEntry, figure_set
from .report_text import answer
from .result import ComparisonResult
from .style import inline_svg

CAUTION = (
    "Teaching and engineering software, not a medical device. It simulates virtual infants and "
    "gives no advice for any real one: local protocols and licensed clinicians decide."
)

_TEMPLATES = Path(__file__).with_name("templates")


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
    drawn = figure_set(result) if entries is None else entries
    template = _environment().get_template("report.html.j2")
    return template.render(
        scenario=result.scenario,
        caution=CAUTION,
        version=__version__,
        answer=answer(result),
        arms=result.arms,
        infants=len(result.cohort),
        failures=tables.failure_rows(result),
        left_out=tables.left_out(result),
        figures=_figures_by_section(drawn),
        command=str(result.manifest.get("command", "")),
        main=tables.main_table(result),
        differences=tables.difference_table(result),
        others=tables.other_outcomes_table(result),
        cohort=tables.cohort_table(result),
        settings=tables.scenario_table(result),
        definitions=tables.definitions_table(result),
        manifest=tables.manifest_table(result),
    )


def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def _figures_by_section(entries: Sequence[FigureEntry]) -> dict[str, list[dict[str, str]]]:
    sections: dict[str, list[dict[str, str]]] = {
        name: [] for name in ("range", "distribution", "paired", "infants", "strips")
    }
    for entry in entries:
        prefix = entry.name.replace("_", "-")
        # Drawn by this program and escaped where it holds text: safe to insert.
        svg = Markup(inline_svg(entry.figure, prefix=prefix, label=entry.caption))
        sections[entry.section].append({"name": prefix, "svg": svg, "caption": entry.caption})
    return sections


__all__ = ["CAUTION", "render_report"]
