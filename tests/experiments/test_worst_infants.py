"""Who fared worst, and that what is shown of them is what was counted."""

import numpy as np
import pandas as pd
import pytest

from oxytestbed.experiments import compare as module
from oxytestbed.experiments.compare import compare
from oxytestbed.experiments.report_tables import worst_table
from oxytestbed.experiments.worst_infants import WORST_COLUMNS, worst_infants


def outcomes(**arms):
    rows = [
        {"infant": infant, "arm": arm, "group": infant, "error": "", "time_in_target_pct": value,
         "hypoxia_burden_80_pct_s_per_h": 1.0}
        for arm, values in arms.items()
        for infant, value in enumerate(values)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_arms_take_turns_and_no_infant_is_chosen_twice():
    table = outcomes(manual=[50, 50, 50, 50], a=[10, 20, 60, 60], b=[5, 50, 30, 40])
    found = worst_infants(table, "manual", 3)
    assert tuple(found.columns) == WORST_COLUMNS
    assert list(zip(found["infant"], found["arm"], strict=True)) == [(0, "a"), (2, "b"), (1, "a")]
    assert found["time_in_target_change_pct"].tolist() == [-40, -20, -30]


@pytest.mark.parametrize("count", [0, 1, 9])
def test_at_most_so_many_as_there_are(count):
    assert len(worst_infants(outcomes(manual=[1, 2], a=[2, 1]), "manual", count)) == min(count, 2)


def test_infants_without_the_outcome_and_failed_arms_are_never_chosen():
    table = outcomes(manual=[50, 50], a=[np.nan, 60], b=[0, 0])
    table.loc[table["arm"] == "b", "error"] = "no power"
    assert worst_infants(table, "manual", 5)["infant"].tolist() == [1]


@pytest.mark.parametrize("samples", [0, module.WORST_SAMPLES])
def test_an_infant_run_again_or_kept_shows_what_was_counted(tiny_scenario, monkeypatch, samples):
    """A large run has none at hand and runs them again; a small one has kept them."""
    monkeypatch.setattr(module, "WORST_SAMPLES", samples)
    if samples:
        monkeypatch.setattr("oxytestbed.experiments.worst_infants.run_again", None)
    few = {"duration_h": 1.6, "warmup_h": 0.05}
    report = {"trace_infants": [0, 1, 2, 3], "resamples": 100, "worst_infants": 0}
    whole = compare(tiny_scenario(run=few, report=report), workers=1)
    again = compare(
        tiny_scenario(run=few, report={"resamples": 100, "worst_infants": 1}), workers=1
    )
    assert len(again.worst) == 1
    infant = int(again.worst["infant"].iloc[0])
    assert again.trace_infants == (infant,)
    for arm in again.arms:
        pd.testing.assert_frame_equal(again.trace(infant, arm), whole.trace(infant, arm))


def test_the_table_links_to_the_strip_chart(comparison):
    first = worst_table(comparison).rows
    for row, infant in zip(first, comparison.worst["infant"], strict=True):
        linked = f'href="#figure-strip-infant-{infant}"' in row.cells[0]
        assert linked == (infant in comparison.trace_infants)
