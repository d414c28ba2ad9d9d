import numpy as np
import pytest

from oxytestbed.experiments.template import template_text, write_template
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
