"""How a loop answers to steps: pure functions from a trace to a number.

The words are those of IEC 60601-1-10 (physiologic closed-loop controllers):
response time, settling time, relative overshoot, steady-state deviation,
tracking error. The feedback variable is the saturation before it is rounded,
the reference variable the middle of the target. What each number is, is
written out here; that the standard leaves windows and limits to whoever
states the numbers is from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ..models.infants import FloatArray

#: Share of the way, or of the recovery, that ends the response time.
RESPONSE_SHARE = 0.9

#: Half width of the window of the settling time (points of SpO2): the least
#: that makes sense behind a display of whole percents.
SETTLING_WINDOW_PCT = 1.0

#: The end of a record that counts as the steady state (s).
STEADY_S = 600


@dataclass(frozen=True, kw_only=True)
class Measure:
    """One number, for tables.

    Attributes
    ----------
    label : str
        Name for people.
    unit : str
        Unit.
    definition : str
        What it is.
    decimals : int
        Digits after the point.
    """

    label: str
    unit: str
    definition: str
    decimals: int = 0


MEASURES: Mapping[str, Measure] = MappingProxyType(
    {
        "response_time_s": Measure(
            label="Response time",
            unit="s",
            definition="After a step in target: from the step until 90 % of the way is gone. "
            "After a disturbance: from its step until 90 % of the largest deviation is made good; "
            "none where that is less than a point.",
        ),
        "settling_time_s": Measure(
            label="Settling time",
            unit="s",
            definition="From the step until the saturation stays within 1 point of the middle of "
            "the target to the end of the record; none if it does not.",
        ),
        "relative_overshoot_pct": Measure(
            label="Relative overshoot",
            unit="%",
            definition="Farthest point beyond the middle of the target, as a share of the step in "
            "target, or of the largest deviation that a disturbance has made.",
        ),
        "peak_deviation_pct": Measure(
            label="Largest deviation",
            unit="points",
            definition="Farthest distance from the middle of the target after the step.",
            decimals=1,
        ),
        "steady_state_deviation_pct": Measure(
            label="Steady-state deviation",
            unit="points",
            definition="Mean of the last 10 minutes minus the middle of the target.",
            decimals=2,
        ),
        "tracking_error_pct": Measure(
            label="Tracking error",
            unit="points",
            definition="Root mean square distance from the middle of the target, from the step to "
            "the end of the record.",
            decimals=2,
        ),
    }
)


def response_time_s(course: FloatArray, initial: float, final: float) -> float:
    """Time until 90 % of the way to a new reference is gone.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        Feedback variable, a sample a second, from the step on.
    initial, final : float
        Where it was, and the new reference.

    Returns
    -------
    float
        Seconds; NaN if it never gets there or there is no step.
    """
    if final == initial:
        return math.nan
    gone = (course - initial) / (final - initial)
    return _first(gone >= RESPONSE_SHARE - 1e-12)


def recovery_time_s(course: FloatArray, reference: float) -> float:
    """Time from a disturbance until 90 % of the largest deviation is made good.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        Feedback variable, a sample a second, from the step on.
    reference : float
        Reference variable.

    Returns
    -------
    float
        Seconds; NaN if it is not made good, or there is nothing to make good.
    """
    away = course - reference
    peak = int(np.argmax(np.abs(away)))
    if away[peak] == 0.0:
        return math.nan
    left = away[peak:] / away[peak]
    return peak + _first(left <= 1.0 - RESPONSE_SHARE + 1e-12)


def settling_time_s(
    course: FloatArray, reference: float, window: float = SETTLING_WINDOW_PCT
) -> float:
    """Time until the course stays within a window around the reference.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        Feedback variable, a sample a second, from the step on.
    reference : float
        Reference variable.
    window : float
        Half width, its ends inside.

    Returns
    -------
    float
        Seconds; NaN if the last sample is outside.
    """
    outside = np.flatnonzero(np.abs(course - reference) > window)
    if not len(outside):
        return 0.0
    last = int(outside[-1])
    return math.nan if last == len(course) - 1 else float(last + 1)


def relative_overshoot_pct(course: FloatArray, initial: float, final: float) -> float:
    """Farthest point beyond a new reference, as a share of the step.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        Feedback variable from the step on.
    initial, final : float
        Where it was, and the new reference.

    Returns
    -------
    float
        Percent, at least 0; NaN if there is no step.
    """
    if final == initial:
        return math.nan
    beyond = (course - final) / (final - initial)
    return 100.0 * max(float(beyond.max()), 0.0)


def rebound_pct(course: FloatArray, reference: float) -> float:
    """Farthest point on the other side after the largest deviation, as a share of it.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        Feedback variable from the disturbance on.
    reference : float
        Reference variable.

    Returns
    -------
    float
        Percent, at least 0; NaN if there is no deviation.
    """
    away = course - reference
    peak = int(np.argmax(np.abs(away)))
    if away[peak] == 0.0:
        return math.nan
    return 100.0 * max(float((-away[peak:] / away[peak]).max()), 0.0)


def peak_deviation_pct(course: FloatArray, reference: float) -> float:
    """Farthest distance from the reference.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        Feedback variable from the step on.
    reference : float
        Reference variable.

    Returns
    -------
    float
        With its sign.
    """
    away = course - reference
    return float(away[int(np.argmax(np.abs(away)))])


def steady_state_deviation_pct(course: FloatArray, reference: float) -> float:
    """Mean distance from the reference at the end of a record.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        Feedback variable, a sample a second.
    reference : float
        Reference variable.

    Returns
    -------
    float
        Mean over the last 600 samples, with its sign.
    """
    return float(np.mean(course[-STEADY_S:] - reference))


def tracking_error_pct(course: FloatArray, reference: float) -> float:
    """Root mean square distance from the reference.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        Feedback variable.
    reference : float
        Reference variable.

    Returns
    -------
    float
        In the unit of the course.
    """
    away = course - reference
    return float(np.sqrt(np.mean(away * away)))


def step_measures(
    course: FloatArray, initial: float, reference: float, *, target_moved: bool
) -> dict[str, float]:
    """Give every measure of one lane.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        Feedback variable, a sample a second, from the step on.
    initial : float
        Where it was before.
    reference : float
        Reference variable after the step.
    target_moved : bool
        Whether the step was in the target, or else in a disturbance.

    Returns
    -------
    dict of str to float
        By the names in `MEASURES`.
    """
    if target_moved:
        response = response_time_s(course, initial, reference)
        overshoot = relative_overshoot_pct(course, initial, reference)
    else:
        seen = abs(peak_deviation_pct(course, reference)) >= SETTLING_WINDOW_PCT
        response = recovery_time_s(course, reference) if seen else math.nan
        overshoot = rebound_pct(course, reference) if seen else math.nan
    return {
        "response_time_s": response,
        "settling_time_s": settling_time_s(course, reference),
        "relative_overshoot_pct": overshoot,
        "peak_deviation_pct": peak_deviation_pct(course, reference),
        "steady_state_deviation_pct": steady_state_deviation_pct(course, reference),
        "tracking_error_pct": tracking_error_pct(course, reference),
    }


def _first(reached: NDArray[np.bool_]) -> float:
    places = np.flatnonzero(reached)
    return float(places[0]) if len(places) else math.nan


__all__ = [
    "MEASURES",
    "SETTLING_WINDOW_PCT",
    "Measure",
    "peak_deviation_pct",
    "rebound_pct",
    "recovery_time_s",
    "relative_overshoot_pct",
    "response_time_s",
    "settling_time_s",
    "steady_state_deviation_pct",
    "step_measures",
    "tracking_error_pct",
]
