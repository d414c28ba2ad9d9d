from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from oxytestbed.experiments.readable import rows_by_outcome
from oxytestbed.experiments.report import CAUTION, render_report
from oxytestbed.experiments.report_tables import (
    cohort_table,
    definitions_table,
    difference_table,
    main_table,
    scenario_table,
)
from oxytestbed.experiments.report_text import answer, interval_text, points, verdict
from oxytestbed.experiments.result import ComparisonResult
from oxytestbed.loop.outcomes import OUTCOMES

IN_TARGET = OUTCOMES["time_in_target_pct"]
BELOW_80 = OUTCOMES["time_below_80_pct"]
VOID = {"meta", "br", "hr", "img", "link", "input"}


class Balance(HTMLParser):
    """Checks that every element that opens also closes, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in VOID:
            self.open.append(tag)
        self._note(dict(attrs))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._note(dict(attrs))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def _note(self, attrs: dict[str, str | None]) -> None:
        self.ids += [str(attrs["id"])] if "id" in attrs else []
        self.links += [str(attrs[key]) for key in ("href", "src") if key in attrs]


@pytest.fixture(scope="module")
def page(comparison: ComparisonResult) -> str:
    return render_report(comparison)


def without_figures(result: ComparisonResult) -> str:
    return render_report(result, [])


def row(low: float, high: float) -> dict[str, float]:
    middle = (low + high) / 2
    return {"mean_difference": middle, "mean_low": low, "mean_high": high}


def test_the_page_is_whole_and_needs_no_network(page: str) -> None:
    checker = Balance()
    checker.feed(page)
    assert checker.open == []
    assert len(checker.ids) == len(set(checker.ids))
    assert all(link.startswith("#") and link[1:] in checker.ids for link in checker.links)
    assert "http" not in page
    assert "<script" not in page
    assert "@import" not in page


def test_the_page_is_small(page: str) -> None:
    assert len(page.encode()) < 2_000_000


def test_the_same_result_gives_the_same_page(comparison: ComparisonResult, page: str) -> None:
    assert render_report(comparison) == page


def test_the_sections_stand_in_the_order_of_the_questions(page: str) -> None:
    sections = re.findall(r'<section id="([^"]+)"', page)
    figures = [
        "asked",
        "range",
        "distribution",
        "ranking",
        "aligned",
        "paired",
        "infants",
        "worst",
        "strips",
    ]
    tables = ["main-table", "differences", "cohort", "others", "settings", "definitions"]
    methods = ["estimand", "errors", "checklist", "remake"]
    assert sections == ["answer", *figures, *tables, *methods]


def test_the_caution_stands_before_the_first_table(page: str) -> None:
    assert 0 < page.index(CAUTION) < page.index("<table")
    assert "not a medical device" in CAUTION
    assert "local protocols and licensed clinicians decide" in CAUTION


def test_what_a_user_wrote_is_escaped(page: str) -> None:
    # The title of the toy holds markup.
    assert "<b>" not in page
    assert "Invented night &lt;b&gt;&amp; co&lt;/b&gt;" in page


def whole_answer(result: ComparisonResult) -> str:
    return " ".join([*answer(result), *points(result)]).replace("\u00a0", " ")


def test_the_answer_is_short_and_each_arm_has_a_line(comparison: ComparisonResult) -> None:
    assert 3 <= len(answer(comparison)) <= 5
    lines = points(comparison)
    assert [re.match(r"<strong>(\w+)</strong>", line)[1] for line in lines] == ["fixed", "pi"]


def test_the_answer_names_the_arm_that_came_first(comparison: ComparisonResult) -> None:
    ranking = comparison.ranking
    best = ranking[(ranking["outcome"] == "time_in_target_pct") & (ranking["rank"] == 1)]
    share = f"{100 * best['first_share'].iloc[0]:.0f} % of resamples"
    assert f"{best['arm'].iloc[0]} by time in target (in {share})" in whole_answer(comparison)


def test_the_answer_takes_its_numbers_from_the_paired_table(comparison: ComparisonResult) -> None:
    text = whole_answer(comparison)
    for arm in ("fixed", "pi"):
        difference = rows_by_outcome(comparison.paired, arm)["time_in_target_pct"]
        assert f"time in target by {interval_text(difference, IN_TARGET)}" in text
    assert "8 virtual infants" in text
    assert "do not say how well the models match any real infant" in text


def test_the_answer_counts_infants_that_lost_time_in_target(comparison: ComparisonResult) -> None:
    outcomes = comparison.outcomes.copy()
    manual = outcomes.loc[outcomes["arm"] == "manual", "time_in_target_pct"].to_numpy()
    shift = np.array([-5.0, -5.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0])
    outcomes.loc[outcomes["arm"] == "pi", "time_in_target_pct"] = manual + shift
    text = whole_answer(replace(comparison, outcomes=outcomes))
    assert "2 of 8 infants spent less time in target than under manual" in text


@pytest.mark.parametrize(
    ("low", "high", "higher_better", "lower_better"),
    [
        (1.0, 2.0, "better", "worse"),
        (-2.0, -1.0, "worse", "better"),
        (-1.0, 1.0, "undecided", "undecided"),
        (0.0, 1.0, "undecided", "undecided"),
        (float("nan"), float("nan"), "no interval", "no interval"),
    ],
)
def test_verdict(low: float, high: float, higher_better: str, lower_better: str) -> None:
    assert verdict(row(low, high), IN_TARGET) == higher_better
    assert verdict(row(low, high), BELOW_80) == lower_better


def test_an_outcome_without_a_better_side_is_never_judged() -> None:
    assert verdict(row(1.0, 2.0), OUTCOMES["mean_fio2_pct"]) == "undecided"


def test_an_interval_that_does_not_exist_is_not_written() -> None:
    lone = row(float("nan"), float("nan")) | {"mean_difference": 2.0}
    assert interval_text(lone, IN_TARGET) == "+2.0"


def test_the_main_table_has_arms_as_columns_and_true_twins_as_rows(
    comparison: ComparisonResult,
) -> None:
    table = main_table(comparison)
    assert table.head == ("Outcome", "Unit", "manual", "fixed", "pi")
    assert table.rows[0].cells[0] == "Time in target"
    assert table.rows[1].kind == "twin"
    assert all(len(line.cells) == len(table.head) for line in table.rows)
    values = comparison.outcomes.query("arm == 'manual'")["time_in_target_pct"]
    q1, median, q3 = np.quantile(values, (0.25, 0.5, 0.75))
    assert table.rows[0].cells[2] == f"{median:.1f} ({q1:.1f} to {q3:.1f})"


def test_a_failed_arm_is_shown_with_its_error(comparison: ComparisonResult) -> None:
    outcomes = comparison.outcomes.copy()
    failed = outcomes["arm"] == "pi"
    outcomes.loc[failed, "error"] = "pi: expected an array of shape (8,), got <None>"
    outcomes.loc[failed, list(OUTCOMES)] = np.nan
    broken = replace(
        comparison,
        outcomes=outcomes,
        paired=comparison.paired[comparison.paired["arm"] != "pi"],
        summary=comparison.summary[comparison.summary["arm"] != "pi"],
    )
    page = render_report(broken)
    assert "pi (8 of 8 infants)" in page
    assert "pi: expected an array of shape (8,), got &lt;None&gt;" in page
    assert main_table(broken).head == ("Outcome", "Unit", "manual", "fixed")


def test_when_every_arm_failed_the_report_says_so(comparison: ComparisonResult) -> None:
    outcomes = comparison.outcomes.copy()
    outcomes["error"] = "no power"
    empty = replace(
        comparison,
        outcomes=outcomes,
        paired=comparison.paired.iloc[:0],
        summary=comparison.summary.iloc[:0],
        traces={},
    )
    assert "No arm finished" in render_report(empty)


def test_one_arm_alone_has_nothing_to_compare(comparison: ComparisonResult) -> None:
    alone = replace(
        comparison,
        outcomes=comparison.outcomes[comparison.outcomes["arm"] == "manual"],
        paired=comparison.paired.iloc[:0],
        traces={},
    )
    page = render_report(alone)
    assert "With one arm there is nothing to compare." in page
    assert "There is no second arm to compare with." in page
    assert "This scenario kept no traces." in page


def test_without_intervals_nothing_is_judged(comparison: ComparisonResult) -> None:
    paired = comparison.paired.copy()
    paired[["mean_low", "mean_high", "median_low", "median_high"]] = np.nan
    text = whole_answer(replace(comparison, paired=paired))
    assert "too few nursing groups for intervals" in text
    assert "better" not in text
    assert "worse" not in text


def test_few_nursing_groups_are_confessed(comparison: ComparisonResult) -> None:
    # Eight infants in groups of two.
    assert "With only 4 nursing groups the intervals are rough" in " ".join(answer(comparison))
    many = replace(comparison, paired=comparison.paired.assign(groups=20))
    assert "rough" not in " ".join(answer(many))


def test_one_infant_alone_has_no_quartiles(comparison: ComparisonResult) -> None:
    summary = comparison.summary.assign(infants=1)
    for line in main_table(replace(comparison, summary=summary)).rows:
        assert not any("(" in cell for cell in line.cells[2:])


def test_infants_left_out_are_counted(comparison: ComparisonResult) -> None:
    summary = comparison.summary.copy()
    chosen = (summary["arm"] == "fixed") & (summary["outcome"] == "time_in_target_pct")
    summary.loc[chosen, "left_out"] = 3
    assert "fixed: 3" in without_figures(replace(comparison, summary=summary))


def test_a_column_that_the_registry_does_not_know_is_still_shown(
    comparison: ComparisonResult,
) -> None:
    summary = comparison.summary.copy()
    extra = summary[summary["outcome"] == "valid_h"].assign(outcome="something_new_per_h")
    page = without_figures(replace(comparison, summary=extra))
    assert "something new per h" in page


def test_settings_that_the_user_set_are_marked(comparison: ComparisonResult) -> None:
    rows = {line.cells[0]: line.kind for line in scenario_table(comparison).rows}
    assert rows == {"seed": "given", "run.duration_h": "given", "alarms.low_delay_s": ""}


def test_every_outcome_is_defined(comparison: ComparisonResult) -> None:
    columns = " ".join(line.cells[-1] for line in definitions_table(comparison).rows)
    for name in OUTCOMES:
        assert re.search(rf"\b{name}\b", columns), name


def test_the_cohort_is_given_with_units_and_fractions_in_percent(
    comparison: ComparisonResult,
) -> None:
    rows = {line.cells[0]: line.cells[1:] for line in cohort_table(comparison).rows}
    weight = comparison.cohort["weight_kg"]
    assert rows["weight today"][:2] == ("kg", f"{weight.median():.2f}")
    assert rows["FiO2 that holds spo2_rest_pct at rest"][0] == "%"
    assert float(rows["FiO2 that holds spo2_rest_pct at rest"][1]) > 20


def test_the_difference_table_reads_the_interval(comparison: ComparisonResult) -> None:
    for line in difference_table(comparison).rows:
        assert line.cells[-1] in ("better", "worse", "undecided", "no interval", "")
        assert line.kind == line.cells[-1].replace(" ", "-")


def test_seed_versions_and_command_are_given(page: str) -> None:
    assert "oxytestbed compare toy --seed 7" in page
    assert np.__version__ in page
    assert "versions.numpy" in page
