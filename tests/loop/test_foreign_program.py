import json
import os
import pickle
import subprocess
import sys
import time
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from oxytestbed.loop import line_process
from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.check import check_controller
from oxytestbed.loop.controller import make_reading
from oxytestbed.loop.foreign_program import ExternalProgram, decoded, encoded_reading
from oxytestbed.loop.registry import absolute_spec, load_controller, names_a_file
from oxytestbed.loop.signals import Reading, Settings
from oxytestbed.models.errors import TestbedError

DATA = Path(__file__).with_name("data")
SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.21, fio2_max=1.0)
TWIN = f"program:{sys.executable} {DATA / 'twin_program.py'}"


def bad(kind, *more):
    words = " ".join(str(word) for word in more)
    return f"program:{sys.executable} {DATA / 'bad_program.py'} '{kind}' {words}"


def started(spec, lanes=2, **options):
    one = load_controller(spec, options)
    one.reset(lanes, SETTINGS)
    return one


def processes(path):
    """Numbers of the processes that a bad program has noted and that still run."""
    return [int(line) for line in path.read_text().split() if runs(int(line))]


def runs(number):
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    status = Path(f"/proc/{number}/stat")  # one that ended may wait to be collected: Z
    return not (status.exists() and status.read_text().rpartition(")")[2].split()[0] == "Z")


def test_it_equals_the_same_controller_in_python_bit_for_bit(make_spec, lane_records):
    arms = (
        ArmSpec(name="python", controller=f"{DATA / 'twin.py'}:per_infant"),
        ArmSpec(name="program", controller=TWIN),
    )
    records, run = lane_records(make_spec(arms=arms))
    assert run.errors == {}
    for infant in run.spec.infants.infant.tolist():
        assert records[infant, "python"] == records[infant, "program"]
    moved = [np.ptp(records[key].signals["set_fio2"]) for key in records]
    assert max(moved) > 0.1


def test_it_passes_the_check():
    results = check_controller(lambda: load_controller(TWIN))
    assert [item for item in results if not item.passed] == []


def test_a_copy_and_a_pickled_one_start_anew():
    one = started(TWIN)
    copy = pickle.loads(pickle.dumps(one))
    assert (copy.name, copy.period_s) == (one.name, one.period_s) == ("twin-program", 2)
    copy.reset(2, SETTINGS)
    reading = make_reading(2, spo2_pct=[80, 99])
    assert np.array_equal(copy.act(reading), one.act(reading))
    one.close()
    copy.close()


def test_a_reading_is_written_whole_and_reads_back_bit_for_bit():
    reading = make_reading(
        2, time_s=7, spo2_pct=[np.nan, 93], delivered_fio2=[1 / 3, 0.1 + 0.2], mode=[0, 3]
    )
    back = json.loads(json.dumps(encoded_reading(reading), allow_nan=False))
    assert set(back) == {item.name for item in fields(Reading)}
    assert back["time_s"] == 7
    assert back["spo2_pct"] == [None, 93.0]
    assert back["valid"] == [False, True]
    assert back["mode"] == [0, 3]
    assert np.array_equal(back["delivered_fio2"], reading.delivered_fio2)


def test_what_it_is_told_at_reset(tmp_path):
    script = tmp_path / "echo.py"
    script.write_text(
        "import sys\n"
        "for line in sys.stdin:\n"
        f"    open({str(tmp_path / 'told.txt')!r}, 'w').write(line)\n"
        '    print(\'{"name": "echo", "period_s": 5}\')\n'  # not flushed, on purpose
    )
    one = started(f"program:{sys.executable} {script}", lanes=3)
    assert one.period_s == 5
    assert json.loads((tmp_path / "told.txt").read_text()) == {
        "reset": {
            "protocol": 1,
            "lanes": 3,
            "settings": {
                "target_low_pct": 91,
                "target_high_pct": 95,
                "fio2_min": 0.21,
                "fio2_max": 1.0,
            },
        }
    }
    one.close()


