"""The staffing study, at a tiny size."""

import pytest

from oxytestbed.experiments.cli import main
from oxytestbed.experiments.staffing import (
    ALARM_PART,
    CASES,
    STAFF_PART,
    STUDIED,
    Case,
    StaffingSettings,
    base_scenario,
    label_of,
    staffing,
)
from oxytestbed.experiments.staffing_report import save_staffing, staffing_page
from oxytestbed.models.errors import TestbedError

TINY = StaffingSettings(
    scenario="unstable_group", infants=3, duration_h=0.6, warmup_h=0.1, controller="pi", seed=3
)
FEW = (
    CASES[2],
    Case(part=ALARM_PART, name="short delays", changes={"alarms.low_delay_s": 5}),
)


@pytest.fixture(scope="module")
def study():
    done = []
    result = staffing(
        TINY, cases=FEW, workers=1, progress=lambda now, total: done.append((now, total))
    )
    assert done[-1][0] == done[-1][1]
    assert [now for now, _ in done] == sorted(now for now, _ in done)
    return result


def test_every_case_has_both_arms_and_every_outcome(study):
    table = study.table
    assert set(table["arm"]) == {"manual", "automatic"}
    assert set(table["outcome"]) == set(STUDIED)
    assert len(table) == len(FEW) * 2 * len(STUDIED)
    assert set(study.saved["outcome"]) == set(STUDIED)
    assert study.example is not None
    assert study.example.scenario.staff.infants_per_nurse == 3


def test_staff_time_is_an_outcome_of_both_arms(study):
    minutes = study.table[study.table["outcome"] == "staff_min_per_24h"]
    assert (minutes["median"] > 0).all()


def test_the_page_holds_figures_tables_and_the_day(study, tmp_path):
    page = staffing_page(study)
    names = [section.name for section in page.sections]
    assert names == [STAFF_PART, "nurse-day", ALARM_PART, "saved"]
    path = save_staffing(study, tmp_path / "out", "oxytestbed staffing")
    text = path.read_text(encoding="utf-8")
    assert "One nurse with 3 infants" in text and "http://" not in text.split("<main>")[1][:2000]
    files = {item.name for item in (tmp_path / "out").rglob("*") if item.is_file()}
    assert {"report.html", "staffing.csv", "controller_minus_manual.csv"} <= files
    assert {"nurse_day.svg", f"staffing_{STAFF_PART}.svg"} <= files
    with pytest.raises(TestbedError):
        save_staffing(study, tmp_path / "out")


def test_the_cases_are_those_of_the_question():
    numbers = [case.name for case in CASES if case.part == STAFF_PART]
    assert numbers == ["1", "2", "3", "4"]
    assert sum(case.part == ALARM_PART for case in CASES) >= 4
    names = [(case.part, case.name) for case in CASES]
    assert len(set(names)) == len(names)
    assert all(label_of(name)[0] for name in STUDIED)


def test_the_scenario_has_both_arms():
    arms = [(arm.name, arm.kind) for arm in base_scenario(TINY).arms]
    assert arms == [("manual", "manual"), ("automatic", "controller")]


def test_a_study_without_cases_is_refused():
    with pytest.raises(TestbedError, match="at least one case"):
        staffing(TINY, cases=())


def test_the_command_writes_a_report(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("oxytestbed.experiments.staffing.CASES", FEW[:1])
    out = tmp_path / "page"
    words = ["staffing", "unstable_group", "--infants", "3", "--hours", "0.3", "--warmup", "0.1"]
    assert main([*words, "--seed", "3", "--workers", "1", "--out", str(out)]) == 0
    assert str(out / "report.html") in capsys.readouterr().out
