"""The command `oxytestbed tune`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from ..models.errors import problem

if TYPE_CHECKING:
    from .tune import TuneResult
    from .tune_settings import SearchRange


def add_tune(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the program.

    Parameters
    ----------
    commands : argparse subparsers action
        Where to add it.
    """
    parser = commands.add_parser(
        "tune", help="search for a controller's best options and judge them on other infants"
    )
    parser.add_argument("controller", help="a built-in name or my_controller.py:MyController")
    parser.add_argument(
        "--range",
        action="append",
        default=[],
        metavar="OPTION=LOW:HIGH",
        help="an option and where to search for it; may be repeated (default: the built-in's own)",
    )
    parser.add_argument("--infants", type=int, metavar="N", help="infants of each stratum")
    parser.add_argument("--hours", type=float, metavar="H", help="simulated hours, with warm-up")
    parser.add_argument("--warmup", type=float, metavar="H", help="hours that are not counted")
    parser.add_argument("--seed", type=int, metavar="S", help="seed of the search")
    parser.add_argument("--test-seed", type=int, metavar="S", help="seed of the judgement")
    parser.add_argument(
        "--guard",
        type=float,
        metavar="K",
        help="response to FiO2 on which no candidate may swing (points per point, 0: none)",
    )
    parser.add_argument("--evaluations", type=int, metavar="N", help="most candidates to try")
    parser.add_argument("--out", metavar="DIR", help="result folder; must not exist yet")
    parser.set_defaults(run=_tune)


def parse_range(text: str) -> SearchRange:
    """Read a range as written on a command line.

    Parameters
    ----------
    text : str
        ``option=low:high``.

    Returns
    -------
    SearchRange

    Raises
    ------
    TestbedError
        If it is not of that form.
    """
    from .tune_settings import SearchRange

    option, equals, ends = text.partition("=")
    low, colon, high = ends.partition(":")
    try:
        if not equals or not colon:
            raise ValueError
        return SearchRange(option=option.strip(), low=float(low), high=float(high))
    except ValueError as error:
        hint = "Both ends are numbers above 0, the lower one first."
        expected = "option=low:high, such as gain_per_pct=0.001:0.01"
        raise problem("--range", expected, text, hint) from error


def table_text(result: TuneResult) -> str:
    """Lay out what was found and what it is worth, for the terminal.

    Parameters
    ----------
    result : TuneResult
        The result.

    Returns
    -------
    str
    """
    options = ", ".join(f"{name} = {value:g}" for name, value in result.options.items())
    shown = result.table.drop(columns="error")
    numbers = shown.to_string(index=False, float_format=lambda value: f"{value:.2f}")
    where = f"{2 * result.settings.infants} other infants (seed {result.settings.test_seed})"
    return f"{result.controller}: {options}\nMeans over {where}:\n{numbers}\n"


def _tune(given: argparse.Namespace) -> int:
    from .progress import ProgressLine
    from .result_folder import free_folder, refuse_taken
    from .tune import save_tuning, tune
    from .tune_settings import TuneSettings

    named = {
        "infants": given.infants,
        "duration_h": given.hours,
        "warmup_h": given.warmup,
        "seed": given.seed,
        "test_seed": given.test_seed,
        "guard_response": given.guard,
        "evaluations": given.evaluations,
    }
    settings = TuneSettings(**{key: value for key, value in named.items() if value is not None})
    stem = Path(str(given.controller).rpartition(":")[2]).stem
    folder = Path(given.out) if given.out else free_folder(Path("runs") / f"tune_{stem}")
    refuse_taken(folder)
    infant_s = 2 * settings.infants * round(3600 * settings.duration_h)
    line = ProgressLine(sys.stderr)
    result = tune(
        given.controller,
        [parse_range(text) for text in given.range],
        settings,
        lambda done, total: line(done * infant_s, total * infant_s),
    )
    line.close()
    path = save_tuning(result, folder)
    sys.stdout.write(f"{table_text(result)}Options as an arm of a scenario: {path}\n")
    return 0
