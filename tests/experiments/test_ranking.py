"""Places of arms, worked out by hand."""

import numpy as np
import pandas as pd
import pytest

from oxytestbed.experiments.ranking import RANKING_COLUMNS, rank_arms
from oxytestbed.experiments.ranking_figures import ranking_table

TARGET, TRAVEL = "time_in_target_pct", "fio2_travel_pct_per_h"


def outcomes(**arms):
    rows = [
        {"infant": infant, "arm": arm, "group": infant // 2, "error": "", TARGET: value,
         TRAVEL: 100.0 - value}
        for arm, values in arms.items()
        for infant, value in enumerate(values)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def ranked(table, name=TARGET):
    found = rank_arms(table, (name,), seed=1, resamples=400)
    assert tuple(found.columns) == RANKING_COLUMNS
    return found.set_index("arm")


def test_the_arm_that_is_better_in_every_infant_comes_first_in_every_resample():
    found = ranked(outcomes(a=[50, 60, 70, 80], b=[60, 70, 80, 90], c=[40, 50, 60, 70]))
    assert list(found.index) == ["b", "a", "c"]
    assert found.loc["b", "mean"] == 75
    assert (found["first_share"] == [1, 0, 0]).all()
    assert (found["rank_low"] == found["rank_high"]).all()


def test_less_travel_comes_first():
    found = ranked(outcomes(a=[50, 60, 70, 80], b=[60, 70, 80, 90]), TRAVEL)
    assert list(found.index) == ["b", "a"]
    assert found.loc["b", "mean"] == 25


def test_arms_that_cannot_be_told_apart_share_the_places():
    rng = np.random.default_rng(5)
    noise = rng.normal(50, 10, (2, 40))
    found = ranked(outcomes(a=noise[0], b=noise[0] + rng.normal(0, 10, 40)))
    assert found["rank_low"].eq(1).all() and found["rank_high"].eq(2).all()
    assert found["first_share"].sum() == pytest.approx(1.0)


def test_a_tie_is_a_shared_first_place():
    found = ranked(outcomes(a=[50, 60, 70, 80], b=[50, 60, 70, 80]))
    assert found["rank"].tolist() == [1, 1]
    assert found["first_share"].tolist() == [1, 1]


def test_only_infants_with_the_outcome_in_all_arms_count():
    table = outcomes(a=[50, 60, 70, np.nan], b=[55, 65, np.nan, 99])
    found = ranked(table)
    assert found["infants"].tolist() == [2, 2]
    assert found.loc["b", "mean"] == 60


def test_a_failed_arm_is_left_out():
    table = outcomes(a=[50, 60], b=[60, 70])
    table.loc[table["arm"] == "b", "error"] = "no power"
    assert list(ranked(table).index) == ["a"]


def test_one_group_has_places_but_no_intervals():
    found = ranked(outcomes(a=[50, 60], b=[60, 70]))
    assert list(found.index) == ["b", "a"]
    assert found["rank_low"].isna().all()
    (first, _) = ranking_table(found.reset_index(), "95").rows
    assert first.cells[2:4] == ("1", "b") and first.cells[-1] == "\u2013"


def test_an_outcome_that_is_not_there_is_passed_over():
    assert rank_arms(outcomes(a=[1, 2]), ("nothing",), seed=1).empty
