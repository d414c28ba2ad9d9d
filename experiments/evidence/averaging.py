"""The same infants shown with other averaging times: how many desaturations, how long, how deep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from ...loop.episodes import runs
from ...models.infants import Infants
from ...models.oximeter import Oximeter, OximeterSettings
from .rows import Published, Simulated, figure

FloatArray = NDArray[np.float64]

#: Averaging times at which the recorded saturation is shown again (s).
AVERAGING_S = (2, 3, 4, 8, 16)
#: Limits (percent) and least durations (s) of the published exponents.
LIMITS_PCT = (90, 85, 80)
LEAST_S = (1, 5, 10, 15, 20, 25, 30)

#: Number, total length (s) and area (percent x s) of the desaturations at one setting.
Totals = tuple[float, float, float]
#: Totals by averaging time, limit and least duration.
Counts = dict[tuple[int, int, int], Totals]


def shown_again(
    infants: Infants,
    sao2_pct: FloatArray,
    heart_rate_bpm: FloatArray,
    averaging_s: int,
    seed: int,
) -> FloatArray:
    """Show a recorded course with another averaging time, and no lost signal.

    Parameters
    ----------
    infants : Infants
        Whose probes they are.
    sao2_pct, heart_rate_bpm : ndarray, shape (samples, infants)
        Recorded true values.
    averaging_s : int
        Averaging time.
    seed : int
        Seed of the noise: with the same, the same underlying deviates.

    Returns
    -------
    ndarray, shape (samples, infants)
        Displayed SpO2 (percent).
    """
    samples, count = sao2_pct.shape
    settings = OximeterSettings(averaging_s=averaging_s, dropout_rate_per_h=0.0)
    sao2 = np.ascontiguousarray(sao2_pct / 100.0, dtype=np.float64)
    rate = np.ascontiguousarray(heart_rate_bpm, dtype=np.float64)
    oximeter = Oximeter(infants, 1, settings, seed, samples, sao2[0].copy())
    shown = np.empty((samples, count))
    for tick in range(samples):
        oximeter.step(tick, sao2[tick], rate[tick])
        shown[tick] = oximeter.spo2_pct
    return shown


def count_desaturations(
    infants: Infants,
    sao2_pct: FloatArray,
    heart_rate_bpm: FloatArray,
    seed: int,
    warmup_s: int,
) -> Counts:
    """Count desaturations at every averaging time, limit and least duration.

    Parameters
    ----------
    infants : Infants
        Whose probes they are.
    sao2_pct, heart_rate_bpm : ndarray, shape (samples, infants)
        Recorded true values.
    seed : int
        Seed of the noise.
    warmup_s : int
        Samples at the start that do not count.

    Returns
    -------
    dict
        Summed over infants. Stretches are not merged across gaps.
    """
    found: Counts = {}
    for averaging_s in AVERAGING_S:
        shown = shown_again(infants, sao2_pct, heart_rate_bpm, averaging_s, seed)[warmup_s:]
        for limit in LIMITS_PCT:
            per_infant = [_stretches(shown[:, lane], limit) for lane in range(shown.shape[1])]
            lengths = np.concatenate([lengths for lengths, _ in per_infant])
            areas = np.concatenate([areas for _, areas in per_infant])
            for least in LEAST_S:
                long = lengths >= least
                totals = float(long.sum()), float(lengths[long].sum()), float(areas[long].sum())
                found[averaging_s, limit, least] = totals
    return found


def _stretches(shown: FloatArray, limit: int) -> tuple[FloatArray, FloatArray]:
    start, end = runs(shown < limit)
    below = np.concatenate([[0.0], np.cumsum(np.maximum(limit - shown, 0.0))])
    return (end - start).astype(np.float64), below[end] - below[start]


def add_counts(parts: Sequence[Mapping[tuple[int, int, int], Totals]]) -> Counts:
    """Add the counts of several groups of infants.

    Parameters
    ----------
    parts : sequence of mapping
        From `count_desaturations`.

    Returns
    -------
    dict
    """
    keys = list(parts[0]) if parts else []
    return {
        key: (
            sum(part[key][0] for part in parts),
            sum(part[key][1] for part in parts),
            sum(part[key][2] for part in parts),
        )
        for key in keys
    }


def exponent(counts: Counts, limit: int, least: int) -> float:
    """Give the slope of ln(number) on ln(averaging time).

    Parameters
    ----------
    counts : dict
        From `add_counts`.
    limit, least : int
        Limit (percent) and least duration (s).

    Returns
    -------
    float
        NaN where some averaging time leaves no desaturation.
    """
    numbers = [counts[averaging, limit, least][0] for averaging in AVERAGING_S]
    if min(numbers) <= 0.0:
        return float("nan")
    slope = np.polynomial.Polynomial.fit(np.log(AVERAGING_S), np.log(numbers), 1).convert().coef[1]
    return float(slope)


def averaging_rows(counts: Counts, rows: Sequence[Published]) -> dict[str, Simulated]:
    """Give the figures for the published effects of averaging.

    Parameters
    ----------
    counts : dict
        From `add_counts`.
    rows : sequence of Published
        All published rows; those of the exponents are answered.

    Returns
    -------
    dict of str to Simulated
        By row id.
    """
    if not counts:
        return {}
    number, length, area = counts[3, 80, 1]
    number16, length16, area16 = counts[16, 80, 1]
    many = int(number)
    found: dict[str, Simulated] = {}
    if number > 0 and number16 > 0 and length > 0 and area > 0:
        found["averaging_number"] = figure(number16 / number, many)
        found["averaging_duration"] = figure(
            (length16 / number16) / (length / number), many, "mean length of a desaturation"
        )
        found["averaging_area"] = figure(area16 / area, many)
    for row in rows:
        if row.section == "exponents":
            _, limit, least, _ = row.id.split("_")
            slope = exponent(counts, int(limit), int(least.removesuffix("s")))
            found[row.id] = figure(slope, int(counts[3, int(limit), int(least[:-1])][0]))
    return found


__all__ = [
    "AVERAGING_S",
    "Counts",
    "add_counts",
    "averaging_rows",
    "count_desaturations",
    "exponent",
    "shown_again",
]
