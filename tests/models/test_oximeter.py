"""What the oximeter shows: delay, averaging, rounding, noise, lost signal."""

from __future__ import annotations

import math
from dataclasses import fields

import numpy as np
import pytest

from oxytestbed.models.errors import TestbedError
from oxytestbed.models.infants import FloatArray, Infants
from oxytestbed.models.oximeter import Oximeter, OximeterSettings
from oxytestbed.models.streams import BLOCK_TICKS

QUIET = {"noise_scale": 0.0, "dropout_rate_per_h": 0.0, "bias_scale": 0.0}


def infants_of(
    numbers: list[int], delay_s: FloatArray | float = 0.0, bias_pct: FloatArray | float = 0.0
) -> Infants:
    """Infants with the middle of every range but for what an oximeter looks at."""
    count = len(numbers)
    columns: dict[str, object] = {
        item.name: np.full(count, 0.5 * (item.metadata["low"] + item.metadata["high"]))
        for item in fields(Infants)
        if not item.metadata["choices"]
    }
    columns |= {"stratum": np.full(count, "settled"), "infant": np.array(numbers)}
    columns["circulation_delay_s"] = np.full(count, delay_s)
    columns["spo2_bias_pct"] = np.full(count, bias_pct)
    columns["heart_rate_bpm"] = np.full(count, 150.0)
    return Infants(**columns)  # type: ignore[arg-type]


def one_lane(
    start: float = 0.90, delay_s: float = 0.0, bias_pct: float = 0.0, **settings: float
) -> Oximeter:
    chosen = OximeterSettings(**{**QUIET, **settings})  # type: ignore[arg-type]
    return Oximeter(infants_of([5], delay_s, bias_pct), 1, chosen, 1, 3600, np.array([start]))


def shown(oximeter: Oximeter, saturations: FloatArray) -> FloatArray:
    """Displayed SpO2 by second for a single lane."""
    seen = []
    for tick, saturation in enumerate(saturations):
        oximeter.step(tick, np.array([saturation]), np.array([150.0]))
        seen.append(oximeter.spo2_pct[0])
    return np.array(seen)


@pytest.mark.parametrize("averaging_s", [1, 3, 7, 16])
def test_a_constant_saturation_is_shown_from_the_start(averaging_s: int) -> None:
    oximeter = one_lane(0.93, delay_s=7.4, averaging_s=averaging_s)
    assert oximeter.spo2_pct[0] == 93
    assert oximeter.pulse_rate_bpm[0] == 150
    assert (shown(oximeter, np.full(50, 0.93)) == 93).all()
    assert oximeter.valid.all()
    assert oximeter.signal_quality[0] == 1


@pytest.mark.parametrize("averaging_s", [1, 6, 7, 11])
@pytest.mark.parametrize(("fraction", "percent"), [(0.965, 97), (0.96499, 96), (0.855, 86)])
def test_rounding_is_half_up(averaging_s: int, fraction: float, percent: int) -> None:
    assert one_lane(fraction, averaging_s=averaging_s).spo2_pct[0] == percent


def test_a_step_comes_after_the_infants_own_delay() -> None:
    seen = shown(one_lane(0.90, delay_s=3.25, averaging_s=1), np.full(6, 0.98))
    # Second 3 lies a quarter of a step before the new value: 98 - 8/4.
    assert seen.tolist() == [90, 90, 90, 96, 98, 98]


def test_delay_and_averaging_also_hold_after_many_turns_of_the_buffers() -> None:
    rng = np.random.default_rng(1)
    saturations = np.clip(0.9 + 0.01 * np.cumsum(rng.standard_normal(900)), 0.4, 1.0)
    seen = shown(one_lane(0.9, delay_s=4.5, averaging_s=6), saturations)
    held = np.concatenate([np.full(20, 0.9), saturations]) * 100
    delayed = 0.5 * (held[10:-5] + held[11:-4])
    window = np.lib.stride_tricks.sliding_window_view(delayed, 6)
    assert np.array_equal(seen, np.floor(window.mean(axis=1) + 0.5))


@pytest.mark.parametrize("averaging_s", [2, 16])
def test_a_step_is_shown_in_full_after_the_averaging_time(averaging_s: int) -> None:
    seen = shown(one_lane(0.80, averaging_s=averaging_s), np.full(20, 0.96))
    expected = 80 + 16 * np.minimum(np.arange(1, 21) / averaging_s, 1)
    assert np.array_equal(seen, np.floor(expected + 0.5))


