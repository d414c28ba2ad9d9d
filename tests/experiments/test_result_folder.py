"""A result folder is there as a whole, or not at all."""

import json
import shutil

import numpy as np
import pandas as pd
import pytest

from oxytestbed.experiments import result_folder as module
from oxytestbed.experiments.cohort_files import read_infants
from oxytestbed.experiments.compare import compare, scenario_infants
from oxytestbed.experiments.result_folder import free_folder, refuse_taken, save, write_table
from oxytestbed.experiments.scenario import load_scenario
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.infants import Infants


@pytest.fixture(scope="module")
def result(tiny_scenario):
    return compare(tiny_scenario(), workers=1)


@pytest.fixture
def plain(monkeypatch):
    """Leave out figures and report, which have tests of their own and take their time."""
    monkeypatch.setattr(module, "figure_set", lambda _: [])
    monkeypatch.setattr(module, "write_figures", lambda _, folder, *__: (folder / "x.svg").touch())
    monkeypatch.setattr(module, "render_report", lambda *_: "<p>report</p>")
    monkeypatch.setattr(module, "report_page", lambda *_: None)
    monkeypatch.setattr(module, "write_tables", lambda *_: None)


def test_the_folder_holds_everything(result, plain, tmp_path):
    report = save(result, tmp_path / "deep" / "run")
    folder = tmp_path / "deep" / "run"
    assert report == folder / "report.html" and report.read_text() == "<p>report</p>"
    names = {path.name for path in folder.iterdir()}
    tables = {"outcomes", "summary", "paired", "histogram", "events", "cohort"}
    assert {f"{name}.csv" for name in tables} <= names
    assert {f"trace_0_{arm}.csv" for arm in ("manual", "fixed", "pi")} <= names
    assert {"scenario.toml", "manifest.json", "figures"} <= names
    assert [path.name for path in (tmp_path / "deep").iterdir()] == ["run"]


def test_the_files_say_what_the_result_says(result, plain, tmp_path):
    folder = save(result, tmp_path / "run").parent
    assert load_scenario(folder / "scenario.toml") == result.scenario
    assert json.loads((folder / "manifest.json").read_text()) == dict(result.manifest)
    for name in ("outcomes", "summary", "paired", "histogram", "events"):
        table = getattr(result, name)
        back = pd.read_csv(folder / f"{name}.csv", keep_default_na=True)
        assert list(back.columns) == list(table.columns) and len(back) == len(table)
        for column in table.select_dtypes("number"):
            np.testing.assert_allclose(back[column], table[column], rtol=1e-9)
    trace = pd.read_csv(folder / "trace_0_manual.csv")
    np.testing.assert_allclose(trace["sao2_pct"], result.traces[0, "manual"]["sao2_pct"], atol=6e-4)


def test_the_cohort_reads_back_bit_for_bit(result, plain, tmp_path):
    folder = save(result, tmp_path / "run").parent
    infants, _ = scenario_infants(result.scenario)
    back = read_infants(folder / "cohort.csv")
    for name in Infants.__dataclass_fields__:
        assert np.array_equal(getattr(back, name), getattr(infants, name)), name


def test_a_folder_that_exists_is_left_alone(result, plain, tmp_path):
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "mine.txt").write_text("keep")
    with pytest.raises(TestbedError, match="does not exist yet"):
        save(result, tmp_path / "run")
    assert [path.name for path in tmp_path.rglob("*.*")] == ["mine.txt"]


@pytest.mark.parametrize("error", [OSError("disk full"), KeyboardInterrupt(), ValueError("bug")])
def test_whatever_goes_wrong_leaves_nothing(result, plain, tmp_path, monkeypatch, error):
    def fails(*_):
        raise error

    monkeypatch.setattr(module, "write_figures", fails)
    wanted = TestbedError if isinstance(error, OSError) else type(error)
    with pytest.raises(wanted):
        save(result, tmp_path / "run")
    assert list(tmp_path.iterdir()) == []


def test_what_had_finished_outlives_a_failure_to_write(result, plain, tmp_path, monkeypatch):
    chunk = tmp_path / ".run.partial" / "chunks" / "a.pickle"
    chunk.parent.mkdir(parents=True)
    chunk.touch()

    def fails(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(module, "write_figures", fails)
    with pytest.raises(KeyboardInterrupt):
        save(result, tmp_path / "run")
    assert [path.name for path in tmp_path.rglob("*") if path.is_file()] == ["a.pickle"]


def test_what_an_interrupted_run_left_is_cleared_away(result, plain, tmp_path):
    (tmp_path / ".run.partial" / "result").mkdir(parents=True)
    (tmp_path / ".run.partial" / "result" / "old.csv").touch()
    (tmp_path / ".run.partial" / "chunks").mkdir()
    save(result, tmp_path / "run")
    assert not (tmp_path / "run" / "old.csv").exists()
    assert not (tmp_path / ".run.partial").exists()


def test_a_place_that_is_no_folder_is_refused_before_the_run(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(TestbedError, match="a place to write to"):
        refuse_taken(tmp_path / "file" / "run")
    refuse_taken(tmp_path / "new" / "run")


def test_a_protected_place_is_refused_before_the_run(tmp_path, monkeypatch):
    monkeypatch.setattr(module.os, "access", lambda path, _: path != tmp_path)
    with pytest.raises(TestbedError, match="a place to write to"):
        refuse_taken(tmp_path / "run")


def test_a_free_name_is_found_by_counting(tmp_path):
    wanted = tmp_path / "night"
    assert free_folder(wanted) == wanted
    for name in ("night", "night-2", "night-3"):
        (tmp_path / name).mkdir()
    assert free_folder(wanted) == tmp_path / "night-4"
    shutil.rmtree(tmp_path / "night-2")
    assert free_folder(wanted) == tmp_path / "night-2"


def test_numbers_of_a_table_are_rounded_only_where_they_may_be(tmp_path):
    table = pd.DataFrame({"x": [1 / 3, float("nan")], "n": [1, 2]})
    write_table(table, tmp_path / "rounded.csv")
    write_table(table, tmp_path / "exact.csv", exact=True)
    assert (tmp_path / "rounded.csv").read_text() == "x,n\n0.3333333333,1\n,2\n"
    written = (tmp_path / "exact.csv").read_text().splitlines()[1].partition(",")[0]
    assert float(written) == 1 / 3
