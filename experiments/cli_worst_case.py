"""The command `oxytestbed worst-case`."""

from __future__ import annotations

import argparse
import shlex
import sys
from pathlib import Path


def add_worst_case(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command that searches for the worst case.

    Parameters
    ----------
    commands : argparse subparsers action
        Where to add it.
    """
    parser = commands.add_parser(
        "worst-case",
        help="search for the infant and disturbance that do most harm or break a requirement",
    )
    parser.add_argument(
        "--controller", metavar="SPEC", help="as for `compare --controller` (default: pi)"
    )
    parser.add_argument("--bare", action="store_true", help="without safeguards")
    parser.add_argument(
        "--goal",
        metavar="NAME",
        help="harm (default), or a requirement to break, such as low_saturation",
    )
    parser.add_argument("--batch", type=int, metavar="N", help="candidates tried at once")
    parser.add_argument("--generations", type=int, metavar="N", help="for each of the settings")
    parser.add_argument("--seed", type=int, metavar="S", help="seed of the search")
    parser.add_argument("--out", metavar="DIR", help="result folder; must not exist yet")
    parser.set_defaults(run=_worst_case)


def _worst_case(given: argparse.Namespace) -> int:
    from .progress import ProgressLine
    from .result_folder import free_folder, refuse_taken
    from .worst_case import WorstCaseSettings, search_worst_case
    from .worst_case_page import answer, save_worst_case

    names = ("controller", "goal", "batch", "generations", "seed")
    named = {name: getattr(given, name) for name in names}
    settings = WorstCaseSettings(
        bare=given.bare, **{key: value for key, value in named.items() if value is not None}
    )
    folder = Path(given.out) if given.out else free_folder(Path("runs") / "worst_case")
    refuse_taken(folder)
    line = ProgressLine(sys.stderr)
    result = search_worst_case(settings, lambda done, total: line(1800 * done, 1800 * total))
    line.close()
    words = ["oxytestbed", "worst-case", *(["--bare"] if given.bare else [])]
    for name, value in named.items():
        words += [] if value is None else [f"--{name}", str(value)]
    page = save_worst_case(result, folder, shlex.join(words))
    sys.stdout.write("\n".join([*answer(result), "", f"Report: {page}"]) + "\n")
    return 0


__all__ = ["add_worst_case"]