def test_longer_averaging_shows_a_short_fall_less_deep() -> None:
    fall = np.full(60, 0.92)
    fall[10:18] = 0.70
    deepest = [shown(one_lane(0.92, averaging_s=s), fall).min() for s in (2, 8, 16)]
    assert deepest == [70, 70, 81]


def test_nothing_of_a_disturbed_past_is_left_after_one_window() -> None:
    rng = np.random.default_rng(2)
    past = np.concatenate([rng.uniform(0.3, 1.0, 3000), np.full(8, 0.905)])
    assert shown(one_lane(averaging_s=8), past)[-1] == 91


def test_the_probes_bias_is_shown_and_scaled() -> None:
    for scale, percent in ((0.0, 90), (1.0, 92), (2.0, 94)):
        assert one_lane(0.90, bias_pct=2.0, bias_scale=scale).spo2_pct[0] == percent


def test_the_display_stays_between_1_and_100() -> None:
    assert one_lane(1.0, bias_pct=5.0, bias_scale=1.0).spo2_pct[0] == 100
    assert (shown(one_lane(0.0, noise_scale=3.0), np.zeros(300)) >= 1).all()
    assert shown(one_lane(1.0, noise_scale=3.0), np.ones(300)).max() == 100


def test_the_pulse_rate_is_averaged_like_the_saturation() -> None:
    oximeter = one_lane(averaging_s=4)
    seen = []
    for tick in range(5):
        oximeter.step(tick, np.array([0.9]), np.array([70.0]))
        seen.append(oximeter.pulse_rate_bpm[0])
    assert seen == [130, 110, 90, 70, 70]


def test_a_lost_reading_is_nan_and_flagged_and_not_a_repeat() -> None:
    group = infants_of([1, 2])
    settings = OximeterSettings(dropout_rate_per_h=20.0)
    oximeter = Oximeter(group, 1, settings, 6, BLOCK_TICKS, np.full(2, 0.9))
    lost = 0
    for tick in range(BLOCK_TICKS):
        oximeter.step(tick, np.full(2, 0.9), np.full(2, 150.0))
        blank = ~oximeter.valid
        assert np.array_equal(blank, np.isnan(oximeter.spo2_pct))
        assert np.array_equal(blank, np.isnan(oximeter.pulse_rate_bpm))
        assert np.array_equal(blank, oximeter.signal_quality == 0)
        assert ((oximeter.signal_quality >= 0) & (oximeter.signal_quality <= 1)).all()
        lost += int(blank.sum())
    assert 0 < lost < BLOCK_TICKS


def test_every_arm_meets_the_same_noise_and_lost_signal() -> None:
    group = infants_of([1, 2, 3], delay_s=2.0)
    oximeter = Oximeter(group, 2, OximeterSettings(), 6, 600, np.repeat([0.90, 0.94], 3))
    saturations = np.repeat([0.90, 0.94], 3)
    for tick in range(600):
        oximeter.step(tick, saturations, np.full(6, 150.0))
        first, second = oximeter.spo2_pct.reshape(2, 3)
        assert np.array_equal(second - first, np.where(np.isnan(first), np.nan, 4.0), True)


@pytest.mark.parametrize("percent", [90, 97])
def test_noise_leaves_the_mean_alone(percent: int) -> None:
    numbers = list(range(40))
    settings = OximeterSettings(dropout_rate_per_h=0.0, averaging_s=2)
    group = infants_of(numbers, bias_pct=-1.0)
    start = np.full(40, (percent + 1) / 100)
    oximeter = Oximeter(group, 1, settings, 2, 0, start)
    total = np.zeros(40)
    for tick in range(1500):
        oximeter.step(tick, start, np.full(40, 150.0))
        total += oximeter.spo2_pct - percent
    # The published distributions have means of 0.009 and -0.075 (sum of level times share); four
    # standard errors of 60,000 correlated readings are about 0.03.
    assert abs(total.mean() / 1500) < 0.11


