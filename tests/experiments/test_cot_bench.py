"""A person's cot beside the controller's: what is done by hand is what an ordinary run would do."""

from dataclasses import replace

import numpy as np
import pytest

from oxytestbed.experiments.cot_bench import CotBench, CotChoice, PacedEnvironment, cot_spec
from oxytestbed.experiments.cot_record import (
    SHOWN,
    outcome_rows,
    record_csv,
    result_of,
    save_session,
)
from oxytestbed.experiments.scenario import load_scenario
from oxytestbed.loop.bench import Bench
from oxytestbed.loop.open_loop import replay_fully
from oxytestbed.loop.outcomes import outcomes_of
from oxytestbed.loop.script import ScriptedEvent

SCENARIO = load_scenario("single_infant")
CHOICE = CotChoice(controller="pi", minutes=14)
APNOEA = ScriptedEvent(event="central_apnoea", at_s=0, duration_s=40)


@pytest.fixture(scope="module")
def played():
    """Fourteen minutes in which a person turns, hands over, takes back and makes an apnoea."""
    bench = CotBench(cot_spec(SCENARIO, CHOICE))
    acts = {
        60: lambda: bench.set_fio2(0.45),
        120: lambda: bench.inject(APNOEA),
        200: lambda: bench.set_fio2(0.6),
        330: lambda: bench.hand_over(True),
        500: lambda: bench.switch({"rate_limit": False}),
        640: lambda: bench.set_fio2(0.25),
    }
    while bench.tick < bench.length_s:
        acts.get(bench.tick, lambda: None)()
        bench.advance()
    return bench


def same(one, other):
    return all(
        np.array_equal(value, getattr(other, name), equal_nan=True)
        for name, value in vars(one).items()
    )


def test_your_course_is_that_of_an_ordinary_run_with_the_same_fio2(played):
    spec = replace(cot_spec(SCENARIO, CHOICE), script=tuple(played.injected))
    mine = played.course(0)
    again = replay_fully(spec, mine.set_fio2[:, None], "you").trace(0, "you")
    assert same(mine, again)
    ends = (SCENARIO.target.low_pct, SCENARIO.target.high_pct)
    shown = {row["name"]: row["you"] for row in outcome_rows([mine, played.course(1)], *ends)}
    for name in SHOWN:
        value = outcomes_of(again, *ends)[name]
        assert shown[name] == (None if np.isnan(value) else value)


def test_the_controllers_course_does_not_depend_on_what_you_do(played):
    spec = cot_spec(SCENARIO, CHOICE)
    alone = replace(spec, arms=spec.arms[1:], script=tuple(played.injected))
    assert same(played.course(1), Bench(alone).run().trace(0, "controller"))


def test_the_setting_is_yours_until_you_hand_over(played):
    set_fio2 = np.round(played.course(0).set_fio2, 2)
    assert set(set_fio2[60:200].tolist()) == {0.45}
    assert set(set_fio2[200:330].tolist()) == {0.6}
    assert len(set(set_fio2[330:640].tolist())) > 2
    assert set(set_fio2[640:].tolist()) == {0.25}


def test_hand_over_moves_without_a_jump_and_with_a_safeguard_less_it_writes_over_you():
    bench = CotBench(cot_spec(SCENARIO, CHOICE))
    bench.set_fio2(0.7)
    for _ in range(60):
        bench.advance()
    bench.hand_over(True)
    bench.advance()
    assert bench.shown(0)["set_fio2_pct"] > 65
    bench.set_fio2(0.7)
    bench.switch({"manual_override": False})
    for _ in range(120):
        bench.advance()
    assert bench.mode(0) == "manual" and bench.shown(0)["set_fio2_pct"] < 70


def test_the_other_cot_keeps_its_safeguards_and_the_baseline_goes_on(played):
    bench = CotBench(cot_spec(SCENARIO, CHOICE))
    for _ in range(30):
        bench.advance()
    before = bench._controllers["you"]._layer.baseline_fio2.copy()
    bench.switch({"bounds": False})
    mine, other = (bench._controllers[name]._layer for name in ("you", "controller"))
    assert not mine.settings.bounds and other.settings.bounds
    assert np.array_equal(mine.baseline_fio2, before)


def test_what_is_made_happen_happens_in_both_cots(played):
    began = [event for event in played.events if event.event == "script_start"]
    assert [(event.time_s, event.arm) for event in began] == [(120, "you"), (120, "controller")]
    for lane in (0, 1):
        assert played.course(lane).apnoea[120:160].all()


def test_nobody_comes_to_either_cot(played):
    kinds = {event.event for event in played.events}
    assert "alarm_start" in kinds
    assert not {"visit_start", "visit_end", "override"} & kinds


def test_the_clock_keeps_the_pace_it_is_given():
    clock = PacedEnvironment(100.0)
    assert clock.factor == 0.01 and not clock.strict
    clock.run(until=10)
    clock.pace(20.0)
    assert clock.factor == 0.05 and clock.env_start == 10


def test_a_session_is_kept_in_a_folder_of_its_own(played, tmp_path):
    result = result_of(SCENARIO, CHOICE, played)
    first, second = save_session(result, tmp_path), save_session(result, tmp_path)
    assert first != second
    names = {path.name for path in first.iterdir()}
    assert names == {
        *("outcomes.csv", "trace_you.csv", "trace_controller.csv"),
        *("events.csv", "scenario.toml", "session.json"),
    }
    kept = load_scenario(str(first / "scenario.toml"))
    assert [(item.event, item.at_s) for item in kept.script] == [("central_apnoea", 120)]
    lines = record_csv(result.courses).splitlines()
    assert len(lines) == 1 + 14 * 60
    assert lines[0].startswith("time_s,you_spo2_pct")
