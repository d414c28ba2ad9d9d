import shlex
import shutil
import subprocess

import numpy as np
import pytest

from oxytestbed.experiments.cli import main
from oxytestbed.experiments.template import (
    HEADER_NAME,
    header_text,
    library_path,
    next_steps,
    template_text,
    write_template,
)
from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.check import check_controller
from oxytestbed.loop.controller import make_reading
from oxytestbed.loop.registry import load_controller
from oxytestbed.loop.signals import Settings
from oxytestbed.models.errors import TestbedError

SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.21, fio2_max=1.0)


def test_the_template_passes_the_check(tmp_path):
    path = write_template(tmp_path / "mine.py")
    one = load_controller(f"{path}:MyController")
    assert [item for item in check_controller(one) if not item.passed] == []


def test_the_template_works_against_low_and_high_saturation(tmp_path):
    path = write_template(tmp_path / "mine.py")
    one = load_controller(f"{path}:MyController", {"gain_per_pct": 0.01})
    one.reset(3, SETTINGS)
    for _ in range(60):
        request = one.act(make_reading(3, spo2_pct=[85, 99, np.nan], set_fio2=0.4))
    assert request[0] > 0.5
    assert request[1] < 0.3
    assert request[2] == 0.4


def test_the_template_returns_without_a_bump(tmp_path):
    one = load_controller(f"{write_template(tmp_path / 'mine.py')}:MyController")
    one.reset(1, SETTINGS)
    one.act(make_reading(1, set_fio2=0.3))
    one.track(np.array([0.5]), np.array([False]))
    assert one.act(make_reading(1, spo2_pct=93))[0] == pytest.approx(0.5, abs=1e-12)


def test_an_existing_file_is_kept_unless_forced(tmp_path):
    path = tmp_path / "mine.py"
    path.write_text("precious")
    with pytest.raises(TestbedError, match=r"mine\.py.*Choose another name"):
        write_template(path)
    assert path.read_text() == "precious"
    assert write_template(path, force=True) == path
    assert path.read_text(encoding="utf-8") == template_text()


@pytest.mark.parametrize("name", ["mine.txt", "mine"])
def test_only_python_files_are_written(tmp_path, name):
    with pytest.raises(TestbedError, match=r"ends in \.py"):
        write_template(tmp_path / name)


def test_a_folder_that_is_missing_is_named(tmp_path):
    with pytest.raises(TestbedError, match=r"cannot write .*nowhere"):
        write_template(tmp_path / "nowhere" / "mine.py")


needs_compiler = pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler `cc` here")


@pytest.fixture
def desk(tmp_path, monkeypatch):
    """An empty working folder with the C template in it."""
    monkeypatch.chdir(tmp_path)
    assert main(["template", "mine.c"]) == 0
    return tmp_path


def test_a_c_file_comes_with_its_header_and_the_line_that_compiles_it(desk, capsys):
    assert (desk / HEADER_NAME).read_text(encoding="utf-8") == header_text()
    main(["template", "mine.c", "--force"])
    compiles, checks, compares = capsys.readouterr().out.splitlines()[1:]
    library = library_path(desk / "mine.c").name
    assert "mine.c" in compiles and library in compiles
    assert checks.strip() == f"oxytestbed check {library}"
    assert compares.strip() == f"oxytestbed compare --controller {library}"
    text = (desk / "mine.c").read_text(encoding="utf-8")
    assert compiles.strip() in text and "@" not in text


def test_a_header_of_another_kind_is_not_overwritten(desk):
    (desk / HEADER_NAME).write_text("precious")
    with pytest.raises(TestbedError, match=r"oxytestbed_controller\.h.*Choose another name"):
        write_template(desk / "other.c")
    assert not (desk / "other.c").exists()
    write_template(desk / "other.c", force=True)
    assert (desk / HEADER_NAME).read_text(encoding="utf-8") == header_text()


def test_a_second_c_file_shares_the_header(desk):
    assert write_template(desk / "other.c").is_file()


@needs_compiler
def test_the_c_template_passes_the_check(desk, capsys):
    line = shlex.split(next_steps(desk / "mine.c")[0])
    done = subprocess.run([*line, "-Wall", "-Wextra", "-pedantic"], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert main(["check", library_path(desk / "mine.c").name]) == 0
    assert "FAIL" not in capsys.readouterr().out


@needs_compiler
def test_the_header_serves_cplusplus(desk):
    if shutil.which("c++") is None:
        pytest.skip("no C++ compiler `c++` here")
    (desk / "mine.cpp").write_text(f'#include "{HEADER_NAME}"\n')
    words = ["c++", "-std=c++98", "-Wall", "-fsyntax-only", "mine.cpp"]
    assert subprocess.run(words, cwd=desk).returncode == 0


@needs_compiler
def test_the_template_in_c_does_what_the_one_in_python_does(desk, make_spec, lane_records):
    """Bit for bit, in closed loop and when somebody else holds the FiO2."""
    write_template(desk / "mine.py")
    subprocess.run(shlex.split(next_steps(desk / "mine.c")[0]), check=True)
    library, module = str(library_path(desk / "mine.c")), f"{desk / 'mine.py'}:MyController"
    arms = (ArmSpec(name="c", controller=library), ArmSpec(name="python", controller=module))
    records, run = lane_records(make_spec(arms=arms))
    assert run.errors == {}
    for infant in run.spec.infants.infant.tolist():
        assert records[infant, "c"] == records[infant, "python"]
    both = [load_controller(library), load_controller(module)]
    for one in both:
        one.reset(2, SETTINGS)
        one.act(make_reading(2, spo2_pct=[80, 99]))
        one.track(np.array([0.6, 0.25]), np.array([False, True]))
    first, second = (one.act(make_reading(2, spo2_pct=[88, np.nan])) for one in both)
    assert np.array_equal(first, second)
