"""Displayed noise and lost signal, as drawn for each infant."""

from __future__ import annotations

import numpy as np
import pytest

from oxytestbed.models.oximeter_noise import (
    BEAT_NOISE_TIME_S,
    NOISE_CDF_GE_97,
    NOISE_CDF_LE_96,
    QUALITY_FALL_S,
    OximeterNoise,
    displayed_noise_scale,
    dropout_episodes,
    mean_dropout_s,
    noise_curve,
    spread_of_average,
)
from oxytestbed.models.streams import BLOCK_TICKS, Cause, stream


def noise_of(numbers: list[int], **changed: float) -> OximeterNoise:
    settings = {
        "correlation_time_s": 8.0,
        "noise_scale": 1.0,
        "dropout_rate_per_h": 6.0,
        "prolonged_dropout_share": 0.14,
        **changed,
    }
    return OximeterNoise(np.array(numbers), 4, duration_s=4 * BLOCK_TICKS, **settings)


def drawn(noise: OximeterNoise, blocks: int = 4) -> list[np.ndarray]:
    """Low noise, high noise and quality over all blocks."""
    seen = []
    for block in range(blocks):
        noise.draw(block * BLOCK_TICKS)
        seen.append([noise.low_pct.copy(), noise.high_pct.copy(), noise.quality_pct.copy()])
    return [np.concatenate(parts) for parts in zip(*seen, strict=True)]


@pytest.mark.parametrize("cdf", [NOISE_CDF_LE_96, NOISE_CDF_GE_97])
def test_the_curve_rises_and_ends_inside_the_published_levels(cdf: tuple[float, ...]) -> None:
    curve = noise_curve(cdf)
    assert (np.diff(curve.deviate) > 0).all()
    assert (np.diff(curve.noise_pct) > 0).all()
    assert np.floor(curve.noise_pct[0] + 0.5) == -6
    assert np.floor(curve.noise_pct[-1] + 0.5) == cdf.index(1.0) - 6


def test_noise_does_not_depend_on_the_lost_signal_nor_on_neighbours() -> None:
    low, high, quality = drawn(noise_of([8, 1, 5]))
    alone = drawn(noise_of([5], dropout_rate_per_h=0.0))
    assert np.array_equal(alone[0][:, 0], low[:, 2])
    assert np.array_equal(alone[1][:, 0], high[:, 2])
    assert (alone[2] > 0).all()
    assert (quality == 0).any()
    assert not np.array_equal(low[:, 0], low[:, 1])


def test_noise_is_correlated_as_its_time_constant_says_also_across_blocks() -> None:
    for correlation_time_s in (2.0, 16.0):
        noise = noise_of(list(range(60)), correlation_time_s=correlation_time_s)
        low = drawn(noise)[0].astype(float)
        wanted = np.exp(-1 / correlation_time_s)
        inside = np.corrcoef(low[:-1].ravel(), low[1:].ravel())[0, 1]
        # Rounding to whole percents lowers a correlation, here by up to a quarter of the range.
        assert wanted - 0.2 < inside < wanted
        at = BLOCK_TICKS * np.arange(1, 4)
        across = np.corrcoef(low[at - 1].ravel(), low[at].ravel())[0, 1]
        # 180 pairs: four standard errors of a correlation near the one inside are below 0.25.
        assert across == pytest.approx(inside, abs=0.25)


def test_no_noise_at_scale_zero_and_more_at_a_larger_scale() -> None:
    assert not drawn(noise_of([1, 2], noise_scale=0.0), 1)[0].any()
    one, three = (drawn(noise_of([1, 2], noise_scale=scale))[0].std() for scale in (1.0, 3.0))
    # Whole percents add a variance of up to 1/12 to noise with an SD near 1.
    assert three == pytest.approx(3 * one, rel=0.1)


