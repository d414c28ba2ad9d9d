"""The command line. The only place that prints and that sets an exit status."""

from __future__ import annotations

import argparse
import shlex
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from .. import __version__
from ..models.errors import TestbedError
from .cli_options import add_scenario_options, chosen_scenario, command_words, with_controllers
from .commands import add_commands

if TYPE_CHECKING:
    from .result import ComparisonResult
    from .scenario_settings import Scenario

CAUTION = (
    "Teaching and engineering software, not a medical device. It gives no advice for any "
    "infant: local protocols and licensed clinicians decide."
)

#: Commands that keep what had finished when they are stopped.
RESUMABLE = ("compare", "targets")

#: Exit status: something failed on the way, the input cannot be used, stopped by hand.
FAILED, UNUSABLE, STOPPED = 1, 2, 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Words after the program's name; those of the process if left out.

    Returns
    -------
    int
        Exit status: 0, 1 if a part failed, 2 for input that cannot be used,
        130 if stopped by hand.
    """
    words = sys.argv[1:] if arguments is None else list(arguments)
    given = _parser(words).parse_args(words)
    run: Callable[[argparse.Namespace], int] = given.run
    try:
        return run(given)
    except TestbedError as error:
        print(f"oxytestbed {given.command}: {error}", file=sys.stderr)
        return UNUSABLE
    except KeyboardInterrupt:
        kept = "; what had finished is kept, and the same command goes on from there"
        tail = kept if given.command in RESUMABLE else ""
        print(f"\nStopped. No result was written{tail}.", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:  # the reader, such as `head`, has gone
        sys.stderr.close()
        return 0


def _tell(line: str) -> None:
    """Write a line at once, for commands whose modules may not print."""
    print(line, flush=True)


def _parser(words: Sequence[str]) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="oxytestbed",
        description="A closed-loop oxygen controller testbed: try inspired-oxygen controllers "
        "on virtual newborn infants, against adjustment by hand.",
        epilog=CAUTION,
    )
    parser.add_argument("--version", action="version", version=f"oxytestbed {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _add_compare(commands)
    _add_check(commands)
    _add_template(commands)
    _add_scenarios(commands)
    _add_cohort(commands)
    chosen = next((word for word in words if not word.startswith("-")), "")
    add_commands(commands, chosen, _tell, CAUTION)
    return parser


def _add_compare(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "compare", help="put every arm on the same infants and write a report", epilog=CAUTION
    )
    add_scenario_options(parser)
    parser.add_argument(
        "--controller",
        action="append",
        default=[],
        metavar="[NAME=]SPEC",
        help="one more arm: a built-in name, my_controller.py:MyController, my_controller.so "
        "or 'program:COMMAND'; may be repeated",
    )
    parser.add_argument(
        "--oracle",
        action="store_true",
        help="find the offline optimum, too: a bound that sees the truth and the future, no "
        "controller; takes 4 to 15 s of one core for each infant and hour",
    )
    parser.add_argument("--workers", type=int, metavar="N", help="processes (default: all cores)")
    parser.add_argument(
        "--scheduler",
        default="",
        metavar="ADDRESS",
        help="run on the workers of this Dask scheduler, such as tcp://192.0.2.1:8786; "
        "--workers says into how many parts the work is cut",
    )
    parser.add_argument("--out", metavar="DIR", help="result folder; must not exist yet")
    parser.add_argument(
        "--brief", action="store_true", help="write tables and figures only: no traces, no report"
    )
    parser.set_defaults(run=_compare)


def _add_check(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("check", help="check a controller against the contract")
    parser.add_argument("controller", help="as for `compare --controller`")
    parser.set_defaults(run=_check)


def _add_template(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("template", help="write a working controller to start from")
    parser.add_argument("path", type=Path, help="file to write, such as my_controller.py or .c")
    parser.add_argument("--force", action="store_true", help="overwrite the file if it exists")
    parser.set_defaults(run=_template)


def _add_scenarios(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "scenarios", help="list the shipped scenarios, or show one with every setting"
    )
    parser.add_argument("scenario", nargs="?", help="name or path of the one to show")
    parser.add_argument("--events", action="store_true", help="list what a script can do")
    parser.set_defaults(run=_scenarios)


def _add_cohort(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("cohort", help="write the infants of a scenario as CSV")
    add_scenario_options(parser)
    parser.add_argument("--out", required=True, type=Path, metavar="CSV", help="file to write")
    parser.set_defaults(run=_cohort)


def _compare(given: argparse.Namespace) -> int:
    from .compare import compare
    from .progress import ProgressLine
    from .result_folder import free_folder, refuse_taken, save
    from .scenario import override

    scenario = with_controllers(chosen_scenario(given), given.controller)
    if given.oracle:
        scenario = override(scenario, {"report.oracle": True})
    if given.workers is not None and given.workers < 1:
        raise TestbedError(f"--workers: expected a whole number from 1, got {given.workers}")
    folder = Path(given.out) if given.out else free_folder(Path("runs") / scenario.name)
    refuse_taken(folder)
    print(_headline(scenario))
    line = ProgressLine(sys.stderr)
    result = compare(
        scenario,
        workers=given.workers,
        progress=line,
        command=shlex.join(
            command_words(
                given,
                "compare",
                ("infants", "hours", "seed", "cohort", "workers", "out"),
                ("set", "controller"),
            )
            + (["--oracle"] if given.oracle else [])
        ),
        keep_beside=folder,
        scheduler=given.scheduler,
    )
    line.close()
    report = save(result, folder, brief=given.brief)
    print(main_table_text(result))
    for arm, error in result.failures.items():
        print(f"arm {arm!r} failed: {error}", file=sys.stderr)
    print(f"\n{'Tables' if given.brief else 'Report'}: {report}\n{CAUTION}")
    return FAILED if result.failures else 0


def _headline(scenario: Scenario) -> str:
    who = (
        f"infants of {Path(scenario.cohort.csv).name}"
        if scenario.cohort.csv
        else f"{scenario.cohort.infants} infants"
    )
    arms = ", ".join(arm.name for arm in scenario.arms)
    bound = " and the offline optimum" if scenario.report.oracle else ""
    return f"{scenario.title}: {who} x {scenario.run.duration_h:g} h, arms {arms}{bound}"


def main_table_text(result: ComparisonResult) -> str:
    """Lay out the main table for the terminal: median (quartiles) by arm.

    Parameters
    ----------
    result : ComparisonResult
        The result.

    Returns
    -------
    str
    """
    from .report_tables import main_table

    table = main_table(result)
    rows = [table.head, *(row.cells for row in table.rows)]
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    lines = ["  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)) for row in rows]
    return "\n" + "\n".join(line.rstrip() for line in lines)


def _check(given: argparse.Namespace) -> int:
    from ..loop.check import check_controller
    from ..loop.registry import load_controller, refuse_missing

    refuse_missing(given.controller)
    results = check_controller(lambda: load_controller(given.controller))
    for item in results:
        print(f"{'pass' if item.passed else 'FAIL'}  {item.name}: {item.explanation}")
    failed = sum(not item.passed for item in results)
    print(f"{len(results) - failed} of {len(results)} checks passed.")
    return FAILED if failed else 0


def _template(given: argparse.Namespace) -> int:
    from .template import next_steps, write_template

    path = write_template(given.path, force=given.force)
    print(f"Wrote {path}. Next:", *next_steps(path), sep="\n  ")
    return 0


def _scenarios(given: argparse.Namespace) -> int:
    from ..loop.script import ACTIONS
    from ..models.settings import range_text
    from .scenario import load_scenario, scenario_names, to_toml

    if given.events:
        for action in ACTIONS.values():
            print(f"{action.name}: {action.doc} ({range_text(action.metadata)})")
        return 0
    if given.scenario:
        print(to_toml(load_scenario(given.scenario)), end="")
        return 0
    for name in scenario_names():
        scenario = load_scenario(name)
        print(f"{name}: {scenario.title}\n    {scenario.question}")
    return 0


def _cohort(given: argparse.Namespace) -> int:
    from .cohort_files import write_infants
    from .compare import scenario_infants

    infants, redraws = scenario_infants(chosen_scenario(given))
    try:
        write_infants(infants, given.out)
    except OSError as error:
        raise TestbedError(f"cannot write {given.out}: {error.strerror}") from error
    print(f"Wrote {len(infants)} infants to {given.out} ({redraws} draws were thrown away).")
    return 0


if __name__ == "__main__":
    sys.exit(main())
