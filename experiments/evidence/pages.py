"""The credibility report: one HTML page, ordered by the kinds of evidence.

The kinds are those in use for computational models of medical devices: code
verification, calibration, population-based validation, emergent behaviour,
plausibility of the model, and calculation verification.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

from ... import __version__
from ..report import CAUTION
from ..report_tables import Table
from ..style import inline_svg
from . import figures
from .experiment import Credibility
from .page_tables import (
    checks_table,
    evidence_table,
    folded_section,
    manifest_table,
    silent_table,
    tallies_table,
)
from .page_text import CONTEXT, LIMITS, RULES, answer
from .rows import SECTIONS, Evidence

_TEMPLATES = Path(__file__).parents[1] / "templates"


@dataclass(frozen=True, kw_only=True)
class Part:
    """One kind of evidence.

    Attributes
    ----------
    name, title, lead : str
        Anchor, heading and first paragraph.
    figures : list of dict
        Name, inline SVG and caption.
    tables : list of Table
        Tables that are always open.
    folded : list of (str, Table)
        Tables behind a summary line.
    """

    name: str
    title: str
    lead: str
    figures: list[dict[str, str]] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)
    folded: list[tuple[str, Table]] = field(default_factory=list)


def render_credibility(found: Credibility, command: str) -> str:
    """Render the report.

    Parameters
    ----------
    found : Credibility
        All evidence.
    command : str
        How to make it again.

    Returns
    -------
    str
        A whole HTML page with figures and styles inside; needs no network.
    """
    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template("credibility.html.j2").render(
        facts=_facts(found),
        answer=answer(found),
        caution=CAUTION,
        context=CONTEXT,
        rules=RULES,
        tallies=tallies_table(found.tallies),
        parts=parts(found),
        limits=LIMITS,
        not_yet=silent_table(found.evidence, "not yet", "Rows about parts that are not built yet."),
        cannot=silent_table(found.evidence, "cannot", "Rows on which the model is silent."),
        command=command,
        manifest=manifest_table(found.manifest),
        version=__version__,
    )


def _facts(found: Credibility) -> str:
    size, rows = found.size, len(found.evidence)
    return (
        f"{rows} published figures · main runs of {size.infants} settled and {size.infants} "
        f"unstable infants over {size.hours:g} h, by hand · {len(found.settled)} + "
        f"{len(found.unstable)} infants drawn"
    )


def parts(found: Credibility) -> list[Part]:
    """Order the evidence by its kinds.

    Parameters
    ----------
    found : Credibility
        All evidence.

    Returns
    -------
    list of Part
    """
    return [
        _code(found),
        _plausibility(found),
        _calibration(found),
        _validation(found),
        _emergent(found),
        _calculation(found),
    ]


def _picture(name: str, figure: Figure, caption: str) -> dict[str, str]:
    # Drawn by this program and escaped where it holds text: safe to insert.
    svg = Markup(inline_svg(figure, prefix=name, label=caption))
    return {"name": name, "svg": svg, "caption": caption}


def _of_set(found: Credibility, wanted: str) -> list[Evidence]:
    return [
        item
        for item in found.evidence
        if item.published.set == wanted and item.published.status == "simulated"
    ]


def _sections(found: Credibility, wanted: Sequence[str]) -> list[Table]:
    others = _of_set(found, "other")
    tables = []
    for name in wanted:
        rows = [item for item in others if item.published.section == name]
        if rows:
            tables.append(evidence_table(SECTIONS[name], rows))
    return tables


def _code(found: Credibility) -> Part:
    folded = [folded_section(found.evidence, name) for name in ("blood_tables", "noise")]
    return Part(
        name="code",
        title="Code verification",
        lead="Does the program solve the equations that it says it solves? Run again here: an "
        "independent solver, the conservation of oxygen, and published tables value by value. "
        "The test suite holds many more checks.",
        tables=[checks_table(found.checks, "code")],
        folded=folded,
    )


def _plausibility(found: Credibility) -> Part:
    return Part(
        name="plausibility",
        title="Plausibility of the model",
        lead="Are the infants that are drawn like published ones, and do the parts behave like "
        "published parts? Most of these rows are inputs, or say what the inputs were chosen by; "
        "agreement shows that the draw does what it should, no more.",
        figures=[
            _picture(
                "cohort",
                figures.cohort_against_published(found.settled, found.unstable),
                "Drawn infants by stratum, and published values: diamonds or a line with mean and "
                "SD; for FRC the published range on oxygen.",
            )
        ],
        tables=_sections(found, ("cohort", "blood", "delivery", "oximeter")),
    )


def _calibration(found: Credibility) -> Part:
    rows = _of_set(found, "calibration")
    return Part(
        name="calibration",
        title="Calibration",
        lead="Figures that the load of disturbances and the staff model were fitted to, or chosen "
        "by. A pass shows that the fit succeeded, not that the model predicts.",
        figures=[_picture("calibration", figures.grades(rows, "Calibration"), _GRADES_CAPTION)],
        tables=[evidence_table("Calibration rows", rows)],
    )


def _validation(found: Credibility) -> Part:
    rows = _of_set(found, "validation")
    return Part(
        name="validation",
        title="Population-based validation",
        lead="Figures that nothing was fitted to. Where the published infants or their care differ "
        "from the simulated ones, the row says so.",
        figures=[
            _picture("validation", figures.grades(rows, "Validation"), _GRADES_CAPTION),
            _picture(
                "steps",
                figures.step_responses(found.steps, found.worked),
                "Response to an FiO2 step of 5.3 points at rest, without noise. Above: unstable "
                "infants by saturation before the step (boxes quartiles, whiskers 5-95 %). Below: "
                "the published step on every infant that starts it at SaO2 75-85 %; the line is "
                "the published infant.",
            ),
            _picture(
                "averaging",
                figures.averaging_counts(found.counts),
                "The recorded saturation of the unstable infants shown again with other averaging "
                "times. Nothing is fitted.",
            ),
        ],
        tables=[evidence_table("Validation rows", rows)],
        folded=[folded_section(found.evidence, "exponents")],
    )


def _emergent(found: Credibility) -> Part:
    return Part(
        name="emergent",
        title="Emergent behaviour",
        lead="What no parameter sets directly: the course of an apnoea, and the shunt and VA/Q "
        "that a clinician would fit to these infants with a much simpler model.",
        figures=[
            _picture(
                "shunt",
                figures.shunt_map(found.shunt),
                "Two-parameter fit to each infant's own pairs of FiO2 and saturation (85-98 %).",
            )
        ],
        tables=_sections(found, ("lung", "shunt")),
    )


def _calculation(found: Credibility) -> Part:
    return Part(
        name="calculation",
        title="Calculation verification",
        lead="How much of a figure is numerical error? The step is halved over a run with apnoeas.",
        tables=[checks_table(found.checks, "calculation")],
    )


_GRADES_CAPTION = (
    "Where each simulated median lies in the published interval, in half-widths of it. Green: "
    "pass; grey: near. Hollow marks are from memory or derived and do not count; arrows lie "
    "further out. Statements of direction are in the table only."
)


__all__ = ["Part", "parts", "render_credibility"]
