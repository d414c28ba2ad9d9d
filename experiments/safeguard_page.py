"""The page of the safeguards experiment, and its folder."""

from __future__ import annotations

import json
import platform
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from .. import __version__
from .checklist import Study, methods_sections
from .hazards import QUIET, find_hazard
from .page import Page, Picture, Section, render_page, write_page
from .result_folder import write_table, write_whole
from .safeguard_figures import hazard_strip, heat_map, quiet_cost, shown_arms
from .safeguard_runs import NONE, WHOLE
from .safeguard_tables import effect_table, quiet_table, requirement_section, worth_table
from .safeguards import SafeguardResult, effects, quiet_costs, requirement_table, worth


def answer(result: SafeguardResult) -> list[str]:
    """Say in a few sentences what the numbers say.

    Parameters
    ----------
    result : SafeguardResult
        What was found.

    Returns
    -------
    list of str
    """
    table, mine = effects(result), worth(result)
    bare = table[(table["arm"] == NONE) & (table["hazard"] != QUIET)]
    sentences = []
    if len(bare):
        worse = bare[bare["harm_s"] >= 60.0]
        most = bare.sort_values("harm_s").iloc[-1]
        sentences.append(
            f"Without any safeguard {len(worse)} of {len(bare)} hazards did at least a minute more "
            f"harm per infant; most in “{find_hazard(str(most['hazard'])).title}” "
            f"({most['harm_s']:.0f} s more below 80 % or above 98 % on oxygen)."
        )
        good = bare[bare["harm_s"] <= -60.0]
        if len(good):
            names = "; ".join(find_hazard(name).title.lower() for name in good["hazard"])
            sentences.append(f"In {len(good)} the layer itself did harm: {names}.")
    if len(mine):
        clear = int(mine["matters"].sum())
        sentences.append(
            f"{clear} of {len(mine)} safeguards clearly matter in at least one hazard."
        )
    costs = quiet_costs(result).set_index("arm")
    alerts = costs["false_alerts_per_24h"].to_dict()
    in_target = costs["in_target_pct"].to_dict()
    if WHOLE in alerts and NONE in alerts:
        sentences.append(
            f"In a quiet night the whole layer gives {alerts[WHOLE]:.1f} false alerts per infant "
            "and 24 h and changes time in target by "
            f"{in_target[WHOLE] - in_target[NONE]:+.1f} points."
        )
    return sentences


def points(result: SafeguardResult) -> list[str]:
    """Give a line for each safeguard.

    Parameters
    ----------
    result : SafeguardResult
        What was found.

    Returns
    -------
    list of str
    """
    lines = []
    for row in worth(result).to_dict("records"):
        words = str(row["safeguard"]).replace("_", " ")
        parts = []
        if row["harm_avoided_s"] >= 10.0:
            where = find_hazard(str(row["harm_hazard"])).title.lower()
            parts.append(f"avoids {row['harm_avoided_s']:.0f} s of harm ({where})")
        if row["alert_sooner_s"] >= 10.0:
            where = find_hazard(str(row["alert_hazard"])).title.lower()
            parts.append(f"calls staff {row['alert_sooner_s']:.0f} s sooner ({where})")
        if row["harm_done_s"] >= 60.0:
            where = find_hazard(str(row["worst_hazard"])).title.lower()
            parts.append(f"costs {row['harm_done_s']:.0f} s ({where})")
        lines.append(f"{words}: {'; '.join(parts) or 'no clear effect in these hazards'}.")
    return lines


def safeguard_page(result: SafeguardResult, command: str = "") -> Page:
    """Lay out the page.

    Parameters
    ----------
    result : SafeguardResult
        What was found.
    command : str, optional
        How to make it again.

    Returns
    -------
    Page
    """
    trial = result.trial
    hazards = [name for name in result.rows["hazard"].unique() if name != QUIET]
    facts = (
        f"{trial.infants} virtual infants in each of {len(hazards)} hazards and a quiet night · "
        f"controller {trial.controller} · nobody comes to the cot, so that only the layer acts"
    )
    sections = [*_overview(result, bool(hazards)), *_stories(result, hazards)]
    sections += [_quiet(result), requirement_section(result)]
    return Page(
        kind="What safeguards around an oxygen controller are worth",
        title="Safeguards, taken away one by one",
        facts=facts,
        answer=answer(result),
        points=points(result),
        failures=sorted(result.errors.items()),
        sections=sections,
        methods=methods_sections(_study(result, command), manifest(result)),
    )


