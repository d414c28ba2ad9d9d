"""The commands of the program that live in modules of their own, found by name.

A module is imported only when its command was chosen, so that the program
starts quickly whatever the others need; `--help` lists them from here.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module

#: Called with a line for the user.
Tell = Callable[[str], object]


@dataclass(frozen=True, kw_only=True)
class Command:
    """One command.

    Attributes
    ----------
    name : str
        As it is typed.
    help : str
        One line for the list of commands, the same as the command's own.
    hook : str
        ``module:function`` inside this folder. The function adds the command
        to the program and sets `run`, which takes the options and gives the
        exit status.
    tells : bool
        Whether the function also takes what writes lines for the user.
    """

    name: str
    help: str
    hook: str
    tells: bool = False


COMMANDS = (
    # For the clinician
    Command(
        name="targets",
        help="compare target ranges or other settings on the same infants",
        hook="cli_targets:add_targets",
    ),
    Command(
        name="staffing",
        help="infants per nurse, alarm limits and delays, by hand and automatic",
        hook="cli_staffing:add_staffing",
    ),
    Command(
        name="credibility",
        help="put simulated figures beside published ones and write a report",
        hook="evidence.command:add_credibility",
        tells=True,
    ),
    Command(
        name="replay",
        help="fit a virtual infant to a bedside recording and re-run it with a controller",
        hook="replay_command:add_replay",
    ),
    # For the engineer
    Command(
        name="tune",
        help="search for a controller's best options and judge them on other infants",
        hook="cli_tune:add_tune",
    ),
    Command(
        name="response",
        help="step responses and stability margins of controllers on undisturbed infants",
        hook="cli_response:add_response",
    ),
    Command(
        name="safeguards",
        help="take each safeguard away in turn, in every hazard, and write a report",
        hook="cli_safeguards:add_safeguards",
    ),
    Command(
        name="worst-case",
        help="search for the infant and disturbance that do most harm or break a requirement",
        hook="cli_worst_case:add_worst_case",
    ),
    Command(
        name="speed",
        help="measure infant-days per second on this machine, and where the time goes",
        hook="cli_speed:add_speed",
        tells=True,
    ),
    # For the teacher
    Command(
        name="lesson",
        help="write lessons for a class: pages with controls, which open offline",
        hook="cli_lesson:add_lesson",
    ),
    Command(
        name="cot",
        help="adjust oxygen yourself, on a local page, beside the controller",
        hook="cli_cot:add_cot",
    ),
)


def add_commands(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
    chosen: str,
    tell: Tell,
    caution: str,
) -> None:
    """Add every command: the chosen one with its options, the others by name.

    Parameters
    ----------
    commands : argparse subparsers action
        Where to add them.
    chosen : str
        The command that was typed; may be none of these.
    tell : callable
        Called with each line for the user.
    caution : str
        Stands at the end of each help.
    """
    for command in COMMANDS:
        if command.name != chosen:
            commands.add_parser(command.name, help=command.help)
            continue
        add = hook_of(command)
        add(commands, tell) if command.tells else add(commands)
        commands.choices[command.name].epilog = caution


def hook_of(command: Command) -> Callable[..., None]:
    """Import the function that adds a command.

    Parameters
    ----------
    command : Command
        The command.

    Returns
    -------
    callable
    """
    module, _, function = command.hook.partition(":")
    found: Callable[..., None] = getattr(import_module(f".{module}", __package__), function)
    return found


__all__ = ["COMMANDS", "Command", "Tell", "add_commands", "hook_of"]
