"""The safeguards experiment at a tiny size: what is compared, summed up and written."""

import json
import warnings

import numpy as np
import pandas as pd
import pytest

from oxytestbed.experiments.cli import main
from oxytestbed.experiments.hazards import HAZARDS, QUIET, find_hazard
from oxytestbed.experiments.safeguard_page import answer, points, save_safeguards
from oxytestbed.experiments.safeguard_runs import NONE, WHOLE, TrialSettings, arm_name, layers
from oxytestbed.experiments.safeguards import (
    SafeguardTrial,
    effects,
    quiet_costs,
    requirement_table,
    try_safeguards,
    worth,
)
from oxytestbed.loop.requirements import REQUIREMENTS
from oxytestbed.loop.safeguards.settings import SAFEGUARDS, SafeguardSettings
from oxytestbed.loop.script import ACTIONS
from oxytestbed.models.errors import TestbedError

TINY = TrialSettings(settle_s=200, watch_s=700, quiet_s=200)
TRIAL = SafeguardTrial(
    infants=2, hazards=("loose_probe", "probe_off_high"), trial=TINY, controller="pi_no_gate"
)


@pytest.fixture(scope="module")
def result():
    return try_safeguards(TRIAL, workers=1)


def test_every_hazard_has_its_fault_among_its_events():
    for hazard in HAZARDS.values():
        assert hazard.lesson.endswith(".")
        assert set(hazard.guards) <= set(SAFEGUARDS)
        if hazard.name != QUIET:
            assert hazard.fault in {event.event for event in hazard.events} <= set(ACTIONS)


def test_every_safeguard_but_the_tellers_is_meant_for_some_hazard():
    meant = {guard for hazard in HAZARDS.values() for guard in hazard.guards}
    assert meant == set(SAFEGUARDS)


def test_an_unknown_hazard_names_the_nearest():
    with pytest.raises(TestbedError, match="Did you mean 'loose_probe'"):
        find_hazard("lose_probe")


def test_each_arm_lacks_one_safeguard():
    made = layers(SafeguardSettings())
    assert list(made) == [WHOLE, *map(arm_name, SAFEGUARDS), NONE]
    for name in SAFEGUARDS:
        assert set(made[WHOLE].active) - set(made[arm_name(name)].active) == {name}
    assert made[NONE].active == ()


def test_all_arms_meet_all_hazards_on_the_same_infants(result):
    assert not result.errors
    sizes = result.rows.groupby(["hazard", "arm"])["infant"].agg(list)
    assert all(sorted(numbers) == [0, 1] for numbers in sizes)
    assert len(sizes) == 3 * (len(SAFEGUARDS) + 2)


def test_a_guard_does_what_it_is_for(result):
    """Directions only; sizes depend on the infants."""
    table = effects(result).set_index(["hazard", "arm"])
    assert table.loc[("loose_probe", arm_name("rate_of_change")), "harm_s"] > 60
    assert table.loc[("probe_off_high", arm_name("pulse_check")), "alert_by_s"] > 60
    assert table.loc[("probe_off_high", arm_name("visible_mode")), "harm_s"] == 0
    best = worth(result).set_index("safeguard")
    assert best.loc["rate_of_change", "harm_hazard"] == "loose_probe"
    assert bool(best.loc["pulse_check", "matters"])


def test_a_quiet_night_costs_nothing_without_safeguards(result):
    table = quiet_costs(result).set_index("arm")
    assert table.loc[NONE, "false_alerts_per_24h"] == 0
    assert (table.loc[WHOLE, [c for c in table if c.endswith("_cost")]] == 0).all()


def test_requirements_are_reported_by_layer(result):
    table = requirement_table(result)
    assert set(table["requirement"]) <= set(REQUIREMENTS)
    kept = table[(table["requirement"] == "within_limits")]
    assert (kept["violations"] == 0).all() and (kept["cases"] == 6).all()
    rate = table[table["requirement"] == "rate_limited"].set_index("arm")
    assert rate.loc[WHOLE, "violations"] == 0


def test_two_processes_give_the_same_numbers():
    brief = TrialSettings(settle_s=120, watch_s=60, quiet_s=120)
    trial = SafeguardTrial(infants=2, hazards=("loose_probe",), trial=brief)
    result, again = (try_safeguards(trial, workers=count) for count in (1, 2))
    pd.testing.assert_frame_equal(again.rows, result.rows)
    pd.testing.assert_frame_equal(
        again.verdicts.sort_values(list(again.verdicts), ignore_index=True),
        result.verdicts.sort_values(list(result.verdicts), ignore_index=True),
    )


def test_the_page_and_the_tables_are_written(result, tmp_path):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        page = save_safeguards(result, tmp_path / "out", "oxytestbed safeguards")
    html = page.read_text(encoding="utf-8")
    for sentence in (*answer(result), HAZARDS["loose_probe"].lesson):
        assert sentence.split("“")[0].split("'")[0][:40] in html
    assert "<script" not in html and html.count("<svg") == 5
    assert len(points(result)) == len(SAFEGUARDS)
    rows = pd.read_csv(tmp_path / "out" / "rows.csv")
    assert len(rows) == len(result.rows) and np.isfinite(rows["below_80_s"]).all()
    told = json.loads((tmp_path / "out" / "manifest.json").read_text(encoding="utf-8"))
    assert told["seed"] == TRIAL.seed and told["layer"]["hold_s"] == 30


def test_the_command_refuses_what_it_cannot_use(capsys):
    assert main(["safeguards", "--hazard", "lose_probe"]) == 2
    assert "loose_probe" in capsys.readouterr().err
