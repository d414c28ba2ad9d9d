import argparse
from functools import partial

import pandas as pd
import pytest

from oxytestbed.experiments.cli_response import add_response
from oxytestbed.experiments.response_report import answer, render_response, save_response
from oxytestbed.experiments.response_trial import ResponseSettings, try_response
from oxytestbed.experiments.scenario import load_scenario, override
from oxytestbed.loop.arms import ArmSpec
from oxytestbed.models.errors import TestbedError

QUICK = {"step_at_s": 200, "after_s": 700}


@pytest.fixture(scope="module")
def scenario():
    return override(load_scenario("unstable_group"), {"cohort.infants": 3})


@pytest.fixture(scope="module")
def result(scenario):
    arms = [ArmSpec(name=name, controller=name) for name in ("pi", "rules")]
    return try_response(scenario, arms, ResponseSettings(by_trial=False, **QUICK))


def test_every_controller_stimulus_and_infant_has_a_row(result):
    assert len(result.measures) == 2 * 3 * 3
    assert result.nominal in result.plants["infant"].tolist()
    regions = result.margins.groupby("controller")["region"].nunique()
    assert regions.to_dict() == {"pi": 2, "rules": 1}
    pi = result.margins[result.margins["controller"] == "pi"]
    assert (pi["gain_margin"] > 1.0).all()
    assert pi["stable"].all()
    assert result.margins["gain_factor_by_trial"].isna().all()


def test_the_pi_recovers_and_the_rules_are_slower(result):
    need = result.measures[result.measures["stimulus"] == "need"]
    error = need.groupby("controller")["tracking_error_pct"].median()
    assert error["pi"] < error["rules"]


def test_the_page_shows_tables_figures_and_caution(result):
    page = render_response(result, command="oxytestbed response x")
    assert "not a medical device" in page
    assert page.count("<svg") == 4
    assert "pi, outside the target" in page
    assert "does not react to small deviations" in page
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert "times as strongly as at 95 %" in answer(result)[-1]


def test_the_folder_is_written_whole(result, tmp_path):
    page = save_response(result, tmp_path / "out")
    written = {path.name for path in page.parent.iterdir()}
    tables = {"plants.csv", "measures.csv", "margins.csv"}
    assert written == {"response.html", "scenario.toml", "figures", *tables}
    assert len(list((page.parent / "figures").glob("*.svg"))) == 4
    assert len(pd.read_csv(page.parent / "margins.csv")) == len(result.margins)
    with pytest.raises(TestbedError, match="does not exist yet"):
        save_response(result, tmp_path / "out")


def test_margins_by_trial_are_in_the_table(scenario, monkeypatch):
    monkeypatch.setattr("oxytestbed.experiments.response_oscillation.WATCHED_S", 600)
    monkeypatch.setattr("oxytestbed.experiments.response_oscillation.WATCHED_DELAYED_S", 600)
    fixed = [ArmSpec(name="fixed", controller="fixed")]
    found = try_response(scenario, fixed, ResponseSettings(**QUICK))
    assert (found.margins["gain_factor_by_trial"] == float("inf")).all()
    assert (found.margins["added_delay_by_trial_s"] == float("inf")).all()
    assert "No infant was brought to swing" in answer(found)[0]


def test_the_command_writes_a_report(tmp_path, capsys, monkeypatch):
    quick = partial(ResponseSettings, **QUICK)
    monkeypatch.setattr("oxytestbed.experiments.response_trial.ResponseSettings", quick)
    parser = argparse.ArgumentParser()
    add_response(parser.add_subparsers(dest="command"))
    out = str(tmp_path / "page")
    words = ["response", "--controller", "pi", "--infants", "1", "--no-trial", "--out", out]
    given = parser.parse_args(words)
    assert given.run(given) == 0
    assert "response.html" in capsys.readouterr().out
    assert "--no-trial" in (tmp_path / "page" / "response.html").read_text()


def test_what_cannot_be_tried_is_refused(scenario):
    with pytest.raises(TestbedError, match="not 0"):
        ResponseSettings(target_step_pct=0.0)
    manual = override(scenario, {"arms": [{"name": "manual", "kind": "manual"}]})
    with pytest.raises(TestbedError, match="--controller"):
        try_response(manual)
