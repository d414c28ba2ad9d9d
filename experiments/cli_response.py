"""The command `oxytestbed response`."""

from __future__ import annotations

import argparse
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..loop.arms import ArmSpec

DEFAULT_SCENARIO = "unstable_group"


def add_response(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the program.

    Parameters
    ----------
    commands : argparse subparsers action
        Where to add it.
    """
    parser = commands.add_parser(
        "response",
        help="step responses and stability margins of controllers on undisturbed infants",
    )
    parser.add_argument(
        "scenario",
        nargs="?",
        default=DEFAULT_SCENARIO,
        help=f"name of a shipped scenario or path of a TOML file (default: {DEFAULT_SCENARIO})",
    )
    parser.add_argument(
        "--controller",
        action="append",
        default=[],
        metavar="SPEC",
        help="a built-in name or my_controller.py:MyController; may be repeated "
        "(default: the controllers of the scenario)",
    )
    parser.add_argument("--infants", type=int, metavar="N", help="number of infants")
    parser.add_argument("--seed", type=int, metavar="S", help="seed of the infants")
    parser.add_argument("--cohort", metavar="CSV", help="infants of your own")
    parser.add_argument(
        "--target-step", type=float, metavar="POINTS", help="step of the target (default: 2)"
    )
    parser.add_argument(
        "--ideal",
        action="store_true",
        help="show the steps without whole percents and blender steps",
    )
    parser.add_argument(
        "--no-trial",
        action="store_true",
        help="leave out the margins by trial, which take most of the time",
    )
    parser.add_argument("--out", metavar="DIR", help="result folder; must not exist yet")
    parser.set_defaults(run=_response)


def _arms(specs: list[str]) -> list[ArmSpec]:
    """Name each controller by its class, file or built-in; by its number where two are alike."""
    from ..loop.arms import ArmSpec

    names = [Path(spec.rpartition(":")[2]).stem or f"controller{n}" for n, spec in enumerate(specs)]
    return [
        ArmSpec(name=name if names.count(name) == 1 else f"{name}_{n}", controller=spec)
        for n, (name, spec) in enumerate(zip(names, specs, strict=True))
    ]


def _response(given: argparse.Namespace) -> int:
    from .progress import ProgressLine
    from .response_report import answer, save_response
    from .response_trial import ResponseSettings, try_response
    from .result_folder import free_folder, refuse_taken
    from .scenario import load_scenario, override

    scenario = load_scenario(given.scenario)
    named = {"cohort.infants": given.infants, "seed": given.seed, "cohort.csv": given.cohort}
    changes = {key: value for key, value in named.items() if value is not None}
    if changes:
        scenario = override(scenario, changes)
    options = {} if given.target_step is None else {"target_step_pct": given.target_step}
    settings = ResponseSettings(rounded=not given.ideal, by_trial=not given.no_trial, **options)
    folder = (
        Path(given.out) if given.out else free_folder(Path("runs") / f"response_{scenario.name}")
    )
    refuse_taken(folder)
    line = ProgressLine(sys.stderr)
    part_s = scenario.cohort.infants * (settings.step_at_s + settings.after_s)
    result = try_response(
        scenario,
        _arms(given.controller),
        settings,
        lambda done, total: line(done * part_s, total * part_s),
    )
    line.close()
    page = save_response(result, folder, command=shlex.join(_words(given)))
    sys.stdout.write("\n".join(answer(result)) + f"\n\nReport: {page}\n")
    return 0


def _words(given: argparse.Namespace) -> list[str]:
    """Write the command again, as one would type it."""
    words = ["oxytestbed", "response", str(given.scenario)]
    for value in given.controller:
        words += ["--controller", value]
    for name in ("infants", "seed", "cohort", "target_step"):
        value = getattr(given, name)
        if value is not None:
            words += [f"--{name.replace('_', '-')}", str(value)]
    words += ["--ideal"] if given.ideal else []
    return words + (["--no-trial"] if given.no_trial else [])
