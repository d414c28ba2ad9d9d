"""The oracle: the best course of FiO2 in hindsight, a yardstick for every arm.

It is not a controller. It knows each infant's whole future and the true SaO2,
and searches the course of FiO2 that makes `J` (`criterion`) least, through the
same blender, limits and delays. So it bounds the mean of `J`; for other
outcomes it is only shown beside the arms.

The search is Gauss-Newton on blocks of FiO2. A small change of a block is
felt for some minutes only, so one run with every 16th block changed tells the
effect of all of them (Curtis, Powell and Reid, J Inst Math Appl 1974;13:117;
from memory). The convex problem within limits is solved by `least_moves`, and
several lengths of the step are tried on the real plant, each stretch of time
keeping the one that suits it. The search starts from the best arm's own
course, so the result is never worse than that arm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..models.errors import problem
from .bench import BenchSpec, Run
from .criterion import squared_distance
from .open_loop import replay, replay_fully
from .oracle_steps import BLOCK_S, MEMORY_BLOCKS, block_means, least_moves, spread
from .signals import FloatArray
from .trace import Trace

#: Name of the oracle in tables.
ORACLE = "oracle"

#: Points of FiO2 by which a block is changed to see its effect; several, for
#: the blender turns in whole ones.
PROBE_POINTS = 4.0

#: Share of the computed step that is tried on the plant; beyond 1 because the
#: effect of FiO2 is often stronger than at the point where it was seen.
STEP_SHARES = (0.2, 0.5, 1.0, 1.6)

#: A stretch keeps the share that suits it best (blocks); what it does is seen
#: from and until so many seconds after its beginning and its end.
STRETCH_BLOCKS = 12
SEEN_FROM_S, SEEN_UNTIL_S = 10, 60

#: The search ends for an infant that gains less than this share in a round.
LEAST_GAIN = 0.002

DEFAULT_ROUNDS = 8

#: Lanes that a round runs for each infant: probes, steps that are tried, what is kept.
LANES_A_ROUND = MEMORY_BLOCKS + len(STEP_SHARES) + 2


@dataclass(frozen=True, kw_only=True)
class OracleResult:
    """The best courses that were found.

    Attributes
    ----------
    course : ndarray, shape (duration_s, infants)
        FiO2 asked of the blender (fraction).
    start_arm : tuple of str
        The arm from whose course each infant's search began.
    squares_start, squares : ndarray, shape (infants,)
        Integral of the squared distance after the warm-up, at the beginning
        and at the end (percent squared x s).
    rounds : int
        Rounds of the search.
    run : Run
        The course run through the plant, with one arm named "oracle".
    """

    course: FloatArray
    start_arm: tuple[str, ...]
    squares_start: FloatArray
    squares: FloatArray
    rounds: int
    run: Run

    def trace(self, place: int) -> Trace:
        """Take out one infant.

        Parameters
        ----------
        place : int
            Place of the infant in the run.

        Returns
        -------
        Trace
        """
        return self.run.trace(place, ORACLE)


def find_oracle(
    run: Run,
    *,
    rounds: int = DEFAULT_ROUNDS,
    progress: Callable[[int, int], None] | None = None,
) -> OracleResult:
    """Search each infant's best course of FiO2 in hindsight.

    Parameters
    ----------
    run : Run
        The arms to start from, on the infants to search for; at least one
        arm without an error.
    rounds : int
        Most rounds of the search.
    progress : callable, optional
        Called with rounds done and to do.

    Returns
    -------
    OracleResult
        Of each infant, never worse than the best arm of the run.

    Raises
    ------
    TestbedError
        If every arm of the run has failed.
    """
    spec = run.spec
    course, start_arm, squares_start = _best_arms(run)
    best, least = course.copy(), squares_start.copy()
    sao2 = replay(spec, course[:, np.newaxis])[:, 0]
    searching = np.ones(len(least), dtype=np.bool_)
    done = 0
    while done < rounds and searching.any():
        before = least.copy()
        places = np.flatnonzero(searching)
        part = _Part(spec, places)
        moves = part.moves(course[:, places], sao2[:, places])
        tried = part.tried(course[:, places], moves)
        felt = replay(part.spec, tried)
        part.keep_best(tried, felt, best, least)
        joined = part.joined(tried, felt)
        reached = replay(part.spec, joined[:, np.newaxis])
        part.keep_best(joined[:, np.newaxis], reached, best, least)
        course[:, places], sao2[:, places] = joined, reached[:, 0]
        done += 1
        searching &= least < (1.0 - LEAST_GAIN) * before
        if progress:
            progress(done, rounds)
    full = replay_fully(spec, best, ORACLE)
    return OracleResult(
        course=best,
        start_arm=start_arm,
        squares_start=squares_start,
        squares=least,
        rounds=done,
        run=full,
    )


def _best_arms(run: Run) -> tuple[FloatArray, tuple[str, ...], FloatArray]:
    """Take, for each infant, the course of the arm with the least squares."""
    spec = run.spec
    names = [arm.name for arm in spec.arms if arm.name not in run.errors]
    if not names:
        raise problem("find_oracle", "an arm without an error", run.errors)
    count = len(spec.infants)
    step = spec.gas.blender_step
    course = np.empty((spec.duration_s, count))
    least = np.full(count, np.inf)
    chosen = [""] * count
    for name in names:
        for place in range(count):
            trace = run.trace(place, name)
            squares = _squares(spec, trace.sao2_pct, trace.set_fio2)
            if squares < least[place]:
                least[place], chosen[place] = squares, name
                course[:, place] = np.rint(trace.set_fio2 / step) * step
    return course, tuple(chosen), least


def _squares(spec: BenchSpec, sao2_pct: FloatArray, fio2: FloatArray) -> float:
    """Sum the squares of one lane after the warm-up."""
    low, high = spec.target_low_pct, spec.target_high_pct
    counted = slice(spec.warmup_s, None)
    lane = np.ascontiguousarray(sao2_pct[counted]), np.ascontiguousarray(fio2[counted])
    return float(np.sum(squared_distance(*lane, low, high)))


class _Part:
    """One round of the search, for the infants that still gain by it."""

    def __init__(self, spec: BenchSpec, places: NDArray[np.int64]) -> None:
        self.places = places
        self.spec = replace(spec, infants=spec.infants.take(places), groups=spec.groups[places])
        self._points = 1.0 / spec.gas.blender_step
        self._low = np.ceil(spec.gas.fio2_min * self._points - 1e-9)
        self._high = np.floor(spec.gas.fio2_max * self._points + 1e-9)

    def moves(self, course: FloatArray, sao2: FloatArray) -> FloatArray:
        """Compute the step of each block, shape (blocks, infants), in blender steps."""
        mean = block_means(course * self._points)
        probe = PROBE_POINTS * 0.01 * self._points
        signed = np.where(mean + probe > self._high, -probe, probe)
        changed = replay(self.spec, self._probes(course, signed))
        moves = np.zeros_like(mean)
        weight = np.ones(len(sao2))
        weight[: self.spec.warmup_s] = 0.0
        for lane in range(len(self.places)):
            effect = _effects(changed[:, :, lane] - sao2[:, lane, np.newaxis], signed[:, lane])
            moves[:, lane] = least_moves(
                effect,
                np.ascontiguousarray(sao2[:, lane]),
                weight,
                (self.spec.target_low_pct, self.spec.target_high_pct),
                self._low - mean[:, lane],
                self._high - mean[:, lane],
            )
        return moves

    def _probes(self, course: FloatArray, signed: FloatArray) -> FloatArray:
        """Copy the course once for each place in the memory, every such block changed."""
        copies = np.repeat(course[:, np.newaxis], MEMORY_BLOCKS, axis=1)
        change = signed / self._points
        for block in range(len(signed)):
            rows = slice(block * BLOCK_S, (block + 1) * BLOCK_S)
            copies[rows, block % MEMORY_BLOCKS] += change[block]
        return copies

    def tried(self, course: FloatArray, moves: FloatArray) -> FloatArray:
        """Make the courses to try, shape (samples, shares, infants)."""
        step = spread(moves, len(course))
        courses = [self._settable(course * self._points + share * step) for share in STEP_SHARES]
        return np.stack([course, *courses], axis=1)

    def _settable(self, points: FloatArray) -> FloatArray:
        """Round to blender steps so that the running sum stays the same."""
        limited = np.minimum(np.maximum(points, self._low), self._high)
        whole = np.diff(np.floor(np.cumsum(limited, axis=0) + 0.5), axis=0, prepend=0.0)
        # The very first step carries the rounding of the sum's beginning.
        return np.minimum(np.maximum(whole, self._low), self._high) / self._points

    def keep_best(
        self, courses: FloatArray, sao2: FloatArray, best: FloatArray, least: FloatArray
    ) -> None:
        """Note, for each infant, the best whole course so far."""
        for copy in range(courses.shape[1]):
            for lane, place in enumerate(self.places.tolist()):
                squares = _squares(self.spec, sao2[:, copy, lane], courses[:, copy, lane])
                if squares < least[place]:
                    least[place] = squares
                    best[:, place] = courses[:, copy, lane]

    def joined(self, courses: FloatArray, sao2: FloatArray) -> FloatArray:
        """Join, stretch by stretch, the courses that did best there."""
        low, high = self.spec.target_low_pct, self.spec.target_high_pct
        squares = squared_distance(sao2, courses, low, high)
        squares[: self.spec.warmup_s] = 0.0
        total = np.cumsum(np.concatenate([np.zeros((1, *squares.shape[1:])), squares]), axis=0)
        length, last = STRETCH_BLOCKS * BLOCK_S, len(squares)
        joined = courses[:, 0].copy()
        for start in range(0, last, length):
            seen = min(start + SEEN_FROM_S, last), min(start + length + SEEN_UNTIL_S, last)
            choice = np.argmin(total[seen[1]] - total[seen[0]], axis=0)
            for lane in range(len(self.places)):
                rows = slice(start, start + length)
                joined[rows, lane] = courses[rows, choice[lane], lane]
        return joined


def _effects(change: FloatArray, signed: FloatArray) -> FloatArray:
    """Cut out what each block's change did, per step: (blocks, memory, BLOCK_S)."""
    blocks = len(signed)
    padded = np.zeros(((blocks + MEMORY_BLOCKS) * BLOCK_S, change.shape[1]))
    padded[: len(change)] = change
    windows = [
        padded[b * BLOCK_S : (b + MEMORY_BLOCKS) * BLOCK_S, b % MEMORY_BLOCKS] / signed[b]
        for b in range(blocks)
    ]
    return np.stack(windows).reshape(blocks, MEMORY_BLOCKS, BLOCK_S)
