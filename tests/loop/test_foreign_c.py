import copy
import pickle
import re
import shutil
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from oxytestbed.experiments.template import HEADER_NAME, compile_line, header_text, library_path
from oxytestbed.loop import foreign_c
from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.check import check_controller
from oxytestbed.loop.controller import ReadingOfOne, make_reading
from oxytestbed.loop.foreign_c import READING_LAYOUT, SETTINGS_LAYOUT, CLibrary
from oxytestbed.loop.registry import absolute_spec, load_controller, names_a_file
from oxytestbed.loop.signals import Mode, Settings
from oxytestbed.models.errors import TestbedError

DATA = Path(__file__).with_name("data")
SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.21, fio2_max=1.0)

needs_compiler = pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler `cc` here")


@pytest.fixture(scope="session")
def compiled(tmp_path_factory):
    """Compile twin.c with macros, each variant once; give the path of the library."""
    made = {}

    def library(*macros):
        if macros not in made:
            folder = tmp_path_factory.mktemp("c")
            (folder / HEADER_NAME).write_text(header_text(), encoding="utf-8")
            source = Path(shutil.copy(DATA / "twin.c", folder))
            words = [*compile_line(source).split(), "-Wall", *(f"-D{name}" for name in macros)]
            subprocess.run(words, check=True, capture_output=True)
            made[macros] = library_path(source)
        return made[macros]

    return library


@needs_compiler
def test_it_equals_the_same_controller_in_python_bit_for_bit(make_spec, lane_records, compiled):
    arms = (
        ArmSpec(name="python", controller=f"{DATA / 'twin.py'}:per_infant"),
        ArmSpec(name="c", controller=str(compiled())),
    )
    records, run = lane_records(make_spec(arms=arms))
    assert run.errors == {}
    for infant in run.spec.infants.infant.tolist():
        assert records[infant, "python"] == records[infant, "c"]
    moved = [np.ptp(records[key].signals["set_fio2"]) for key in records]
    assert max(moved) > 0.1


@needs_compiler
def test_it_passes_the_check(compiled):
    one = load_controller(str(compiled()))
    assert (one.name, one.period_s) == ("twin in C", 2)
    assert [item for item in check_controller(one) if not item.passed] == []


@needs_compiler
def test_every_field_arrives_where_the_header_says(compiled):
    one = load_controller(str(compiled("ECHO")))
    one.reset(2, SETTINGS)
    names = READING_LAYOUT.names
    given = {name: [number + 0.25, 100 + number] for number, name in enumerate(names)}
    given.update(time_s=2**40, valid=[True, False], mode=[2, 3], spo2_pct=[0.25, np.nan])
    reading = make_reading(2, **given)
    shown = np.array([one.act(reading) for _ in range(len(names) + 1)])
    for row, name in zip(shown, names, strict=False):
        assert np.array_equal(row, np.full(2, getattr(reading, name)), equal_nan=True), name
    assert shown[-1].tolist() == [93.0, 93.0]  # the middle of the target, from oxt_init


def test_the_header_and_the_layouts_agree():
    """A new signal needs a new version of the interface."""
    header = header_text()
    found = dict(re.findall(r"typedef struct \{(.*?)\} (\w+);", header, re.DOTALL))
    structs = {name: re.findall(r"^ +(\w+) (\w+);", body, re.M) for body, name in found.items()}
    types = {"double": np.float64, "int64_t": np.int64, "int32_t": np.int32}
    for name, layout in (("oxt_reading", READING_LAYOUT), ("oxt_settings", SETTINGS_LAYOUT)):
        assert np.dtype([(field, types[kind]) for kind, field in structs[name]]) == layout
        assert f"sizeof({name}) == {layout.itemsize} " in header
    assert set(READING_LAYOUT.names) == {item.name for item in fields(ReadingOfOne)}
    assert set(SETTINGS_LAYOUT.names) == {item.name for item in fields(Settings)}
    numbers = {name: int(value) for name, value in re.findall(r"#define OXT_(\w+) (\d+)", header)}
    assert numbers.pop("ABI_VERSION") == foreign_c.ABI_VERSION
    assert numbers == {mode.name: mode.value for mode in Mode}


@needs_compiler
def test_optional_functions_may_be_missing(compiled):
    one = load_controller(str(compiled("NO_TRACK", "NO_NAME")))
    assert one.name == "twin"
    one.reset(1, SETTINGS)
    before = one.act(make_reading(1, spo2_pct=np.nan))
    one.track(np.array([0.9]), np.array([False]))
    assert np.array_equal(one.act(make_reading(1, spo2_pct=np.nan)), before)


@needs_compiler
def test_track_reaches_each_lane(compiled):
    one = load_controller(str(compiled()))
    one.reset(2, SETTINGS)
    one.act(make_reading(2, spo2_pct=93))
    one.track(np.array([0.5, 0.7]), np.array([False, True]))
    assert one.act(make_reading(2, spo2_pct=np.nan)).tolist() == [0.5, 0.7]
    shown = one.act(make_reading(2, spo2_pct=93))
    assert shown[0] == 0.5  # taken over whole
    assert shown[1] == 0.3 + (0.7 - 0.3) / 7.0


