"""The command `oxytestbed staffing`."""

from __future__ import annotations

import argparse
import shlex
import sys
from pathlib import Path


def add_staffing(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the program.

    Parameters
    ----------
    commands : argparse subparsers action
        Where to add it.
    """
    parser = commands.add_parser(
        "staffing", help="infants per nurse, alarm limits and delays, by hand and automatic"
    )
    parser.add_argument("scenario", nargs="?", help="scenario to change (default: settled_night)")
    parser.add_argument("--controller", metavar="SPEC", help="of the automatic arm (default: pi)")
    parser.add_argument("--infants", type=int, metavar="N", help="infants in every case")
    parser.add_argument("--hours", type=float, metavar="H", help="simulated hours, with warm-up")
    parser.add_argument("--warmup", type=float, metavar="H", help="hours that are not counted")
    parser.add_argument("--seed", type=int, metavar="S", help="seed of everything")
    parser.add_argument("--workers", type=int, metavar="N", help="processes (default: all cores)")
    parser.add_argument("--out", metavar="DIR", help="result folder; must not exist yet")
    parser.set_defaults(run=_staffing)


def _staffing(given: argparse.Namespace) -> int:
    from .progress import ProgressLine
    from .result_folder import free_folder, refuse_taken
    from .staffing import StaffingSettings, staffing
    from .staffing_report import save_staffing

    named = {
        "scenario": given.scenario,
        "controller": given.controller,
        "infants": given.infants,
        "duration_h": given.hours,
        "warmup_h": given.warmup,
        "seed": given.seed,
    }
    settings = StaffingSettings(**{key: value for key, value in named.items() if value is not None})
    folder = Path(given.out) if given.out else free_folder(Path("runs") / "staffing")
    refuse_taken(folder)
    line = ProgressLine(sys.stderr)
    result = staffing(settings, workers=given.workers, progress=line)
    line.close()
    words = ["oxytestbed", "staffing", settings.scenario, "--controller", settings.controller]
    words += ["--infants", str(settings.infants), "--hours", f"{settings.duration_h:g}"]
    words += ["--warmup", f"{settings.warmup_h:g}", "--seed", str(settings.seed)]
    path = save_staffing(result, folder, shlex.join(words))
    sys.stdout.write(f"Report: {path}\n")
    return 0