def _overview(result: SafeguardResult, any_hazard: bool) -> Iterator[Section]:
    if not any_hazard:
        return
    yield Section(
        name="worth",
        title="What each is worth",
        lead=(
            "Each cell: what taking one safeguard away changes, as a mean over the same infants. "
            "Orange is worse without it, blue better. Harm is time with true SaO2 below 80 %, or "
            "above 98 % on oxygen.",
        ),
        figures=(
            Picture(
                name="heat_map_harm",
                caption="Seconds of harm per infant, without minus with the safeguard.",
                figure=heat_map(result, "harm_s", "More harm without it (s)"),
            ),
            Picture(
                name="heat_map_alert",
                caption="Seconds by which staff are called later without the safeguard. Never is "
                "counted as the end of the record.",
                figure=heat_map(result, "alert_by_s", "Staff called later without it (s)"),
            ),
        ),
        tables=(worth_table(result),),
        folded=(("All effects", effect_table(result)),),
    )


def _stories(result: SafeguardResult, hazards: list[str]) -> Iterator[Section]:
    if not hazards:
        return
    infant = next(iter(result.traces))[2] if result.traces else -1
    pictures = []
    for name in hazards:
        arms = [arm for arm in shown_arms(name) if (name, arm, infant) in result.traces]
        if arms:
            hazard = find_hazard(name)
            pictures.append(
                Picture(
                    name=f"strip_{name}",
                    caption=f"{hazard.title}. {hazard.lesson}",
                    figure=hazard_strip(result, name, arms, infant),
                )
            )
    yield Section(
        name="stories",
        title="Each hazard, with and without",
        lead=("The same infant in every picture: one of those counted, not a chosen one.",),
        figures=pictures,
    )


def _quiet(result: SafeguardResult) -> Section:
    return Section(
        name="quiet",
        title="The price in a quiet night",
        lead=("Nothing goes wrong but what always does: lost signals, apnoeas, drift.",),
        figures=(
            Picture(
                name="quiet_cost",
                caption="What would be saved by taking each safeguard away in a quiet night.",
                figure=quiet_cost(result),
            ),
        ),
        tables=(quiet_table(result),),
    )


def manifest(result: SafeguardResult) -> dict[str, Any]:
    """Say where the numbers come from.

    Parameters
    ----------
    result : SafeguardResult
        What was found.

    Returns
    -------
    dict
    """
    trial = result.trial
    return {
        "oxytestbed": __version__,
        "python": platform.python_version(),
        "seed": trial.seed,
        "controller": trial.controller,
        "infants": trial.infants,
        "hazards": list(trial.hazards),
        "layer": dict(vars(trial.layer)),
        "trial": dict(vars(trial.trial)),
    }


def _study(result: SafeguardResult, command: str) -> Study:
    trial = result.trial.trial
    return Study(
        purpose="What is each safeguard around a controller worth, and what does it cost?",
        outputs="Seconds of true SaO2 below 80 %, above 98 % on oxygen, time to a technical alarm, "
        "false alerts, requirements broken.",
        aims="Every hazard with the layer whole, without each safeguard, and without all of them.",
        scenario_logic="The arms differ in the layer alone. Staff answer alarms and leave the "
        "oxygen as it is.",
        inputs="Thresholds of the layer are in the table of seeds and versions; the hazards' "
        "sizes are assumptions and are in experiments/hazards.py.",
        initialisation=f"{trial.settle_s} s at rest before a hazard; not counted.",
        run_length=f"{result.trial.infants} infants, {trial.watch_s} s from the hazard on; "
        f"{trial.quiet_s} s of quiet night.",
        estimation="Means over infants of paired differences, with the lowest and highest infant. "
        "Few infants: read the sizes, not the last digit.",
        estimand=(
            "The mean difference, over infants like these, between the same record with and "
            "without one safeguard, under the same hazard, noise and breathing events.",
            "Besides the hazard, infants are calmer than in a comparison (apnoeas at 15 % of their "
            "rate, no signal lost by chance), so that what is seen belongs to the hazard.",
        ),
        seed=result.trial.seed,
        command=command,
    )


def save_safeguards(result: SafeguardResult, folder: Path, command: str = "") -> Path:
    """Write tables, figures and the page.

    Parameters
    ----------
    result : SafeguardResult
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

    def write(making: Path) -> None:
        write_table(result.rows, making / "rows.csv")
        write_table(effects(result), making / "effects.csv")
        write_table(requirement_table(result), making / "requirements.csv")
        text = json.dumps({**manifest(result), "command": command}, indent=2) + "\n"
        (making / "manifest.json").write_text(text, encoding="utf-8")
        page = safeguard_page(result, command)
        write_page(page, making, html=render_page(page))

    write_whole(folder, write)
    return folder / "report.html"


__all__ = ["answer", "manifest", "points", "safeguard_page", "save_safeguards"]