@pytest.mark.parametrize(
    ("kind", "message"),
    [
        ("garbage", r"act at 4 s: expected one JSON object with fio2, got 'hello'.*standard error"),
        ("half", "got .*0.3"),
        ("nan", "NaN is not JSON, write null"),
        ("infinite", "lane 0: expected a finite number or null, got 'inf'"),
        ("text", "lane 0: expected a finite number"),
        ("boolean", "lane 0: expected a finite number.*True"),
        ("short", "an array of 2 numbers or nulls, got '1 values'"),
        ("number", "an array of 2 numbers or nulls, got 0.3"),
        ("list", "one JSON object with fio2, got '.0.3, 0.3.'"),
        ("other key", "one JSON object with fio2.*fi02"),
        ("more keys", "one JSON object with fio2.*note"),
        ("deep", "one JSON object with fio2"),
        ("bytes", "expected text in UTF-8"),
        ("reports", "the program reports: no licence"),
        ("dies", r"exit status 3.*standard error: some words \| boom: the last words"),
        ("killed", "the end of the program by SIGKILL"),
        ("mute", "a program that closed its standard output"),
        ("deaf", "a program that closed its standard input"),
    ],
)
def test_a_wrong_answer_ends_it_with_the_reason(kind, message):
    one = started(bad(kind))
    with pytest.raises(TestbedError, match=message) as caught:
        one.act(make_reading(2, time_s=4))
    assert "\n" not in str(caught.value)
    with pytest.raises(TestbedError, match="expected a running program"):
        one.act(make_reading(2))


@pytest.mark.parametrize(
    ("kind", "message"),
    [
        ("banner", "answer to reset: expected one JSON object.*Welcome!"),
        ("nameless", "name: expected a word for tables"),
        ("no period", "one JSON object with name and period_s"),
        ("half a second", r"period_s: expected a whole number of seconds of at least 1, got '0.5'"),
    ],
)
def test_a_wrong_introduction_is_refused_when_it_is_loaded(kind, message):
    with pytest.raises(TestbedError, match=message):
        load_controller(bad(kind))


def test_a_name_that_changes_is_refused():
    one = load_controller(bad("other name"))
    with pytest.raises(TestbedError, match="the name and period of the first start"):
        one.reset(2, SETTINGS)


def test_a_line_that_nobody_asked_for_is_refused():
    one = started(bad("twice"))
    one.act(make_reading(2))
    deadline = time.monotonic() + 10
    with pytest.raises(TestbedError, match="one line for each that is asked for"):
        while time.monotonic() < deadline:  # the second line may come a moment later
            one.act(make_reading(2))


def test_null_asks_for_nothing_and_holds_the_lane():
    one = started(bad("null"))
    request = one.act(make_reading(2))
    assert np.isnan(request[0]) and request[1] == 0.3
    one.close()


@pytest.mark.parametrize(("kind", "lanes"), [("slow", 2), ("asleep", 5000)])
def test_a_program_that_does_not_answer_hits_the_limit(kind, lanes, tmp_path):
    """With many lanes the message itself is more than a pipe holds."""
    noted = tmp_path / "noted"
    one = started(bad(kind, noted), lanes=lanes, timeout_s=5.0)
    one._timeout_s = 0.2
    with pytest.raises(TestbedError, match=r"an answer within 0.2 s, got 'nothing'. Flush"):
        one.act(make_reading(lanes))
    assert processes(noted) == []


def test_many_words_on_standard_error_block_nothing():
    one = started(bad("noisy"))
    for _ in range(3):
        assert one.act(make_reading(2)).tolist() == [0.3, 0.4]
    one.close()


def test_a_line_without_an_end_is_refused(monkeypatch):
    monkeypatch.setattr(line_process, "LONGEST_LINE", 10_000)
    one = started(bad("endless"))
    with pytest.raises(TestbedError, match="a line of at most 10000 bytes"):
        one.act(make_reading(2))


