"""The comparison as a whole: who is in it, and that workers and cohort files change nothing."""

import json
import re

import numpy as np
import pandas as pd
import pytest

from oxytestbed.experiments import compare as module
from oxytestbed.experiments import workers as crew
from oxytestbed.experiments.cohort_files import write_infants
from oxytestbed.experiments.compare import (
    arm_spec,
    bench_spec,
    cohort_table,
    compare,
    make_chunks,
    nursing_groups,
    scenario_infants,
)
from oxytestbed.experiments.result import TRACE_COLUMNS
from oxytestbed.loop.event_outcomes import EVENT_OUTCOMES
from oxytestbed.loop.outcomes import OUTCOMES
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.infants import Infants

TABLES = ("cohort", "outcomes", "summary", "paired", "histogram", "events", "scenario_table")


def assert_same(one, other, but=()):
    """Every table and trace, bit for bit."""
    for name in set(TABLES) - set(but):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name), check_exact=True)
    assert list(one.traces) == list(other.traces)
    for key, trace in one.traces.items():
        pd.testing.assert_frame_equal(trace, other.traces[key], check_exact=True)


@pytest.fixture(scope="module")
def result(tiny_scenario):
    return compare(tiny_scenario(), workers=1, command="as typed")


def test_the_number_of_workers_changes_nothing(tiny_scenario, result):
    """With two workers the groups run in two chunks, each in a process of its own."""
    assert_same(result, compare(tiny_scenario(), workers=2))


def test_infants_of_a_file_give_the_same_as_when_they_were_drawn(tiny_scenario, result, tmp_path):
    path = tmp_path / "cohort.csv"
    write_infants(scenario_infants(tiny_scenario())[0], path)
    from_file = compare(tiny_scenario(cohort={"csv": str(path)}), workers=1)
    assert_same(result, from_file, but=["scenario_table"])


def test_another_arm_changes_no_row_of_the_others(tiny_scenario, result, misbehaving):
    more = compare(tiny_scenario(misbehaving("Good")), workers=1)
    rows = more.outcomes[more.outcomes["arm"] != "good"].reset_index(drop=True)
    pd.testing.assert_frame_equal(rows, result.outcomes, check_exact=True)


def test_outcomes_have_a_row_for_each_arm_and_infant(result):
    keys = list(zip(result.outcomes["arm"], result.outcomes["infant"], strict=True))
    assert keys == [(arm, infant) for arm in ("manual", "fixed", "pi") for infant in range(4)]
    assert set(OUTCOMES) | set(EVENT_OUTCOMES) <= set(result.outcomes.columns)
    assert set(result.summary["outcome"]) == set(OUTCOMES) | set(EVENT_OUTCOMES)
    assert set(result.paired["baseline"]) == {"manual"}


def test_events_are_sorted_by_infant_arm_and_time(result):
    keys = result.events[["infant", "arm", "time_s"]]
    assert keys.equals(keys.sort_values(["infant", "arm", "time_s"], kind="stable"))
    assert len(keys) > 0


def test_a_trace_has_a_row_a_second(result):
    assert set(result.traces) == {(0, arm) for arm in ("manual", "fixed", "pi")}
    for trace in result.traces.values():
        assert tuple(trace.columns) == TRACE_COLUMNS
        assert trace["time_s"].tolist() == list(range(900))


def test_the_manifest_says_how_to_make_it_again(result):
    manifest = json.loads(json.dumps(result.manifest))
    assert manifest["seed"] == 11 and manifest["workers"] == 1
    assert manifest["command"] == "as typed"
    assert {"oxytestbed", "python", "numpy", "scipy", "simpy", "pandas"} <= set(manifest)


def test_progress_reaches_the_whole(tiny_scenario):
    seen = []
    compare(tiny_scenario(), workers=1, progress=lambda *item: seen.append(item))
    total = 4 * 3 * 900
    assert seen[-1] == (total, total) and seen == sorted(seen)


def test_a_failed_arm_is_named_and_the_others_are_there(tiny_scenario, result, misbehaving):
    failing = compare(tiny_scenario(misbehaving("RaisesAtFiveMinutes")), workers=1)
    (error,) = failing.failures.values()
    assert error.startswith("ZeroDivisionError: five minutes are over (")
    assert re.search(r"misbehaving\.py, line \d+\)$", error)
    assert failing.finished_arms == result.arms
    rows = failing.outcomes[failing.outcomes["error"] == ""].reset_index(drop=True)
    pd.testing.assert_frame_equal(rows, result.outcomes, check_exact=True)


def test_a_controller_that_cannot_be_loaded_is_refused_before_anything_runs(
    tiny_scenario, misbehaving, monkeypatch
):
    monkeypatch.setattr(module, "run_chunks", lambda *_: pytest.fail("it ran"))
    with pytest.raises(TestbedError, match="NoSuchClass"):
        compare(tiny_scenario(misbehaving("NoSuchClass")), workers=1)


def test_a_trace_of_an_infant_that_the_file_does_not_have_is_refused(
    tiny_scenario, six_infants, tmp_path, monkeypatch
):
    monkeypatch.setattr(module, "run_chunks", lambda *_: pytest.fail("it ran"))
    path = tmp_path / "cohort.csv"
    write_infants(six_infants, path)  # their numbers begin at 1000
    with pytest.raises(TestbedError, match="1000 to 1005"):
        compare(tiny_scenario(cohort={"csv": str(path)}))


