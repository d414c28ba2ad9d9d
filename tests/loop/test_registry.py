import importlib.metadata
import pickle
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import pytest

from oxytestbed.loop import registry
from oxytestbed.loop.controller import make_reading
from oxytestbed.loop.controllers.pi import PI
from oxytestbed.loop.registry import absolute_spec, controller_names, load_controller
from oxytestbed.loop.signals import Settings
from oxytestbed.models.errors import TestbedError

SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.21, fio2_max=1.0)

MINE = """
import numpy as np

class Mine:
    name = "mine"
    period_s = 1
    def __init__(self, fio2=0.4):
        self.fio2 = fio2
    def reset(self, lanes, settings):
        self.lanes = lanes
    def act(self, reading):
        return np.full(self.lanes, self.fio2)

class Other(Mine):
    name = "other"

def build(fio2):
    return Mine(fio2 / 100)
"""


@pytest.fixture
def mine(tmp_path):
    path = tmp_path / "mine.py"
    path.write_text(MINE)
    return path


def requested(controller):
    controller.reset(1, SETTINGS)
    return controller.act(make_reading(1))[0]


def test_built_in_with_options():
    one = load_controller("pi", {"gain_per_pct": 0.002})
    assert one == PI(gain_per_pct=0.002)
    assert load_controller("fixed").name == "fixed"


def test_each_load_builds_a_new_object():
    assert load_controller("pi") is not load_controller("pi")


def test_a_wrong_name_names_the_nearest():
    with pytest.raises(TestbedError, match=r"Did you mean 'fixed'\?.*file.py:ClassName"):
        load_controller("fixd")


def test_a_wrong_option_names_the_nearest():
    with pytest.raises(TestbedError, match=r"'pi'.*Did you mean 'gain_per_pct'"):
        load_controller("pi", {"gain": 0.1})


def test_an_option_out_of_range_names_controller_and_range():
    with pytest.raises(TestbedError, match=r"controller 'pi': PI.gain_per_pct.*from 0 to 0.1"):
        load_controller("pi", {"gain_per_pct": 7})


def test_file_and_class(mine):
    assert requested(load_controller(f"{mine}:Mine", {"fio2": 0.5})) == 0.5
    assert load_controller(f"{mine}:Other").name == "other"


def test_file_and_function(mine):
    assert requested(load_controller(f"{mine}:build", {"fio2": 30})) == 0.3


def test_a_file_that_is_missing_is_named(tmp_path):
    with pytest.raises(TestbedError, match=r"file that exists.*none\.py"):
        load_controller(f"{tmp_path / 'none.py'}:Mine")


@pytest.mark.parametrize("name", ["mine", "np", ":", ""])
def test_a_class_that_is_missing_lists_those_in_the_file(mine, name):
    with pytest.raises(TestbedError, match=r"Classes in .*mine\.py: Mine, Other\."):
        load_controller(f"{mine}:{name}" if name != ":" else str(mine))


def test_a_syntax_error_is_named_with_its_line(tmp_path):
    (tmp_path / "bad.py").write_text("x = 1\ny = (\n")
    with pytest.raises(TestbedError, match=r"syntax error in .*bad\.py, line 2") as caught:
        load_controller(f"{tmp_path / 'bad.py'}:Mine")
    assert "\n" not in str(caught.value)


def test_an_error_while_importing_is_named_with_its_line(tmp_path):
    (tmp_path / "bad.py").write_text("x = 1\ny = x / 0\n")
    with pytest.raises(TestbedError, match=r"ZeroDivisionError: .*bad\.py, line 2"):
        load_controller(f"{tmp_path / 'bad.py'}:Mine")


def test_a_relative_import_gets_advice(mine):
    mine.write_text("from . import helper\n")
    with pytest.raises(TestbedError, match="Write `import helper`"):
        load_controller(f"{mine}:Mine")


def test_a_class_that_refuses_its_options_is_named(mine):
    mine.write_text(MINE.replace("self.fio2 = fio2", "self.fio2 = fio2 + 0"))
    with pytest.raises(TestbedError, match=r"mine\.py:Mine.*fio2.*TypeError.*line 8"):
        load_controller(f"{mine}:Mine", {"fio2": "much"})
    with pytest.raises(TestbedError, match=r"could not be built: TypeError: .*'fio2'"):
        load_controller(f"{mine}:build")
    with pytest.raises(TestbedError, match="Did you mean 'fio2'"):
        load_controller(f"{mine}:Mine", {"fio": 0.3})