def test_a_lane_does_not_see_its_neighbours() -> None:
    numbers = [3, 14, 15, 9, 2, 6, 5]
    rng = np.random.default_rng(3)
    ticks = BLOCK_TICKS + 100
    saturations = 0.93 + 0.05 * np.sin(rng.uniform(0, 6, 7) + np.arange(ticks)[:, np.newaxis] / 37)
    hearts = 150 + 10 * rng.standard_normal((ticks, 7))
    delays, biases = rng.uniform(0, 20, 7), rng.normal(0, 2, 7)
    settings = OximeterSettings(averaging_s=7, dropout_rate_per_h=15.0)

    def seen(places: list[int], arms: int = 1) -> FloatArray:
        group = infants_of([numbers[p] for p in places], delays[places], biases[places])
        start = np.tile(saturations[0, places], arms)
        oximeter = Oximeter(group, arms, settings, 12, ticks, start)
        rows = []
        spread_saturations = np.tile(saturations[:, places], arms)
        spread_hearts = np.tile(hearts[:, places], arms)
        for tick in range(ticks):
            oximeter.step(tick, spread_saturations[tick], spread_hearts[tick])
            now = [oximeter.spo2_pct, oximeter.pulse_rate_bpm, oximeter.signal_quality]
            rows.append(np.array(now))
        return np.array(rows)

    whole = seen(list(range(7)))
    assert np.isnan(whole).any()
    order = [6, 2, 0, 5, 1, 4, 3]
    assert np.array_equal(seen(order), whole[:, :, order], equal_nan=True)
    for place in (0, 4):
        assert np.array_equal(seen([place])[:, :, 0], whole[:, :, place], equal_nan=True)
    assert np.array_equal(seen(list(range(7)), arms=3), np.tile(whole, 3), equal_nan=True)


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"averaging_s": 0}, "averaging_s"),
        ({"averaging_s": 2.5}, "averaging_s"),
        ({"noise_scale": math.nan}, "noise_scale"),
        ({"dropout_rate_per_h": 61.0}, "dropout_rate_per_h"),
        ({"dropout_rate_per_h": 30.0, "prolonged_dropout_share": 1.0}, "dropout_rate_per_h"),
    ],
)
def test_impossible_settings_are_refused_by_name(wrong: dict[str, float], named: str) -> None:
    with pytest.raises(TestbedError, match=f"OximeterSettings.{named}: expected"):
        OximeterSettings(**wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize("initial", [np.array([0.9, 0.9]), np.array([math.nan])])
def test_a_wrong_start_is_refused(initial: FloatArray) -> None:
    with pytest.raises(TestbedError, match="initial_sao2_fraction"):
        Oximeter(infants_of([1]), 1, OximeterSettings(), 1, 60, initial)


def test_ticks_come_in_order() -> None:
    oximeter = one_lane()
    with pytest.raises(TestbedError, match="expected tick 0, got 1"):
        oximeter.step(1, np.array([0.9]), np.array([150.0]))
    oximeter.step(0, np.array([0.9]), np.array([150.0]))
    with pytest.raises(TestbedError, match="expected tick 1, got 0"):
        oximeter.step(0, np.array([0.9]), np.array([150.0]))


def test_a_saturation_that_is_no_number_is_reported() -> None:
    saturations = np.full(BLOCK_TICKS + 1, 0.9)
    saturations[700] = np.nan
    with pytest.raises(TestbedError, match="finite saturations"):
        shown(one_lane(), saturations)


def flow_delayed(share: float, flow: FloatArray, saturations: FloatArray) -> FloatArray:
    """Displayed SpO2 by second where the flow may lengthen the delay of 4.5 s."""
    oximeter = one_lane(0.90, delay_s=4.5, averaging_s=1, flow_delay_share=share)
    seen = []
    for tick, (factor, saturation) in enumerate(zip(flow, saturations, strict=True)):
        oximeter.step(tick, np.array([saturation]), np.array([150.0]), np.array([factor]))
        seen.append(oximeter.spo2_pct[0])
    return np.array(seen)


def test_slow_flow_lengthens_the_delay_if_the_settings_say_so() -> None:
    steps = np.where(np.arange(40) < 20, 0.90, 0.80)
    plain = shown(one_lane(0.90, delay_s=4.5, averaging_s=1), steps)
    slow, full = np.full(40, 2 / 3), np.ones(40)
    assert np.array_equal(flow_delayed(0.0, slow, steps), plain)
    assert np.array_equal(flow_delayed(1.0, full, steps), plain)
    # 4.5 s / (2/3) = 6.75 s; half of the delay alone 5.625 s. At second 20 + whole part the step
    # has come by the part of a second that the delay lacks to the next one.
    assert flow_delayed(1.0, slow, steps)[25:28].tolist() == [90, 88, 80]
    assert flow_delayed(0.5, slow, steps)[24:27].tolist() == [90, 86, 80]


def test_the_delay_is_at_most_doubled_and_wraps_rightly() -> None:
    rng = np.random.default_rng(4)
    saturations = rng.uniform(0.6, 1.0, 300)
    seen = flow_delayed(1.0, np.full(300, 0.1), saturations)
    expected = np.concatenate([np.full(9, 0.9), saturations])[:300]
    assert np.array_equal(seen, np.floor(100 * expected + 0.5))
