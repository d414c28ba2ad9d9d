"""The page of a search for the worst case, and its folder."""

from __future__ import annotations

import json
import platform
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from .. import __version__
from ..loop.requirement_settings import RequirementSettings
from ..loop.requirements import REQUIREMENTS, requirement_text
from .checklist import Study, methods_sections
from .page import Page, Picture, Row, Section, Table, render_page, write_page
from .result_folder import write_table, write_whole
from .safeguard_figures import add_case_legend, draw_case
from .style import ABOVE, FAINT, INK, STRIP_WIDTH_IN, WIDTH_IN, styled
from .worst_case import HARM, SETTINGS, WorstCase
from .worst_case_files import coverage, record_digest, save_counterexample
from .worst_cases import DIMENSIONS, fault_of, read_point

PROVES_NOTHING = (
    "A search that finds no broken requirement proves nothing: it looked at some infants and "
    "some disturbances out of endlessly many."
)


@styled
def search_figure(result: WorstCase) -> Figure:
    """Draw how the search went.

    Parameters
    ----------
    result : WorstCase
        What was found.

    Returns
    -------
    matplotlib.figure.Figure
        Harm of every candidate in order, those that broke a requirement
        filled, and the worst so far as a line.
    """
    harm = np.array([item.harm_s for item in result.tried])
    broken = np.array([bool(item.broken) for item in result.tried])
    order = np.arange(len(harm))
    figure = Figure(figsize=(WIDTH_IN, 2.6))
    axes = figure.subplots()
    axes.plot(order[~broken], harm[~broken], ".", color=FAINT, label="no requirement broken")
    axes.plot(
        order[broken], harm[broken], "s", color=ABOVE, markeredgecolor=INK, markeredgewidth=0.4,
        markersize=3.5, label="a requirement broken",
    )  # fmt: skip
    axes.step(order, np.maximum.accumulate(harm), color=INK, where="post", label="worst so far")
    axes.set(xlabel="candidate, in order", ylabel="harm (s)")
    axes.set_ylim(bottom=0)
    axes.grid(axis="y")
    figure.legend(loc="outside lower center", ncols=3)
    return figure


@styled
def worst_figure(result: WorstCase) -> Figure:
    """Draw the worst case, second by second.

    Parameters
    ----------
    result : WorstCase
        What was found.

    Returns
    -------
    matplotlib.figure.Figure
    """
    figure = Figure(figsize=(STRIP_WIDTH_IN, 3.6))
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    target = result.scenario.target
    draw_case(
        upper,
        lower,
        result.trace,
        result.events,
        result.trace.warmup_s,
        (target.low_pct, target.high_pct),
    )
    upper.set_ylabel("SpO2 (%)")
    lower.set_ylabel("FiO2 (%)")
    lower.set_xlabel("minutes from the first disturbance")
    add_case_legend(figure)
    return figure


def answer(result: WorstCase) -> list[str]:
    """Say in a few sentences what was found.

    Parameters
    ----------
    result : WorstCase
        What was found.

    Returns
    -------
    list of str
    """
    worst, seen_s = result.worst, len(result.trace) - result.trace.warmup_s
    told = read_point(np.array(worst.point))
    fault = fault_of(np.array(worst.point)).replace("_", " ")
    broken = [item for item in result.tried if item.broken]
    goal = result.settings.goal
    first = (
        f"The worst of {len(result.tried)} candidates had {worst.harm_s:.0f} s of {seen_s} s below "
        "80 % or above 98 % on oxygen"
        if goal == HARM
        else f"The smallest margin of “{goal}” was {worst.value:.3g} {REQUIREMENTS[goal].unit}"
    )
    return [
        f"{first}, with {round(told['apnoeas'])} apnoeas of {told['apnoea_s']:.0f} s and, as "
        f"fault, {fault}.",
        f"{len(broken)} candidates broke a requirement.",
        PROVES_NOTHING,
    ]


def worst_case_page(result: WorstCase, command: str = "", digest: str = "") -> Page:
    """Lay out the page.

    Parameters
    ----------
    result : WorstCase
        What was found.
    command : str, optional
        How to make it again.
    digest : str, optional
        Of the record, for comparison with a replay.

    Returns
    -------
    Page
    """
    settings = result.settings
    layer = "without safeguards" if settings.bare else "with its safeguards"
    return Page(
        kind="Search for the worst case",
        title=f"The worst that {settings.controller} does, {layer}",
        facts=f"{len(result.tried)} candidates · goal: {settings.goal} · half an hour each",
        answer=answer(result),
        points=_points(result),
        sections=(
            Section(
                name="worst",
                title="The worst case",
                figures=(
                    Picture(
                        name="worst_case",
                        caption="The worst candidate. Shaded: what befalls the infant.",
                        figure=worst_figure(result),
                    ),
                ),
                tables=(_worst_table(result),),
                notes=(
                    "worst_case.toml and worst_case_cohort.csv replay it bit for bit: "
                    "oxytestbed compare ./worst_case.toml",
                    f"SHA-256 of the record: {digest}",
                ),
            ),
            Section(
                name="search",
                title="How the search went",
                figures=(
                    Picture(
                        name="search",
                        caption="Corners and random points first, then generations that learn "
                        "from them; anew for each of the settings.",
                        figure=search_figure(result),
                    ),
                ),
                tables=(_coverage_table(result), _broken_table(result)),
            ),
        ),
        methods=methods_sections(_study(result, command), manifest(result)),
    )


