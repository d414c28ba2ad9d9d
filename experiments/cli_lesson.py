"""The command `oxytestbed lesson`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TextIO


def add_lesson(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to the program.

    Parameters
    ----------
    commands : argparse subparsers action
        Where to add it.
    """
    parser = commands.add_parser(
        "lesson", help="write lessons for a class: pages with controls, which open offline"
    )
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help="lessons to write (default: all); see --list"
    )
    parser.add_argument("--list", action="store_true", help="list the lessons and write nothing")
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder; must not exist yet")
    parser.set_defaults(run=_lesson)


def _lesson(given: argparse.Namespace) -> int:
    from .lesson_pages import LESSONS, write_lessons
    from .result_folder import free_folder

    if given.list:
        sys.stdout.write("\n".join(LESSONS) + "\n")
        return 0
    folder = given.out or free_folder(Path("runs") / "lessons")
    index = write_lessons(
        folder, tuple(given.names), lambda name: _say(sys.stderr, f"making {name}\n")
    )
    sys.stdout.write(f"Lessons: {index}\n")
    return 0


def _say(stream: TextIO, text: str) -> None:
    stream.write(text)
    stream.flush()


__all__ = ["add_lesson"]
