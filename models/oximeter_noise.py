"""What an oximeter adds to the truth by itself: displayed noise and lost signal.

Both are drawn per infant from the infant's own streams, in blocks, and know
nothing of the infant's state, so that every arm meets the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from .infants import FloatArray
from .streams import BLOCK_TICKS, Cause, stream

IntArray = NDArray[np.int64]
ByteArray = NDArray[np.int8]

#: Displayed minus true SpO2 in whole percent, and the published share of readings at or below it,
#: physiological noise, by true saturation: Electronics 2022;11(9):1314, appendix A.
NOISE_LEVELS_PCT = (-6, -5, -4, -3, -2, -1, 0, 1, 2, 3, 4, 5, 6)
NOISE_CDF_LE_96 = (
    *(0.0009, 0.0025, 0.0076, 0.0186, 0.0589, 0.2436, 0.7333),
    *(0.9457, 0.9863, 0.9957, 0.9984, 0.9997, 1.0),
)
NOISE_CDF_GE_97 = (
    *(0.0006, 0.0015, 0.0039, 0.0095, 0.0346, 0.2167, 0.8198),
    *(0.9889, 0.9995, 1.0, 1.0, 1.0, 1.0),
)

#: The spread widens at low saturation: 2 SD of SaO2 - SpO2 are 9.2 points at SpO2 85-89 and 5.3 at
#: 91-95 (Neonatology 2012;101:14). The published noise is taken to hold from 90 % upwards, and to
#: be wider by the ratio of the two below; what it is below 85 % is not known (assumption).
WIDER_BELOW_PCT = 90
WIDER_FACTOR = 9.2 / 5.3

#: Lost-signal episodes: median 22 s, IQR 15-37; those of 60 s and more: median 110 s, IQR 85-150,
#: half of all missing time (seven-unit analysis, 116 days, 1396 dropouts). Two lognormals,
#: 19.5 s x exp(0.52 z) cut at 59 s, and 60 s + 50 s x exp(0.9 z) in 14 % of the episodes, give
#: 22 s (15-35), 110 s (87-152) and 50 %.
SHORT_MEDIAN_S = 19.5
SHORT_LOG_SD = 0.52
SHORT_LONGEST_S = 59.0
PROLONGED_S = 60.0
PROLONGED_EXTRA_MEDIAN_S = 50.0
PROLONGED_LOG_SD = 0.9
PROLONGED_SHARE = 0.14

#: Averaging time at which the published noise is taken to hold, and the noise's own memory (s).
PUBLISHED_AVERAGING_S = 8.0
BEAT_NOISE_TIME_S = 4.0

#: Seconds over which the signal quality falls before the reading is lost; assumed, no source.
QUALITY_FALL_S = 5
#: Quality lost (percent points) for each percent of displayed noise; assumed, no source.
QUALITY_PER_NOISE_PCT = 5
#: The quality of a reading that is shown is at least this (percent); 0 means lost.
LOWEST_SHOWN_QUALITY_PCT = 5

_DROPOUT_BATCH = 64
_TAIL_SD = 6.0


@dataclass(frozen=True, kw_only=True)
class NoiseCurve:
    """A published noise distribution as a curve from a standard normal deviate to percent.

    Attributes
    ----------
    deviate : ndarray, shape (knots,)
        Standard normal deviates at which the published shares are reached, ascending.
    noise_pct : ndarray, shape (knots,)
        Noise there (percent, not rounded).
    """

    deviate: FloatArray
    noise_pct: FloatArray


def noise_curve(cdf: tuple[float, ...]) -> NoiseCurve:
    """Turn published shares at whole percents into a curve.

    Rounded to whole percents, the noise of a standard normal deviate has
    exactly the published shares; between them the curve is straight.

    Parameters
    ----------
    cdf : tuple of float
        Share of readings at or below each of `NOISE_LEVELS_PCT`, ascending to 1.

    Returns
    -------
    NoiseCurve
    """
    normal = NormalDist()
    inner = [
        (normal.inv_cdf(p), k + 0.5) for k, p in zip(NOISE_LEVELS_PCT, cdf, strict=True) if p < 1
    ]
    top_pct = NOISE_LEVELS_PCT[len(inner)]
    # The ends stay inside the outermost published percents: nothing beyond them was seen.
    knots = [(-_TAIL_SD, NOISE_LEVELS_PCT[0] - 0.49), *inner, (_TAIL_SD, top_pct + 0.49)]
    deviate, noise_pct = zip(*knots, strict=True)
    return NoiseCurve(deviate=np.array(deviate), noise_pct=np.array(noise_pct))


def spread_of_average(averaging_s: float) -> float:
    """Give the spread of an average over that of one sample, for correlated noise.

    Noise arises before the average. Its own time constant, `BEAT_NOISE_TIME_S`, is an assumption:
    a few beats and a breath.

    Parameters
    ----------
    averaging_s : float
        Averaging time (s).

    Returns
    -------
    float
        SD of the mean of an exponentially correlated signal over the time, from 1 downwards.
    """
    ratio = BEAT_NOISE_TIME_S / averaging_s
    return math.sqrt(2.0 * ratio * (1.0 - ratio * (1.0 - math.exp(-1.0 / ratio))))


def displayed_noise_scale(averaging_s: float, noise_scale: float) -> float:
    """Give the factor on the published noise at an averaging time.

    Parameters
    ----------
    averaging_s : float
        Averaging time (s).
    noise_scale : float
        Factor that the settings ask for.

    Returns
    -------
    float
        `noise_scale` at `PUBLISHED_AVERAGING_S`, for which the published noise is taken to hold
        (the publication does not say).
    """
    return noise_scale * spread_of_average(averaging_s) / spread_of_average(PUBLISHED_AVERAGING_S)


def mean_dropout_s(prolonged_share: float) -> float:
    """Mean length of a lost-signal episode.

    Parameters
    ----------
    prolonged_share : float
        Share of the episodes that last 60 s or more (fraction).

    Returns
    -------
    float
        Mean length (s), without the cut of the short ones at 59 s (0.2 s less).
    """
    short_s = SHORT_MEDIAN_S * math.exp(0.5 * SHORT_LOG_SD * SHORT_LOG_SD)
    extra_s = PROLONGED_EXTRA_MEDIAN_S * math.exp(0.5 * PROLONGED_LOG_SD * PROLONGED_LOG_SD)
    return (1.0 - prolonged_share) * short_s + prolonged_share * (PROLONGED_S + extra_s)


def dropout_episodes(
    generator: np.random.Generator, rate_per_h: float, prolonged_share: float, duration_s: int
) -> tuple[IntArray, IntArray]:
    """Draw all lost-signal episodes of one infant: exponential gaps between drawn lengths.

    A longer run begins with the same episodes; another rate stretches the
    same gaps.

    Parameters
    ----------
    generator : numpy.random.Generator
        The infant's own stream, at its beginning.
    rate_per_h : float
        Episodes per hour, 0 for none.
    prolonged_share : float
        Share of the episodes that last 60 s or more (fraction).
    duration_s : int
        No episode begins at or after this tick.

    Returns
    -------
    tuple of ndarray of int, each of shape (episodes,)
        First tick of each episode, and the tick after its last.
    """
    if rate_per_h <= 0:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    mean_gap_s = 3600.0 / rate_per_h - mean_dropout_s(prolonged_share)
    starts: list[IntArray] = []
    ends: list[IntArray] = []
    now_s = 0.0
    while now_s < duration_s:
        gap_s = generator.standard_exponential(_DROPOUT_BATCH) * mean_gap_s
        length_s = _dropout_lengths_s(generator, prolonged_share)
        end_s = now_s + np.cumsum(gap_s + length_s)
        start = np.floor(end_s - length_s).astype(np.int64)
        starts.append(start)
        ends.append(start + length_s.astype(np.int64))
        now_s = float(end_s[-1])
    all_starts, all_ends = np.concatenate(starts), np.concatenate(ends)
    inside = all_starts < duration_s
    return all_starts[inside], all_ends[inside]


def _dropout_lengths_s(generator: np.random.Generator, prolonged_share: float) -> FloatArray:
    """Draw one batch of lengths, in whole seconds, at least 1."""
    prolonged = generator.random(_DROPOUT_BATCH) < prolonged_share
    deviate = generator.standard_normal(_DROPOUT_BATCH)
    short_s = np.minimum(SHORT_MEDIAN_S * np.exp(SHORT_LOG_SD * deviate), SHORT_LONGEST_S)
    long_s = PROLONGED_S + PROLONGED_EXTRA_MEDIAN_S * np.exp(PROLONGED_LOG_SD * deviate)
    return np.maximum(np.rint(np.where(prolonged, long_s, short_s)), 1.0)


class OximeterNoise:
    """Noise, lost signal and signal quality of all infants, one block of ticks at a time.

    Parameters
    ----------
    infant_numbers : ndarray of int, shape (infants,)
        The infants' own numbers.
    seed : int
        Seed of the run.
    correlation_time_s : float
        Time constant of the noise.
    noise_scale : float
        Factor on the published noise.
    dropout_rate_per_h, prolonged_dropout_share : float
        Lost-signal episodes per hour, and the share of them that last 60 s or more.
    duration_s : int
        No episode begins at or after this tick.

    Attributes
    ----------
    deep_pct, low_pct, high_pct : ndarray of int8, shape (BLOCK_TICKS, infants)
        Noise in whole percent at a saturation below 90 %, from there to 96 %, and above; one draw
        behind all three.
    quality_pct : ndarray of int8, shape (BLOCK_TICKS, infants)
        Signal quality in percent; 0 where the reading is lost, and only there.
    """

    def __init__(
        self,
        infant_numbers: IntArray,
        seed: int,
        *,
        correlation_time_s: float,
        noise_scale: float,
        dropout_rate_per_h: float,
        prolonged_dropout_share: float,
        duration_s: int,
    ) -> None:
        shape = (BLOCK_TICKS, len(infant_numbers))
        self.deep_pct: ByteArray = np.zeros(shape, dtype=np.int8)
        self.low_pct: ByteArray = np.zeros(shape, dtype=np.int8)
        self.high_pct: ByteArray = np.zeros(shape, dtype=np.int8)
        self.quality_pct: ByteArray = np.zeros(shape, dtype=np.int8)
        self._noise_scale = noise_scale
        self._keep = math.exp(-1.0 / correlation_time_s)
        self._fresh = math.sqrt(1.0 - self._keep * self._keep)
        self._curves = noise_curve(NOISE_CDF_LE_96), noise_curve(NOISE_CDF_GE_97)
        self._streams = [stream(seed, i, Cause.OXIMETER_NOISE) for i in infant_numbers]
        self._states = [self._keep * one.standard_normal(1) for one in self._streams]
        self._episodes = [
            dropout_episodes(
                stream(seed, i, Cause.OXIMETER_DROPOUT),
                dropout_rate_per_h,
                prolonged_dropout_share,
                duration_s,
            )
            for i in infant_numbers
        ]

    def draw(self, first_tick: int) -> None:
        """Overwrite the arrays with the next block.

        Parameters
        ----------
        first_tick : int
            First tick of the block; blocks are drawn in order, each once.
        """
        for place in range(len(self._streams)):
            deep_pct, low_pct, high_pct = self._next_noise(place)
            quality_pct = 100 - QUALITY_PER_NOISE_PCT * np.abs(low_pct)
            np.maximum(quality_pct, LOWEST_SHOWN_QUALITY_PCT, out=quality_pct)
            self._lose_signal(place, first_tick, quality_pct)
            self.deep_pct[:, place] = deep_pct
            self.low_pct[:, place] = low_pct
            self.high_pct[:, place] = high_pct
            self.quality_pct[:, place] = quality_pct

    def _next_noise(self, place: int) -> tuple[IntArray, IntArray, IntArray]:
        """Colour one infant's next deviates and read them off the published curves."""
        white = self._streams[place].standard_normal(BLOCK_TICKS)
        deviate, self._states[place] = lfilter(
            [self._fresh], [1.0, -self._keep], white, zi=self._states[place]
        )
        low_pct, high_pct = (
            np.interp(deviate, curve.deviate, curve.noise_pct) * self._noise_scale
            for curve in self._curves
        )
        deep, low, high = (
            np.floor(noise_pct + 0.5).astype(np.int64)
            for noise_pct in (WIDER_FACTOR * low_pct, low_pct, high_pct)
        )
        return deep, low, high

    def _lose_signal(self, place: int, first_tick: int, quality_pct: IntArray) -> None:
        """Let the quality fall ahead of each lost-signal episode and be 0 within it."""
        starts, ends = self._episodes[place]
        first = int(np.searchsorted(ends, first_tick, side="right"))
        last = int(np.searchsorted(starts, first_tick + BLOCK_TICKS + QUALITY_FALL_S))
        for start, end in zip(starts[first:last].tolist(), ends[first:last].tolist(), strict=True):
            for ahead in range(1, QUALITY_FALL_S + 1):
                at = start - ahead - first_tick
                if 0 <= at < BLOCK_TICKS and quality_pct[at] > 0:
                    limit = 100 * ahead // (QUALITY_FALL_S + 1)
                    quality_pct[at] = min(quality_pct[at], limit)
            quality_pct[max(start - first_tick, 0) : max(end - first_tick, 0)] = 0
