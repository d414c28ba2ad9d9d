"""The mean course around an apnoea: when, after it begins, the arms differ.

Sums over nursing groups are kept as whole numbers, so they are the same for
any chunks and workers, and a comparison of any size needs no more memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..loop.episodes import runs
from ..loop.trace import Trace
from ..models.disturbances import APNOEA_SHORTEST_S, Breathing

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: The course begins so long before the onset of an apnoea, and ends so long after it.
BEFORE_S, AFTER_S = 60, 300
OFFSETS_S = np.arange(-BEFORE_S, AFTER_S + 1)

SIGNALS = ("spo2_pct", "sao2_pct", "set_fio2_pct")

#: Means of a group are counted in thousandths of a percent.
STEPS_PER_PCT = 1000

_APNOEAS = (int(Breathing.CENTRAL), int(Breathing.OBSTRUCTIVE), int(Breathing.MIXED))


@dataclass(frozen=True, kw_only=True)
class Courses:
    """Sums over nursing groups, by arm, signal and second around the onset.

    Attributes
    ----------
    arms : tuple of str
        Names of the arms; differences are to `baseline`.
    baseline : str
        One of them.
    apnoeas : int
        Apnoeas that the courses are means of; the same ones in every arm.
    infants : int
        Infants that had one.
    groups, total : ndarray of int, shape (arms, signals, seconds)
        Nursing groups with a value, and the sum of these in thousandths.
    paired, difference, squares : ndarray of int, shape (arms, signals, seconds)
        Groups with a value in both arms, the sum of their differences in
        thousandths, and the sum of the squares of these.
    """

    arms: tuple[str, ...]
    baseline: str
    apnoeas: int
    infants: int
    groups: IntArray
    total: IntArray
    paired: IntArray
    difference: IntArray
    squares: IntArray


def apnoea_onsets(trace: Trace) -> IntArray:
    """Find the apnoeas of a lane whose whole course was counted.

    Parameters
    ----------
    trace : Trace
        The lane.

    Returns
    -------
    ndarray of int, shape (apnoeas,)
        Seconds at which an apnoea of 10 s or more began, far enough from the
        warm-up and from the end.
    """
    starts, ends = runs(np.isin(trace.apnoea, _APNOEAS))
    kept = (
        (ends - starts >= APNOEA_SHORTEST_S)
        & (starts - BEFORE_S >= trace.warmup_s)
        & (starts + AFTER_S < len(trace))
    )
    return np.asarray(starts[kept], dtype=np.int64)


def infant_courses(traces: Sequence[Trace | None]) -> tuple[FloatArray, int]:
    """Average the courses of one infant over the apnoeas that all its arms share.

    Parameters
    ----------
    traces : sequence of Trace or None
        The infant in each arm; None where the arm failed.

    Returns
    -------
    means : ndarray, shape (arms, signals, seconds)
        Percent; NaN where no apnoea has a reading.
    apnoeas : int
        Number of apnoeas that began at the same second in every arm.
    """
    means = np.full((len(traces), len(SIGNALS), len(OFFSETS_S)), np.nan)
    onsets = [apnoea_onsets(trace) for trace in traces if trace is not None]
    if not onsets:
        return means, 0
    shared = onsets[0]
    for other in onsets[1:]:
        shared = np.intersect1d(shared, other, assume_unique=True)
    places = shared[:, None] + OFFSETS_S
    for arm, trace in enumerate(traces):
        if trace is not None:
            means[arm] = [_mean(signal[places]) for signal in _signals(trace)]
    return means, len(shared)


def _signals(trace: Trace) -> tuple[FloatArray, ...]:
    return trace.spo2_pct, trace.sao2_pct, 100.0 * trace.set_fio2


def _mean(windows: FloatArray) -> FloatArray:
    """Average over the first axis what is there."""
    given = ~np.isnan(windows)
    count = given.sum(axis=0)
    total = np.where(given, windows, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def group_courses(
    groups: Iterable[Iterable[Sequence[Trace | None]]], arms: Sequence[str], baseline: str
) -> Courses:
    """Add up the courses of whole nursing groups.

    Parameters
    ----------
    groups : iterable of iterables of sequences of Trace or None
        The infants of each group, each as one trace for each arm; None where
        the arm failed.
    arms : sequence of str
        Names of the arms.
    baseline : str
        The arm that the others are compared with.

    Returns
    -------
    Courses
    """
    made = no_courses(arms, baseline)
    for members in groups:
        courses = [infant_courses(traces) for traces in members]
        made = add_courses(made, _one_group(courses, made))
    return made


def _one_group(courses: Sequence[tuple[FloatArray, int]], like: Courses) -> Courses:
    counts = [count for _, count in courses if count]
    if not counts:
        return like_nothing(like)
    mean = _mean(np.stack([means for means, count in courses if count]))
    base = mean[like.arms.index(like.baseline)]
    given, both = ~np.isnan(mean), ~np.isnan(mean - base)
    steps = np.rint(STEPS_PER_PCT * np.where(given, mean, 0.0)).astype(np.int64)
    change = np.rint(STEPS_PER_PCT * np.where(both, mean - base, 0.0)).astype(np.int64)
    return Courses(
        arms=like.arms,
        baseline=like.baseline,
        apnoeas=sum(counts),
        infants=len(counts),
        groups=given.astype(np.int64),
        total=steps,
        paired=both.astype(np.int64),
        difference=change,
        squares=change * change,
    )


def no_courses(arms: Sequence[str], baseline: str) -> Courses:
    """Give the sum of nothing.

    Parameters
    ----------
    arms : sequence of str
        Names of the arms.
    baseline : str
        One of them.

    Returns
    -------
    Courses
    """
    nothing = np.zeros((len(arms), len(SIGNALS), len(OFFSETS_S)), dtype=np.int64)
    return Courses(
        arms=tuple(arms), baseline=baseline, apnoeas=0, infants=0, groups=nothing, total=nothing,
        paired=nothing, difference=nothing, squares=nothing,
    )  # fmt: skip


def like_nothing(like: Courses) -> Courses:
    """Give the sum of nothing for the arms of another.

    Parameters
    ----------
    like : Courses
        Names the arms.

    Returns
    -------
    Courses
    """
    return no_courses(like.arms, like.baseline)


def add_courses(one: Courses, other: Courses) -> Courses:
    """Add the sums of two sets of nursing groups.

    Parameters
    ----------
    one, other : Courses
        Of the same arms.

    Returns
    -------
    Courses
    """
    return Courses(
        arms=one.arms,
        baseline=one.baseline,
        apnoeas=one.apnoeas + other.apnoeas,
        infants=one.infants + other.infants,
        groups=one.groups + other.groups,
        total=one.total + other.total,
        paired=one.paired + other.paired,
        difference=one.difference + other.difference,
        squares=one.squares + other.squares,
    )


__all__ = [
    "AFTER_S",
    "BEFORE_S",
    "OFFSETS_S",
    "SIGNALS",
    "STEPS_PER_PCT",
    "Courses",
    "add_courses",
    "apnoea_onsets",
    "group_courses",
    "infant_courses",
    "like_nothing",
    "no_courses",
]
