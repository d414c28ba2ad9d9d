import argparse
import json
import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest

from oxytestbed.experiments.cli_tune import add_tune, parse_range, table_text
from oxytestbed.experiments.tune import REFUSED, both_strata, judge, objective, save_tuning, tune
from oxytestbed.experiments.tune_settings import MEMBERS, SEARCHES, SearchRange, TuneSettings
from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.registry import load_controller
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.settings import check_field

TINY = TuneSettings(
    infants=1, duration_h=0.1, warmup_h=0.0, evaluations=2 * MEMBERS, guard_response=0.0
)
GAIN = (SearchRange(option="gain_per_pct", low=0.0005, high=0.05),)


@pytest.fixture(scope="module")
def result():
    seen = []
    found = tune("p_only", GAIN, TINY, lambda done, total: seen.append((done, total)))
    assert seen == [(MEMBERS, 2 * MEMBERS), (2 * MEMBERS, 2 * MEMBERS)]
    return found


def test_the_defaults_are_the_first_candidate_and_the_best_is_kept(result):
    trials = result.trials
    assert len(trials) == 2 * MEMBERS
    assert trials["gain_per_pct"][0] == load_controller("p_only").gain_per_pct
    assert trials["gain_per_pct"].between(0.0005, 0.05).all()
    best = trials["gain_per_pct"][trials["objective"].idxmin()]
    assert result.options == {"gain_per_pct": best}
    assert trials["objective"].min() < trials["objective"].max()


def test_the_same_seed_finds_the_same(result):
    again = tune("p_only", GAIN, TINY)
    assert again.options == result.options
    np.testing.assert_array_equal(again.trials, result.trials)


def test_the_judges_are_other_infants(result):
    assert result.table["arm"].tolist() == ["manual", "default", "tuned"]
    default = [ArmSpec(name="default", controller="p_only")]
    expected = judge(default, TINY, TINY.test_seed)["objective"][0]
    assert result.table["objective"][1] == pytest.approx(expected, rel=1e-12)
    assert expected != judge(default, TINY, TINY.seed)["objective"][0]
    with pytest.raises(TestbedError, match="another seed"):
        TuneSettings(seed=3, test_seed=3)


def test_the_objective_by_hand(result):
    assert objective(4.0, 300.0, 0.001) == pytest.approx(4.3)
    row = result.table.iloc[1]
    expected = row["mean_square_pct2"] + 0.001 * row["fio2_travel_pct_per_h"]
    assert row["objective"] == pytest.approx(expected)


def test_half_of_the_infants_are_of_each_stratum():
    infants = both_strata(5, TuneSettings(infants=2))
    assert infants.stratum.tolist() == ["settled"] * 2 + ["unstable"] * 2
    assert infants.infant.tolist() == [0, 1, 2, 3]


def test_what_is_written_can_be_used(result, tmp_path):
    path = save_tuning(result, tmp_path / "tuning")
    arm = tomllib.loads(path.read_text(encoding="utf-8"))["arms"][0]
    one = load_controller(arm["controller"], arm["options"])
    assert one.gain_per_pct == result.options["gain_per_pct"]
    manifest = json.loads((path.parent / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["settings"]["seed"] == TINY.seed
    assert (path.parent / "before_after.csv").is_file() and (path.parent / "trials.csv").is_file()
    with pytest.raises(TestbedError, match="does not exist yet"):
        save_tuning(result, tmp_path / "tuning")


def test_a_controller_that_fails_is_never_the_best(misbehaving):
    table = judge([misbehaving("RaisesInReset"), misbehaving("Good")], TINY, 5)
    assert table["objective"][0] == math.inf
    assert "no reset today" in table["error"][0]
    assert math.isfinite(table["objective"][1])


@pytest.mark.parametrize("name", sorted(SEARCHES))
def test_every_search_lies_within_what_the_controller_accepts(name):
    one = load_controller(name)
    for item in SEARCHES[name]:
        metadata = type(one).__dataclass_fields__[item.option].metadata
        for value in (item.low, item.high):
            check_field(item.option, value, metadata)
        assert item.low <= getattr(one, item.option) <= item.high, item.option


def test_nothing_to_tune_is_refused():
    with pytest.raises(TestbedError, match="a range to search"):
        tune("fixed", (), TINY)
    with pytest.raises(TestbedError, match="Did you mean 'gain_per_pct'"):
        tune("p_only", [SearchRange(option="gain_per_pc", low=0.1, high=0.2)], TINY)


@pytest.mark.parametrize(
    "text", ["gain", "gain=1", "gain=a:b", "gain=2:1", "gain=0:1", "gain=1:inf"]
)
def test_a_range_that_makes_no_sense_is_refused(text):
    with pytest.raises(TestbedError):
        parse_range(text)


def test_a_range_is_read():
    assert parse_range("gain_per_pct=0.001:0.01") == SearchRange(
        option="gain_per_pct", low=0.001, high=0.01
    )


def test_the_table_names_options_and_arms(result):
    text = table_text(result)
    assert "gain_per_pct = " in text and "manual" in text and "seed 72" in text


def test_the_command_writes_a_folder(tmp_path, capsys):
    parser = argparse.ArgumentParser()
    add_tune(parser.add_subparsers())
    words = ["tune", "p_only", "--range", "gain_per_pct=0.001:0.02", "--infants", "1"]
    words += ["--hours", "0.1", "--warmup", "0.05", "--evaluations", str(MEMBERS), "--guard", "0"]
    given = parser.parse_args([*words, "--out", str(tmp_path / "out")])
    assert given.run(given) == 0
    assert "tuned.toml" in capsys.readouterr().out
    assert (tmp_path / "out" / "tuned.toml").is_file()


def test_a_candidate_that_swings_is_not_run():
    """At response 20 every gain of the range swings, so the defaults are kept."""
    search = [SearchRange(option="gain_per_pct", low=0.05, high=0.1)]
    strict = replace(TINY, guard_response=20.0, evaluations=MEMBERS)
    found = tune("pi", search, strict)
    assert (found.trials["objective"] == REFUSED).all()
    assert found.options == {"gain_per_pct": 0.05}