@pytest.mark.parametrize(
    ("infants", "infants_per_nurse", "wanted"),
    [(5, 2, [0, 0, 1, 1, 2]), (3, 1, [0, 1, 2]), (3, 8, [0, 0, 0])],
)
def test_consecutive_infants_share_a_nurse(infants, infants_per_nurse, wanted):
    assert nursing_groups(infants, infants_per_nurse).tolist() == wanted


@pytest.mark.parametrize("workers", [1, 2, 3, 50])
@pytest.mark.parametrize("infants_per_nurse", [1, 2, 4])
def test_chunks_hold_every_infant_once_and_split_no_group(
    tiny_scenario, workers, infants_per_nurse
):
    scenario = tiny_scenario(cohort={"infants": 7})
    infants, _ = scenario_infants(scenario)
    groups = nursing_groups(7, infants_per_nurse)
    chunks = make_chunks(scenario, infants, groups, workers)
    assert len(chunks) == min(workers, len(set(groups.tolist())))
    numbers = [number for chunk in chunks for number in chunk.spec.infants.infant.tolist()]
    assert numbers == list(range(7))
    homes = [set(chunk.spec.groups.tolist()) for chunk in chunks]
    assert sum(len(home) for home in homes) == len(set().union(*homes))


def test_many_lanes_make_several_chunks_for_one_worker(tiny_scenario, monkeypatch):
    monkeypatch.setattr(module, "LANES_A_CHUNK", 6)
    scenario = tiny_scenario()
    infants, _ = scenario_infants(scenario)
    chunks = make_chunks(scenario, infants, nursing_groups(4, 2), 1)
    assert [chunk.lanes for chunk in chunks] == [6, 6]


def test_long_runs_make_smaller_chunks_so_that_memory_stays_flat(tiny_scenario, monkeypatch):
    scenario = tiny_scenario()
    monkeypatch.setattr(crew, "SAMPLES_A_CHUNK", 3 * scenario.run.duration_s)
    monkeypatch.setattr(crew, "SAMPLES_AT_ONCE", 6 * scenario.run.duration_s)
    infants, _ = scenario_infants(scenario)
    chunks = make_chunks(scenario, infants, nursing_groups(4, 1), 1)
    assert [chunk.lanes for chunk in chunks] == [6, 6]
    chunks = make_chunks(scenario, infants, nursing_groups(4, 1), 2)
    assert [chunk.lanes for chunk in chunks] == [3, 3, 3, 3]
    assert len(make_chunks(scenario, infants, nursing_groups(4, 1), 3)) == 4


def test_a_large_run_keeps_the_events_of_some_infants_and_counts_those_of_all(
    tiny_scenario, result, monkeypatch
):
    scenario = tiny_scenario()
    hours_each = len(scenario.arms) * scenario.run.duration_s / 3600.0
    monkeypatch.setattr(module, "LANE_HOURS_WITH_EVENTS", 1.5 * hours_each)
    cut = compare(scenario, workers=1)
    pd.testing.assert_frame_equal(cut.outcomes, result.outcomes, check_exact=True)
    kept = {0, *scenario.report.trace_infants}
    assert cut.manifest["infants_with_events"] == len(kept)
    kept |= set(cut.worst["infant"])
    pd.testing.assert_frame_equal(
        cut.events, result.events[result.events["infant"].isin(kept)].reset_index(drop=True)
    )


def test_the_bench_gets_what_the_scenario_says(tiny_scenario):
    scenario = tiny_scenario(
        gas={"fio2_max": 0.8},
        oximeter={"averaging_s": 4},
        disturbances={"drift_scale": 0.5},
        alarms={"low_delay_s": 9},
        staff={"watch_s": 99},
    )
    infants, _ = scenario_infants(scenario)
    spec = bench_spec(scenario, infants, np.zeros(4, dtype=np.int64))
    assert (spec.duration_s, spec.warmup_s, spec.seed) == (900, 180, 11)
    assert (spec.target_low_pct, spec.target_high_pct) == (91, 95)
    assert spec.gas.fio2_max == 0.8 and spec.oximeter.averaging_s == 4
    assert spec.disturbances.drift_scale == 0.5
    assert spec.alarms.low_delay_s == 9 and spec.staff.watch_s == 99
    assert [(arm.name, arm.controller) for arm in spec.arms] == [
        ("manual", None),
        ("fixed", "fixed"),
        ("pi", "pi"),
    ]


def test_options_of_an_arm_reach_the_bench(tiny_scenario):
    arms = [{"name": "a", "kind": "controller", "controller": "fixed", "options": {"fio2": 0.3}}]
    (arm,) = tiny_scenario(arms=arms).arms
    assert arm_spec(arm).options == {"fio2": 0.3}


def test_the_cohort_table_has_every_parameter(six_infants):
    table = cohort_table(six_infants)
    assert list(table.columns) == list(Infants.__dataclass_fields__)
    assert table["infant"].tolist() == six_infants.infant.tolist()
