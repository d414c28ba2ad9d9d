"""Find, read, change and write scenarios.

A scenario is a TOML file. Those that come with the testbed are known by name,
others by path; a change from the command line passes the same checks.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pandas as pd

from ..loop.registry import absolute_spec, controller_names, load_controller, names_a_file
from ..models.errors import TestbedError, nearest, problem
from .scenario_settings import (
    NAME_PATTERN,
    ArmSettings,
    CohortSource,
    ReportSettings,
    RunSettings,
    Scenario,
    TargetSettings,
    check_named_infants,
    contradictions,
)
from .settings_reader import Place, Shown, build, read_fields, refuse
from .settings_writer import settings_rows, settings_toml

_SHIPPED = Path(__file__).parent / "scenarios"

#: Fields of `GasSettings` that the mode of support decides.
CIRCUIT_KEYS = ("circuit_volume_ml", "flow_l_min")

_HEAD = """\
# Every setting of this scenario, with its unit and meaning.
# Teaching and engineering software, not a medical device.

"""


def scenario_names() -> list[str]:
    """List the scenarios that come with the testbed.

    Returns
    -------
    list of str
        Names for `load_scenario`, sorted.
    """
    return sorted(path.stem for path in _SHIPPED.glob("*.toml"))


def load_scenario(name_or_path: str | Path) -> Scenario:
    """Read a scenario, by the name of a shipped one or by the path of a file.

    Parameters
    ----------
    name_or_path : str or Path
        A name from `scenario_names`, or a path to a TOML file. Files named
        inside it are looked for beside it.

    Returns
    -------
    Scenario

    Raises
    ------
    TestbedError
        If there is no such scenario, or with every problem of the file.
    """
    path = _find(name_or_path)
    label = path.name if path.parent == _SHIPPED else str(path)
    return scenario_from_table(_parse(path, label), label, path.parent)


def scenario_from_table(
    table: Mapping[str, Any], where: str, folder: Path | None = None
) -> Scenario:
    """Make a scenario of keys and values, as they stand in a file.

    Parameters
    ----------
    table : mapping
        As `tomllib` gives it.
    where : str
        Name of the file, for the messages.
    folder : Path, optional
        Where relative paths start; the working folder if left out.

    Returns
    -------
    Scenario

    Raises
    ------
    TestbedError
        With every problem of the table, a line each.
    """
    place, problems = Place(where), list[str]()
    table = _with_absolute_paths(table, folder or Path.cwd())
    values = read_fields(Scenario, table, place, problems)
    problems += contradictions(values, place)
    problems += _circuit_problems(table.get("gas"), place.at("gas"))
    problems += _cohort_problems(table.get("cohort"), place.at("cohort"))
    for arm in values.get("arms", ()):
        problems += _controller_problems(arm, place.at("arms").item(arm.name))
    refuse(problems)
    scenario = build(Scenario, values, place, problems)
    refuse(problems)
    made: Scenario = scenario
    return made


def override(
    scenario: Scenario, changes: Mapping[str, object], where: str = "command line"
) -> Scenario:
    """Change settings by their dotted keys; the result passes every check again.

    Parameters
    ----------
    scenario : Scenario
        Stays as it is.
    changes : mapping
        Dotted keys, such as ``"run.duration_h"``, and new values. ``"arms"``
        takes a whole list of tables.
    where : str, optional
        What the messages call the source of the changes.

    Returns
    -------
    Scenario
        With fewer infants, it keeps traces of those that are left, unless
        `changes` name the infants to trace.

    Raises
    ------
    TestbedError
        With every problem of the changes.
    """
    table = _table_of(scenario)
    if changes.get("cohort.csv"):
        table["cohort"] = {}  # the file decides; the drawn cohort's keys go
    if "support.mode" in changes:
        table["support"] = {}  # each mode has keys of its own
    for key, value in changes.items():
        _put(table, key, value, where)
    count = changes.get("cohort.infants")
    if isinstance(count, int) and "report.trace_infants" not in changes:
        kept = [infant for infant in scenario.report.trace_infants if infant < count]
        table["report"]["trace_infants"] = kept
    return scenario_from_table(table, where)


def parse_setting(text: str) -> tuple[str, object]:
    """Split a setting as written on a command line.

    Parameters
    ----------
    text : str
        ``key=value`` with a dotted key; the value is written as in TOML, but
        a single word needs no quotes.

    Returns
    -------
    tuple of (str, object)
        For `override`.

    Raises
    ------
    TestbedError
        If there is no ``=`` or no key.
    """
    key, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not key:
        raise problem("command line", "key=value, such as run.duration_h=4", text)
    try:
        read = tomllib.loads(f"value = {value}")
    except ValueError:
        return key, value
    return key, read["value"] if len(read) == 1 else value


def to_toml(scenario: Scenario) -> str:
    """Write a scenario with every value, its unit and its meaning.

    Parameters
    ----------
    scenario : Scenario
        The scenario.

    Returns
    -------
    str
        TOML that reads back into an equal scenario.
    """
    unused = _unused(scenario)
    return _HEAD + settings_toml(scenario, unused)


def scenario_table(scenario: Scenario) -> pd.DataFrame:
    """List every setting that has an effect.

    Parameters
    ----------
    scenario : Scenario
        The scenario.

    Returns
    -------
    pandas.DataFrame
        Columns ``key``, ``value`` (text), ``unit``, ``meaning`` and
        ``source``: "default", or "set" where the value is not the default.
    """
    unused = _unused(scenario)
    rows = [row for row in settings_rows(scenario) if row["key"] not in unused]
    return pd.DataFrame(rows, columns=["key", "value", "unit", "meaning", "source"])


def _find(name_or_path: str | Path) -> Path:
    name = str(name_or_path)
    by_name = isinstance(name_or_path, str) and bool(NAME_PATTERN.fullmatch(name))
    path = _SHIPPED / f"{name}.toml" if by_name else Path(name_or_path)
    if path.is_file():
        return path
    hint = nearest(path.stem, scenario_names())
    if by_name:
        own = "A file of your own is given by its path, such as ./mine.toml."
        raise problem("scenario", "the name of a scenario", name, f"{hint} {own}")
    raise problem("scenario", "a file that exists", name, f"Or a name. {hint}")


def _parse(path: Path, label: str) -> dict[str, Any]:
    try:
        text = path.read_text(encoding="utf-8-sig")  # some editors put a mark in front
    except UnicodeDecodeError as error:
        came = Shown(f"a byte that is not, at position {error.start}")
        raise problem(label, "text in UTF-8", came, "Save the file as UTF-8.") from error
    except OSError as error:
        raise problem(label, "a file that can be read", Shown(error.strerror)) from error
    try:
        return tomllib.loads(text)
    except ValueError as error:  # also a number with thousands of digits
        raise _syntax_problem(label, text, str(error)) from error


def _syntax_problem(label: str, text: str, message: str) -> TestbedError:
    """Tell the line, and the slip of the pen that is most common there."""
    lines = text.splitlines() or [""]
    found = re.search(r"\(at line (\d+), column \d+\)", message)
    number = min(int(found.group(1)) if found else len(lines), len(lines))
    line = lines[number - 1].strip()
    hint = message.partition(" (at ")[0] + "."
    if re.search(r"=\s*[+-]?\d+,\d", line):
        hint += " Numbers take a point, not a comma."
    elif re.search(r"=\s*[A-Za-z]", line):
        hint += " Texts stand in quotes."
    return problem(f"{label}, line {number}", "TOML, such as key = value", line, hint)


def _with_absolute_paths(table: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Make the files that a scenario names independent of the working folder."""
    made = dict(table)
    cohort, arms = table.get("cohort"), table.get("arms")
    if isinstance(cohort, Mapping) and isinstance(cohort.get("csv"), str) and cohort["csv"]:
        made["cohort"] = {**cohort, "csv": str((folder / cohort["csv"]).resolve())}
    if isinstance(arms, (list, tuple)):
        made["arms"] = [_with_absolute_spec(arm, folder) for arm in arms]
    return made


