"""One recording, from the file to the report; how far it is recovered is tested with the trials."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from oxytestbed.experiments.replay import MEASURES, ReplaySettings, replay_recording
from oxytestbed.experiments.replay_bias import ProbeBias
from oxytestbed.experiments.replay_command import add_replay
from oxytestbed.experiments.replay_orders import held_readings, open_loop_orders
from oxytestbed.experiments.replay_predict import HORIZONS_S, METHODS, skill_table
from oxytestbed.experiments.replay_report import (
    answer,
    course_frame,
    expected_error,
    save_replay,
    warnings,
)
from oxytestbed.experiments.replay_trust import VALIDATED, VALIDATED_IN_SHORT
from oxytestbed.experiments.replay_whatif import (
    Movement,
    another_course,
    interval,
    lost,
    movement,
)
from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.bench import BenchSpec
from oxytestbed.loop.open_loop import replay, replay_fully
from oxytestbed.loop.signals import Settings
from oxytestbed.models.cohort import CohortSettings, draw_infants
from oxytestbed.models.disturbances import DisturbanceSettings
from oxytestbed.models.errors import TestbedError

SECONDS, SEED = 3600, 8


def stepped(need, size, every_s, seed):
    levels = np.random.default_rng(seed).uniform(-size, size, SECONDS // every_s + 1)
    course = need + np.round(levels, 2)[np.arange(SECONDS) // every_s]
    return np.round(np.clip(course, 0.21, 1.0), 2)


@pytest.fixture(scope="module")
def truth():
    """One settled infant with drift, apnoea, noise, delay, lost signal and a biased probe."""
    drawn = draw_infants(SEED, CohortSettings(infants=40, stratum="settled"), 92.5).infants
    infants = drawn.take(np.flatnonzero((drawn.fio2_need > 0.26) & (drawn.fio2_need < 0.5))[:1])
    need = float(infants.fio2_need[0])
    spec = BenchSpec(
        infants=infants,
        groups=np.zeros(1, dtype=int),
        arms=(ArmSpec(name="course", controller=None),),
        seed=SEED,
        duration_s=SECONDS,
        warmup_s=0,
        target_low_pct=90.0,
        target_high_pct=95.0,
        disturbances=DisturbanceSettings(drift_scale=0.7),
    )
    given, other = stepped(need, 0.04, 400, 1), stepped(need, 0.05, 700, 2)
    trace = replay_fully(spec, given[:, np.newaxis], "course").trace(0, "course")
    elsewhere = replay(spec, other[:, np.newaxis, np.newaxis])[:, 0, 0]
    return SimpleNamespace(trace=trace, given=given, other=other, sao2_on_other_pct=elsewhere)


@pytest.fixture(scope="module")
def csv_file(truth, tmp_path_factory):
    path = tmp_path_factory.mktemp("bed") / "bed 7.csv"
    lines = ["time_s,SpO2 (%),FiO2 (%)"]
    for second, (spo2, fio2) in enumerate(zip(truth.trace.spo2_pct, truth.given, strict=True)):
        lines.append(f"{second},{'' if np.isnan(spo2) else int(spo2)},{100 * fio2:.0f}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def result(csv_file):
    settings = ReplaySettings(candidates=12, ensemble=24, seed=11)
    arms = [ArmSpec(name="pi", controller="pi"), ArmSpec(name="still", controller="fixed")]
    return replay_recording(csv_file, arms, settings)


def test_the_interval_of_another_course_holds_the_truth(truth, result):
    low, _, high = interval(another_course(result.recovered, truth.other))
    inside = (truth.sao2_on_other_pct >= low) & (truth.sao2_on_other_pct <= high)
    assert inside.mean() >= 0.8


def test_the_report_states_what_was_reached_and_that_the_bias_is_not_known(result):
    assert VALIDATED_IN_SHORT in answer(result)
    assert VALIDATED in expected_error(result)
    assert "bias of the probe can hardly be told" in expected_error(result)


def test_a_caution_becomes_a_warning_for_each_controller(result):
    assert all(item.name in text for item, text in zip(result.what_if, warned(result), strict=True))


def warned(result):
    """Warnings of a result whose recording is too still to be trusted."""
    still = replace(result.recovered, movement=Movement(range_fraction=0.05, changes=5))
    return warnings(replace(result, recovered=still))


def test_predictions_stand_beside_persistence(result):
    skill = result.skill
    assert set(skill["horizon_s"]) == set(HORIZONS_S)
    assert set(skill["method"]) == set(METHODS)
    last = skill[skill["method"] == "persistence"]
    np.testing.assert_allclose(last["skill"], 0.0)
    assert (result.predictions["origin_s"] >= SECONDS // 2).all()
    assert np.isfinite(result.predictions.to_numpy()).all()


def test_skill_is_worked_out_from_the_errors(result):
    table = result.predictions.assign(predicted_pct=result.predictions["recorded_pct"] + 1.0)
    mine = skill_table(table).set_index("method").loc["predicted"]
    np.testing.assert_allclose(mine["rms_pct"], 1.0)
    np.testing.assert_allclose(mine["mean_absolute_pct"], 1.0)


def test_another_controller_is_run_on_every_fitted_infant(result):
    by_name = {item.name: item for item in result.what_if}
    assert set(by_name) == {"pi", "still"}
    for item in by_name.values():
        assert item.outcomes.shape == (24, len(MEASURES))
        assert (item.sao2[0] <= item.sao2[1]).all()
        assert (item.sao2[1] <= item.sao2[2]).all()
    assert (by_name["still"].outcomes["fio2_changes_per_h"] == 0.0).all()
    assert (by_name["pi"].outcomes["fio2_changes_per_h"] > 0.0).all()


def test_the_whole_plant_agrees_with_the_model_of_the_fit(result):
    held = np.full(SECONDS, round(float(result.recording.fio2[0]), 2))
    fitted = np.median(another_course(result.recovered, held), axis=1)
    still = next(item for item in result.what_if if item.name == "still")
    np.testing.assert_allclose(still.set_fio2[1], held, atol=0.0101)
    miss = still.sao2[1] - fitted
    # Two integrators, gas and oximeter apart; a plant that breathes otherwise is off by 0.4.
    assert float(np.sqrt((miss * miss).mean())) < 0.1


def test_orders_do_not_reach_the_recording(result):
    orders = {item.name: item for item in result.orders}
    assert not orders["pi"].error
    assert np.isfinite(orders["pi"].fio2).all()
    assert len(np.unique(orders["pi"].fio2)) > 5


def test_a_controller_that_raises_takes_nothing_with_it(result):
    limits = Settings(target_low_pct=90.0, target_high_pct=95.0, fio2_min=0.21, fio2_max=1.0)
    arm = ArmSpec(name="none", controller="no_such_controller")
    orders = open_loop_orders(result.recording, arm, limits)
    assert "no_such_controller" in orders.error
    assert np.isnan(orders.fio2).all()


@pytest.mark.parametrize(
    ("levels", "identifiable"),
    [
        ([30, 32, 30, 32, 30, 32, 30], False),  # 2 points
        ([30, 34, 30, 34, 30], False),  # 4 changes
        ([30, 33, 30, 33, 30, 33], True),
        ([30, 30.4, 30, 30.4, 30, 30.4, 33], False),  # a flickering monitor is no change
    ],
)
def test_movement_decides_whether_the_gain_can_be_told(levels, identifiable):
    assert movement(np.repeat(levels, 60) / 100.0).identifiable is identifiable


def test_without_movement_the_what_if_is_refused(truth, result):
    still = replace(result.recovered, movement=movement(np.full(SECONDS, 0.3)))
    with pytest.raises(TestbedError, match="the gain cannot be identified"):
        another_course(still, truth.other)


def test_a_gap_is_a_lost_signal_and_a_slow_recording_is_not(result):
    gap = result.recording.spo2_pct.copy()
    gap[1000:1060] = np.nan
    recording = replace(result.recording, spo2_pct=gap)
    assert lost(recording)[1015:1059].all()
    slow = np.full(SECONDS, np.nan)
    slow[::30] = 92.0
    recording = replace(result.recording, spo2_pct=slow, interval_s=30.0)
    assert not lost(recording).any()
    np.testing.assert_array_equal(held_readings(recording), 92.0)


def test_everything_is_written_or_nothing(result, tmp_path, monkeypatch):
    page = save_replay(result, tmp_path / "whole", command="oxytestbed replay bed.csv")
    html = page.read_text(encoding="utf-8")
    assert "not a medical device" in html
    assert "http://" not in html.replace("http://www.w3.org", "")
    names = {path.name for path in page.parent.rglob("*") if path.is_file()}
    assert {"courses.csv", "predictions.csv", "skill.csv", "infants.csv", "manifest.json"} <= names
    assert {"fitted_course.svg", "prediction_skill.svg", "what_if.svg", "open_loop.svg"} <= names
    assert len(course_frame(result)) == SECONDS
    monkeypatch.setattr("oxytestbed.experiments.replay_report.write_infants", _fail)
    with pytest.raises(TestbedError, match="a place to write to"):
        save_replay(result, tmp_path / "half")
    assert [path.name for path in tmp_path.iterdir()] == ["whole"]


def _fail(*_):
    raise OSError("disk full")


def test_a_refusal_is_in_the_report(result, tmp_path):
    refused = replace(result, what_if=(), refused="the gain cannot be identified")
    html = save_replay(refused, tmp_path / "refused").read_text(encoding="utf-8")
    assert "Refused. the gain cannot be identified" in html
    assert not (tmp_path / "refused" / "figures" / "what_if.svg").exists()


def test_the_report_says_what_is_known_of_the_probe(result):
    assert "one or two arterial saturations" in expected_error(result)
    told = ProbeBias(mean_pct=1.25, sd_pct=0.5, samples=2)
    known = replace(result, recovered=replace(result.recovered, bias=told))
    assert "(2) put the bias of the probe at +1.2 points (SD 0.5)" in expected_error(known)


def test_arterial_saturations_are_used_and_kept_with_the_result(tmp_path, csv_file, capsys):
    out, short = tmp_path / "out", tmp_path / "short.csv"
    lines = csv_file.read_text(encoding="utf-8").splitlines()
    short.write_text("\n".join(lines[:1001]), encoding="utf-8")
    parser = argparse.ArgumentParser()
    add_replay(parser.add_subparsers(dest="command"))
    words = ["replay", str(short), "--candidates", "12", "--out", str(out)]
    given = parser.parse_args([*words, "--sao2", "300=91"])
    assert given.run(given) == 0
    assert "(1) put the bias of the probe at" in capsys.readouterr().out
    manifest = json.loads((out / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["settings"]["samples"] == [{"time_s": 300.0, "sao2_pct": 91.0}]
    assert "--sao2 300=91" in manifest["command"]
    given = parser.parse_args([*words, "--sao2", "noon=91"])
    with pytest.raises(TestbedError, match="TIME_S=PCT"):
        given.run(given)


def test_the_command_names_what_is_wrong_and_writes_nothing(tmp_path):
    parser = argparse.ArgumentParser()
    add_replay(parser.add_subparsers(dest="command"))
    missing, out = str(tmp_path / "none.csv"), tmp_path / "out"
    given = parser.parse_args(["replay", missing, "--out", str(out)])
    with pytest.raises(TestbedError, match="a recording that can be read"):
        given.run(given)
    given = parser.parse_args(["replay", missing, "--controller", "no_such", "--out", str(out)])
    with pytest.raises(TestbedError, match="no_such"):
        given.run(given)
    given = parser.parse_args(["replay", missing, "--target-low", "96", "--out", str(out)])
    with pytest.raises(TestbedError, match="target_high_pct"):
        given.run(given)
    assert not out.exists()
