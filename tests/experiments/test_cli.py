"""The command line: what it writes, what it says, and the status that it ends with."""

import contextlib
import io
import json
import os
import re
import signal
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest

from oxytestbed import __version__
from oxytestbed.experiments import cli, result_folder
from oxytestbed.experiments.cli_options import named_controller
from oxytestbed.experiments.cohort_files import read_infants
from oxytestbed.experiments.scenario import load_scenario, scenario_names

#: A comparison of two infants and two arms that takes about a second, without its figures.
TINY = ["--infants", "2", "--hours", "0.2", "--set", "run.warmup_h=0.05"]
TINY += ["--set", "report.trace_infants=[]", "--set", "report.resamples=100"]
TINY += ["--set", "report.worst_infants=0"]


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """An empty working folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def plain(monkeypatch):
    """Leave out figures and report, which have tests of their own and take their time."""
    monkeypatch.setattr(result_folder, "figure_set", lambda _: [])
    monkeypatch.setattr(result_folder, "write_figures", lambda *_: None)
    monkeypatch.setattr(result_folder, "render_report", lambda *_: "<p>report</p>")
    monkeypatch.setattr(result_folder, "write_tables", lambda *_: None)


def run(capsys, *words):
    """Run one command; give status, output and errors."""
    try:
        status = cli.main(list(words))
    except SystemExit as error:
        status = error.code
    shown = capsys.readouterr()
    return status, shown.out, shown.err


def files(folder):
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))


def written(folder):
    """Files of a result; finished chunks that the same command will go on from are none."""
    return [name for name in files(folder) if not name.startswith(".r.partial")]


@pytest.fixture(scope="module")
def compared(tmp_path_factory):
    """One whole comparison with figures and report: folder, status, output, errors."""
    folder = tmp_path_factory.mktemp("compared") / "result"
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = cli.main(["compare", *TINY, "--workers", "1", "--out", str(folder)])
    return folder, status, out.getvalue(), err.getvalue()


def test_compare_writes_a_whole_result_and_ends_well(compared):
    folder, status, out, err = compared
    assert status == 0
    tables = {"outcomes.csv", "summary.csv", "paired.csv", "events.csv", "cohort.csv"}
    assert tables | {"report.html", "scenario.toml", "manifest.json", "figures"} <= set(
        files(folder)
    )
    assert any(path.suffix == ".svg" for path in (folder / "figures").iterdir())
    assert f"Report: {folder / 'report.html'}" in out
    assert "not a medical device" in out
    assert out.startswith("A settled night on nasal CPAP: 2 infants x 0.2 h, arms manual")
    assert err.splitlines()[-1].startswith("simulated ") and "(100 %)" in err


def test_compare_shows_the_main_table(compared):
    _, _, out, _ = compared
    head = next(line for line in out.splitlines() if line.startswith("Outcome"))
    for arm in ("manual", "fixed", "pi"):
        assert arm in head
    assert "Mean set FiO2" in out


def test_the_command_in_the_manifest_makes_the_same_again(compared, capsys, folder, plain):
    first = compared[0]
    command = json.loads((first / "manifest.json").read_text())["command"]
    words = command.replace(str(first), "again").split()
    assert words[:2] == ["oxytestbed", "compare"]
    status, _, _ = run(capsys, *[word.strip("'") for word in words[1:]])
    assert status == 0
    for name in ("outcomes", "events", "summary", "paired", "histogram"):
        one, other = (place / f"{name}.csv" for place in (first, folder / "again"))
        assert one.read_text() == other.read_text()


def test_a_written_scenario_makes_the_same_again(compared, capsys, folder, plain):
    scenario = str(compared[0] / "scenario.toml")
    status, _, _ = run(capsys, "compare", scenario, "--workers", "1", "--out", "again")
    assert status == 0
    text = (folder / "again" / "outcomes.csv").read_text()
    assert text == (compared[0] / "outcomes.csv").read_text()


def test_an_existing_folder_is_refused_before_the_run(compared, capsys):
    before = files(compared[0])
    status, out, err = run(capsys, "compare", *TINY, "--out", str(compared[0]))
    assert status == 2 and out == ""
    assert re.fullmatch(r"oxytestbed compare: result folder: .*does not exist yet.*\n", err)
    assert files(compared[0]) == before


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["setled_night"], "Did you mean 'settled_night'"),
        (["./none.toml"], "a file that exists"),
        (["--set", "target.low_pc=90"], "Did you mean 'low_pct'"),
        (["--set", "targets.low_pct=90"], "Did you mean 'target'"),
        (["--set", "target.low_pct=ninety"], "target.low_pct"),
        (["--set", "seed=1.5"], "seed"),
        (["--set", "target.low_pct=97"], "less than high_pct"),
        (["--set", "target.low_pct"], "key=value"),
        (["--set", "staff.prompt_delay_s=5000"], "prompt_delay_s"),
        (["--hours", "0.5"], "warmup_h"),
        (["--infants", "0"], "cohort.infants"),
        (["--infants", "1", "--set", "report.trace_infants=[1]"], "trace_infants"),
        (["--cohort", "none.csv"], "a file that exists"),
        (["--controller", "pid_with_a_typo"], "a known name"),
        (["--controller", "none.py:Mine"], "a file that exists"),
        (["--controller", "fixed"], "a different name for each arm"),
        (["--workers", "0"], "--workers"),
        (["--out", "file/result"], "a place to write to"),
    ],
)
def test_what_cannot_be_used_is_said_and_nothing_is_written(capsys, folder, words, message):
    (folder / "file").touch()
    status, out, err = run(capsys, "compare", *words)
    assert status == 2 and out == ""
    assert err.startswith("oxytestbed compare: ") and message in err
    assert "Traceback" not in err
    assert len(err.splitlines()) == 1
    assert files(folder) == ["file"]


def test_several_mistakes_are_told_at_once(capsys, folder):
    (folder / "mine.toml").write_text(
        'name = "mine"\ntitle = "Mine"\nquestion = "?"\nseed = -1\n'
        "[target]\nlow_pct = 90\nhigh_pct = 400\n"
        '[[arms]]\nname = "manual"\nkind = "by hand"\n'
    )
    status, _, err = run(capsys, "compare", "./mine.toml")
    assert status == 2
    assert all(word in err for word in ("seed", "high_pct", "kind"))
    assert files(folder) == ["mine.toml"]


@pytest.mark.parametrize("words", [[], ["compar"], ["compare", "--hours", "many"], ["check"]])
def test_a_command_that_is_none_ends_with_its_usage(capsys, folder, words):
    status, out, err = run(capsys, *words)
    assert status == 2 and out == ""
    assert err.startswith("usage: oxytestbed")


def test_help_and_version_end_well(capsys):
    assert run(capsys, "--version")[:2] == (0, f"oxytestbed {__version__}\n")
    status, out, _ = run(capsys, "compare", "--help")
    assert status == 0 and "--controller" in out and "not a medical device" in out


def test_from_template_to_comparison(capsys, folder, plain):
    status, out, _ = run(capsys, "template", "mine.py")
    assert status == 0 and "oxytestbed check mine.py:MyController" in out
    status, out, _ = run(capsys, "check", "mine.py:MyController")
    assert status == 0 and "FAIL" not in out and out.rstrip().endswith("checks passed.")
    words = ["compare", *TINY, "--controller", "mine.py:MyController", "--workers", "1"]
    status, out, err = run(capsys, *words)
    assert status == 0, err
    written = folder / "runs" / "settled_night"
    assert "my_controller" in set(pd.read_csv(written / "outcomes.csv")["arm"])
    assert load_scenario(written / "scenario.toml").arms[-1].controller.endswith(":MyController")


def test_a_second_run_gets_a_folder_of_its_own(capsys, folder, plain):
    (folder / "runs" / "settled_night").mkdir(parents=True)
    status, _, _ = run(capsys, "compare", *TINY, "--workers", "1")
    assert status == 0
    assert (folder / "runs" / "settled_night-2" / "report.html").is_file()
    assert files(folder / "runs" / "settled_night") == []


def test_a_template_is_not_written_over(capsys, folder):
    (folder / "mine.py").write_text("precious")
    status, _, err = run(capsys, "template", "mine.py")
    assert status == 2 and "mine.py" in err
    assert (folder / "mine.py").read_text() == "precious"
    assert run(capsys, "template", "mine.py", "--force")[0] == 0
    assert "MyController" in (folder / "mine.py").read_text()


def test_a_bad_controller_fails_its_check(capsys, misbehaving):
    status, out, _ = run(capsys, "check", misbehaving("WrongShape").controller)
    assert status == 1 and "FAIL" in out
    for missing in ("none.py:Mine", "none.so", "pid_with_a_typo"):
        status, out, err = run(capsys, "check", missing)
        assert (status, out) == (2, "")
        assert err.startswith("oxytestbed check: controller") and missing in err


@pytest.mark.parametrize(
    ("name", "message"),
    [("RaisesAtFiveMinutes", "five minutes are over"), ("RaisesInReset", "no reset today")],
)
def test_an_arm_that_failed_is_said_and_the_rest_is_written(
    capsys, folder, plain, misbehaving, name, message
):
    words = ["compare", *TINY, "--controller", f"bad={misbehaving(name).controller}"]
    status, out, err = run(capsys, *words, "--workers", "1", "--out", "r")
    assert status == 1
    assert "arm 'bad' failed: " in err and message in err
    assert "Report: r/report.html" in out
    table = pd.read_csv(folder / "r" / "outcomes.csv")
    assert table.loc[table["arm"] == "bad", "error"].str.contains(message).all()
    assert table.loc[table["arm"] != "bad", "error"].isna().all()


def test_a_cohort_goes_out_and_comes_in_with_the_same_numbers(capsys, folder, plain, compared):
    status, out, _ = run(capsys, "cohort", "--infants", "2", "--out", "mine.csv")
    assert status == 0 and out.startswith("Wrote 2 infants to mine.csv")
    assert read_infants("mine.csv").infant.tolist() == [0, 1]
    words = [word for word in TINY if word not in ("--infants", "2")]
    status, _, _ = run(
        capsys, "compare", *words, "--cohort", "mine.csv", "--workers", "1", "--out", "r"
    )
    assert status == 0
    text = (folder / "r" / "outcomes.csv").read_text()
    assert text == (compared[0] / "outcomes.csv").read_text()


def test_a_cohort_that_cannot_be_written_is_said(capsys, folder):
    status, out, err = run(capsys, "cohort", "--infants", "1", "--out", "none/mine.csv")
    assert status == 2 and out == ""
    assert err.startswith("oxytestbed cohort: cannot write none/mine.csv")


def test_the_scenarios_are_listed_and_shown(capsys, folder):
    status, out, _ = run(capsys, "scenarios")
    assert status == 0
    assert all(f"{name}: " in out for name in scenario_names())
    status, out, _ = run(capsys, "scenarios", "settled_night")
    assert status == 0
    (folder / "shown.toml").write_text(out)
    assert load_scenario("./shown.toml") == load_scenario("settled_night")


def test_the_seed_and_the_hours_reach_the_scenario(capsys, folder, plain):
    words = ["compare", *TINY, "--seed", "5", "--hours", "0.1", "--workers", "1", "--out", "r"]
    assert run(capsys, *words)[0] == 0
    scenario = load_scenario(folder / "r" / "scenario.toml")
    assert (scenario.seed, scenario.run.duration_h) == (5, 0.1)
    assert scenario.cohort.infants == 2


def test_a_stop_before_anything_has_finished_leaves_nothing(capsys, folder, monkeypatch):
    def stopped(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("oxytestbed.experiments.compare.run_chunks", stopped)
    status, _, err = run(capsys, "compare", *TINY, "--workers", "1", "--out", "r")
    assert status == 130
    assert "Stopped. No result was written" in err and "Traceback" not in err
    assert written(folder) == []


@pytest.mark.parametrize("where", ["compare.summarise", "result_folder.figure_set"])
def test_a_stopped_run_goes_on_where_it_was(capsys, folder, plain, monkeypatch, where):
    def stopped(*_, **__):
        raise KeyboardInterrupt

    words = ["compare", *TINY, "--workers", "1", "--out", "r"]
    with monkeypatch.context() as patch:
        patch.setattr(f"oxytestbed.experiments.{where}", stopped)
        assert run(capsys, *words)[0] == 130
    assert any(name.endswith(".pickle") for name in files(folder))
    assert written(folder) == []
    with monkeypatch.context() as patch:
        patch.setattr("oxytestbed.experiments.workers.run_chunk", stopped)
        status, _, err = run(capsys, *words)
    assert status == 0
    assert err.startswith("simulated 1 of 1 infant-hours (100 %)")
    assert not (folder / ".r.partial").exists()
    assert (folder / "r" / "outcomes.csv").is_file()


@pytest.mark.parametrize(
    ("spec", "wanted"),
    [
        ("mine=a.py:B", ("mine", "a.py:B")),
        ("a.py:MyPID2", ("my_pid2", "a.py:MyPID2")),
        ("a.py:MyController", ("my_controller", "a.py:MyController")),
        ("pi", ("pi", "pi")),
    ],
)
def test_an_arm_is_named_after_its_controller(spec, wanted):
    assert named_controller(spec) == wanted


def command(*words):
    return [sys.executable, "-m", "oxytestbed.experiments.cli", *words]


def test_a_process_ends_with_the_status(tmp_path):
    done = subprocess.run(
        command("compare", "--set", "seed=x", "--out", "r"),
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert done.stdout == "" and "seed" in done.stderr and "Traceback" not in done.stderr
    assert files(tmp_path) == []


def test_a_reader_that_leaves_early_is_no_error(tmp_path):
    line = "{} -m oxytestbed.experiments.cli scenarios settled_night | head -n 1"
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", line.format(sys.executable)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert "Traceback" not in done.stderr and "BrokenPipe" not in done.stderr
    assert done.stdout.startswith("#")


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="needs process groups")
def test_ctrl_c_ends_all_processes_and_leaves_nothing(tmp_path):
    """The signal goes to the whole process group, as from a terminal."""
    words = ["compare", "--infants", "4", "--hours", "300", "--workers", "2", "--out", "r"]
    process = subprocess.Popen(
        command(*words),
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        first = process.stderr.readline()
        assert first.startswith("simulated 0 of")
        time.sleep(1.0)  # let the second worker get past its imports
        os.killpg(process.pid, signal.SIGINT)
        _, err = process.communicate(timeout=60)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 130
    assert "Stopped. No result was written" in err
    assert written(tmp_path) == []


def test_the_numbers_on_the_terminal_are_those_of_the_file(compared):
    folder, _, out, _ = compared
    row = next(line for line in out.splitlines() if line.startswith("Mean set FiO2"))
    shown = [float(text) for text in re.findall(r"([\d.]+) \(", row)]
    table = pd.read_csv(folder / "summary.csv")
    fio2 = table.loc[table["outcome"] == "mean_fio2_pct", "median"]
    assert len(shown) == 3
    np.testing.assert_allclose(sorted(shown), sorted(fio2.tolist()), atol=0.051)
