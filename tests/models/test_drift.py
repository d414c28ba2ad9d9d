"""Slow drift: statistics, smoothness, and independence of the company."""

from dataclasses import fields, replace

import numpy as np
import pytest

from oxytestbed.models.disturbances import DisturbanceSettings
from oxytestbed.models.drift import Drift
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.infants import Infants
from oxytestbed.models.streams import BLOCK_TICKS

PLAIN = DisturbanceSettings()
SHUNT_SD, VENTILATION_SD = 0.4, 0.3


def group(numbers: list[int], shunt_sd: float = SHUNT_SD) -> Infants:
    """Infants in the middle of every range, apart from the drifts."""
    values = {"drift_shunt_sd": shunt_sd, "drift_ventilation_sd": VENTILATION_SD}
    columns = {"infant": np.array(numbers), "stratum": np.full(len(numbers), "settled")}
    for item in fields(Infants):
        if item.name not in columns:
            middle = 0.5 * (item.metadata["low"] + item.metadata["high"])
            columns[item.name] = np.full(len(numbers), values.get(item.name, middle))
    return Infants(**columns)


def rows(infants: Infants, ticks: range, seed: int = 3) -> np.ndarray:
    """Factors of shape (ticks, 2, infants)."""
    drift = Drift(infants, seed, PLAIN)
    return np.stack([np.stack(drift.row(tick)) for tick in ticks])


@pytest.fixture(scope="module")
def long() -> np.ndarray:
    """Two days of 150 infants, every 60 s: shape (times, 2, infants)."""
    return rows(group(list(range(150))), range(0, 2 * 86400, 60))


@pytest.mark.parametrize("other", [[7], [7, 1, 2, 3, 4], [4, 900, 7, 1], list(range(19))])
def test_drift_does_not_depend_on_the_company(other: list[int]) -> None:
    ticks = range(0, 3 * BLOCK_TICKS, 7)
    alone = rows(group([7]), ticks)
    together = rows(group(other), ticks)
    assert np.array_equal(alone[:, :, 0], together[:, :, other.index(7)])


def test_drift_does_not_depend_on_which_ticks_are_asked_for() -> None:
    every = rows(group([7, 8]), range(2 * BLOCK_TICKS + 10))
    late = Drift(group([7, 8]), 3, PLAIN)
    for tick in (5, 5, BLOCK_TICKS - 1, 2 * BLOCK_TICKS + 9):
        assert np.array_equal(np.stack(late.row(tick)), every[tick])


def test_infants_seeds_and_the_two_factors_differ() -> None:
    factors = rows(group([1, 2], shunt_sd=VENTILATION_SD), range(1))[0]
    assert len(np.unique(factors)) == 4
    assert not np.any(factors == rows(group([1, 2]), range(1), seed=4)[0])


def test_mean_is_one_and_spread_is_the_infants_own(long: np.ndarray) -> None:
    """About 150 x 12 independent values of the slow part: SD of an SD about 2.5 %."""
    assert long[:, 0].mean() == pytest.approx(1.0, abs=0.05)
    assert long[:, 1].mean() == pytest.approx(1.0, abs=0.05)
    assert np.log(long[:, 0]).std() == pytest.approx(SHUNT_SD, rel=0.08)
    assert np.log(long[:, 1]).std() == pytest.approx(VENTILATION_SD, rel=0.08)


def test_start_is_stationary() -> None:
    start = np.log(rows(group(list(range(600))), range(1))[0])
    assert start[0].std() == pytest.approx(SHUNT_SD, rel=0.12)
    assert start[1].std() == pytest.approx(VENTILATION_SD, rel=0.12)


@pytest.mark.parametrize("lag_s", [60, 360, 1800, 7200])
def test_autocorrelation_is_that_of_two_processes(long: np.ndarray, lag_s: int) -> None:
    x = (np.log(long[:, 0]) + 0.5 * SHUNT_SD**2) / SHUNT_SD
    lag = lag_s // 60
    expected = 0.5 * np.exp(-lag_s / 360) + 0.5 * np.exp(-lag_s / 7200)
    assert np.mean(x[:-lag] * x[lag:]) == pytest.approx(expected, abs=0.07)


def test_the_two_factors_are_not_correlated(long: np.ndarray) -> None:
    x = np.log(long)
    shunt, ventilation = (x[:, row] - x[:, row].mean() for row in (0, 1))
    assert abs(np.mean(shunt * ventilation) / shunt.std() / ventilation.std()) < 0.1


def test_nothing_jumps_between_seconds_or_blocks() -> None:
    """A step of 10 s has an SD of 0.17 SHUNT_SD; a second has a tenth of it, 0.007."""
    steps = np.diff(np.log(rows(group(list(range(20))), range(2 * BLOCK_TICKS))[:, 0]), axis=0)
    assert np.abs(steps).max() < 0.05
    assert np.abs(steps[BLOCK_TICKS - 1]).max() < 0.04
    assert steps.std() == pytest.approx(0.0068, rel=0.1)


def test_scale_widens_or_stops_the_drift() -> None:
    infants = group([1, 2])
    none = Drift(infants, 3, replace(PLAIN, drift_scale=0.0))
    assert np.array_equal(np.stack(none.row(100)), np.ones((2, 2)))
    twice = Drift(infants, 3, replace(PLAIN, drift_scale=2.0)).row(0)[0].copy()
    plain = Drift(infants, 3, PLAIN).row(0)[0]
    x = np.log(plain) + 0.5 * SHUNT_SD**2
    assert np.log(twice) == pytest.approx(2 * x - 2 * SHUNT_SD**2)


def test_time_does_not_run_backwards() -> None:
    drift = Drift(group([1]), 3, PLAIN)
    drift.row(10)
    with pytest.raises(TestbedError, match="from 10 onwards"):
        drift.row(9)
