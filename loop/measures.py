"""Measures of one lane: pure functions from a counted record to one number.

`loop.outcomes` names them, gives them units and writes down their definitions.
"""

from __future__ import annotations

import numpy as np

from .counted import BoolArray, Counted, FloatArray
from .episodes import Episodes
from .rounding import ON_OXYGEN_PCT

SAMPLES_PER_H = 3600

#: Convention (a) needs this much valid time on oxygen (samples: 1 h).
LEAST_SAMPLES_ON_OXYGEN = 3600

RESCUE_REACTION_S = 60
REBOUND_WINDOW_S = 900
REBOUND_LEAST_S = 10
REBOUND_PCT = 95.0


def in_target(lane: Counted) -> BoolArray:
    """Mark samples in the target range, both ends included.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    ndarray of bool, shape (samples,)
    """
    return (lane.whole_pct >= lane.low_pct) & (lane.whole_pct <= lane.high_pct)


def in_target_or_high_in_air(lane: Counted) -> BoolArray:
    """Mark samples in the target range, or above it in room air.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    ndarray of bool, shape (samples,)
    """
    return in_target(lane) | ((lane.whole_pct > lane.high_pct) & ~lane.on_oxygen)


def below(lane: Counted, limit_pct: float) -> BoolArray:
    """Mark samples below a limit.

    Parameters
    ----------
    lane : Counted
    limit_pct : float
        The limit, which is not itself below (percent).

    Returns
    -------
    ndarray of bool, shape (samples,)
    """
    return lane.whole_pct < limit_pct


def above_on_oxygen(lane: Counted, limit_pct: float) -> BoolArray:
    """Mark samples above a limit while on oxygen.

    Parameters
    ----------
    lane : Counted
    limit_pct : float
        The limit, which is not itself above (percent).

    Returns
    -------
    ndarray of bool, shape (samples,)
    """
    return (lane.whole_pct > limit_pct) & lane.on_oxygen


def _ratio(part: float | np.integer, whole: float | np.integer) -> float:
    return float(part / whole) if whole else float("nan")


def share_on_oxygen_pct(lane: Counted, marked: BoolArray) -> float:
    """Percentage by convention (a): over valid samples on oxygen.

    Parameters
    ----------
    lane : Counted
    marked : ndarray of bool, shape (samples,)

    Returns
    -------
    float
        Percent; NaN when there is under 1 h of such samples.
    """
    samples = lane.valid_on_oxygen_samples
    if samples < LEAST_SAMPLES_ON_OXYGEN:
        return float("nan")
    return 100.0 * np.count_nonzero(marked & lane.valid_on_oxygen) / samples


def share_valid_pct(lane: Counted, marked: BoolArray) -> float:
    """Percentage by convention (b): over all valid samples.

    Parameters
    ----------
    lane : Counted
    marked : ndarray of bool, shape (samples,)

    Returns
    -------
    float
        Percent; NaN when there is no valid sample.
    """
    return _ratio(100.0 * np.count_nonzero(marked & lane.valid), lane.valid_samples)


def recorded_h(lane: Counted) -> float:
    """Time after the warm-up, with or without a reading.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    float
        Hours.
    """
    return len(lane.valid) / SAMPLES_PER_H


def valid_h(lane: Counted) -> float:
    """Time with a reading.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    float
        Hours.
    """
    return lane.valid_samples / SAMPLES_PER_H


def episodes_per_24h(lane: Counted, episodes: Episodes, at_least_s: int) -> float:
    """Rate of episodes, per 24 h of valid time.

    Parameters
    ----------
    lane : Counted
    episodes : Episodes
    at_least_s : int
        Shortest duration that counts (s).

    Returns
    -------
    float
        Episodes per 24 h; NaN without a valid sample.
    """
    return _ratio(24.0 * episodes.count(at_least_s), valid_h(lane))


def shortfall_pct_s_per_h(lane: Counted, limit_pct: float) -> float:
    """Area below a limit, per hour of valid time.

    Parameters
    ----------
    lane : Counted
    limit_pct : float
        The limit (percent).

    Returns
    -------
    float
        Percent x s per h; NaN without a valid sample.
    """
    depth = np.maximum(0.0, limit_pct - lane.exact_pct)
    return _ratio(float(np.where(lane.valid, depth, 0.0).sum()), valid_h(lane))


