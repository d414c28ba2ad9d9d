"""The command `oxytestbed replay`."""

from __future__ import annotations

import argparse
import shlex
import sys
from pathlib import Path

DEFAULT_CONTROLLER = "pi"


def add_replay(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the program.

    Parameters
    ----------
    commands : argparse subparsers action
        Where to add it.
    """
    parser = commands.add_parser(
        "replay",
        help="fit a virtual infant to a bedside recording and re-run it with a controller",
        description="Teaching and engineering software, not a medical device.",
    )
    parser.add_argument("recording", help="CSV file with time, SpO2 and FiO2; 1 Hz or slower")
    parser.add_argument(
        "--controller",
        action="append",
        default=[],
        metavar="SPEC",
        help="a built-in name or my_controller.py:MyController; may be repeated "
        f"(default: {DEFAULT_CONTROLLER})",
    )
    parser.add_argument(
        "--sao2",
        action="append",
        default=[],
        metavar="TIME_S=PCT",
        help="an arterial saturation measured by co-oximetry, seconds after the first line; tells "
        "the bias of the probe; may be repeated",
    )
    parser.add_argument("--target-low", type=float, metavar="PCT", help="low end (default: 90)")
    parser.add_argument("--target-high", type=float, metavar="PCT", help="high end (default: 95)")
    parser.add_argument("--candidates", type=int, metavar="N", help="infants to try (default: 32)")
    parser.add_argument("--seed", type=int, metavar="S", help="seed of all random draws")
    parser.add_argument("--out", metavar="DIR", help="result folder; must not exist yet")
    parser.set_defaults(run=_replay)


def _replay(given: argparse.Namespace) -> int:
    from ..loop.registry import load_controller
    from .cli_response import _arms
    from .replay import ReplaySettings, replay_recording
    from .replay_bias import read_sample
    from .replay_report import answer, save_replay, supposed_bias, warnings
    from .result_folder import free_folder, refuse_taken

    named = {
        "target_low_pct": given.target_low,
        "target_high_pct": given.target_high,
        "candidates": given.candidates,
        "seed": given.seed,
    }
    chosen = {key: value for key, value in named.items() if value is not None}
    settings = ReplaySettings(**chosen, samples=tuple(read_sample(text) for text in given.sao2))
    specs = given.controller or [DEFAULT_CONTROLLER]
    for spec in specs:
        load_controller(spec)
    stem = Path(given.recording).stem or "recording"
    folder = Path(given.out) if given.out else free_folder(Path("runs") / f"replay_{stem}")
    refuse_taken(folder)
    result = replay_recording(
        given.recording,
        _arms(specs),
        settings,
        _tell,
    )
    page = save_replay(result, folder, command=shlex.join(_words(given)))
    told = [*answer(result), supposed_bias(result), *warnings(result)]
    sys.stdout.write("\n".join(told) + f"\n\nReport: {page}\n")
    return 1 if result.errors else 0


def _tell(text: str) -> None:
    sys.stderr.write(f"{text} ...\n")


def _words(given: argparse.Namespace) -> list[str]:
    """Write the command again, as one would type it."""
    words = ["oxytestbed", "replay", str(given.recording)]
    for value in given.controller:
        words += ["--controller", value]
    for value in given.sao2:
        words += ["--sao2", value]
    for name in ("target_low", "target_high", "candidates", "seed"):
        value = getattr(given, name)
        if value is not None:
            words += [f"--{name.replace('_', '-')}", str(value)]
    return words
