"""Heart rate: reflex, recovery, variability, and independence of the company."""

from dataclasses import fields

import numpy as np
import pytest

from oxytestbed.models.errors import TestbedError
from oxytestbed.models.heart import (
    APNOEA_STARTS_S,
    FLOW_SHARE,
    HYPOXIA_STARTS,
    LOWEST_BPM,
    VARIABILITY_SD,
    HeartRate,
)
from oxytestbed.models.infants import Infants
from oxytestbed.models.streams import BLOCK_TICKS

REST_BPM = 150.0


def group(numbers: list[int], rest_bpm: float = REST_BPM) -> Infants:
    """Infants in the middle of every range, apart from the heart rate."""
    values = {"heart_rate_bpm": rest_bpm}
    columns = {"infant": np.array(numbers), "stratum": np.full(len(numbers), "settled")}
    for item in fields(Infants):
        if item.name not in columns:
            middle = 0.5 * (item.metadata["low"] + item.metadata["high"])
            columns[item.name] = np.full(len(numbers), values.get(item.name, middle))
    return Infants(**columns)


def run(
    numbers: list[int], stopped: np.ndarray, sao2: np.ndarray, arms: int = 1
) -> tuple[np.ndarray, np.ndarray]:
    """Rates and flow factors, both (ticks, lanes); inputs (ticks,) are those of every lane."""
    heart = HeartRate(group(numbers), arms, 3)
    lanes = arms * len(numbers)
    rates, flows = np.zeros((len(sao2), lanes)), np.zeros((len(sao2), lanes))
    for tick in range(len(sao2)):
        heart.step(tick, np.full(lanes, stopped[tick]), np.full(lanes, sao2[tick]))
        rates[tick], flows[tick] = heart.rate_bpm, heart.flow_factor
    return rates, flows


def episode(length_s: int, nadir: float, ticks: int = 120) -> tuple[np.ndarray, np.ndarray]:
    """An apnoea that starts at 10 s, with a saturation that falls to `nadir` at its end."""
    time = np.arange(ticks)
    stopped = (time >= 10) & (time < 10 + length_s)
    sao2 = np.interp(time, [10, 10 + length_s, 30 + length_s], [0.93, nadir, 0.93])
    return stopped, sao2


QUIET = (np.zeros(6000, dtype=bool), np.full(6000, 0.93))


@pytest.mark.parametrize("numbers", [[7], [7, 1, 2, 3, 4], [4, 900, 7, 1], list(range(19))])
@pytest.mark.parametrize("arms", [1, 3])
def test_heart_does_not_depend_on_the_company(numbers: list[int], arms: int) -> None:
    ticks = BLOCK_TICKS + 200
    time = np.arange(ticks)
    stopped, sao2 = time % 200 < 25, 0.85 + 0.1 * np.cos(time / 30)
    alone = run([7], stopped, sao2)
    together = run(numbers, stopped, sao2, arms)
    for arm in range(arms):
        lane = arm * len(numbers) + numbers.index(7)
        for one, two in zip(alone, together, strict=True):
            assert np.array_equal(one[:, 0], two[:, lane])


def test_arms_differ_only_by_what_happens_in_them() -> None:
    heart = HeartRate(group([1, 2]), 2, 3)
    for tick in range(40):
        stopped = np.array([False, False, tick >= 10, False])
        heart.step(tick, stopped, np.array([0.93, 0.93, 0.75, 0.93]))
    assert heart.rate_bpm[1] == heart.rate_bpm[3]
    assert heart.rate_bpm[2] < heart.rate_bpm[0] - 10
    assert np.array_equal(heart.flow_factor[[0, 1, 3]], np.ones(3))


