"""What a session at the cot leaves: outcomes side by side, courses, events, a folder."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Lock
from typing import Any

import pandas as pd

from ..loop.event_log import EventRecord
from ..loop.outcomes import OUTCOMES, outcomes_of
from ..loop.trace import Trace
from .compare_tables import trace_frame
from .cot_bench import COTS, CotBench, CotChoice
from .result_folder import free_folder, write_table, write_whole
from .scenario import to_toml
from .scenario_settings import Scenario

#: Outcomes that are shown at the cot. Convention (b), because a session is
#: mostly shorter than the hour on oxygen that convention (a) needs.
SHOWN = (
    "time_in_target_pct_b",
    "time_below_target_pct_b",
    "time_above_target_pct_b",
    "time_below_80_pct_b",
    "hypoxia_burden_80_pct_s_per_h",
    "hypoxia_burden_target_pct_s_per_h",
    "hyperoxia_burden_pct_s_per_h",
    "time_in_target_pct_b_sao2",
    "pao2_above_80_pct_b",
    "mean_fio2_pct",
    "fio2_changes_per_h",
)

_SAVING = Lock()


@dataclass(frozen=True, kw_only=True)
class CotResult:
    """A session that is over, or its beginning.

    Attributes
    ----------
    scenario : Scenario
        The scenario, with what the person made happen in its script.
    choice : CotChoice
        What the person chose.
    courses : tuple of Trace
        Of both cots, the person's first.
    events : list of EventRecord
        What happened.
    failures : dict of str to str
        Cots whose controller failed, with the reason.
    """

    scenario: Scenario
    choice: CotChoice
    courses: tuple[Trace, ...]
    events: list[EventRecord]
    failures: dict[str, str]


def result_of(scenario: Scenario, choice: CotChoice, bench: CotBench) -> CotResult:
    """Take the result out of a bench.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    choice : CotChoice
        What the person chose.
    bench : CotBench
        Between two ticks.

    Returns
    -------
    CotResult
    """
    script = (*(replace(item, arms=()) for item in scenario.script), *bench.injected)
    return CotResult(
        scenario=replace(scenario, script=script),
        choice=choice,
        courses=tuple(bench.course(lane) for lane in range(len(COTS))),
        events=list(bench.events),
        failures=bench.failures(),
    )


def outcome_rows(
    courses: Sequence[Trace], low_pct: float, high_pct: float
) -> list[dict[str, object]]:
    """Compute the outcomes of both cots, ready for JSON.

    Parameters
    ----------
    courses : sequence of Trace
        The person's first.
    low_pct, high_pct : float
        Ends of the target range (percent).

    Returns
    -------
    list of dict
        A row for each of `SHOWN`; a value that is not defined is None.
    """
    values = [outcomes_of(course, low_pct, high_pct) for course in courses]
    rows: list[dict[str, object]] = []
    for name in SHOWN:
        outcome = OUTCOMES[name]
        row: dict[str, object] = {
            "name": name,
            "label": outcome.label.replace(", convention (b)", ""),
            "unit": outcome.unit,
            "decimals": outcome.decimals,
            "direction": outcome.direction,
            "definition": outcome.definition,
            "true_signal": outcome.true_signal,
        }
        for cot, found in zip(COTS, values, strict=True):
            row[cot] = None if math.isnan(found[name]) else found[name]
        rows.append(row)
    return rows


def record_csv(courses: Sequence[Trace]) -> str:
    """Write both courses as one table, a row a second.

    Parameters
    ----------
    courses : sequence of Trace
        The person's first.

    Returns
    -------
    str
        CSV; columns carry the name of the cot in front.
    """
    frames = []
    for cot, course in zip(COTS, courses, strict=True):
        frame = trace_frame(course)
        named = {name: f"{cot}_{name}" for name in frame.columns if name != "time_s"}
        frames.append(frame.rename(columns=named).set_index("time_s"))
    return pd.concat(frames, axis=1).reset_index().round(4).to_csv(index=False)


def save_session(result: CotResult, folder: Path) -> Path:
    """Write a session into a new folder.

    Parameters
    ----------
    result : CotResult
        What to write.
    folder : Path
        Where sessions are kept; made if it is not there.

    Returns
    -------
    Path
        The new folder.

    Raises
    ------
    TestbedError
        If it cannot be written.
    """
    with _SAVING:  # two sessions that end together must not choose the same name
        wanted = free_folder(folder / result.scenario.name)
        write_whole(wanted, lambda place: _write(result, place))
    return wanted


def _write(result: CotResult, folder: Path) -> None:
    scenario = result.scenario
    rows = outcome_rows(result.courses, scenario.target.low_pct, scenario.target.high_pct)
    columns = ["name", *COTS, "unit", "label", "definition"]
    write_table(pd.DataFrame(rows, columns=columns), folder / "outcomes.csv")
    for cot, course in zip(COTS, result.courses, strict=True):
        write_table(trace_frame(course), folder / f"trace_{cot}.csv")
    write_table(pd.DataFrame(result.events, columns=EventRecord._fields), folder / "events.csv")
    (folder / "scenario.toml").write_text(to_toml(scenario), encoding="utf-8")
    (folder / "session.json").write_text(json.dumps(_facts(result), indent=2) + "\n", "utf-8")


def _facts(result: CotResult) -> dict[str, Any]:
    choice = result.choice
    return {
        "scenario": result.scenario.name,
        "seed": result.scenario.seed,
        "infant_place": choice.place,
        "controller": choice.controller,
        "options": dict(choice.options),
        "minutes_wanted": choice.minutes,
        "seconds_done": len(result.courses[0]),
        "failures": result.failures,
    }


__all__ = [
    "SHOWN",
    "CotResult",
    "outcome_rows",
    "record_csv",
    "result_of",
    "save_session",
]