def test_what_is_no_controller_is_refused(mine):
    mine.write_text(MINE.replace("period_s = 1", "period_s = 0"))
    with pytest.raises(TestbedError, match=r"mine\.py:Mine.*`period_s`, a whole number"):
        load_controller(f"{mine}:Mine")


def test_two_files_may_each_have_helpers_of_the_same_name(tmp_path):
    before_path, before_modules = list(sys.path), set(sys.modules)
    for folder, fio2 in (("a", 0.3), ("b", 0.6)):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "helpers.py").write_text(f"FIO2 = {fio2}\n")
        text = MINE.replace("fio2=0.4", "fio2=helpers.FIO2")
        (tmp_path / folder / "mine.py").write_text("import helpers\n" + text)
    first = load_controller(f"{tmp_path / 'a' / 'mine.py'}:Mine")
    second = load_controller(f"{tmp_path / 'b' / 'mine.py'}:Mine")
    assert (requested(first), requested(second)) == (0.3, 0.6)
    assert sys.path == before_path
    new = set(sys.modules) - before_modules
    assert {name for name in new if not name.startswith("_oxytestbed_user_")} == set()


def test_sys_path_is_restored_after_a_failure(tmp_path):
    before = list(sys.path)
    (tmp_path / "bad.py").write_text("import sys\nsys.path.append('x')\nraise OSError('no')\n")
    with pytest.raises(TestbedError, match="OSError: no"):
        load_controller(f"{tmp_path / 'bad.py'}:Mine")
    assert sys.path == before


def test_an_edited_file_is_read_again(mine):
    assert requested(load_controller(f"{mine}:Mine")) == 0.4
    mine.write_text(MINE.replace("fio2=0.4", "fio2=0.5"))  # same size, same second
    assert requested(load_controller(f"{mine}:Mine")) == 0.5


def test_a_loaded_object_can_be_pickled(mine):
    assert pickle.loads(pickle.dumps(load_controller(f"{mine}:Mine"))).name == "mine"


def test_a_dataclass_in_a_users_file_works(tmp_path):
    text = "from __future__ import annotations\nfrom dataclasses import dataclass\n" + MINE
    text = text.replace("class Other", "@dataclass\nclass Other").replace(
        '"other"\n', '"other"\n    fio2: float = 0.7\n'
    )
    (tmp_path / "data.py").write_text(text)
    assert requested(load_controller(f"{tmp_path / 'data.py'}:Other")) == 0.7


def test_a_spawned_worker_loads_from_the_same_text(mine):
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        assert pool.submit(load_controller, "pi").result() == PI()


def test_absolute_spec(tmp_path):
    folder = tmp_path.resolve()
    assert absolute_spec("mine.py:Mine", tmp_path) == f"{folder / 'mine.py'}:Mine"
    assert absolute_spec("../mine.py:Mine", tmp_path) == f"{folder.parent / 'mine.py'}:Mine"
    assert absolute_spec(f"{folder / 'mine.py'}:Mine", tmp_path / "x") == f"{folder}/mine.py:Mine"
    assert absolute_spec("pi", tmp_path) == "pi"


def entry_point(name, value):
    return importlib.metadata.EntryPoint(name, value, registry.ENTRY_POINT_GROUP)


def test_entry_points_are_found_by_name(monkeypatch):
    point = entry_point("theirs", "oxytestbed.loop.controllers.fixed:FixedFiO2")
    monkeypatch.setattr(registry, "entry_points", lambda group: [point])
    assert requested(load_controller("theirs", {"fio2": 0.55})) == 0.55
    assert {"theirs", "fixed", "pi"} <= set(controller_names())


def test_a_broken_entry_point_is_named(monkeypatch):
    point = entry_point("theirs", "no_such_package_here:Controller")
    monkeypatch.setattr(registry, "entry_points", lambda group: [point])
    with pytest.raises(TestbedError, match=r"'theirs'.*no_such_package_here:Controller.*fails"):
        load_controller("theirs")


def test_an_empty_specification_is_refused():
    with pytest.raises(TestbedError, match=r"a name or 'file\.py:ClassName'"):
        load_controller(" ")


def test_every_built_in_name_can_be_loaded():
    for name in registry.BUILT_IN:
        one = load_controller(name)
        assert np.isfinite(requested(one))
