"""A study of target ranges: the same infants in every cell, and words that fit the numbers."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from oxytestbed.experiments import cli_targets
from oxytestbed.experiments.cli import main
from oxytestbed.experiments.compare import compare
from oxytestbed.experiments.scenario import override
from oxytestbed.experiments.target_evidence import FINDINGS
from oxytestbed.experiments.target_factors import Factor
from oxytestbed.experiments.targets import OWN_INFANTS, SHOWN, compare_targets
from oxytestbed.experiments.targets_figures import crossed
from oxytestbed.experiments.targets_page import targets_page
from oxytestbed.experiments.targets_tables import (
    achieved_table,
    setting_differences,
    targets_answer,
    targets_points,
)
from oxytestbed.loop.outcomes import OUTCOMES
from oxytestbed.models.errors import TestbedError

RANGES = Factor(key="target", values=("88-92", "91-95"))
RUN = {"duration_h": 0.3, "warmup_h": 0.05}


@pytest.fixture(scope="module")
def study(tiny_scenario):
    return compare_targets(tiny_scenario(run=RUN), factors=[RANGES], workers=1)


@pytest.fixture(scope="module")
def two(tiny_scenario):
    averaging = Factor(key="oximeter.averaging_s", values=("2", "16"))
    short = tiny_scenario(run={"duration_h": 0.1, "warmup_h": 0.02})
    return compare_targets(short, factors=[RANGES, averaging], strata=["settled"], workers=1)


def test_every_cell_has_every_infant_and_arm_once(study):
    assert study.settings == RANGES.values and study.strata == ("settled", "unstable")
    assert study.arms == ("manual", "pi")  # the fixed FiO2 is moved by no target
    counts = study.outcomes.groupby(["stratum", "setting", "arm"])["infant"].nunique()
    assert len(counts) == 8 and (counts == 4).all()
    assert study.failures == []


def test_a_cell_is_the_comparison_that_one_would_run(study, tiny_scenario):
    own = tiny_scenario(run=RUN)
    alone = compare(override(own, {"cohort.stratum": "settled"}), workers=1)
    target = f"{own.target.low_pct:g}-{own.target.high_pct:g}"
    assert target == "91-95"  # the one that the infants are drawn for
    cell = study.outcomes.query("stratum == 'settled' and setting == @target").set_index(
        ["arm", "infant"]
    )
    wanted = alone.outcomes.query("arm != 'fixed'").set_index(["arm", "infant"])
    for name in OUTCOMES:
        np.testing.assert_array_equal(cell[name], wanted[name])


def test_a_lower_range_means_less_oxygen_under_the_controller(study):
    rows = study.outcomes.query("arm == 'pi'")
    means = rows.groupby(["stratum", "setting"])["mean_fio2_pct"].mean()
    for stratum in study.strata:
        assert means[stratum, "88-92"] < means[stratum, "91-95"]


def test_differences_are_within_infants_and_to_the_first_setting(study):
    assert set(study.paired["reference"]) == {"88-92"}
    name = "hyperoxia_burden_95_pct_s_per_h"
    row = study.paired.query("stratum == 'settled' and arm == 'pi' and outcome == @name").iloc[0]
    cells = study.outcomes.query("stratum == 'settled' and arm == 'pi'").pivot(
        index="infant", columns="setting", values=name
    )
    assert row["mean_difference"] == pytest.approx((cells["91-95"] - cells["88-92"]).mean())


def test_the_answer_is_short_and_has_a_line_for_each_stratum_and_arm(study):
    assert 3 <= len(targets_answer(study)) <= 5
    assert "right for any real infant" in targets_answer(study)[-1]
    assert len(targets_points(study)) == 4
    assert all("91-95 against 88-92" in line for line in targets_points(study))


def test_the_answer_counts_where_less_of_one_cost_more_of_the_other(study):
    summary = study.summary.copy()
    order = {"88-92": 1.0, "91-95": 2.0}
    low, high = "hypoxia_burden_80_pct_s_per_h", "hyperoxia_burden_95_pct_s_per_h"
    for name, sign in ((low, -1), (high, 1)):
        chosen = summary["outcome"] == name
        summary.loc[chosen, "mean"] = [sign * order[s] for s in summary.loc[chosen, "setting"]]
    text = " ".join(targets_answer(replace(study, summary=summary)))
    assert "in 4 of 4 pairs" in text and "bought with" in text
    summary.loc[summary["outcome"] == high, "mean"] *= -1
    text = " ".join(targets_answer(replace(study, summary=summary)))
    assert "in 0 of 4 pairs" in text and "bought with" not in text


def test_limits_that_move_are_kept_apart_from_those_that_do_not(study):
    sections = {section.name: section for section in targets_page(study).sections}
    fixed = {row.cells[0] for table in sections["fixed"].tables for row in table.rows}
    moving = {row.cells[0] for table in sections["moving"].tables for row in table.rows}
    assert "Hypoxia burden below 80 %" in fixed and "Hypoxia burden below target" in moving
    assert not fixed & moving


def test_what_was_achieved_is_a_quantile_of_the_display(study):
    row = next(r for r in achieved_table(study).rows if r.cells[:2] == ("settled, 91-95", "pi"))
    low, middle, high = (int(row.cells[place]) for place in (2, 4, 6))
    assert low <= middle <= high and 88 <= middle <= 97


def test_published_findings_have_sources_and_memory_is_marked():
    assert {item.flag for item in FINDINGS} == {"read", "from memory"}
    assert all(item.source for item in FINDINGS)


def test_the_table_of_differences_has_a_row_for_each_pair(study):
    assert len(setting_differences(study).rows) == 4 * 4  # outcomes, strata x arms, one change


def test_two_factors_are_crossed(two):
    assert two.settings == ("88-92, 2", "88-92, 16", "91-95, 2", "91-95, 16")
    assert set(two.outcomes["first"]) == {"88-92", "91-95"}
    assert set(two.outcomes["second"]) == {"2", "16"}
    panel = crossed(two, SHOWN[0]).axes[0]
    means = two.outcomes.groupby(["arm", "first", "second"])[SHOWN[0]].mean()
    assert next(text.get_text() for text in panel.texts) == f"{means['manual', '88-92', '2']:.1f}"


def test_the_folder_holds_page_figures_and_tables(two, tmp_path):
    report = two.save(tmp_path / "out")
    text = report.read_text(encoding="utf-8")
    assert text.count("not a medical device") >= 2 and "http" not in text
    for name in ("trade_off", "achieved_distribution", "crossed_hypoxia", "exposure", "work"):
        assert (tmp_path / "out" / "figures" / f"{name}.svg").is_file()
    for name in ("checklist", "published_findings", "monte_carlo", "setting_differences"):
        assert (tmp_path / "out" / "tables" / f"{name}.csv").is_file()
    outcomes = pd.read_csv(tmp_path / "out" / "outcomes.csv", dtype={"second": str})
    assert len(outcomes) == len(two.outcomes)
    assert json.loads((tmp_path / "out" / "manifest.json").read_text())["seed"] == two.scenario.seed


def test_long_form_has_every_number(two):
    frame = two.to_frame()
    keys = {"stratum", "setting", "first", "second", "infant", "arm", "group", "error"}
    assert set(frame.columns) == keys | {"outcome", "value"}
    assert len(frame) == len(two.outcomes) * (len(two.outcomes.columns) - len(keys))


def test_infants_of_ones_own_are_one_stratum(tiny_scenario, tmp_path, capsys):
    path = tmp_path / "own.csv"
    assert main(["cohort", "single_infant", "--infants", "1", "--out", str(path)]) == 0
    own = tiny_scenario(
        cohort={"csv": str(path)},
        report={"trace_infants": []},
        run={"duration_h": 0.05, "warmup_h": 0},
    )
    assert compare_targets(own, factors=[RANGES], workers=1).strata == (OWN_INFANTS,)


@pytest.mark.parametrize("factors", [[], [RANGES, RANGES]])
def test_one_factor_or_two_different_ones(tiny_scenario, factors):
    with pytest.raises(TestbedError, match="one, or two different ones"):
        compare_targets(tiny_scenario(), factors=factors)


def test_the_command_writes_a_report_and_can_be_made_again(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    words = ["targets", "--infants", "2", "--hours", "0.1", "--set", "run.warmup_h=0.02"]
    words += ["--ranges", "88-92,91-95", "--stratum", "settled", "--workers", "1"]
    assert main(words) == 0
    shown = capsys.readouterr()
    assert "Report: runs/targets_settled_night/report.html" in shown.out
    assert "Hypoxia burden below 80 %" in shown.out
    manifest = json.loads((tmp_path / "runs/targets_settled_night/manifest.json").read_text())
    assert manifest["command"].startswith("oxytestbed targets settled_night --infants 2")
    assert "--ranges 88-92,91-95" in manifest["command"]


@pytest.mark.parametrize(
    ("given", "keys"),
    [
        ({}, ["target"]),
        ({"ranges": "88-92"}, ["target"]),
        ({"by": "oximeter.averaging_s=2,8"}, ["target", "oximeter.averaging_s"]),
        ({"cross": "support.mode=high_flow"}, ["support.mode"]),
        ({"cross": "a.b=1", "by": "c.d=2"}, ["a.b", "c.d"]),
    ],
)
def test_factors_of_the_command_line(given, keys):
    words = type("Given", (), {"ranges": None, "cross": None, "by": None} | given)
    assert [factor.key for factor in cli_targets.chosen_factors(words)] == keys


def test_ranges_beside_cross_are_refused():
    words = type("Given", (), {"ranges": "88-92", "cross": "a.b=1", "by": None})
    with pytest.raises(TestbedError, match="--ranges"):
        cli_targets.chosen_factors(words)
