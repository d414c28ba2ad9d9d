import argparse
import json

import pandas as pd
import pytest

from oxytestbed.experiments.evidence.command import add_credibility, save_credibility
from oxytestbed.experiments.evidence.experiment import evidence_frame, gather_evidence
from oxytestbed.experiments.evidence.page_tables import digits
from oxytestbed.experiments.evidence.rows import read_published
from oxytestbed.experiments.evidence.runs import Size, plan, run_job
from oxytestbed.models.errors import TestbedError

TINY = Size(infants=4, hours=0.5, seed=3)


@pytest.fixture(scope="module")
def found():
    return gather_evidence(TINY, workers=1)


@pytest.fixture(scope="module")
def page(found, tmp_path_factory):
    folder = tmp_path_factory.mktemp("credibility") / "made"
    return save_credibility(found, folder, "oxytestbed credibility", ["--infants 4"])


def test_every_published_figure_is_there_and_every_simulated_one_answered(found):
    published = read_published()
    assert [item.published for item in found.evidence] == published
    unanswered = [
        item.published.id
        for item in found.evidence
        if item.published.status == "simulated" and item.simulated is None
    ]
    # The ratios need desaturations below 80 %, of which a tiny run may hold none.
    assert set(unanswered) <= {"averaging_number", "averaging_duration", "averaging_area"}


def test_published_tables_of_blood_and_noise_are_met(found):
    grades = {
        item.published.id: item.grade
        for item in found.evidence
        if item.published.section in ("blood_tables", "noise") and item.simulated
    }
    assert len(grades) > 150
    assert {grade.value for grade in grades.values()} == {"pass"}


def test_the_page_needs_no_network_and_shows_every_row(found, page):
    text = page.read_text(encoding="utf-8")
    assert "http://" not in text.replace("http://www.w3.org", "")
    assert "https://" not in text
    for heading in (
        "Code verification",
        "Calibration",
        "Population-based validation",
        "Emergent behaviour",
        "Plausibility of the model",
        "Calculation verification",
        "What the model cannot show",
    ):
        assert f"<h2>{heading}</h2>" in text
    rows = text.count("<tr") - text.count("<thead><tr")
    assert rows > len(found.evidence)
    assert "oxytestbed credibility --infants 4" in text


def test_every_row_is_in_the_file(found, page):
    table = pd.read_csv(page.with_name("evidence.csv"))
    assert table.id.tolist() == [item.published.id for item in found.evidence]
    assert set(table.grade.dropna()) <= {"pass", "near", "miss"}
    assert json.loads(page.with_name("manifest.json").read_text())["seed"] == 3


def test_the_tally_counts_what_the_table_shows(found):
    table = evidence_frame(found.evidence)
    for name, counts in found.tallies.items():
        few = table[(table.set == name) & (table.flag == "read")]
        assert counts.passed == (few.grade == "pass").sum()
        assert counts.missed == (few.grade == "miss").sum()


def test_a_part_of_a_run_gives_the_same_again():
    job = plan(TINY)[0]
    first, second = run_job(job), run_job(job)
    assert repr(first.lanes) == repr(second.lanes)
    assert first.counts == second.counts


def test_the_command_refuses_a_folder_that_exists(tmp_path):
    parser = argparse.ArgumentParser()
    told: list[str] = []
    add_credibility(parser.add_subparsers(dest="command"), told.append)
    given = parser.parse_args(["credibility", "--out", str(tmp_path)])
    with pytest.raises(TestbedError, match="does not exist yet"):
        given.run(given)
    given = parser.parse_args(["credibility", "--infants", "1", "--out", str(tmp_path / "new")])
    with pytest.raises(TestbedError, match="infants"):
        given.run(given)
    assert told == []


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (48.41, "48.4"), (1.0, "1"), (-5.849, "\u22125.85"), (0.0123, "0.0123"),
     (1234.5, "1234"), (float("nan"), "\u2013")],
)  # fmt: skip
def test_numbers_have_three_digits(value, text):
    assert digits(value) == text
