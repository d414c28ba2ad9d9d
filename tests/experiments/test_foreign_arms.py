"""Programs and C libraries as arms of a comparison, from Python and from a file."""

import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from oxytestbed.experiments.cli_options import named_controller
from oxytestbed.experiments.compare import compare
from oxytestbed.experiments.scenario import load_scenario, to_toml
from oxytestbed.experiments.template import library_path, next_steps, write_template
from oxytestbed.loop.arms import ArmSpec

PROGRAM = """
import json, sys

for line in sys.stdin:
    ((message, content),) = json.loads(line).items()
    if message == "reset":
        print(json.dumps({"name": "gentle", "period_s": 60}))
    elif message == "act":
        if "--fail" in sys.argv:
            sys.exit("an end in sight")
        rows = zip(content["spo2_pct"], content["set_fio2"])
        print(json.dumps({"fio2": [f + (0.01 if s and s < 91 else -0.01) for s, f in rows]}))
"""


@pytest.fixture
def desk(tmp_path, monkeypatch):
    """A working folder with a program in it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "gentle.py").write_text(PROGRAM)
    return tmp_path


def test_a_comparison_with_a_program_that_works_and_one_that_fails(desk, tiny_scenario):
    command = f"program:{shlex.quote(sys.executable)} gentle.py"
    arms = [
        ArmSpec(name="gentle", controller=command),
        ArmSpec(name="failing", controller=f"{command} --fail"),
    ]
    result = compare(tiny_scenario(*arms), workers=1)
    assert set(result.failures) == {"failing"}
    assert "Last on its standard error: an end in sight" in result.failures["failing"]
    errors = result.outcomes.set_index("arm")["error"]
    assert set(errors["gentle"]) == set(errors["pi"]) == {""}


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler `cc` here")
def test_a_comparison_with_a_c_library(desk, tiny_scenario):
    write_template(Path("mine.c"))
    subprocess.run(shlex.split(next_steps(Path("mine.c"))[0]), check=True)
    name, spec = named_controller(library_path(Path("mine.c")).name)
    result = compare(tiny_scenario(ArmSpec(name=name, controller=spec)), workers=1)
    assert result.failures == {}
    assert set(result.outcomes.set_index("arm").loc["mine", "error"]) == {""}


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("mine.py:MyController", "my_controller"),
        ("some/folder/mine.so", "mine"),
        ("program:python3 some/folder/mine.py", "mine"),
        ("program:python3 mine.py --gain=0.1", "python3_mine_py_--gain_0"),
        ("best=program:python3 mine.py", "best"),
    ],
)
def test_an_arm_gets_a_name_from_what_it_runs(text, name):
    assert named_controller(text)[0] == name


def test_a_scenario_names_files_beside_it(desk, tmp_path_factory, monkeypatch):
    command = f"program:{shlex.quote(sys.executable)} gentle.py"
    base = to_toml(load_scenario("single_infant"))
    arm = '[[arms]]\nname = "gentle"\nkind = "controller"\noptions = { timeout_s = 30 }\n'
    (desk / "mine.toml").write_text(f'{base}\n{arm}controller = "{command}"\n')
    monkeypatch.chdir(tmp_path_factory.mktemp("elsewhere"))
    last = load_scenario(str(desk / "mine.toml")).arms[-1]
    assert last.controller == f"program:{sys.executable} {desk / 'gentle.py'}"
    assert dict(last.options) == {"timeout_s": 30}
