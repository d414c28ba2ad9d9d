"""Changing a scenario by dotted keys, listing it, and writing it back to TOML."""

from __future__ import annotations

import pickle
import re
from dataclasses import is_dataclass, replace
from pathlib import Path

import pytest

from oxytestbed.experiments.scenario import (
    RunSettings,
    TargetSettings,
    load_scenario,
    override,
    parse_setting,
    scenario_table,
    to_toml,
)
from oxytestbed.models.errors import TestbedError


def written(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


# --- changes ---


def test_changes_pass_the_checks_of_a_file() -> None:
    scenario = load_scenario("settled_night")
    changed = override(
        scenario,
        {"seed": 5, "cohort.infants": 6, "run.duration_h": 2, "target.high_pct": 94.0},
    )
    assert changed == replace(
        scenario,
        seed=5,
        cohort=replace(scenario.cohort, infants=6),
        run=RunSettings(duration_h=2.0),
        target=TargetSettings(low_pct=90.0, high_pct=94.0),
    )
    assert scenario == load_scenario("settled_night")


def test_changes_are_refused_with_all_their_problems() -> None:
    changes = {"target.low_pct": 96, "run.duration_h": 0.5, "alarm.low_delay_s": 3}
    with pytest.raises(TestbedError) as caught:
        override(load_scenario("settled_night"), changes)
    keys = [line.split(": ")[1] for line in str(caught.value).splitlines()[1:]]
    assert keys == ["alarm", "run.warmup_h", "target.low_pct"]


def test_a_key_below_a_plain_value_is_refused() -> None:
    with pytest.raises(TestbedError, match=r"command line: seed\.x: expected a known key, got 3"):
        override(load_scenario("settled_night"), {"seed.x": 3})


def test_fewer_infants_keep_the_traces_that_are_left() -> None:
    scenario = override(load_scenario("settled_night"), {"report.trace_infants": [0, 5, 7]})
    assert override(scenario, {"cohort.infants": 6}).report.trace_infants == (0, 5)
    with pytest.raises(TestbedError, match=r"0 to 5, got \[7\]"):
        override(scenario, {"cohort.infants": 6, "report.trace_infants": [7]})


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("a.b=3", 3),
        ("a.b = 3.5", 3.5),
        ("a.b=true", True),
        ("a.b=[1, 2]", [1, 2]),
        ("a.b=unstable", "unstable"),
        ('a.b="two words"', "two words"),
        ("a.b=90,5", "90,5"),  # stays a text, which a number field then refuses
        ("a.b=file.py:Name", "file.py:Name"),
        ("a.b=x=y", "x=y"),
        ("a.b=1\nc = 2", "1\nc = 2"),
    ],
)
def test_settings_on_a_command_line(text: str, value: object) -> None:
    assert parse_setting(text) == ("a.b", value)


@pytest.mark.parametrize("text", ["seed", "=3", ""])
def test_a_setting_without_key_or_value_is_refused(text: str) -> None:
    with pytest.raises(TestbedError, match="expected key=value"):
        parse_setting(text)


# --- the way back ---


def test_a_scenario_with_a_cohort_file_survives_writing_and_changing(tmp_path: Path) -> None:
    csv = tmp_path / "babies.csv"
    csv.write_text("infant\n", encoding="utf-8")
    drawn = load_scenario("single_infant")
    scenario = override(drawn, {"cohort.csv": str(csv), "report.trace_infants": [70]})
    assert load_scenario(written(tmp_path, to_toml(scenario))) == scenario
    assert "cohort.infants" not in set(scenario_table(scenario)["key"])
    with pytest.raises(TestbedError, match=r"cohort\.infants: expected nothing beside csv"):
        override(scenario, {"cohort.infants": 5})


@pytest.mark.parametrize("name", ["settled_night", "single_infant", "unstable_group"])
def test_a_written_scenario_reads_back_equal(name: str, tmp_path: Path) -> None:
    scenario = load_scenario(name)
    text = to_toml(scenario)
    again = load_scenario(written(tmp_path, text))
    assert again == scenario
    assert to_toml(again) == text
    assert scenario_table(again).equals(scenario_table(scenario))


def test_odd_values_survive_too(tmp_path: Path) -> None:
    scenario = override(
        load_scenario("single_infant"),
        {
            "title": 'A "quoted"\n\\ title, 酸素 #1',
            "run.duration_h": 1.1 + 2.2,
            "arms": [
                {"name": "own", "kind": "controller", "controller": str(tmp_path / "a b.py:C")}
                | {"options": {"gain": 0.1, "odd key": [1, 2], "flag": False, "word": "#"}},
            ],
        },
    )
    assert load_scenario(written(tmp_path, to_toml(scenario))) == scenario


def test_a_written_scenario_holds_every_setting_with_unit_and_meaning() -> None:
    scenario = load_scenario("settled_night")
    text = to_toml(scenario)
    assert "low_delay_s = 15  # s; time beyond the low limit before the alarm" in text
    for key in scenario_table(scenario)["key"]:
        # A line of its own, or a key of an inline table.
        assert re.search(rf"[\n{{ ]{key.rpartition('.')[2]} = ", text)


def test_the_table_marks_what_is_not_default() -> None:
    scenario = override(load_scenario("settled_night"), {"alarms.low_delay_s": 20})
    table = scenario_table(scenario).set_index("key")
    assert list(table.columns) == ["value", "unit", "meaning", "source"]
    assert table.index.is_unique
    assert table.loc["alarms.low_delay_s", "value"] == "20"
    assert table.loc["alarms.low_delay_s", "unit"] == "s"
    assert table.loc["alarms.low_delay_s", "source"] == "set"
    assert table.loc["alarms.high_delay_s", "source"] == "default"
    assert table.loc["seed", "source"] == "set"  # it has no default
    assert table.loc["arms[pi].controller", "value"] == "pi"


def test_scenarios_travel_to_other_processes() -> None:
    scenario = load_scenario("unstable_group")
    again = pickle.loads(pickle.dumps(scenario))
    assert again == scenario
    parts = [part for part in vars(scenario).values() if is_dataclass(part)]
    for part in [*parts, *scenario.arms]:
        assert pickle.loads(pickle.dumps(part)) == part
