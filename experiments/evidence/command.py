"""The command that runs the evidence and writes the credibility report."""

from __future__ import annotations

import argparse
import json
import shlex
from collections.abc import Callable
from pathlib import Path

from ...models.errors import TestbedError, problem
from .experiment import Credibility, evidence_frame, gather_evidence
from .pages import render_credibility
from .runs import Size

Tell = Callable[[str], object]


def add_credibility(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], tell: Tell
) -> None:
    """Add the command ``credibility``.

    Parameters
    ----------
    commands : argparse subparsers
        Where commands are added.
    tell : callable
        Called with each line for the user.
    """
    parser = commands.add_parser(
        "credibility", help="put simulated figures beside published ones and write a report"
    )
    parser.add_argument("--infants", type=int, metavar="N", help="infants in each main run")
    parser.add_argument("--hours", type=float, metavar="H", help="hours of the main runs")
    parser.add_argument("--seed", type=int, metavar="S", help="seed of everything")
    parser.add_argument("--workers", type=int, metavar="N", help="processes (default: all cores)")
    parser.add_argument("--out", metavar="DIR", help="result folder; must not exist yet")
    parser.set_defaults(run=lambda given: run_credibility(given, tell))


def run_credibility(given: argparse.Namespace, tell: Tell) -> int:
    """Run the command.

    Parameters
    ----------
    given : argparse.Namespace
        The options.
    tell : callable
        Called with each line for the user.

    Returns
    -------
    int
        0; a row that misses is a finding, not a failure.

    Raises
    ------
    TestbedError
        If an option or the folder cannot be used.
    """
    from ..result_folder import free_folder, refuse_taken

    if given.workers is not None and given.workers < 1:
        raise problem("--workers", "a whole number from 1", given.workers)
    named = {"infants": given.infants, "hours": given.hours, "seed": given.seed}
    size = Size(**{name: value for name, value in named.items() if value is not None})
    folder = Path(given.out) if given.out else free_folder(Path("runs") / "credibility")
    refuse_taken(folder)
    found = gather_evidence(
        size,
        workers=given.workers,
        progress=lambda done, total: tell(f"runs done: {done} of {total}"),
    )
    words = [f"--{name} {value:g}" for name, value in named.items() if value is not None]
    page = save_credibility(found, folder, shlex.join(["oxytestbed", "credibility"]), words)
    for name, counts in found.tallies.items():
        tell(
            f"{name}: {counts.passed} of {counts.counted} pass, {counts.near} near, "
            f"{counts.missed} miss"
        )
    tell(f"Report: {page}")
    return 0


def save_credibility(
    found: Credibility, folder: Path, command: str, options: list[str] | None = None
) -> Path:
    """Write the report, its rows and its manifest.

    Parameters
    ----------
    found : Credibility
        All evidence.
    folder : Path
        Folder to write; made if it does not exist.
    command : str
        How to make it again, without options.
    options : list of str, optional
        The options.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    TestbedError
        If something cannot be written.
    """
    page = folder / "credibility.html"
    whole = " ".join([command, *(options or [])])
    try:
        folder.mkdir(parents=True, exist_ok=True)
        page.write_text(render_credibility(found, whole), encoding="utf-8")
        frame = evidence_frame(found.evidence)
        frame.to_csv(folder / "evidence.csv", index=False, float_format="%.6g")
        manifest = json.dumps(dict(found.manifest), indent=2)
        (folder / "manifest.json").write_text(manifest + "\n", encoding="utf-8")
    except OSError as error:
        raise TestbedError(f"cannot write {folder}: {error.strerror or error}") from error
    return page


__all__ = ["add_credibility", "run_credibility", "save_credibility"]