def test_it_is_ended_by_close_by_reset_and_when_forgotten(tmp_path):
    noted = tmp_path / "noted"
    one = load_controller(bad("noisy", noted))
    assert processes(noted) == []
    one.reset(1, SETTINGS)
    first = processes(noted)
    assert len(first) == 1
    one.reset(1, SETTINGS)
    second = processes(noted)
    assert len(second) == 1 and second != first
    one.close()
    assert processes(noted) == []
    one.close()
    one.reset(1, SETTINGS)
    del one
    assert processes(noted) == []


def test_a_program_that_will_not_end_is_killed(tmp_path, monkeypatch):
    monkeypatch.setattr(line_process, "GRACE_S", 0.1)
    monkeypatch.setattr(line_process, "TERMINATE_S", 0.1)
    noted = tmp_path / "noted"
    load_controller(bad("stubborn", noted))
    assert noted.read_text() and processes(noted) == []


@pytest.mark.skipif(os.name != "posix", reason="process groups are a POSIX matter")
def test_what_a_program_started_ends_with_it(tmp_path):
    noted = tmp_path / "noted"
    inner = bad("slow", noted).removeprefix("program:")
    one = started(f'program:sh -c "{inner}; true"')
    one._timeout_s = 0.2
    assert len(processes(noted)) == 1
    with pytest.raises(TestbedError, match="got 'nothing'"):
        one.act(make_reading(2))
    deadline = time.monotonic() + 5
    while processes(noted) and time.monotonic() < deadline:  # nobody waits for a grandchild
        time.sleep(0.01)
    assert processes(noted) == []


def test_the_bench_ends_programs_and_goes_on_without_a_failed_one(
    make_spec, lane_records, tmp_path
):
    noted = tmp_path / "noted"
    arms = (
        ArmSpec(name="good", controller=bad("null", noted)),
        ArmSpec(name="dies", controller=bad("dies", noted)),
        ArmSpec(name="fixed", controller="fixed"),
    )
    records, run = lane_records(make_spec(places=[0, 1], arms=arms, duration_s=120))
    assert set(run.errors) == {"dies"}
    assert "boom: the last words" in run.errors["dies"]
    assert processes(noted) == []
    alone, _ = lane_records(make_spec(places=[0, 1], arms=arms[2:], duration_s=120))
    assert all(records[key] == alone[key] for key in alone)


def test_a_slow_program_ends_its_arm(make_spec, lane_records):
    slow = ArmSpec(name="slow", controller=bad("slow"), options={"timeout_s": 2.0})
    _, run = lane_records(make_spec(places=[0], arms=(slow,), duration_s=90))
    assert "an answer within 2 s" in run.errors["slow"]


@pytest.mark.parametrize(
    ("spec", "options", "message"),
    [
        ("program:", {}, "expected a command, such as program:python3"),
        ("program:python3 'mine.py", {}, "a command with matching quotes"),
        ("program:no-such-program-here", {}, "'no-such-program-here'. It cannot be started"),
        (TWIN, {"timeout_s": 0}, "timeout_s: expected seconds from 0.01"),
        (TWIN, {"timeout": 5}, "Did you mean 'timeout_s'"),
    ],
)
def test_a_specification_that_cannot_be_used_is_refused(spec, options, message):
    with pytest.raises(TestbedError, match=message):
        load_controller(spec, options)


def test_acting_before_reset_is_refused():
    with pytest.raises(TestbedError, match=r"act: expected a running program.*not reset"):
        ExternalProgram(TWIN.removeprefix("program:")).act(make_reading(1))