def _with_absolute_spec(arm: Any, folder: Path) -> Any:
    if isinstance(arm, Mapping) and isinstance(arm.get("controller"), str):
        return {**arm, "controller": absolute_spec(arm["controller"], folder)}
    return arm


def _circuit_problems(raw: Any, place: Place) -> list[str]:
    """Refuse circuit settings under gas; the mode of support has its own volume and flow."""
    if not isinstance(raw, Mapping):
        return []
    return [
        str(problem(str(place.at(name)), f"this key under [support] ({name})", raw[name]))
        for name in CIRCUIT_KEYS
        if name in raw
    ]


def _cohort_problems(raw: Any, place: Place) -> list[str]:
    csv = raw.get("csv") if isinstance(raw, Mapping) else None
    if not csv or not isinstance(csv, str):
        return []
    hint = "The cohort file decides; leave this key out."
    found = [
        str(problem(str(place.at(name)), "nothing beside csv", raw[name], hint))
        for name in CohortSource(csv=csv).unused_keys
        if name in raw
    ]
    if not Path(csv).is_file():
        found.append(str(problem(str(place.at("csv")), "a file that exists", csv)))
    return found


def _controller_problems(arm: ArmSettings, place: Place) -> list[str]:
    """Try a controller that has a name; a user's file runs only when a run begins."""
    if arm.kind != "controller" or names_a_file(arm.controller):
        return []
    known = controller_names()
    if arm.controller not in known:
        hint = nearest(arm.controller, known) + " Or file.py:ClassName."
        where = str(place.at("controller"))
        return [str(problem(where, "a known controller", arm.controller, hint))]
    try:
        load_controller(arm.controller, arm.options)
    except TestbedError as error:
        return [f"{place.at('options')}: {error}"]
    return []


def _table_of(scenario: Scenario) -> dict[str, Any]:
    table = asdict(scenario)
    for name in _unused(scenario):
        section, _, key = name.partition(".")
        del table[section][key]
    table["support"]["mode"] = scenario.support.mode
    for item in table["script"]:
        if math.isnan(item["value"]):  # nobody gave it
            del item["value"]
    return table


def _unused(scenario: Scenario) -> set[str]:
    """Name the settings without effect: what a cohort file or the support mode decides."""
    cohort = {f"cohort.{name}" for name in scenario.cohort.unused_keys}
    return cohort | {f"gas.{name}" for name in CIRCUIT_KEYS}


def _put(table: dict[str, Any], key: str, value: object, where: str) -> None:
    *sections, last = key.split(".")
    inside: Any = table
    for section in sections:
        inside = inside.setdefault(section, {})
        if not isinstance(inside, dict):
            hint = f"{section!r} has no keys of its own that can be changed here."
            raise problem(f"{where}: {key}", "a known key", value, hint)
    inside[last] = value


__all__ = [
    "ArmSettings",
    "CohortSource",
    "ReportSettings",
    "RunSettings",
    "Scenario",
    "TargetSettings",
    "check_named_infants",
    "load_scenario",
    "override",
    "parse_setting",
    "scenario_from_table",
    "scenario_names",
    "scenario_table",
    "to_toml",
]
