"""Scenarios: shipped ones, files with mistakes, changes, and the way back to TOML."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from oxytestbed.experiments import scenario as scenarios
from oxytestbed.experiments.cohort_files import write_infants
from oxytestbed.experiments.compare import scenario_infants
from oxytestbed.experiments.scenario import (
    ArmSettings,
    RunSettings,
    Scenario,
    TargetSettings,
    check_named_infants,
    load_scenario,
    override,
    scenario_from_table,
    scenario_names,
)
from oxytestbed.models.errors import TestbedError

SHIPPED = Path(scenarios.__file__).parent / "scenarios"

SMALL = """\
name = "small"
title = "A small one"
question = "Does it work?"
seed = 1
[target]
low_pct = 90
high_pct = 95
[cohort]
infants = 3
[[arms]]
name = "manual"
kind = "manual"
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def refusal(folder: Path, text: str) -> str:
    """Messages of a file that must be refused, without its path."""
    path = written(folder, text)
    with pytest.raises(TestbedError) as caught:
        load_scenario(path)
    return str(caught.value).replace(str(path), "mine.toml")


# --- shipped scenarios ---


def test_three_scenarios_come_with_the_testbed() -> None:
    assert scenario_names() == ["settled_night", "single_infant", "unstable_group"]


@pytest.mark.parametrize("name", ["settled_night", "single_infant", "unstable_group"])
def test_shipped_scenarios_load_and_compare_with_manual_care(name: str) -> None:
    scenario = load_scenario(name)
    assert scenario.name == name
    assert [arm.name for arm in scenario.arms] == ["manual", "fixed", "pi"]
    assert scenario.run.warmup_s == 3600
    assert scenario.report.trace_infants[0] == 0


def test_the_default_scenario_is_a_settled_night() -> None:
    scenario = load_scenario("settled_night")
    assert (scenario.target.low_pct, scenario.target.high_pct) == (90, 95)
    assert (scenario.cohort.infants, scenario.cohort.stratum) == (40, "settled")
    assert scenario.run.duration_s == 12 * 3600


@pytest.mark.parametrize("name", ["settled_night", "single_infant", "unstable_group"])
def test_settings_that_are_commented_out_are_valid_too(name: str, tmp_path: Path) -> None:
    text = (SHIPPED / f"{name}.toml").read_text(encoding="utf-8")
    shown = re.sub(r"^# (?!csv)(\w+ = )", r"\1", text, flags=re.MULTILINE)
    load_scenario(written(tmp_path, shown))


# --- finding and parsing ---


def test_a_wrong_name_is_told_the_nearest() -> None:
    with pytest.raises(TestbedError, match=r"got 'setled_night'\. Did you mean 'settled_night'\?"):
        load_scenario("setled_night")


def test_a_missing_file_is_told_the_nearest_name(tmp_path: Path) -> None:
    with pytest.raises(TestbedError, match=r"a file that exists.*Did you mean 'unstable_group'\?"):
        load_scenario(str(tmp_path / "unstable_groups.toml"))


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("seed 7", "Expected '=' after a key in a key/value pair."),
        ("low_pct = 90,5", "Numbers take a point, not a comma."),
        ("stratum = settled", "Texts stand in quotes."),
        ("seed = 1", "Cannot overwrite a value."),
    ],
)
def test_bad_syntax_names_the_line(tmp_path: Path, line: str, message: str) -> None:
    text = f"# a comment\nseed = 3\n{line}\nrest = 1\n"
    said = refusal(tmp_path, text)
    assert said.startswith(f"mine.toml, line 3: expected TOML, such as key = value, got '{line}'.")
    assert said.endswith(message)


def test_a_file_that_is_not_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_bytes(SMALL.replace("small one", "gr\xf6\xdfer").encode("latin-1"))
    with pytest.raises(TestbedError, match="expected text in UTF-8"):
        load_scenario(path)


def test_a_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_bytes(SMALL.encode("utf-8-sig"))
    assert load_scenario(path).name == "small"


