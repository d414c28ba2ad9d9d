"""Tables of the safeguards experiment's page."""

from __future__ import annotations

from typing import Any

import pandas as pd

from ..loop.requirement_settings import RequirementSettings
from ..loop.requirements import REQUIREMENTS, requirement_text
from ..loop.safeguards.settings import SAFEGUARDS
from .hazards import find_hazard
from .page import Row, Section, Table
from .readable import NO_VALUE
from .safeguard_runs import NONE
from .safeguards import SafeguardResult, effects, quiet_costs, requirement_table, worth


def arm_words(arm: str) -> str:
    """Name an arm for people.

    Parameters
    ----------
    arm : str
        Its name.

    Returns
    -------
    str
    """
    if arm == NONE:
        return "none of them"
    return arm.replace("_", " ")


def worth_table(result: SafeguardResult) -> Table:
    """Show where each safeguard did most.

    Parameters
    ----------
    result : SafeguardResult
        What was found.

    Returns
    -------
    Table
    """
    rows = [
        Row(
            cells=(
                str(row["safeguard"]).replace("_", " "),
                SAFEGUARDS[str(row["safeguard"])],
                _where(row["harm_avoided_s"], row["harm_hazard"]),
                _where(row["alert_sooner_s"], row["alert_hazard"]),
                _where(row["harm_done_s"], row["worst_hazard"]),
            )
        )
        for row in worth(result).to_dict("records")
    ]
    return Table(
        caption="Where each safeguard did most: mean over infants. Safeguards back each other up, "
        "so that one may do little where another stands behind it.",
        head=(
            "Safeguard",
            "What it does",
            "Most harm avoided (s)",
            "Staff called sooner (s)",
            "Most harm done (s)",
        ),
        rows=tuple(rows),
        name="worth",
    )


def _where(seconds: Any, hazard: Any) -> str:
    if float(seconds) < 1.0:
        return NO_VALUE
    return f"{float(seconds):.0f} ({find_hazard(str(hazard)).title})"


def effect_table(result: SafeguardResult) -> Table:
    """Show every difference to the whole layer.

    Parameters
    ----------
    result : SafeguardResult
        What was found.

    Returns
    -------
    Table
    """
    rows = [
        Row(
            cells=(
                find_hazard(str(row["hazard"])).title,
                arm_words(str(row["arm"])),
                str(row["infants"]),
                _text(row["whole_harm_s"]),
                f"{_text(row['harm_s'])} ({_text(row['harm_low_s'])} to "
                f"{_text(row['harm_high_s'])})",
                _text(row["below_80_s"]),
                _text(row["above_98_s"]),
                _text(row["alert_by_s"]),
            )
        )
        for row in effects(result).to_dict("records")
    ]
    return Table(
        caption="Differences to the whole layer: mean over infants (lowest to highest infant).",
        head=(
            "Hazard",
            "Layer",
            "Infants",
            "Harm, whole layer (s)",
            "More harm (s)",
            "More below 80 % (s)",
            "More above 98 % (s)",
            "Called later (s)",
        ),
        rows=tuple(rows),
        name="effects",
    )


def _text(value: Any) -> str:
    return NO_VALUE if pd.isna(value) else f"{float(value):.0f}"


def quiet_table(result: SafeguardResult) -> Table:
    """Show what each layer costs in a quiet night.

    Parameters
    ----------
    result : SafeguardResult
        What was found.

    Returns
    -------
    Table
    """
    table = quiet_costs(result)
    rows = [
        Row(
            cells=(
                arm_words(str(row["arm"])),
                f"{row['false_alerts_per_24h']:.1f}",
                f"{row['in_target_pct']:.1f}",
                f"{row['harm_s_per_h']:.0f}",
                f"{row['fio2_travel_pct_per_h']:.0f}",
            )
        )
        for row in table.to_dict("records")
    ]
    return Table(
        caption="Means over infants. Alerts are calls of the layer; all of them are false.",
        head=(
            "Layer",
            "False alerts per 24 h",
            "Time in target (%)",
            "Harm (s/h)",
            "FiO2 travel (%/h)",
        ),
        rows=tuple(rows),
        name="quiet_costs",
    )


def requirement_section(result: SafeguardResult) -> Section:
    """Show what is required, and what was broken by what margin.

    Parameters
    ----------
    result : SafeguardResult
        What was found.

    Returns
    -------
    Section
    """
    needs = RequirementSettings(
        signal_lost_s=result.trial.layer.hold_s, rise_per_s=result.trial.layer.rise_per_s
    )
    texts = [Row(cells=(name, requirement_text(name, needs))) for name in REQUIREMENTS]
    table = requirement_table(result)
    rows = [
        Row(
            cells=(
                str(row["requirement"]),
                arm_words(str(row["arm"])),
                str(row["cases"]),
                str(row["violations"]),
                f"{row['worst_margin']:.3g} {REQUIREMENTS[str(row['requirement'])].unit}",
                f"{find_hazard(str(row['hazard'])).title}, infant {row['infant']}",
            ),
            kind="worse" if row["violations"] else "",
        )
        for row in table.to_dict("records")
    ]
    head = ("Requirement", "Layer", "Cases", "Broken", "Worst margin", "Where")
    short = tuple(row for row in rows if row.cells[1] in ("whole", "none of them"))
    about = "A margin below 0 is by how much it was broken."
    return Section(
        name="requirements",
        title="Requirements",
        tables=(
            Table(
                caption="What is required. The figures are this project's own.",
                head=("Name", "Requirement"),
                rows=tuple(texts),
                kind="words",
                name="requirements",
            ),
            Table(caption=about, head=head, rows=short, name="requirements_whole_and_none"),
        ),
        folded=(
            (
                "Every layer",
                Table(caption=about, head=head, rows=tuple(rows), name="requirements_all"),
            ),
        ),
    )


__all__ = [
    "arm_words",
    "effect_table",
    "quiet_table",
    "requirement_section",
    "worth_table",
]