def test_quality_falls_before_the_signal_is_lost_and_with_noise() -> None:
    noise = noise_of([3])
    low, _, quality = (one[:, 0].astype(int) for one in drawn(noise))
    starts, ends = dropout_episodes(stream(4, 3, Cause.OXIMETER_DROPOUT), 6.0, 0.14, len(low))
    lost = np.zeros(len(low), dtype=bool)
    for start, end in zip(starts, ends, strict=True):
        lost[start:end] = True
    assert len(starts) > 3
    assert np.array_equal(quality == 0, lost)
    before = quality[starts[0] - QUALITY_FALL_S : starts[0]]
    assert (np.diff(before) < 0).all()
    assert before[0] < 100
    far = np.ones(len(low), dtype=bool)
    for start, end in zip(starts, ends, strict=True):
        far[start - QUALITY_FALL_S : end] = False
    assert (quality[far & (low == 0)] == 100).all()
    assert (quality[far & (low != 0)] < 100).all()


def episode_near_a_block_end(low: int, high: int) -> tuple[int, int, int]:
    """Find an infant, start and end of an episode that starts in a range around the block's end."""
    for number in range(400):
        starts, ends = dropout_episodes(
            stream(4, number, Cause.OXIMETER_DROPOUT), 6.0, 0.14, 4 * BLOCK_TICKS
        )
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
            if low <= start - BLOCK_TICKS < high and end > BLOCK_TICKS:
                return number, start, end
    raise AssertionError("no such episode was drawn: take another seed")


def test_an_episode_across_two_blocks_is_whole() -> None:
    number, start, end = episode_near_a_block_end(-15, 0)
    quality = drawn(noise_of([number]), 2)[2][:, 0]
    assert not quality[start:end].any()
    assert quality[start - 1] > 0


def test_quality_falls_before_an_episode_that_starts_with_the_next_block() -> None:
    number, start, _ = episode_near_a_block_end(0, QUALITY_FALL_S)
    quality = drawn(noise_of([number]), 2)[2][:, 0].astype(int)
    assert (np.diff(quality[start - QUALITY_FALL_S : start + 1]) < 0).all()


def test_a_longer_run_begins_with_the_same_episodes() -> None:
    short, long = (
        dropout_episodes(stream(1, 1, Cause.OXIMETER_DROPOUT), 20.0, 0.14, duration_s)
        for duration_s in (20_000, 90_000)
    )
    count = len(short[0])
    assert 0 < count < len(long[0])
    assert np.array_equal(long[0][:count], short[0])
    assert np.array_equal(long[1][:count], short[1])
    assert (long[0][count:] >= 20_000).all()


def test_episodes_have_the_rate_asked_for_and_do_not_overlap() -> None:
    hours, count = 24, 0
    for infant in range(20):
        generator = stream(2, infant, Cause.OXIMETER_DROPOUT)
        starts, ends = dropout_episodes(generator, 40.0, 0.14, hours * 3600)
        assert (starts[1:] >= ends[:-1]).all()
        assert (ends > starts).all()
        count += len(starts)
    # 19,200 expected; gaps and lengths make the count's SD at most that of a Poisson count.
    assert count == pytest.approx(40 * hours * 20, abs=4 * np.sqrt(40 * hours * 20))


def test_prolonged_share_is_the_mix_of_lengths() -> None:
    for share in (0.0, 1.0):
        starts, ends = dropout_episodes(
            stream(2, 1, Cause.OXIMETER_DROPOUT), 10.0, share, 400 * 3600
        )
        lengths = ends - starts
        assert ((lengths >= 60) == (share == 1.0)).all()
        # About 4,000 lengths; the SD of the prolonged ones is about 76 s: 4 SE are 4.8 s.
        assert lengths.mean() == pytest.approx(mean_dropout_s(share), abs=4.8)


def test_a_longer_average_shows_less_noise_and_8_s_the_published() -> None:
    scales = [displayed_noise_scale(averaging_s, 1.0) for averaging_s in (1, 2, 4, 8, 16)]
    assert scales == sorted(scales, reverse=True)
    assert scales[3] == 1.0
    assert displayed_noise_scale(8, 0.5) == 0.5


def test_spread_of_an_average_is_that_of_correlated_samples() -> None:
    """Closed form against the mean of the exponential autocorrelation, summed finely."""
    averaging_s, step_s = 16.0, 0.02
    times = np.arange(0, averaging_s, step_s)
    lags = np.abs(times[:, None] - times[None, :])
    summed = np.sqrt(np.exp(-lags / BEAT_NOISE_TIME_S).mean())
    assert spread_of_average(averaging_s) == pytest.approx(summed, rel=1e-3)