def test_rate_at_rest_is_the_infants_own_with_its_variability() -> None:
    """20 infants x 300 independent values of a process with 20 s between them: 1 %."""
    rates, flows = run(list(range(20)), *QUIET)
    assert rates.mean() == pytest.approx(REST_BPM, rel=0.002)
    assert rates.std() == pytest.approx(VARIABILITY_SD * REST_BPM, rel=0.06)
    x = rates - rates.mean()
    lag = 10
    assert np.mean(x[:-lag] * x[lag:]) / x.var() == pytest.approx(np.exp(-1), abs=0.05)
    assert np.all(flows == 1.0)


def test_infants_vary_independently() -> None:
    rates, _ = run([1, 2], *QUIET)
    assert abs(np.corrcoef(rates.T)[0, 1]) < 0.15


def test_rate_falls_in_apnoea_and_recovers() -> None:
    numbers = list(range(100))
    stopped, sao2 = episode(25, 0.70)
    event = run(numbers, stopped, sao2)[0]
    quiet = run(numbers, QUIET[0][:120], QUIET[1][:120])[0]
    fall = (quiet - event) / REST_BPM
    still_well = sao2 >= HYPOXIA_STARTS
    still_well[10 + int(APNOEA_STARTS_S) :] = False
    assert np.all(fall[still_well] == 0)
    assert np.all(fall[34] > 0.05)
    assert 0.15 < np.median(fall.max(axis=0)) < 0.45
    assert fall[-1].max() < 0.01
    assert np.all(np.abs(np.argmax(fall, axis=0) - 34) <= 3)


def test_short_pause_does_nothing() -> None:
    stopped, sao2 = episode(5, 0.93)
    assert np.all(run([1, 2], stopped, sao2)[1] == 1.0)


def test_reflex_is_strongest_with_apnoea_and_hypoxia_together() -> None:
    time = np.arange(60)
    apnoea, none = time >= 10, np.zeros(60, dtype=bool)
    well, low = np.full(60, 0.93), np.where(time >= 10, 0.7, 0.93)
    fall = {
        name: 1 - run([1, 2, 3], stopped, sao2)[1][-1]
        for name, (stopped, sao2) in {
            "apnoea": (apnoea, well),
            "hypoxia": (none, low),
            "both": (apnoea, low),
        }.items()
    }
    assert np.all(fall["apnoea"] > 0.01)
    assert np.all(fall["hypoxia"] > 0.01)
    assert np.all(fall["both"] > fall["apnoea"] + fall["hypoxia"])


def test_fall_deepens_with_hypoxia() -> None:
    lowest = [run([1, 2, 3], *episode(25, nadir))[1].min(axis=0) for nadir in (0.9, 0.8, 0.7, 0.6)]
    assert np.all(np.diff(lowest, axis=0) < 0)


def test_some_infants_react_far_more_than_others() -> None:
    lowest = run(list(range(100)), *episode(30, 0.6))[0].min(axis=0)
    assert np.percentile(lowest, 10) < 80
    assert np.percentile(lowest, 90) > 110


def test_flow_falls_less_than_rate() -> None:
    numbers = list(range(30))
    stopped, sao2 = episode(25, 0.70)
    rates, flows = run(numbers, stopped, sao2)
    quiet = run(numbers, QUIET[0][:120], QUIET[1][:120])[0]
    rate_fall = (quiet[34] - rates[34]) / REST_BPM
    assert 1 - flows[34] == pytest.approx(FLOW_SHARE * rate_fall)
    assert flows.min() > 0.4


def test_rate_has_a_floor() -> None:
    time = np.arange(200)
    heart = HeartRate(group(list(range(100)), rest_bpm=90.0), 1, 3)
    for tick in time:
        heart.step(int(tick), np.full(100, True), np.full(100, 0.3))
        assert np.all(heart.rate_bpm >= LOWEST_BPM)
    assert np.any(heart.rate_bpm == LOWEST_BPM)


def test_ticks_come_one_by_one() -> None:
    heart = HeartRate(group([1]), 1, 3)
    heart.step(0, np.array([False]), np.array([0.9]))
    with pytest.raises(TestbedError, match="next tick, 1"):
        heart.step(2, np.array([False]), np.array([0.9]))
