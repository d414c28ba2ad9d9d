"""How much more gain or delay brings a loop to oscillate for good, found by trial."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from ..loop.controller import Controller
from ..loop.signals import FloatArray, Settings
from .response_loop import Display, Stimulus, run_loop
from .response_plant import Plant

#: Sustained: at least this large from peak to peak (points of SpO2), and after
#: a third of the record still this share of what it was.
LEAST_SWING_PCT = 0.5
KEPT_SHARE = 0.9

#: At least so many changes of side in the last third: a period and a half.
_LEAST_CROSSINGS = 3

#: A change of side counts beyond this share of the peak-to-peak swing.
_HYSTERESIS = 0.1

#: So many copies of each lane are tried at a time, twice over.
COPIES = 16

#: Gain factors among which is searched, and the most delay that is added (s).
FACTORS = (1.0 / 16.0, 16.0)
MOST_ADDED_S = COPIES * COPIES - 1

#: When the pulse comes that sets a loop swinging, how long and how deep it is,
#: and how long the loop is then watched: longer with more delay, because the
#: swing is slower.
PULSE_AT_S, PULSE_S, PULSE_PCT = 60, 30, -5.0
WATCHED_S, WATCHED_DELAYED_S = 2700, 5400


def crossings(course: FloatArray) -> FloatArray:
    """Find the samples at which a course changes to the other side of its middle.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        Any signal.

    Returns
    -------
    ndarray, shape (changes,)
        Places of the first sample on the new side; what stays within a tenth
        of the swing around the middle is on neither.
    """
    middle, swing = 0.5 * (course.max() + course.min()), course.max() - course.min()
    if swing <= 0.0:
        return np.empty(0)
    far = np.flatnonzero(np.abs(course - middle) > _HYSTERESIS * swing)
    side = course[far] > middle
    return np.asarray(far[1:][side[1:] != side[:-1]], dtype=np.float64)


def sustained(course: FloatArray) -> bool:
    """Tell whether a course keeps oscillating.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        Saturation from the end of the stimulus on (points).

    Returns
    -------
    bool
        True if in its last third it swings by half a point or more from peak
        to peak, by at least nine tenths of the swing in the middle third, and
        changes sides four times or more.
    """
    third = len(course) // 3
    middle, last = course[third : 2 * third], course[2 * third :]
    swing = float(np.ptp(last))
    kept = swing >= LEAST_SWING_PCT and swing >= KEPT_SHARE * float(np.ptp(middle))
    return kept and len(crossings(last)) >= _LEAST_CROSSINGS


def period_s(course: FloatArray) -> float:
    """Give the period of the oscillation in the last third of a course.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        A sample a second.

    Returns
    -------
    float
        Mean time from one change of sides to the next but one (s); NaN for
        fewer than three changes.
    """
    places = crossings(course[2 * (len(course) // 3) :])
    if len(places) < 3:
        return float("nan")
    whole = places[: 2 * ((len(places) - 1) // 2) + 1]
    return 2.0 * float(whole[-1] - whole[0]) / (len(whole) - 1)


#: Gives a plant at rest with so many copies of its lanes, one after the other,
#: and a controller, both new.
Maker = Callable[[int], tuple[Plant, Controller]]


def gain_factor_to_oscillation(make: Maker, settings: Settings) -> FloatArray:
    """Find how many times the plant's gain brings a loop to oscillate for good.

    The loop is knocked by a reading 5 points low for half a minute, without
    rounding, and watched for 45 min; the least factor that keeps it swinging
    is looked for among 16, and then among 16 below that one.

    Parameters
    ----------
    make : callable
        Gives plant and controller; see `Maker`.
    settings : Settings
        Target and limits.

    Returns
    -------
    ndarray, shape (lanes,)
        Factor, to 1.1 %; below 1 where the loop swings as it is, near 1/16
        also where less would do, infinite where 16 times do not.
    """
    low, high = np.log(FACTORS[0]), np.log(FACTORS[1])
    coarse, fine = (high - low) / COPIES, (high - low) / (COPIES * COPIES)
    steps = np.arange(1.0, COPIES + 1.0)[:, np.newaxis]

    def first(exponents: FloatArray) -> FloatArray:
        late = np.zeros(exponents.shape, dtype=np.int64)
        return _first_that_swings(make, settings, np.exp(exponents), late, WATCHED_S)

    lanes = make(1)[0].lanes
    found = first(low + coarse * steps + np.zeros(lanes))
    below = low + coarse * np.where(np.isfinite(found), found, 0.0)
    closer = np.minimum(first(below + fine * steps), COPIES - 1.0)
    return np.where(np.isfinite(found), np.exp(below + fine * (closer + 0.5)), np.inf)


def delay_to_oscillation_s(make: Maker, settings: Settings) -> FloatArray:
    """Find how much more delay brings a loop to oscillate for good.

    As for the gain, but watched for 90 min.

    Parameters
    ----------
    make : callable
        Gives plant and controller; see `Maker`.
    settings : Settings
        Target and limits.

    Returns
    -------
    ndarray, shape (lanes,)
        Least whole seconds that do; 0 where the loop swings as it is,
        infinite where 255 s do not.
    """
    steps = np.arange(COPIES)[:, np.newaxis]

    def first(late: NDArray[np.int64]) -> FloatArray:
        return _first_that_swings(make, settings, np.ones(late.shape), late, WATCHED_DELAYED_S)

    lanes = make(1)[0].lanes
    found = first(COPIES * (steps + 1) - 1 + np.zeros(lanes, dtype=np.int64))
    below = COPIES * np.where(np.isfinite(found), found, 0.0).astype(np.int64)
    closer = np.minimum(first(below + steps), COPIES - 1.0)
    return np.where(np.isfinite(found), below + closer, np.inf)


def _first_that_swings(
    make: Maker,
    settings: Settings,
    factor: FloatArray,
    late: NDArray[np.int64],
    watched_s: int,
) -> FloatArray:
    """Give the first copy of each lane that keeps swinging; infinity for none."""
    plant, controller = make(COPIES)
    trace = run_loop(
        plant,
        controller,
        settings,
        PULSE_AT_S + PULSE_S + watched_s,
        Stimulus(at_s=PULSE_AT_S, pulse_pct=PULSE_PCT, pulse_s=PULSE_S),
        Display(whole_percent=False),
        gain_factor=factor.reshape(-1),
        added_delay_s=late.reshape(-1),
    )
    after = trace.measured_pct[PULSE_AT_S + PULSE_S :]
    flat = np.array([sustained(after[:, lane]) for lane in range(plant.lanes)], dtype=np.bool_)
    swings = flat.reshape(factor.shape)
    return np.where(swings.any(axis=0), swings.argmax(axis=0), np.inf)


__all__ = [
    "crossings",
    "delay_to_oscillation_s",
    "gain_factor_to_oscillation",
    "period_s",
    "sustained",
]