# --- problems of a file ---


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("seed = 1\n", "seed = -1\n", "seed: expected a value of at least 0, got -1"),
        (
            "seed = 1\n",
            "sead = 1\n",
            "seed: expected a whole number of at least 0, got nothing.",
        ),
        ('"small"', '"Small one"', "name: expected a name of a-z, 0-9, _ and - only, got"),
        (
            "low_pct = 90",
            "low_pct = 95",
            "target.low_pct: expected less than high_pct (95 %), got 95.0.",
        ),
        (
            "[target]",
            "[run]\nduration_h = 1\n[target]",
            "run.warmup_h: expected less than duration_h (1 h), got 1.0.",
        ),
        (
            "[target]",
            "[gas]\nfio2_min = 0.5\nfio2_max = 0.4\n[target]",
            "gas.fio2_max: expected at least fio2_min (0.5), got 0.4",
        ),
        (
            "[target]",
            "[alarms]\nlow_dely_s = 3\n[target]",
            "alarms.low_dely_s: expected a known key, got 'low_dely_s'. "
            "Did you mean 'low_delay_s'?",
        ),
        (
            "[target]",
            "[report]\ntrace_infants = [0, 3]\n[target]",
            "report.trace_infants: expected infants of this cohort, 0 to 2, got [3]",
        ),
        (
            "[target]",
            "[report]\ntrace_infants = [-1]\n[target]",
            "report.trace_infants: expected infants of this cohort, 0 to 2, got [-1]",
        ),
        (
            "[target]",
            "[report]\ntrace_infants = [1, 1]\n[target]",
            "report.trace_infants: expected each infant once, got [1, 1]",
        ),
        (
            'kind = "manual"\n',
            'kind = "manual"\n[[arms]]\nname = "manual"\nkind = "manual"\n',
            "arms: expected a different name for each arm, got 'manual'",
        ),
        (
            '[[arms]]\nname = "manual"\nkind = "manual"\n',
            "",
            "arms: expected a list of tables, each under its own [[arms]], got nothing.",
        ),
        (
            'name = "manual"\n',
            'name = "by hand"\n',
            "arms[by hand].name: expected a name of a-z, 0-9, _ and - only, got 'by hand'",
        ),
        (
            'kind = "manual"\n',
            'kind = "manuel"\n',
            "arms[manual].kind: expected one of manual, controller, got 'manuel'",
        ),
        (
            'kind = "manual"\n',
            'kind = "controller"\n',
            "arms[manual].controller: expected a name or file.py:ClassName, got ''.",
        ),
        (
            'kind = "manual"\n',
            'kind = "manual"\ncontroller = "pi"\n',
            "arms[manual].controller: expected no controller in a manual arm, got 'pi'.",
        ),
        (
            'kind = "manual"\n',
            'kind = "manual"\noptions = {gain = 1}\n',
            "arms[manual].options: expected no options in a manual arm, got {'gain': 1}.",
        ),
        (
            'kind = "manual"\n',
            'kind = "controller"\ncontroller = "fixd"\n',
            "arms[manual].controller: expected a known controller, got 'fixd'. "
            "Did you mean 'fixed'?",
        ),
        (
            'kind = "manual"\n',
            'kind = "controller"\ncontroller = "fixed"\noptions = {fio3 = 0.3}\n',
            "arms[manual].options: controller 'fixed': expected an option that it has, got 'fio3'.",
        ),
        ("infants = 3", "infants = 0", "cohort.infants: expected a value from 1 to 100000, got 0"),
    ],
)
def test_each_mistake_in_a_file_is_named(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert SMALL.count(old) == 1
    assert f"mine.toml: {message}" in refusal(tmp_path, SMALL.replace(old, new))


def test_all_mistakes_of_a_file_come_at_once(tmp_path: Path) -> None:
    text = (
        SMALL.replace("seed = 1", "seed = true")
        .replace("low_pct = 90", "low_pct = 99")
        .replace("infants = 3", "infants = 3\ncsv = 'none.csv'\nstratum = 'setled'")
    )
    text += '[[arms]]\nname = "x"\nkind = "controller"\ncontroller = "pii"\n[[arms]]\nname = "y"\n'
    first, *lines = refusal(tmp_path, text).splitlines()
    assert first == f"{len(lines)} problems:"
    assert [line.split(": ")[1] for line in lines] == [
        "seed",
        "target.low_pct",
        "cohort.stratum",
        "arms[y].kind",
        "cohort.infants",
        "cohort.stratum",
        "cohort.csv",
        "arms[x].controller",
    ]


def test_an_empty_list_of_arms_is_refused() -> None:
    scenario = load_scenario("single_infant")
    with pytest.raises(TestbedError, match=r"command line: arms: expected at least one arm"):
        override(scenario, {"arms": []})


def test_scenarios_made_in_python_pass_the_same_checks() -> None:
    arm = ArmSettings(name="manual", kind="manual")
    target = TargetSettings(low_pct=90, high_pct=95)
    given: dict[str, Any] = {"name": "x", "title": "t", "question": "q", "seed": 1}
    assert Scenario(**given, target=target, arms=(arm,)).cohort.infants == 40
    with pytest.raises(TestbedError, match="Scenario: arms: expected a different name"):
        Scenario(**given, target=target, arms=(arm, arm))
    with pytest.raises(TestbedError, match=r"Scenario\.seed: expected a value of at least 0"):
        Scenario(**{**given, "seed": -1}, target=target, arms=(arm,))


# --- files beside the scenario ---


def test_files_are_looked_for_beside_the_scenario(tmp_path: Path) -> None:
    (tmp_path / "babies.csv").write_text("infant\n", encoding="utf-8")
    text = SMALL.replace("infants = 3", 'csv = "babies.csv"').replace(
        'kind = "manual"', 'kind = "controller"\ncontroller = "own.py:Own"'
    )
    scenario = load_scenario(written(tmp_path, text))
    assert scenario.cohort.csv_path == tmp_path.resolve() / "babies.csv"
    assert scenario.arms[0].controller == f"{tmp_path.resolve() / 'own.py'}:Own"


def test_a_cohort_file_stands_alone(tmp_path: Path) -> None:
    (tmp_path / "babies.csv").write_text("infant\n", encoding="utf-8")
    text = SMALL.replace("infants = 3", 'infants = 3\ncsv = "babies.csv"')
    assert refusal(tmp_path, text) == (
        "mine.toml: cohort.infants: expected nothing beside csv, got 3. "
        "The cohort file decides; leave this key out."
    )


def test_traces_from_a_cohort_file_are_checked_once_it_is_read(tmp_path: Path) -> None:
    (tmp_path / "babies.csv").write_text("infant\n", encoding="utf-8")
    text = SMALL.replace("infants = 3", 'csv = "babies.csv"')
    scenario = load_scenario(written(tmp_path, text + "[report]\ntrace_infants = [7, 9]\n"))
    check_named_infants(scenario, [9, 8, 7])
    with pytest.raises(TestbedError, match=r"expected infants of this cohort, 1 to 8, got \[9\]"):
        check_named_infants(scenario, [8, 7, 1])


def scripted(infants: list[int]) -> str:
    return (
        f'[[script]]\nat_s = 60\nevent = "central_apnoea"\nduration_s = 20\ninfants = {infants}\n'
    )


def test_a_script_for_infants_that_are_not_there_is_refused(tmp_path: Path) -> None:
    assert load_scenario(written(tmp_path, SMALL + scripted([0, 2]))).script[0].infants == (0, 2)
    message = "mine.toml: script.infants: expected infants of this cohort, 0 to 2, got [3, 8]"
    assert refusal(tmp_path, SMALL + scripted([8, 1, 3])) == message


def test_a_script_is_checked_against_a_cohort_file_when_it_is_read(tmp_path: Path) -> None:
    drawn = load_scenario(written(tmp_path, SMALL))
    write_infants(scenario_infants(drawn)[0], tmp_path / "babies.csv")
    text = SMALL.replace("infants = 3", 'csv = "babies.csv"')
    scenario = load_scenario(written(tmp_path, text + scripted([2])))
    assert scenario_infants(scenario)[0].infant.tolist() == [0, 1, 2]
    scenario = load_scenario(written(tmp_path, text + scripted([3])))
    with pytest.raises(TestbedError, match=r"script\.infants: .* 0 to 2, got \[3\]"):
        scenario_infants(scenario)


# --- parts ---


def test_seconds_are_whole() -> None:
    run = RunSettings(duration_h=1.1, warmup_h=0.0001)
    assert (run.duration_s, run.warmup_s) == (3960, 0)


def test_a_table_without_a_file_reads_like_one() -> None:
    arms = [{"name": "manual", "kind": "manual"}]
    table = {"name": "x", "title": "t", "question": "q", "seed": 1, "arms": arms}
    scenario = scenario_from_table({**table, "target": {"low_pct": 88, "high_pct": 92}}, "here")
    assert scenario.alarms == load_scenario("settled_night").alarms
