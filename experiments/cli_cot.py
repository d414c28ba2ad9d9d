"""The command `oxytestbed cot`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

#: Where sessions are kept unless the command says otherwise.
KEPT_IN = Path("runs") / "cot"


def add_cot(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the program.

    Parameters
    ----------
    commands : argparse subparsers action
        Where to add it.
    """
    parser = commands.add_parser(
        "cot", help="adjust oxygen yourself, on a local page, beside the controller"
    )
    parser.add_argument(
        "scenario",
        nargs="?",
        default="single_infant",
        help="name of a shipped scenario or path of a TOML file (default: single_infant)",
    )
    parser.add_argument("--port", type=int, default=0, help="port on this machine (0: any free)")
    parser.add_argument(
        "--speed",
        type=float,
        default=20.0,
        metavar="X",
        help="usual speed: simulated seconds in a second, 1 to 120 (default: 20)",
    )
    parser.add_argument(
        "--out", type=Path, default=KEPT_IN, metavar="DIR", help=f"sessions go here ({KEPT_IN})"
    )
    parser.set_defaults(run=_cot)


def _cot(given: argparse.Namespace) -> int:
    from .cot_house import CotHouse
    from .cot_server import CotServer
    from .scenario import load_scenario

    house = CotHouse(load_scenario(given.scenario), given.speed, given.out)
    server = CotServer(house, given.port)
    try:
        sys.stdout.write(
            f"The cot is at {server.url}\n"
            "Open it in a browser on this machine. Ctrl-C ends it; sessions are kept in "
            f"{given.out}.\n"
        )
        sys.stdout.flush()
        server.serve_forever(poll_interval=0.2)
    except KeyboardInterrupt:
        sys.stdout.write("\nStopped. What the sessions had so far is kept.\n")
    finally:
        server.server_close()
        house.close()
    return 0


__all__ = ["KEPT_IN", "add_cot"]
