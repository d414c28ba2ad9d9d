"""The command `oxytestbed safeguards`."""

from __future__ import annotations

import argparse
import shlex
import sys
from pathlib import Path


def add_safeguards(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command that takes safeguards away one by one.

    Parameters
    ----------
    commands : argparse subparsers action
        Where to add it.
    """
    parser = commands.add_parser(
        "safeguards", help="take each safeguard away in turn, in every hazard, and write a report"
    )
    parser.add_argument(
        "--controller",
        metavar="SPEC",
        help="as for `compare` (default: a PI without safeguards of its own)",
    )
    parser.add_argument("--infants", type=int, metavar="N", help="infants in every hazard")
    parser.add_argument("--seed", type=int, metavar="S", help="seed of all random draws")
    parser.add_argument(
        "--hazard",
        action="append",
        default=[],
        metavar="NAME",
        help="only this hazard; may be repeated",
    )
    parser.add_argument("--workers", type=int, metavar="N", help="processes (default: all cores)")
    parser.add_argument("--out", metavar="DIR", help="result folder; must not exist yet")
    parser.set_defaults(run=_safeguards)


def _safeguards(given: argparse.Namespace) -> int:
    from .progress import ProgressLine
    from .result_folder import free_folder, refuse_taken
    from .safeguard_page import answer, points, save_safeguards
    from .safeguards import SafeguardTrial, try_safeguards

    named = {
        "controller": given.controller,
        "infants": given.infants,
        "seed": given.seed,
        "hazards": tuple(given.hazard) or None,
    }
    trial = SafeguardTrial(**{key: value for key, value in named.items() if value is not None})
    folder = Path(given.out) if given.out else free_folder(Path("runs") / "safeguards")
    refuse_taken(folder)
    line = ProgressLine(sys.stderr)
    lane_s = trial.infants * 16 * (trial.trial.settle_s + trial.trial.watch_s)
    result = try_safeguards(
        trial,
        workers=given.workers,
        progress=lambda done, total: line(
            done * lane_s * len(trial.hazards), total * lane_s * len(trial.hazards)
        ),
    )
    line.close()
    page = save_safeguards(result, folder, shlex.join(words_of(given, "safeguards")))
    told = [*answer(result), "", *points(result), "", f"Report: {page}"]
    sys.stdout.write("\n".join(told) + "\n")
    return 1 if result.errors else 0


def words_of(given: argparse.Namespace, command: str) -> list[str]:
    """Write a command again, as one would type it.

    Parameters
    ----------
    given : argparse.Namespace
        What was given; files and processes are left out.
    command : str
        Name of the command.

    Returns
    -------
    list of str
    """
    words = ["oxytestbed", command]
    for name, value in sorted(vars(given).items()):
        if name in ("command", "run", "out", "workers") or value in (None, []):
            continue
        for one in value if isinstance(value, list) else [value]:
            words += [f"--{name.replace('_', '-')}", str(one)]
    return words


__all__ = ["add_safeguards", "words_of"]
