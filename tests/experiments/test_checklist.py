"""The methods part: a checklist without gaps, the estimand, seeds and versions."""

from dataclasses import replace

from oxytestbed.experiments.checklist import (
    Study,
    checklist_table,
    manifest_table,
    methods_sections,
)
from oxytestbed.experiments.comparison_methods import comparison_methods

STUDY = Study(
    purpose="why",
    outputs="what",
    aims="which",
    scenario_logic="how they differ",
    inputs="where",
    initialisation="from when",
    run_length="how long",
    estimation="how sure",
    estimand=("the mean",),
    seed=12,
    command="oxytestbed something",
)


def test_every_heading_is_filled():
    rows = checklist_table(STUDY).rows
    headings = {row.cells[0].split(":")[0] for row in rows}
    assert headings == {"Objectives", "Logic", "Data", "Experimentation", "Implementation"}
    assert all(row.cells[1].strip() for row in rows)
    texts = " ".join(row.cells[1] for row in rows)
    for own in (
        "why",
        "how they differ",
        "from when",
        "how sure",
        "Seed 12",
        "oxytestbed something",
    ):
        assert own in texts


def test_the_parts_of_the_methods_stand_in_order():
    names = [section.name for section in methods_sections(STUDY, {"numpy": "2"})]
    assert names == ["estimand", "checklist", "remake"]
    errors = [checklist_table(STUDY)]
    names = [section.name for section in methods_sections(STUDY, {}, errors)]
    assert names == ["estimand", "errors", "checklist", "remake"]


def test_the_manifest_is_flat_and_has_the_seed():
    (table,) = methods_sections(STUDY, {"versions": {"numpy": "2"}, "list": [1, 2]})[-1].tables
    cells = dict(row.cells for row in table.rows)
    assert cells == {"seed": "12", "versions.numpy": "2", "list": "1, 2"}


def test_a_number_of_the_manifest_is_short():
    assert manifest_table({"s": 1.23456}).rows[0].cells == ("s", "1.235")


def test_a_comparison_says_what_it_estimates(comparison):
    sections = {section.name: section for section in comparison_methods(comparison)}
    text = " ".join(sections["estimand"].lead)
    assert "minus manual in the same infant" in text and "2.5 h after the warm-up" in text
    assert [table.name for table in sections["errors"].tables] == [
        "monte_carlo",
        "warmup_sensitivity",
    ]


def test_a_comparison_without_other_warm_ups_has_no_such_table(comparison):
    bare = replace(comparison, warmups=comparison.warmups.iloc[:0])
    sections = {section.name: section for section in comparison_methods(bare)}
    assert [table.name for table in sections["errors"].tables] == ["monte_carlo"]
