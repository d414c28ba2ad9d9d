"""The methods part of every report: a filled checklist, the estimand, versions and seeds.

The headings of the checklist are those of a published one for discrete-event
simulations (STRESS-DES; Monks and others, J Simulation 2019; from memory).
"""

from __future__ import annotations

import platform
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .page import Row, Section, Table

#: What every study with this testbed shares, by heading and item.
_LOGIC = (
    (
        "Base model",
        "Two lung compartments, shunt, arterial and venous blood pools per infant; gas supply, "
        "support mode, heart, oximeter, alarms, bedside staff. Equations: models/lung_equations.py "
        "in the source.",
    ),
    (
        "Clock and events",
        "One discrete-event clock with ticks of 1 s. Breathing events, procedures, alarms, visits, "
        "faults and controllers' periods are events; the rest is advanced once a tick. The order "
        "within a tick is fixed: disturbances, staff, controllers, plant, alarms, recording.",
    ),
    (
        "Entities and resources",
        "Infants are entities; nurses are resources that a nursing group shares. Alarms queue by "
        "priority, then onset, then infant. Each arm has staff of its own.",
    ),
)

_DATA = (
    (
        "Data sources",
        "Published distributions and equations, named beside each number in the source and in "
        "the table of settings. No data of real infants.",
    ),
    (
        "Assumptions",
        "Carbon dioxide, pH and temperature stay constant. What has no source is marked as an "
        "assumption or as common practice in the source.",
    ),
)


@dataclass(frozen=True, kw_only=True)
class Study:
    """What one study says for itself in the checklist.

    Attributes
    ----------
    purpose : str
        The question.
    outputs : str
        Which outcomes answer it.
    aims : str
        What is varied, and what is compared with what.
    scenario_logic : str
        How the compared scenarios differ.
    inputs : str
        Where the input parameters of this study stand.
    initialisation : str
        Initial state and warm-up.
    run_length : str
        Infants and simulated time.
    estimation : str
        How uncertainty is estimated.
    estimand : sequence of str
        What is estimated, in words; a paragraph each.
    seed : int
        Seed of the study.
    command : str
        How to make it again; empty if not known.
    """

    purpose: str
    outputs: str
    aims: str
    scenario_logic: str
    inputs: str
    initialisation: str
    run_length: str
    estimation: str
    estimand: Sequence[str]
    seed: int
    command: str = ""


def checklist_table(study: Study) -> Table:
    """Fill the checklist.

    Parameters
    ----------
    study : Study
        What is particular to the study.

    Returns
    -------
    Table
        A row per item, under its heading.
    """
    parts: dict[str, Sequence[tuple[str, str]]] = {
        "Objectives": (
            ("Purpose", study.purpose),
            ("Outputs", study.outputs),
            ("Aims of experiments", study.aims),
        ),
        "Logic": (*_LOGIC, ("Scenario logic", study.scenario_logic)),
        "Data": (*_DATA, ("Input parameters", study.inputs)),
        "Experimentation": (
            ("Initialisation", study.initialisation),
            ("Run length", study.run_length),
            ("Estimation", study.estimation),
        ),
        "Implementation": tuple(_implementation(study)),
    }
    rows = [
        Row(cells=(f"{heading}: {item[0].lower()}{item[1:]}", text))
        for heading, items in parts.items()
        for item, text in items
    ]
    return Table(
        caption="Reporting checklist for simulation studies; the headings follow STRESS-DES "
        "(from memory).",
        head=("Item", "In this study"),
        rows=tuple(rows),
        kind="words",
        name="checklist",
    )


def _implementation(study: Study) -> Iterator[tuple[str, str]]:
    yield "Software", "Python with SimPy and NumPy; versions are in the table below."
    yield (
        "Random sampling",
        f"Seed {study.seed}. Each infant and each cause (apnoea, drift, noise, staff and so on) "
        "has a generator of its own, so an infant meets the same candidate events and noise in "
        "every arm, whatever else is in the run.",
    )
    yield (
        "Model execution",
        "The same numbers for any number of processes, bit for bit on one machine with one "
        "version of NumPy.",
    )
    yield "System", f"{platform.system()} {platform.machine()}, Python {platform.python_version()}."
    yield (
        "Code access",
        f"Open source, BSD-3-Clause. {('Command: ' + study.command) if study.command else ''}",
    )


def methods_sections(
    study: Study, manifest: Mapping[str, Any], errors: Sequence[Table] = ()
) -> list[Section]:
    """Make the methods part of a page.

    Parameters
    ----------
    study : Study
        What is particular to the study.
    manifest : mapping
        Versions, seed and how the run went; may hold mappings and lists.
    errors : sequence of Table
        Monte Carlo errors, sensitivity to the warm-up and the like.

    Returns
    -------
    list of Section
        Checklist, estimand, errors, versions.
    """
    sections = [
        Section(name="estimand", title="What is estimated", lead=tuple(study.estimand)),
        Section(name="checklist", title="Methods checklist", tables=(checklist_table(study),)),
    ]
    if errors:
        sections.insert(1, Section(name="errors", title="Monte Carlo error", tables=tuple(errors)))
    again = "The same scenario, seed and versions on the same machine give the same numbers"
    again += f": {study.command}" if study.command else "."
    sections.append(
        Section(
            name="remake",
            title="Seeds and versions",
            lead=(again,),
            tables=(manifest_table({"seed": study.seed} | dict(manifest)),),
        )
    )
    return sections


def manifest_table(manifest: Mapping[str, Any]) -> Table:
    """Show seed, versions and how a run went.

    Parameters
    ----------
    manifest : mapping
        May hold mappings and lists.

    Returns
    -------
    Table
        A row per entry.
    """
    rows = tuple(Row(cells=(key, value)) for key, value in _flat(manifest))
    return Table(
        caption="Where these numbers come from.",
        head=("Entry", "Value"),
        rows=rows,
        kind="words",
        name="manifest",
    )


def _flat(entries: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    for key, value in entries.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{prefix}{key}.")
        elif isinstance(value, float):
            yield f"{prefix}{key}", f"{value:.4g}"
        elif isinstance(value, (list, tuple)):
            yield f"{prefix}{key}", ", ".join(str(item) for item in value)
        else:
            yield f"{prefix}{key}", str(value)


__all__ = ["Study", "checklist_table", "manifest_table", "methods_sections"]