def test_files_in_a_command_become_absolute(tmp_path):
    (tmp_path / "my program.py").touch()
    (tmp_path / "python-link").symlink_to(sys.executable)
    made = absolute_spec("program:python-link 'my program.py' --gain 0.1", tmp_path)
    assert made == f"program:{tmp_path / 'python-link'} '{tmp_path / 'my program.py'}' --gain 0.1"
    assert absolute_spec("program:x 'y", tmp_path) == "program:x 'y"
    hosted = absolute_spec("program:host 'my program.py:Mine' other.py:Mine", tmp_path)
    assert hosted == f"program:host '{tmp_path / 'my program.py'}:Mine' other.py:Mine"
    assert names_a_file(made) and not names_a_file("pi")


def test_decoding_names_what_is_wrong():
    assert decoded('{"fio2": []}', "here", ("fio2",)) == {"fio2": []}
    with pytest.raises(TestbedError, match=r"^here: expected one JSON object"):
        decoded("", "here", ("fio2",))


def test_any_controller_can_be_hosted_in_a_process_of_its_own(make_spec, lane_records):
    host = f"program:{sys.executable} -m oxytestbed.loop.foreign_host"
    arms = (
        ArmSpec(name="inside", controller=f"{DATA / 'twin.py'}:per_infant"),
        ArmSpec(name="hosted", controller=f"{host} {DATA / 'twin.py'}:per_infant"),
    )
    records, run = lane_records(make_spec(places=[0, 1], arms=arms, duration_s=300))
    assert run.errors == {}
    for infant in run.spec.infants.infant.tolist():
        assert records[infant, "inside"] == records[infant, "hosted"]


def test_a_hosted_controller_reports_what_is_wrong(tmp_path):
    host = f"program:{sys.executable} -m oxytestbed.loop.foreign_host"
    with pytest.raises(TestbedError, match=r"the program reports: .*Did you mean 'fixed'"):
        load_controller(f"{host} fixd")
    path = tmp_path / "prints.py"
    path.write_text(
        "import numpy as np\n"
        "class Prints:\n"
        "    name, period_s = 'prints', 1\n"
        "    def reset(self, lanes, settings): print('words on standard output')\n"
        "    def act(self, reading): raise KeyError('lost')\n"
    )
    one = started(f"{host} {path}:Prints")
    with pytest.raises(TestbedError, match=r"exit status 1.*KeyError: 'lost'"):
        one.act(make_reading(2))


def test_a_program_ends_when_its_bench_is_killed(tmp_path):
    noted = tmp_path / "noted"
    code = (
        "import os, signal\n"
        "from oxytestbed.loop.registry import load_controller\n"
        "from oxytestbed.loop.trial_readings import DEFAULT_SETTINGS\n"
        f"one = load_controller({bad('noisy', noted)!r})\n"
        "one.reset(1, DEFAULT_SETTINGS)\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=False)
    deadline = time.monotonic() + 10
    while processes(noted) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert noted.read_text() and processes(noted) == []


def test_a_close_of_ones_own_is_called_when_the_run_ends(make_spec, lane_records, tmp_path):
    path = tmp_path / "closes.py"
    path.write_text(
        "from pathlib import Path\n"
        "class Closes:\n"
        "    name, period_s = 'closes', 1\n"
        "    def __init__(self, fails=False): self.fails = fails\n"
        "    def reset(self, lanes, settings): pass\n"
        "    def act(self, reading): return reading.set_fio2.copy()\n"
        "    def close(self):\n"
        "        if self.fails: raise OSError('cannot close')\n"
        f"        with Path({str(tmp_path / 'closed')!r}).open('a') as file: file.write('once ')\n"
    )
    arms = (
        ArmSpec(name="closes", controller=f"{path}:Closes"),
        ArmSpec(name="fails", controller=f"{path}:Closes", options={"fails": True}),
    )
    _, run = lane_records(make_spec(places=[0], arms=arms, duration_s=90))
    assert (tmp_path / "closed").read_text() == "once "
    assert list(run.errors) == ["fails"]
    assert run.errors["fails"].startswith("OSError: cannot close")
