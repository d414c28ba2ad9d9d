"""The command `oxytestbed targets`."""

from __future__ import annotations

import argparse
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from ..models.errors import problem
from .cli_options import add_scenario_options, chosen_scenario, command_words, with_controllers

if TYPE_CHECKING:
    from .target_factors import Factor
    from .targets import TargetsResult

#: Infants of each stratum where the command line does not say.
INFANTS = 20

_SINGLE = ("infants", "hours", "seed", "cohort", "ranges", "cross", "by", "workers", "out")


def add_targets(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the program.

    Parameters
    ----------
    commands : argparse subparsers action
        Where to add it.
    """
    parser = commands.add_parser(
        "targets", help="compare target ranges or other settings on the same infants"
    )
    add_scenario_options(parser)
    parser.add_argument(
        "--ranges", metavar="LIST", help="target ranges (default: 85-89,88-92,90-94,91-95)"
    )
    parser.add_argument(
        "--cross",
        metavar="KEY=LIST",
        help="vary this setting in place of the range, such as oximeter.averaging_s=2,8,16; also "
        "target, target.middle_pct, target.width_pct, support.mode",
    )
    parser.add_argument("--by", metavar="KEY=LIST", help="vary this one too, crossed with it")
    parser.add_argument(
        "--stratum",
        action="append",
        default=[],
        choices=("settled", "unstable"),
        help="stratum of infants; may be repeated (default: both)",
    )
    parser.add_argument(
        "--controller",
        action="append",
        default=[],
        metavar="[NAME=]SPEC",
        help="one more arm, as for `compare`; may be repeated",
    )
    parser.add_argument("--workers", type=int, metavar="N", help="processes (default: all cores)")
    parser.add_argument("--out", metavar="DIR", help="result folder; must not exist yet")
    parser.set_defaults(run=_targets)


def chosen_factors(given: argparse.Namespace) -> list[Factor]:
    """Read what is to be varied.

    Parameters
    ----------
    given : argparse.Namespace
        With `ranges`, `cross` and `by`, each text or None.

    Returns
    -------
    list of Factor
        One or two.

    Raises
    ------
    TestbedError
        If an option cannot be read, or ranges are given beside ``--cross``.
    """
    from .target_factors import DEFAULT_RANGES, TARGET, Factor, parse_factor

    if given.cross and given.ranges:
        hint = "Cross the ranges with --by, or write --cross target=88-92,91-95."
        raise problem("--ranges", "no --cross beside it", given.ranges, hint)
    if given.cross:
        factors = [parse_factor(given.cross)]
    elif given.ranges:
        factors = [parse_factor(f"{TARGET}={given.ranges}")]
    else:
        factors = [Factor(key=TARGET, values=DEFAULT_RANGES)]
    if given.by:
        factors.append(parse_factor(given.by))
    return factors


def table_text(result: TargetsResult) -> str:
    """Lay out the two burdens by setting for the terminal.

    Parameters
    ----------
    result : TargetsResult
        The study.

    Returns
    -------
    str
        Medians with quartiles.
    """
    from .targets import FIXED_LIMITS, MOVING_LIMITS
    from .targets_tables import outcome_tables

    names = (*FIXED_LIMITS[:2], MOVING_LIMITS[0])
    lines = []
    for table in outcome_tables(result, names, "main figures"):
        rows = [table.head, *(row.cells for row in table.rows)]
        widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
        lines.append(table.caption)
        for row in rows:
            cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
            lines.append("  ".join(cells).rstrip())
        lines.append("")
    return "\n".join(lines)


def _targets(given: argparse.Namespace) -> int:
    from .progress import ProgressLine
    from .result_folder import free_folder, refuse_taken
    from .targets import STRATA, compare_targets

    if given.workers is not None and given.workers < 1:
        raise problem("--workers", "a whole number from 1", given.workers)
    scenario = with_controllers(chosen_scenario(given, INFANTS), given.controller)
    factors = chosen_factors(given)
    folder = (
        Path(given.out) if given.out else free_folder(Path("runs") / f"targets_{scenario.name}")
    )
    refuse_taken(folder)
    line = ProgressLine(sys.stderr)
    result = compare_targets(
        scenario,
        factors=factors,
        strata=given.stratum or STRATA,
        workers=given.workers,
        progress=line,
        command=shlex.join(
            command_words(given, "targets", _SINGLE, ("set", "stratum", "controller"))
        ),
        keep_beside=folder,
    )
    line.close()
    report = result.save(folder)
    sys.stdout.write(f"{table_text(result)}\nReport: {report}\n")
    for where, error in result.failures:
        sys.stderr.write(f"{where} failed: {error}\n")
    return 1 if result.failures else 0


__all__ = ["INFANTS", "add_targets", "chosen_factors", "table_text"]