def excess_pct_s_per_h(lane: Counted, limit_pct: float) -> float:
    """Area above a limit while on oxygen, per hour of valid time.

    Parameters
    ----------
    lane : Counted
    limit_pct : float
        The limit (percent).

    Returns
    -------
    float
        Percent x s per h; NaN without a valid sample.
    """
    height = np.maximum(0.0, lane.exact_pct - limit_pct)
    return _ratio(float(np.where(lane.valid_on_oxygen, height, 0.0).sum()), valid_h(lane))


def saturation_sd_pct(lane: Counted) -> float:
    """Spread of the saturation: standard deviation over valid samples.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    float
        Percent, with the number of samples as divisor; NaN without one.
    """
    values = lane.exact_pct[lane.valid]
    return float(np.std(values)) if len(values) else float("nan")


def mean_fio2_pct(lane: Counted) -> float:
    """Mean set FiO2 after the warm-up.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    float
        Percent, over all samples, with or without a reading.
    """
    fio2 = lane.fio2_pct[lane.warmup_s :]
    return _ratio(float(np.sum(fio2)), len(fio2))


def _steps(lane: Counted, fio2_pct: FloatArray) -> FloatArray:
    # A step belongs to the sample that shows it, so the first sample after the
    # warm-up is compared with the last one of the warm-up.
    return np.diff(fio2_pct)[max(lane.warmup_s - 1, 0) :]


def fio2_travel_pct_per_h(lane: Counted) -> float:
    """Sum of all movements of the set FiO2, up and down, per hour.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    float
        Percentage points per hour of recorded time.
    """
    return _ratio(float(np.sum(np.abs(_steps(lane, lane.fio2_pct)))), recorded_h(lane))


def fio2_changes_per_h(lane: Counted) -> float:
    """Rate of changes of the set FiO2 in whole percent, per hour.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    float
        Changes per hour of recorded time.
    """
    changes = np.count_nonzero(_steps(lane, lane.run_whole_fio2_pct))
    return _ratio(changes, recorded_h(lane))


def rebound_after_rescue_pct(lane: Counted) -> float:
    """Share of rescues that are followed by high saturation on extra oxygen.

    A rescue is an episode below 80 % of at least 10 s with a rise of the set
    FiO2, in whole percent, above its value just before the episode, during it
    or in the 60 s after its end. It rebounds when the saturation is at least
    95 % for 10 s in total, with the set FiO2 above that value and on oxygen,
    within 15 min of the end of the episode. Both windows end where the next
    such episode begins.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    float
        Percent of rescues; NaN when there was none.
    """
    fio2 = lane.run_whole_fio2_pct
    long = lane.hypoxic.duration_s >= 10
    starts, ends = lane.hypoxic.start[long], lane.hypoxic.end[long]
    limits = np.minimum(ends + REBOUND_WINDOW_S, np.append(starts[1:], len(fio2)))
    rescues = rebounds = 0
    for start, end, limit in zip(starts.tolist(), ends.tolist(), limits.tolist(), strict=True):
        before = fio2[max(start - 1, 0)]
        if fio2[start : min(end + RESCUE_REACTION_S, limit)].max() <= before:
            continue
        rescues += 1
        extra = fio2[end:limit] > max(before, ON_OXYGEN_PCT - 1)
        high = lane.run_whole_pct[end:limit] >= REBOUND_PCT
        rebounds += int(np.count_nonzero(extra & high) >= REBOUND_LEAST_S)
    return _ratio(100.0 * rebounds, rescues)


def bradycardia_per_24h(lane: Counted) -> float:
    """Rate of bradycardias, per 24 h of recorded time.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    float
        Episodes of any duration per 24 h; NaN for an empty record.
    """
    return _ratio(24.0 * len(lane.bradycardic), recorded_h(lane))


def missing_signal_pct(lane: Counted) -> float:
    """Share of time without a reading.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    float
        Percent of recorded time; NaN for an empty record.
    """
    return _ratio(100.0 * (len(lane.valid) - lane.valid_samples), len(lane.valid))


def on_oxygen_h(lane: Counted) -> float:
    """Time on oxygen, with or without a reading.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    float
        Hours.
    """
    return np.count_nonzero(lane.on_oxygen) / SAMPLES_PER_H


def valid_on_oxygen_h(lane: Counted) -> float:
    """Time that convention (a) counts.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    float
        Hours.
    """
    return lane.valid_on_oxygen_samples / SAMPLES_PER_H


def left_out(lane: Counted) -> float:
    """Say whether convention (a) leaves this lane out.

    Parameters
    ----------
    lane : Counted

    Returns
    -------
    float
        1 with under 1 h of valid time on oxygen, else 0.
    """
    return float(lane.valid_on_oxygen_samples < LEAST_SAMPLES_ON_OXYGEN)
