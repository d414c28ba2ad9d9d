"""Options that several commands of the command line share, and what they stand for."""

from __future__ import annotations

import argparse
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .scenario_settings import Scenario

DEFAULT_SCENARIO = "settled_night"


def add_scenario_options(parser: argparse.ArgumentParser) -> None:
    """Add the scenario, and what a command line can change of it, to a command.

    Parameters
    ----------
    parser : argparse.ArgumentParser
        The command.
    """
    parser.add_argument(
        "scenario",
        nargs="?",
        default=DEFAULT_SCENARIO,
        help=f"name of a shipped scenario or path of a TOML file (default: {DEFAULT_SCENARIO})",
    )
    parser.add_argument("--infants", type=int, metavar="N", help="number of infants")
    parser.add_argument("--hours", type=float, metavar="H", help="simulated hours, with warm-up")
    parser.add_argument("--seed", type=int, metavar="S", help="seed of all random draws")
    parser.add_argument(
        "--cohort", metavar="CSV", help="infants of your own; see `oxytestbed cohort`"
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="any other setting, such as target.low_pct=91; may be repeated",
    )


def chosen_scenario(given: argparse.Namespace, infants: int | None = None) -> Scenario:
    """Read the scenario and apply what the command line changes.

    Parameters
    ----------
    given : argparse.Namespace
        The options of `add_scenario_options`.
    infants : int, optional
        Number of infants to draw where the command line does not say.

    Returns
    -------
    Scenario

    Raises
    ------
    TestbedError
        If something cannot be used.
    """
    from .scenario import load_scenario, override, parse_setting

    named = {
        "cohort.infants": given.infants,
        "run.duration_h": given.hours,
        "seed": given.seed,
        "cohort.csv": given.cohort,
    }
    changes: dict[str, object] = {key: v for key, v in named.items() if v is not None}
    changes.update(parse_setting(text) for text in given.set)
    scenario = load_scenario(given.scenario)
    if infants is not None and not (given.cohort or scenario.cohort.csv):
        changes.setdefault("cohort.infants", infants)
    return override(scenario, changes) if changes else scenario


def with_controllers(scenario: Scenario, specs: Sequence[str]) -> Scenario:
    """Add an arm for each controller of the command line, and try to load it.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    specs : sequence of str
        As written, with or without a name.

    Returns
    -------
    Scenario

    Raises
    ------
    TestbedError
        If a controller cannot be loaded.
    """
    from dataclasses import asdict

    from ..loop.registry import load_controller
    from .scenario import override

    if not specs:
        return scenario
    arms = [asdict(arm) for arm in scenario.arms]
    for text in specs:
        name, spec = named_controller(text)
        load_controller(spec)
        arms.append({"name": name, "kind": "controller", "controller": spec})
    return override(scenario, {"arms": arms})


def named_controller(text: str) -> tuple[str, str]:
    """Split ``name=spec``; without a name, make one of the class, file or built-in.

    Parameters
    ----------
    text : str
        As written on a command line.

    Returns
    -------
    name, spec : str
    """
    name, equals, spec = text.partition("=")
    if equals and re.fullmatch(r"[a-z0-9_-]+", name):
        return name, spec
    last = Path(text.rpartition(":")[2]).stem
    words = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", last).lower()
    return re.sub(r"[^a-z0-9_-]+", "_", words).strip("_") or "controller", text


def command_words(
    given: argparse.Namespace, command: str, single: Sequence[str], repeated: Sequence[str]
) -> list[str]:
    """Write a command again, as one would type it.

    Parameters
    ----------
    given : argparse.Namespace
        What was given; its `scenario` comes first.
    command : str
        Name of the command.
    single, repeated : sequence of str
        Options that are given once, and those that may be repeated.

    Returns
    -------
    list of str
    """
    words = ["oxytestbed", command, str(given.scenario)]
    for option in single:
        value = getattr(given, option)
        if value is not None:
            words += [f"--{option}", str(value)]
    for option in repeated:
        for value in getattr(given, option):
            words += [f"--{option}", value]
    return words


__all__ = [
    "DEFAULT_SCENARIO",
    "add_scenario_options",
    "chosen_scenario",
    "command_words",
    "named_controller",
    "with_controllers",
]
