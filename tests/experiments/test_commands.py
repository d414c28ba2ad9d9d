"""The table of commands: what it says of each holds, and listing them costs nothing."""

import argparse
import re
import subprocess
import sys

import pytest

from oxytestbed.experiments import cli
from oxytestbed.experiments.commands import COMMANDS, hook_of
from oxytestbed.models.errors import TestbedError

each = pytest.mark.parametrize("command", COMMANDS, ids=lambda command: command.name)


@each
def test_a_command_says_of_itself_what_the_table_says(command):
    commands = argparse.ArgumentParser().add_subparsers()
    add = hook_of(command)
    add(commands, print) if command.tells else add(commands)
    assert list(commands.choices) == [command.name]
    (listed,) = commands._choices_actions
    assert listed.help == command.help


@each
def test_the_help_of_a_command_shows_its_options_and_the_caution(command, capsys):
    with pytest.raises(SystemExit) as left:
        cli.main([command.name, "--help"])
    assert left.value.code == 0
    text = " ".join(capsys.readouterr().out.split())
    assert f"usage: oxytestbed {command.name}" in text and cli.CAUTION in text
    assert len(re.findall(r" --\w+", text)) >= 1


def test_names_are_typed_easily_and_differ():
    names = [command.name for command in COMMANDS]
    assert len(set(names)) == len(names)
    assert all(re.fullmatch("[a-z]+(-[a-z]+)*", name) for name in names)


def test_the_list_imports_no_command_and_no_large_library():
    modules = [command.hook.partition(":")[0] for command in COMMANDS]
    code = (
        "import sys\n"
        "from oxytestbed.experiments.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "print(*sys.modules, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stderr.split())
    large = {"numpy", "scipy", "simpy", "pandas", "matplotlib", "jinja2"}
    assert not loaded & {*large, *(f"oxytestbed.experiments.{name}" for name in modules)}
    assert all(f"    {command.name}" in done.stdout for command in COMMANDS)


@each
def test_input_that_cannot_be_used_has_one_way_out(command, capsys, monkeypatch):
    def refused(given):
        raise TestbedError("this and that: expected more")

    def add(commands, *_):
        commands.add_parser(command.name).set_defaults(run=refused)

    monkeypatch.setattr("oxytestbed.experiments.commands.hook_of", lambda _: add)
    assert cli.main([command.name]) == cli.UNUSABLE
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err == f"oxytestbed {command.name}: this and that: expected more\n"
