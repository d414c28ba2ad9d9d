"""Report of a replayed recording: one HTML page, figures and CSV files."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pandas as pd

from .. import __version__
from . import replay_figures as figures
from .checklist import manifest_table
from .cohort_files import write_infants
from .page import Page, Picture, Section, write_page
from .replay import ReplayResult
from .replay_bias import BIAS_SD_PCT
from .replay_tables import definition_table, outcome_table, skill_words
from .replay_trust import VALIDATED, VALIDATED_IN_SHORT, cautions
from .replay_whatif import INTERVAL, interval
from .result_folder import write_table, write_whole


def answer(result: ReplayResult) -> list[str]:
    """Say in sentences what the recording told.

    Parameters
    ----------
    result : ReplayResult
        What it told.

    Returns
    -------
    list of str
    """
    recording, recovered = result.recording, result.recovered
    moved = recovered.movement
    sentences = [
        f"{len(recording) / 3600:.1f} h of SpO2 and FiO2, a reading every "
        f"{recording.interval_s:g} s; FiO2 changed {moved.changes} times over "
        f"{100 * moved.range_fraction:.0f} points."
    ]
    if result.refused:
        sentences.append(
            "What oxygen does to this infant cannot be told from so little movement: the gain "
            "cannot be identified, and the what-if is refused."
        )
    else:
        low, high = np.quantile(recovered.gain, INTERVAL)
        sentences.append(
            f"One point of FiO2 moves saturation at rest by {recovered.gain.mean():.2f} points "
            f"(90 % interval {low:.2f} to {high:.2f})."
        )
        sentences.append(VALIDATED_IN_SHORT)
    if len(result.skill):
        sentences.append(_skill_sentence(result.skill))
    else:
        sentences.append("The recording is too short to judge predictions.")
    return sentences


def expected_error(result: ReplayResult) -> str:
    """State how far a what-if may be off, and what is known of the probe's bias.

    Parameters
    ----------
    result : ReplayResult
        What the recording told.

    Returns
    -------
    str
    """
    return f"{VALIDATED} {supposed_bias(result)} That is part of every interval."


def supposed_bias(result: ReplayResult) -> str:
    """Say what bias of the probe the fitted infants suppose, and where it comes from.

    Parameters
    ----------
    result : ReplayResult
        What the recording told.

    Returns
    -------
    str
    """
    bias, supposed = result.recovered.bias, result.recovered.candidates.infants.spo2_bias_pct
    if bias.samples:
        source = (
            f"The arterial saturations that were given ({bias.samples}) put the bias of the probe "
            f"at {bias.mean_pct:+.1f} points (SD {bias.sd_pct:.1f})"
        )
    else:
        source = (
            "The bias of the probe can hardly be told from SpO2 and FiO2 alone; one or two "
            "arterial saturations measured meanwhile (--sao2) would narrow it"
        )
    return (
        f"{source}: the fitted infants suppose {supposed.mean():+.1f} points (SD "
        f"{supposed.std():.1f}; probes in general {BIAS_SD_PCT:g})."
    )


def warnings(result: ReplayResult) -> tuple[str, ...]:
    """List what in this recording speaks against trusting each what-if.

    Parameters
    ----------
    result : ReplayResult
        What the recording told.

    Returns
    -------
    tuple of str
        A sentence for each controller that has any.
    """
    found = []
    for item in result.what_if:
        texts = [caution.text for caution in cautions(result.recovered, item.sao2[1])]
        if texts:
            found.append(f"Do not trust the what-if of {item.name}: {'; '.join(texts)}.")
    return tuple(found)


def _skill_sentence(skill: pd.DataFrame) -> str:
    table = skill.pivot(index="horizon_s", columns="method", values="rms_pct")
    pairs = zip(table["predicted"].tolist(), table["persistence"].tolist(), strict=True)
    minutes = (table.index.to_numpy(dtype=float) / 60.0).tolist()
    words = [
        f"{fitted:.1f} against {last:.1f} points at {at:.0f} min"
        for at, (fitted, last) in zip(minutes, pairs, strict=True)
    ]
    return "Error of predictions against that of the last reading: " + "; ".join(words) + "."


def replay_page(result: ReplayResult, command: str = "") -> Page:
    """Put the page together.

    Parameters
    ----------
    result : ReplayResult
        What the recording told.
    command : str
        How to make it again.

    Returns
    -------
    Page
    """
    names = [item.name for item in result.orders]
    facts = f"{result.recording.name} · {len(result.recording) / 3600:.2f} h"
    if names:
        facts += f" · controllers: {', '.join(names)}"
    return Page(
        kind="Replay of a bedside recording",
        title=result.recording.name,
        facts=facts,
        answer=answer(result),
        points=(result.refused,) if result.refused else warnings(result),
        failures=tuple(result.errors.items()),
        sections=_sections(result),
        methods=(
            Section(name="definitions", title="Definitions", tables=(definition_table(),)),
            Section(
                name="remake",
                title="Seeds and versions",
                lead=(f"Command: {command}",) if command else (),
                tables=(manifest_table(manifest(result, command)),),
            ),
        ),
    )


def _sections(result: ReplayResult) -> list[Section]:
    sections = [
        Section(
            name="fit",
            title="The recording and what explains it",
            figures=(
                Picture(
                    name="fitted_course",
                    caption="Top: recorded SpO2 (dots), fitted true SaO2 with its 90 % interval, "
                    "target shaded. Middle: FiO2. Bottom: the disturbance; up is worse.",
                    figure=figures.fitted_course(result),
                ),
            ),
        )
    ]
    if len(result.skill):
        picture = Picture(
            name="prediction_skill",
            caption="Error of predictions; lower is better. A fitted infant is of use where its "
            "line lies below that of the last reading.",
            figure=figures.prediction_skill(result),
        )
        sections.append(
            Section(
                name="prediction",
                title="How well it predicts",
                figures=(picture,),
                tables=(skill_words(result),),
            )
        )
    sections.append(_what_if_section(result))
    if result.orders:
        picture = Picture(
            name="open_loop",
            caption="FiO2 as recorded and as each controller would have ordered it, open-loop.",
            figure=figures.open_loop(result),
        )
        sections.append(Section(name="orders", title="Open-loop orders", figures=(picture,)))
    return sections


def _what_if_section(result: ReplayResult) -> Section:
    title = "With another controller"
    if result.refused:
        return Section(name="what-if", title=title, lead=(f"Refused. {result.refused}",))
    if not result.what_if:
        return Section(name="what-if", title=title, lead=("No controller was named.",))
    picture = Picture(
        name="what_if",
        caption="Grey: as recorded. Coloured: median of the fitted infants under the controller, "
        "with the 90 % interval. Read the interval, not the line.",
        figure=figures.what_if_strip(result),
    )
    return Section(
        name="what-if",
        title=title,
        lead=(expected_error(result),),
        figures=(picture,),
        tables=(outcome_table(result),),
    )


def manifest(result: ReplayResult, command: str = "") -> dict[str, object]:
    """List what the result was made of.

    Parameters
    ----------
    result : ReplayResult
        What the recording told.
    command : str
        How to make it again.

    Returns
    -------
    dict
    """
    return {
        "oxytestbed": __version__,
        "recording": result.recording.name,
        "rows": result.recording.rows,
        "settings": asdict(result.settings),
        "validation": VALIDATED,
        "warnings": list(warnings(result)),
        "what_if_refused": result.refused,
        "command": command,
    }


def save_replay(result: ReplayResult, folder: Path, command: str = "") -> Path:
    """Write page, figures and tables; all of it or nothing.

    Parameters
    ----------
    result : ReplayResult
        What the recording told.
    folder : Path
        Where; it must not exist yet.
    command : str
        How to make it again.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    TestbedError
        If the folder exists or cannot be made.
    """
    write_whole(folder, lambda making: _write(result, making, command))
    return folder / "report.html"


def _write(result: ReplayResult, folder: Path, command: str) -> None:
    write_page(replay_page(result, command), folder)
    write_table(course_frame(result).round(4), folder / "courses.csv")
    write_table(result.predictions, folder / "predictions.csv")
    write_table(result.skill, folder / "skill.csv")
    write_infants(result.recovered.candidates.infants, folder / "infants.csv")
    if result.what_if:
        tables = [item.outcomes.assign(arm=item.name) for item in result.what_if]
        write_table(pd.concat(tables), folder / "what_if_outcomes.csv")
    text = json.dumps(manifest(result, command), indent=2) + "\n"
    (folder / "manifest.json").write_text(text, encoding="utf-8")


def course_frame(result: ReplayResult) -> pd.DataFrame:
    """Lay out every course at 1 Hz.

    Parameters
    ----------
    result : ReplayResult
        What the recording told.

    Returns
    -------
    pandas.DataFrame
        time_s, recorded signals, fitted SaO2, and for each controller its
        SaO2, FiO2 and open-loop orders.
    """
    low, middle, high = interval(result.recovered.widened(result.recovered.fitted_pct))
    columns = {
        "time_s": np.arange(len(result.recording)),
        "recorded_spo2_pct": result.recording.spo2_pct,
        "recorded_fio2": result.recording.fio2,
        "fitted_sao2_pct": middle,
        "fitted_sao2_low_pct": low,
        "fitted_sao2_high_pct": high,
    }
    for item in result.what_if:
        ends = ("_low", "", "_high")
        for end, sao2, fio2 in zip(ends, item.sao2, item.set_fio2, strict=True):
            columns[f"{item.name}_sao2{end}_pct"] = sao2
            columns[f"{item.name}_set_fio2{end}"] = fio2
    for orders in result.orders:
        columns[f"{orders.name}_open_loop_fio2"] = orders.fio2
    return pd.DataFrame(columns)


__all__ = [
    "answer",
    "course_frame",
    "expected_error",
    "manifest",
    "replay_page",
    "save_replay",
    "supposed_bias",
    "warnings",
]
