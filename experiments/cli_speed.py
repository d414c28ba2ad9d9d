"""The command `oxytestbed speed`."""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Callable
from pathlib import Path

from ..models.errors import problem

#: Called with a line for the user.
Tell = Callable[[str], object]

DEFAULT_OUT = "results"


def add_speed(commands: argparse._SubParsersAction[argparse.ArgumentParser], tell: Tell) -> None:
    """Add the command to the program.

    Parameters
    ----------
    commands : argparse subparsers action
        Where to add it.
    tell : callable
        Called with each line for the user.
    """
    parser = commands.add_parser(
        "speed", help="measure infant-days per second on this machine, and where the time goes"
    )
    parser.add_argument(
        "--lanes",
        type=int,
        nargs="+",
        metavar="N",
        help="numbers of lanes to try; the middle one is looked at closely",
    )
    parser.add_argument("--ticks", type=int, metavar="S", help="simulated seconds of each run")
    parser.add_argument("--workers", type=int, metavar="N", help="most processes to try")
    parser.add_argument(
        "--out",
        type=Path,
        default=Path(DEFAULT_OUT),
        metavar="DIR",
        help=f"where speed.md and speed/ are written anew (default: {DEFAULT_OUT})",
    )
    parser.set_defaults(run=lambda given: _speed(given, tell))


def _speed(given: argparse.Namespace, tell: Tell) -> int:
    from .speed import SpeedSettings, measure_speed
    from .speed_report import save_speed

    changes: dict[str, object] = {}
    words = ["oxytestbed", "speed"]
    for name in ("lanes", "ticks", "workers"):
        value = getattr(given, name)
        if value is None:
            continue
        numbers = value if isinstance(value, list) else [value]
        if min(numbers) < 1:
            raise problem(f"--{name}", "whole numbers from 1", min(numbers))
        changes[name] = tuple(numbers) if name == "lanes" else value
        words += [f"--{name}", *map(str, numbers)]
    if given.out != Path(DEFAULT_OUT):
        words += ["--out", str(given.out)]
    result = measure_speed(SpeedSettings(**changes), tell)  # type: ignore[arg-type]
    tell(f"Written: {save_speed(result, given.out, shlex.join(words))}")
    return 0


__all__ = ["add_speed"]
