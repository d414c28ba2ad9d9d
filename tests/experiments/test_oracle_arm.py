"""The offline optimum in a comparison: a bound beside the arms, never one of them."""

import pandas as pd
import pytest

from oxytestbed.experiments.chunk import failed_chunk, run_chunk, work_ticks
from oxytestbed.experiments.compare import compare, make_chunks, nursing_groups, scenario_infants
from oxytestbed.experiments.figure_set import figure_set
from oxytestbed.experiments.report import render_report
from oxytestbed.experiments.report_tables import difference_table, main_table
from oxytestbed.experiments.report_text import answer, points
from oxytestbed.experiments.result import TRACE_COLUMNS
from oxytestbed.experiments.scenario import load_scenario, override, to_toml
from oxytestbed.loop.criterion import squared_distance
from oxytestbed.loop.oracle import ORACLE
from oxytestbed.loop.outcomes import OUTCOMES
from oxytestbed.models.errors import TestbedError

WITHOUT_STAFF = {"manual_changes_per_24h", "staff_min_per_24h"}
SMALL = {
    "run": {"duration_h": 0.1, "warmup_h": 0.02},
    "cohort": {"infants": 2, "stratum": "unstable"},
    "staff": {"infants_per_nurse": 1},
}


def scenario_with(tiny_scenario, oracle):
    report = {"trace_infants": [0], "resamples": 100, "worst_infants": 1, "oracle": oracle}
    return tiny_scenario(**SMALL, report=report)


@pytest.fixture(scope="module")
def progress():
    return []


@pytest.fixture(scope="module")
def bounded(tiny_scenario, progress):
    scenario = scenario_with(tiny_scenario, oracle=True)
    return compare(scenario, workers=1, progress=lambda *seen: progress.append(seen))


@pytest.fixture(scope="module")
def plain(tiny_scenario):
    return compare(scenario_with(tiny_scenario, oracle=False), workers=1)


@pytest.fixture(scope="module")
def entries(bounded):
    return figure_set(bounded)


def test_it_is_left_out_unless_it_is_asked_for(plain):
    assert plain.arms == ("manual", "fixed", "pi")
    assert ORACLE not in main_table(plain).head


def test_it_changes_no_number_of_any_arm(bounded, plain):
    assert bounded.arms == (*plain.arms, ORACLE)
    for name in ("outcomes", "summary", "paired", "histogram", "events"):
        table = getattr(bounded, name)
        others = table[table["arm"] != ORACLE].reset_index(drop=True)
        pd.testing.assert_frame_equal(others, getattr(plain, name), check_exact=True)
    for name in ("ranking", "courses", "warmups", "worst"):
        pd.testing.assert_frame_equal(
            getattr(bounded, name), getattr(plain, name), check_exact=True
        )


def test_it_bounds_the_criterion_in_every_infant(bounded):
    table = bounded.outcomes.pivot(index="infant", columns="arm", values="criterion_j_sao2")
    assert (table[ORACLE].to_numpy()[:, None] <= table.to_numpy() + 1e-6).all()
    assert table[ORACLE].mean() < 0.8 * table["pi"].mean()


def test_it_has_outcomes_traces_and_a_histogram(bounded):
    rows = bounded.outcomes[bounded.outcomes["arm"] == ORACLE]
    assert len(rows) == 2 and (rows["error"] == "").all()
    always = [name for name in OUTCOMES if name.endswith("_sao2") and "burden" in name]
    assert rows[always].notna().all(axis=None)
    assert rows["alarms_high_priority_per_24h"].notna().all()
    assert rows[sorted(WITHOUT_STAFF)].isna().all(axis=None)  # nobody is there
    assert list(bounded.trace(0, ORACLE).columns) == list(TRACE_COLUMNS)
    histogram = bounded.histogram[bounded.histogram["arm"] == ORACLE]
    assert histogram["seconds_all"].sum() > 400


def test_its_row_is_what_its_trace_says(bounded):
    counted = bounded.trace(0, ORACLE).iloc[72:]
    squares = squared_distance(counted["sao2_pct"], counted["set_fio2"], 91, 95)
    row = bounded.outcomes.query("infant == 0 and arm == @ORACLE").iloc[0]
    assert row["criterion_j_sao2"] == pytest.approx(3600 * squares.mean())


def test_progress_counts_the_search_and_reaches_its_end(bounded, progress):
    done, total = zip(*progress, strict=True)
    assert list(done) == sorted(done) and done[-1] == total[-1]
    assert any(0.2 < part / whole < 0.8 for part, whole in progress)


def test_it_takes_no_place_and_is_nobody_who_fared_worst(bounded):
    assert ORACLE not in set(bounded.ranking["arm"])
    assert ORACLE not in set(bounded.worst["arm"])


def test_it_stands_in_the_paired_table_without_a_verdict(bounded):
    assert ORACLE in set(bounded.paired["arm"])
    rows = [row for row in difference_table(bounded).rows if row.cells[2] == "oracle (bound)"]
    assert rows and all(row.cells[-1] == "" for row in rows)


def test_the_words_say_what_it_is(bounded):
    assert ORACLE not in " ".join(answer(bounded))
    (text,) = (text for text in points(bounded) if ORACLE in text)
    assert "no controller" in text and "the future" in text
    mean = bounded.outcomes.groupby("arm")["criterion_j_sao2"].mean()
    for arm in bounded.arms:
        assert f"{arm} {mean[arm]:.0f}" in text


def test_figures_and_report_mark_it_as_a_bound(bounded, entries):
    captions = {entry.name: entry.caption for entry in entries}
    assert "no controller" in captions["time_in_range"]
    assert "no controller" in captions["strip_infant_0"]
    assert "no controller" not in captions["ranking"]
    page = render_report(bounded, entries)
    assert "oracle (bound)" in page and "It takes no place." in page


def test_a_search_that_fails_leaves_the_arms(make_spec, monkeypatch):
    def broken(*_, **__):
        raise FloatingPointError("no step is small enough")

    monkeypatch.setattr("oxytestbed.experiments.chunk.find_oracle", broken)
    spec = make_spec(range(2), duration_s=120, warmup_s=0)
    result = run_chunk(spec, (), oracle=True)
    errors = {row["arm"]: row["error"] for row in result.rows}
    assert errors.pop(ORACLE) == "FloatingPointError: no step is small enough"
    assert errors == {"manual": "", "fixed": "", "pi": ""}
    failed = failed_chunk(spec, "the lights went out", oracle=True)
    assert [row["arm"] for row in failed.rows] == [row["arm"] for row in result.rows]


def test_chunks_are_small_enough_for_the_search(tiny_scenario):
    scenario = override(
        scenario_with(tiny_scenario, oracle=True),
        {"cohort.infants": 40, "run.duration_h": 24, "report.trace_infants": []},
    )
    infants, _ = scenario_infants(scenario)
    chunks = make_chunks(scenario, infants, nursing_groups(40, 2), 1)
    assert len(chunks) >= 4 and all(chunk.oracle for chunk in chunks)
    assert chunks[0].ticks == work_ticks(chunks[0].spec, True) > 50 * 86_400


def test_its_name_is_taken(tiny_scenario):
    arms = [{"name": ORACLE, "kind": "manual"}]
    with pytest.raises(TestbedError, match="another name"):
        tiny_scenario(arms=arms)


def test_the_setting_is_written_and_read(tiny_scenario, tmp_path):
    path = tmp_path / "bounded.toml"
    path.write_text(to_toml(scenario_with(tiny_scenario, oracle=True)), encoding="utf-8")
    assert load_scenario(path).report.oracle is True
    assert load_scenario("settled_night").report.oracle is False
