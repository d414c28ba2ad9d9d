"""One chunk: its tables, its failures, and the same numbers however the work is cut."""

import numpy as np
import pytest

from oxytestbed.experiments.chunk import SPO2_VALUES, failed_chunk, run_chunk
from oxytestbed.experiments.compare import make_chunks, nursing_groups, scenario_infants
from oxytestbed.loop.event_outcomes import EVENT_OUTCOMES
from oxytestbed.loop.outcomes import OUTCOMES

KEYS = {"infant", "arm", "group", "error"}
ARMS = ("manual", "fixed", "pi")


@pytest.fixture(scope="module")
def whole(make_spec):
    return run_chunk(make_spec(), (1001, 1004))


def test_there_is_a_row_for_each_infant_and_arm(whole):
    assert [(row["arm"], row["infant"], row["group"]) for row in whole.rows] == [
        (arm, 1000 + place, place // 2) for arm in ARMS for place in range(6)
    ]
    for row in whole.rows:
        assert set(row) == KEYS | set(OUTCOMES) | set(EVENT_OUTCOMES)
        assert row["error"] == ""


def test_events_become_outcomes_also_where_nothing_happened(whole):
    for row in whole.rows:
        changes = [
            event
            for event in whole.events
            if (event.infant, event.arm, event.event) == (row["infant"], row["arm"], "fio2_by_hand")
            and event.time_s >= 60
        ]
        assert row["manual_changes_per_24h"] == pytest.approx(len(changes) * 86_400 / 540)
    assert any(row["manual_changes_per_24h"] == 0 for row in whole.rows)
    assert any(row["manual_changes_per_24h"] > 0 for row in whole.rows)


def test_only_the_chosen_infants_leave_traces(whole):
    assert set(whole.traces) == {(infant, arm) for infant in (1001, 1004) for arm in ARMS}
    assert all(len(trace) == 600 for trace in whole.traces.values())


def test_the_histogram_counts_every_valid_second_after_the_warm_up(make_spec):
    result = run_chunk(make_spec(), tuple(range(1000, 1006)))
    for arm in ARMS:
        on_oxygen, in_all = result.histogram[arm]
        assert on_oxygen.shape == in_all.shape == (SPO2_VALUES,)
        shown = np.concatenate([result.traces[1000 + k, arm].spo2_pct[60:] for k in range(6)])
        fio2 = np.concatenate([result.traces[1000 + k, arm].set_fio2[60:] for k in range(6)])
        for value in range(SPO2_VALUES):
            assert in_all[value] == (shown == value).sum()
            assert on_oxygen[value] == ((shown == value) & (fio2 > 0.215)).sum()
        assert in_all.sum() == (~np.isnan(shown)).sum() > 0


@pytest.mark.parametrize("parts", [1, 2, 3])
def test_however_the_work_is_cut_the_numbers_are_the_same(tiny_scenario, parts):
    scenario = tiny_scenario(
        run={"duration_h": 0.15, "warmup_h": 0.05},
        cohort={"infants": 5, "stratum": "unstable"},
        report={"trace_infants": [0, 4]},
    )
    infants, _ = scenario_infants(scenario)
    groups = nursing_groups(5, 2)
    (uncut,) = make_chunks(scenario, infants, groups, 1)
    chunks = make_chunks(scenario, infants, groups, parts)
    assert len(chunks) == parts
    wanted = run_chunk(uncut.spec, uncut.trace_infants)
    results = [run_chunk(chunk.spec, chunk.trace_infants) for chunk in chunks]

    def by_lane(rows):
        # Text, so that NaN equals NaN; it is exact for floats.
        return sorted(repr(sorted(row.items(), key=lambda item: item[0])) for row in rows)

    def events(result):
        return sorted(map(repr, result.events))

    assert by_lane(row for result in results for row in result.rows) == by_lane(wanted.rows)
    assert sorted(e for result in results for e in events(result)) == events(wanted)
    traces = {key: trace for result in results for key, trace in result.traces.items()}
    assert set(traces) == set(wanted.traces)
    for key, trace in wanted.traces.items():
        for name, values in vars(trace).items():
            assert np.array_equal(values, getattr(traces[key], name), equal_nan=True), (key, name)
    for arm in ARMS:
        total = sum(result.histogram[arm] for result in results)
        assert np.array_equal(total, wanted.histogram[arm])


@pytest.mark.parametrize("name", ["RaisesInReset", "RaisesAtFiveMinutes", "WrongShape"])
def test_a_controller_that_fails_leaves_rows_with_its_error(make_spec, misbehaving, name, whole):
    arm = misbehaving(name)
    result = run_chunk(make_spec(arms=(*make_spec().arms, arm)), (1001,))
    failed = [row for row in result.rows if row["arm"] == arm.name]
    others = [row for row in result.rows if row["arm"] != arm.name]
    assert len(failed) == 6
    for row in failed:
        assert row["error"]
        assert all(np.isnan(row[outcome]) for outcome in [*OUTCOMES, *EVENT_OUTCOMES])
    assert repr(others) == repr(whole.rows)
    assert result.histogram[arm.name].sum() == 0


def test_whatever_goes_wrong_becomes_rows(make_spec, monkeypatch):
    def broken(*_):
        raise MemoryError("no room for the recording")

    monkeypatch.setattr("oxytestbed.experiments.chunk.Bench", broken)
    result = run_chunk(make_spec(), (1001,))
    assert len(result.rows) == 18
    assert {row["error"] for row in result.rows} == {"MemoryError: no room for the recording"}
    assert result.traces == {} and result.events == []


class GoneError(Exception):
    """Takes two arguments, with which SimPy could not make it again."""

    def __init__(self, where, when):
        super().__init__(where, when)


def test_what_the_progress_raises_is_no_fault_of_the_run(make_spec):
    def listener(ticks):
        raise GoneError("the listener", "just now")

    with pytest.raises(GoneError, match="the listener"):
        run_chunk(make_spec(), (), listener)


def test_a_stop_by_hand_is_not_taken_for_an_error(make_spec, monkeypatch):
    def stopped(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("oxytestbed.experiments.chunk.Bench", stopped)
    with pytest.raises(KeyboardInterrupt):
        run_chunk(make_spec(), ())


def test_a_failed_chunk_has_the_columns_of_any_other(make_spec, whole):
    result = failed_chunk(make_spec(), "the lights went out")
    assert [list(row) for row in result.rows] == [list(row) for row in whole.rows]
    assert {row["error"] for row in result.rows} == {"the lights went out"}
