"""A titration protocol as a table."""

from dataclasses import replace

import numpy as np
import pytest

from oxytestbed.experiments.scenario import load_scenario, scenario_from_table, to_toml
from oxytestbed.loop.staff_settings import TITRATION, StaffSettings
from oxytestbed.loop.staff_titration import TitrationRow, find_row
from oxytestbed.models.errors import TestbedError


@pytest.mark.parametrize(
    ("spo2", "place"),
    [(60, 0), (79, 0), (80, 1), (89, 1), (90, None), (95, None), (96, 3), (97, 3), (98, 2)],
)
def test_the_first_row_that_fits_the_reading_counts(spo2, place):
    found = find_row(TITRATION, spo2, 90.0, 95.0)
    assert found is (None if place is None else TITRATION[place])


def test_a_missing_reading_fits_no_row():
    assert find_row(TITRATION, np.nan, 90.0, 95.0) is None


def test_rows_follow_the_target():
    assert find_row(TITRATION, 89, 85.0, 89.0) is None
    assert find_row(TITRATION, 90, 85.0, 89.0) is TITRATION[3]


def test_the_usual_protocol_has_the_published_cycle():
    """Watch one cycle of 3 min at a high reading, then reduce by 1-3: UK regional guideline."""
    high = TITRATION[3]
    assert (high.after_s, high.wait_s) == (180, 180)
    assert -3 <= high.step_pct <= -1


def test_a_unit_can_enter_its_own_protocol():
    table = {
        "name": "own",
        "title": "t",
        "question": "q",
        "seed": 1,
        "target": {"low_pct": 90, "high_pct": 95},
        "arms": [{"name": "manual", "kind": "manual"}],
        "staff": {
            "titration": [
                {
                    "relative_to": "target_low",
                    "spo2_from_pct": -50,
                    "spo2_to_pct": -1,
                    "step_pct": 2,
                }
            ]
        },
    }
    scenario = scenario_from_table(table, "here")
    (row,) = scenario.staff.titration
    assert row == TitrationRow(
        relative_to="target_low", spo2_from_pct=-50, spo2_to_pct=-1, step_pct=2
    )
    table["staff"]["titration"][0]["step_pc"] = 3
    with pytest.raises(TestbedError, match="step_pct"):
        scenario_from_table(table, "here")


def test_the_protocol_is_written_and_read_again(tmp_path):
    scenario = load_scenario("settled_night")
    own = replace(TITRATION[1], step_pct=4.5)
    changed = replace(scenario, staff=replace(StaffSettings(), titration=(own, TITRATION[3])))
    path = tmp_path / "own.toml"
    path.write_text(to_toml(changed), encoding="utf-8")
    assert load_scenario(path) == changed


def test_a_row_from_high_to_low_is_refused():
    with pytest.raises(TestbedError, match="spo2_from_pct"):
        replace(TITRATION[0], spo2_from_pct=90, spo2_to_pct=80)
