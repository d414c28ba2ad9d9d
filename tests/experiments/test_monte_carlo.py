"""Standard errors of means over infants who share nurses."""

import numpy as np
import pytest

from oxytestbed.experiments.monte_carlo import MAIN, grouped_error, monte_carlo_table


def test_with_one_infant_to_a_group_it_is_the_ordinary_standard_error():
    values = np.array([1.0, 4.0, 2.0, 7.0, 7.5])
    wanted = np.std(values, ddof=1) / np.sqrt(len(values))
    assert grouped_error(values, np.arange(5)) == pytest.approx(wanted)


def test_twins_count_once():
    values = np.array([1.0, 4.0, 2.0, 7.0])
    alone = grouped_error(values, np.arange(4))
    twice = grouped_error(np.repeat(values, 2), np.repeat(np.arange(4), 2))
    assert twice == pytest.approx(alone)


def test_it_covers_the_spread_of_means_of_drawn_groups():
    rng = np.random.default_rng(2)
    draws = rng.normal(0, 1, (400, 20, 1)) + rng.normal(0, 1, (400, 20, 3))
    groups = np.repeat(np.arange(20), 3)
    errors = [grouped_error(draw.ravel(), groups) for draw in draws]
    assert np.mean(errors) == pytest.approx(draws.mean(axis=(1, 2)).std(), rel=0.1)


def test_one_group_has_no_error():
    assert np.isnan(grouped_error(np.array([1.0, 2.0]), np.zeros(2)))


def test_every_main_figure_has_a_row_for_each_arm(comparison):
    table = monte_carlo_table(comparison)
    assert len(table.rows) == 3 * len(MAIN)
    manual = table.rows[0].cells
    mean = comparison.outcomes.query("arm == 'manual'")["time_in_target_pct"].mean()
    assert manual[2] == "manual" and manual[3].startswith(f"{mean:.1f} ± ")
    assert manual[4] == "" and "±" in table.rows[1].cells[4]