def _points(result: WorstCase) -> list[str]:
    """Give the worst of each of the settings."""
    lines = []
    for place, changes in enumerate(SETTINGS):
        mine = [item for item in result.tried if item.place == place]
        words = ", ".join(f"{key} = {value}" for key, value in changes.items())
        most = max((item.harm_s for item in mine), default=0.0)
        lines.append(f"{words}: {len(mine)} candidates, at most {most:.0f} s of harm.")
    return lines


def _worst_table(result: WorstCase) -> Table:
    point = np.array(result.worst.point)
    told = read_point(point)
    rows = [Row(cells=("fault", fault_of(point).replace("_", " ")))]
    rows += [
        Row(cells=(name, f"{value:.3g}"))
        for name, value in told.items()
        if name not in ("infant", "fault")
    ]
    infant = result.infants
    for name in ("fio2_need", "frc_ml_kg", "hb_g_dl", "shunt_fraction", "circulation_delay_s"):
        rows.append(Row(cells=(name, f"{float(getattr(infant, name)[0]):.3g}")))
    for key, value in SETTINGS[result.worst.place].items():
        rows.append(Row(cells=(key, str(value))))
    rows.append(Row(cells=("broken", ", ".join(result.worst.broken) or "none")))
    return Table(
        caption="What makes it. The script and all of the infant are in the files.",
        head=("What", "Value"),
        rows=tuple(rows),
        name="worst",
    )


def _coverage_table(result: WorstCase) -> Table:
    share = coverage(result)
    rows = [Row(cells=(name, f"{100 * share[name]:.0f} %")) for name in DIMENSIONS]
    rows.append(Row(cells=("all pairs of these", f"{100 * share['pairs']:.0f} %")))
    rows.append(Row(cells=("infants left as drawn", str(result.unchanged))))
    return Table(
        caption=f"Share of fifths of each range that had a candidate. {PROVES_NOTHING}",
        head=("Range", "Looked at"),
        rows=tuple(rows),
        name="coverage",
    )


def _broken_table(result: WorstCase) -> Table:
    counts = Counter(name for item in result.tried for name in item.broken)
    needs = RequirementSettings()
    rows = [
        Row(cells=(name, requirement_text(name, needs), str(counts.get(name, 0))))
        for name in REQUIREMENTS
    ]
    return Table(
        caption="How many candidates broke each requirement.",
        head=("Requirement", "In words", "Broken by"),
        rows=tuple(rows),
        name="broken",
    )


def manifest(result: WorstCase) -> dict[str, Any]:
    """Say where the numbers come from.

    Parameters
    ----------
    result : WorstCase
        What was found.

    Returns
    -------
    dict
    """
    return {
        "oxytestbed": __version__,
        "python": platform.python_version(),
        **{key: value for key, value in vars(result.settings).items() if key != "options"},
        "candidates": len(result.tried),
        "worst_value": result.worst.value,
        "worst_harm_s": result.worst.harm_s,
    }


def _study(result: WorstCase, command: str) -> Study:
    return Study(
        purpose="Which infant and disturbance make this controller fail, and how badly?",
        outputs="Seconds of harm, and requirements broken with their margins.",
        aims="Corners, random points and differential evolution over infant, apnoeas and fault.",
        scenario_logic="One arm. Candidates differ in infant and script.",
        inputs="Ranges of the search are in experiments/worst_cases.py and are assumptions.",
        initialisation="Ten minutes at rest.",
        run_length=f"{len(result.tried)} candidates, half an hour each.",
        estimation="None: the worst of what was tried is a lower bound of the worst there is.",
        estimand=("No average is estimated. " + PROVES_NOTHING,),
        seed=result.settings.seed,
        command=command,
    )


def save_worst_case(result: WorstCase, folder: Path, command: str = "") -> Path:
    """Write the counterexample, tables, figures and the page.

    Parameters
    ----------
    result : WorstCase
        What was found.
    folder : Path
        Where; it must not exist yet.
    command : str, optional
        How to make it again.

    Returns
    -------
    Path
        The page.
    """
    digest = record_digest(result.trace)

    def write(making: Path) -> None:
        save_counterexample(result, making)
        rows = [
            {"number": item.number, "settings": item.place, "value": item.value}
            | {"harm_s": item.harm_s, "broken": " ".join(item.broken)}
            | {"fault_name": fault_of(np.array(item.point))}
            | read_point(np.array(item.point))
            for item in result.tried
        ]
        write_table(pd.DataFrame(rows), making / "candidates.csv")
        told = {**manifest(result), "record_sha256": digest, "command": command}
        (making / "manifest.json").write_text(json.dumps(told, indent=2) + "\n", encoding="utf-8")
        page = worst_case_page(result, command, digest)
        write_page(page, making, html=render_page(page))

    write_whole(folder, write)
    return folder / "report.html"


__all__ = [
    "PROVES_NOTHING",
    "answer",
    "manifest",
    "save_worst_case",
    "search_figure",
    "worst_case_page",
    "worst_figure",
]