@needs_compiler
def test_a_copy_and_a_pickled_one_are_as_new(compiled):
    one = load_controller(str(compiled()))
    one.reset(1, SETTINGS)
    for other in (pickle.loads(pickle.dumps(one)), copy.deepcopy(one)):
        assert other.name == one.name
        with pytest.raises(TestbedError, match="act: expected a call of reset before it"):
            other.act(make_reading(1))
        other.reset(1, SETTINGS)
        assert np.isfinite(other.act(make_reading(1))).all()


@needs_compiler
@pytest.mark.parametrize(
    ("macros", "message"),
    [
        (("NO_ACT",), r"expected the functions oxt_act, got 'none'.*oxytestbed_controller\.h"),
        (("NO_VERSION", "NO_ACT"), "the functions oxt_abi_version, oxt_act"),
        (("OLD_VERSION",), r"oxt_abi_version: expected 1, got 2\. Compile it with"),
        (("HUGE_STATE",), "oxt_state_size: expected at most 16777216 bytes"),
        (("PERIOD=0",), "`period_s`, a whole number of seconds of at least 1, not 0"),
    ],
)
def test_a_library_that_does_not_fit_is_refused(compiled, macros, message):
    with pytest.raises(TestbedError, match=message):
        load_controller(str(compiled(*macros)))


def test_a_file_that_is_no_library_is_refused(tmp_path):
    with pytest.raises(TestbedError, match=r"a file that exists, got .*none\.so"):
        load_controller(str(tmp_path / "none.so"))
    (tmp_path / "text.so").write_text("not a library")
    with pytest.raises(TestbedError, match="a library that can be loaded"):
        load_controller(str(tmp_path / "text.so"))


@needs_compiler
def test_it_takes_no_options(compiled):
    with pytest.raises(TestbedError, match="It takes no options"):
        load_controller(str(compiled()), {"gain": 1})


@needs_compiler
def test_writing_beyond_the_memory_of_a_lane_is_seen(compiled):
    one = load_controller(str(compiled("OVERRUN=8")))
    one.reset(3, SETTINGS)
    with pytest.raises(TestbedError, match="oxt_act: expected nothing written behind the 28 bytes"):
        one.act(make_reading(3))


@needs_compiler
def test_another_number_of_lanes_is_refused(compiled):
    one = load_controller(str(compiled()))
    one.reset(3, SETTINGS)
    with pytest.raises(TestbedError, match="expected 3 lanes"):
        one.act(make_reading(1))


def test_the_memory_of_each_lane_is_aligned_and_zeroed():
    for size in (0, 1, 63, 64, 65, 1000):
        memory = foreign_c._Memory(3, size)
        assert len(set(memory.states)) == 3
        assert all(address % foreign_c.ALIGNMENT == 0 for address in memory.states)
        assert memory.states[1] - memory.states[0] >= size + foreign_c.ALIGNMENT
        memory.refuse_overrun("nothing")


def test_arithmetic_that_was_changed_is_seen(monkeypatch):
    """Half of the smallest normal number is 0 where small numbers are flushed."""
    foreign_c._refuse_fast_math()
    monkeypatch.setattr(foreign_c, "_half_of_smallest", lambda: 0.0)
    with pytest.raises(TestbedError, match="without -ffast-math"):
        foreign_c._refuse_fast_math()


@needs_compiler
def test_a_crash_ends_only_its_arm_behind_a_program(make_spec, lane_records, compiled):
    host = f"program:{sys.executable} -m oxytestbed.loop.foreign_host"
    arms = (
        ArmSpec(name="crashes", controller=f"{host} {compiled('CRASH=60')}"),
        ArmSpec(name="pi", controller="pi"),
    )
    records, run = lane_records(make_spec(places=[0, 1], arms=arms, duration_s=120))
    assert set(run.errors) == {"crashes"}
    assert "act at 60 s" in run.errors["crashes"] and "SIGSEGV" in run.errors["crashes"]
    alone, _ = lane_records(make_spec(places=[0, 1], arms=arms[1:], duration_s=120))
    assert all(records[key] == alone[key] for key in alone)


def test_specifications(tmp_path):
    folder = tmp_path.resolve()
    assert absolute_spec("mine.so", tmp_path) == str(folder / "mine.so")
    assert absolute_spec("../mine.dylib", tmp_path) == str(folder.parent / "mine.dylib")
    assert all(map(names_a_file, ("mine.so", "a/b.dylib", "C:/mine.dll", "mine.py:Mine")))
    assert not names_a_file("pi")
    with pytest.raises(TestbedError, match="a file that exists"):
        CLibrary("none.so")
