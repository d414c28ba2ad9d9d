"""Summaries and paired differences, by hand, by closed form and against SciPy."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from oxytestbed.experiments.statistics import (
    group_draws,
    paired_differences,
    resampled,
    summarise,
)
from oxytestbed.models.errors import TestbedError

NAN = float("nan")


def table(values: dict[str, list[float]], groups: list[int] | None = None) -> pd.DataFrame:
    """One outcome `x`; infants are numbered from 1."""
    rows = [
        {"infant": i + 1, "arm": arm, "group": groups[i] if groups else i, "x": x}
        for arm, column in values.items()
        for i, x in enumerate(column)
    ]
    return pd.DataFrame(rows)


def test_summary_by_hand() -> None:
    # 1, 2, 3, 4, 10: median 3, quartiles 2 and 4, mean 4. One infant is left out.
    got = summarise(table({"manual": [1, 2, 3, 4, 10, NAN], "pi": [NAN] * 6}), ["x"])
    first = got.iloc[0]
    assert got["arm"].tolist() == ["manual", "pi"]
    assert first[["median", "q1", "q3", "mean"]].tolist() == [3.0, 2.0, 4.0, 4.0]
    assert (first["infants"], first["left_out"]) == (5, 1)
    assert np.isnan(got.iloc[1]["median"])
    assert (got.iloc[1]["infants"], got.iloc[1]["left_out"]) == (0, 6)


def test_a_failed_run_is_not_left_out_but_failed() -> None:
    outcomes = table({"manual": [1.0, 2.0, NAN], "pi": [2.0, 3.0, NAN]})
    outcomes["error"] = ["", "", "", None, "", "controller: expected a number"]
    got = summarise(outcomes, ["x"])
    assert got["left_out"].tolist() == [1, 0]
    assert got["failed"].tolist() == [0, 1]


def test_differences_are_arm_minus_baseline_by_infant() -> None:
    # Differences 1, 2, 6, and two incomplete pairs: median 2, mean 3.
    outcomes = table({"manual": [10, 20, 30, NAN, 5], "pi": [11, 22, 36, 4, NAN]})
    row = paired_differences(outcomes, "manual", ["x"], seed=1).iloc[0]
    assert (row["arm"], row["baseline"], row["outcome"]) == ("pi", "manual", "x")
    assert (row["median_difference"], row["mean_difference"]) == (2.0, 3.0)
    assert (row["infants"], row["groups"], row["left_out"]) == (3, 3, 2)
    # Pairs go by the infant's number, not by the row.
    shuffled = outcomes.sample(frac=1.0, random_state=3)
    again = paired_differences(shuffled, "manual", ["x"], seed=1)
    assert again.iloc[0].equals(row)


def test_an_infant_missing_from_one_arm_is_left_out() -> None:
    outcomes = table({"manual": [10, 20, 30], "pi": [11, 22, 36]}).iloc[:-1]
    row = paired_differences(outcomes, "manual", ["x"], seed=1).iloc[0]
    assert (row["infants"], row["left_out"], row["mean_difference"]) == (2, 1, 1.5)


def test_same_seed_same_numbers_whatever_other_arms() -> None:
    rng = np.random.default_rng(2)
    columns = {arm: rng.normal(50, 10, 24).tolist() for arm in ("manual", "pi", "fixed")}
    groups = [i // 4 for i in range(24)]
    both = paired_differences(table(columns, groups), "manual", ["x"], seed=9)
    turned = dict(reversed(columns.items()))
    other = paired_differences(table(turned, groups), "manual", ["x"], seed=9)
    alone = paired_differences(
        table({arm: columns[arm] for arm in ("manual", "pi")}, groups), "manual", ["x"], seed=9
    )
    of_pi = both[both["arm"] == "pi"].reset_index(drop=True)
    pd.testing.assert_frame_equal(of_pi, alone, check_exact=True)
    of_pi_turned = other[other["arm"] == "pi"].reset_index(drop=True)
    pd.testing.assert_frame_equal(of_pi, of_pi_turned, check_exact=True)
    changed = paired_differences(table(columns, groups), "manual", ["x"], seed=10)
    assert changed.iloc[0]["mean_low"] != both.iloc[0]["mean_low"]


@pytest.mark.parametrize(
    ("groups", "note"),
    [([1] * 6, "one nursing group"), ([1, 1, 1, 2, 2, 2], "only 2 nursing groups")],
)
def test_few_groups_are_said_so(groups: list[int], note: str) -> None:
    outcomes = table({"manual": [0.0] * 6, "pi": [1, 2, 3, 4, 5, 6]}, groups)
    row = paired_differences(outcomes, "manual", ["x"], seed=1).iloc[0]
    assert row["note"].startswith(note)
    assert np.isnan(row["mean_low"]) == np.isnan(row["median_high"]) == (groups[-1] == 1)
    assert row["mean_difference"] == 3.5


def test_no_pair_at_all() -> None:
    outcomes = table({"manual": [1.0, NAN], "pi": [NAN, 1.0]})
    row = paired_differences(outcomes, "manual", ["x"], seed=1).iloc[0]
    assert (row["infants"], row["groups"], row["left_out"]) == (0, 0, 2)
    assert np.isnan(row["mean_difference"])
    assert row["note"]


@pytest.mark.parametrize("statistic", ["mean", "median"])
def test_interval_agrees_with_scipy_when_each_infant_is_a_group(statistic: str) -> None:
    # Source of the reference: scipy.stats.bootstrap, percentile method, run here.
    # Both ends of an interval from 9000 resamples scatter by about 2 % of the SD
    # of the resampled statistic; two of them differ by less than 0.15 SD.
    differences = np.random.default_rng(5).gamma(2.0, 3.0, 40)
    outcomes = table({"manual": [0.0] * 40, "pi": differences.tolist()})
    row = paired_differences(outcomes, "manual", ["x"], seed=3, resamples=9000).iloc[0]
    reference = scipy.stats.bootstrap(
        (differences,),
        getattr(np, statistic),
        n_resamples=9000,
        method="percentile",
        rng=np.random.default_rng(6),
    )
    slack = 0.15 * float(reference.standard_error)
    interval = reference.confidence_interval
    assert row[f"{statistic}_low"] == pytest.approx(interval.low, abs=slack)
    assert row[f"{statistic}_high"] == pytest.approx(interval.high, abs=slack)


def test_spread_agrees_with_the_closed_form_for_equal_groups() -> None:
    # For G equal groups the bootstrap mean is a mean of G draws among the group means:
    # its variance is var(group means, divisor G) / G (arithmetic, no source).
    rng = np.random.default_rng(8)
    groups, size = 12, 5
    values = (rng.normal(0, 3, (groups, 1)) + rng.normal(0, 1, (groups, size))).ravel()
    group = np.repeat(np.arange(groups), size)
    means, _ = resampled(values, group, group_draws(groups, seed=4, resamples=20_000))
    of_groups = values.reshape(groups, size).mean(axis=1)
    # SD from 20,000 resamples: standard error about 0.5 %.
    assert np.std(means) == pytest.approx(np.std(of_groups) / np.sqrt(groups), rel=0.02)
    # Treating infants as independent would give an SD less than half as large.
    assert np.std(values) / np.sqrt(len(values)) < 0.5 * np.std(means)


def test_resamples_hold_whole_groups() -> None:
    # Unequal groups; each resample written out in full gives the same mean and median.
    values = np.array([5.0, 1.0, 4.0, 2.0, 8.0, 3.0])
    group = np.array([0, 0, 0, 1, 1, 2])
    draws = group_draws(3, seed=1, resamples=200)
    means, medians = resampled(values, group, draws)
    assert (draws.sum(axis=1) == 3).all()
    for times, mean, median in zip(draws, means, medians, strict=True):
        written_out = np.repeat(values, times[group])
        assert mean == pytest.approx(written_out.mean())
        assert median == np.median(written_out)


def test_level_sets_the_width() -> None:
    outcomes = table({"manual": [0.0] * 30, "pi": list(range(30))})
    wide = paired_differences(outcomes, "manual", ["x"], seed=1, level=0.99).iloc[0]
    narrow = paired_differences(outcomes, "manual", ["x"], seed=1, level=0.5).iloc[0]
    assert wide["mean_low"] < narrow["mean_low"] < 14.5 < narrow["mean_high"] < wide["mean_high"]


def test_bad_tables_and_settings_are_refused() -> None:
    good = table({"manual": [1.0, 2.0], "pi": [2.0, 3.0]})
    with pytest.raises(TestbedError, match="'manual'"):
        paired_differences(good, "manul", ["x"], seed=1)
    with pytest.raises(TestbedError, match="got 'y'"):
        summarise(good, ["y"])
    with pytest.raises(TestbedError, match="one row for each infant and arm"):
        summarise(pd.concat([good, good.iloc[:1]]), ["x"])
    with pytest.raises(TestbedError, match="resamples"):
        paired_differences(good, "manual", ["x"], seed=1, resamples=0)
    with pytest.raises(TestbedError, match="level"):
        paired_differences(good, "manual", ["x"], seed=1, level=95)
    split = good.assign(group=[1, 1, 1, 2])
    with pytest.raises(TestbedError, match="same group"):
        paired_differences(split, "manual", ["x"], seed=1)
