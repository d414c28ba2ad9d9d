"""Find episodes in a 1 Hz record: run-length encoding with two rules for gaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..models.errors import problem

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

#: A gap or a stretch without signal of this many seconds ends an episode;
#: a shorter one does not.
GAP_S = 10


@dataclass(frozen=True, kw_only=True)
class Episodes:
    """Episodes of one lane, in order of time.

    Attributes
    ----------
    start : ndarray of int, shape (episodes,)
        Sample at which each begins.
    duration_s : ndarray of int, shape (episodes,)
        Samples x 1 s from the first to the last sample that meets the
        condition, both counted, with the gaps that were merged.
    """

    start: IntArray
    duration_s: IntArray

    def __len__(self) -> int:
        return len(self.start)

    @property
    def end(self) -> IntArray:
        """First sample after each episode, shape (episodes,)."""
        return self.start + self.duration_s

    def count(self, at_least_s: int) -> int:
        """Count the episodes of at least a given duration.

        Parameters
        ----------
        at_least_s : int
            Shortest duration that counts (s).

        Returns
        -------
        int
        """
        return int(np.count_nonzero(self.duration_s >= at_least_s))


def runs(mask: BoolArray) -> tuple[IntArray, IntArray]:
    """Find the stretches in which a mask is true.

    Parameters
    ----------
    mask : ndarray of bool, shape (samples,)

    Returns
    -------
    start, end : ndarray of int, shape (stretches,)
        First sample of each stretch, and first sample after it.
    """
    if not mask.any():
        empty = np.zeros(0, dtype=np.int64)
        return empty, empty
    (inner,) = (mask[1:] != mask[:-1]).nonzero()
    begins = int(mask[0])  # the first stretch may begin with the record, the last end with it
    edges = np.zeros(begins + len(inner) + int(mask[-1]), dtype=np.int64)
    np.add(inner, 1, out=edges[begins : begins + len(inner)])
    if mask[-1]:
        edges[-1] = len(mask)
    return edges[0::2], edges[1::2]


def find_episodes(
    condition: BoolArray,
    valid: BoolArray,
    *,
    merge_gap_s: int = GAP_S,
    bridge_invalid_s: int = GAP_S,
    first: int = 0,
) -> Episodes:
    """Find the episodes in which a condition holds.

    An episode begins and ends with a valid sample that meets the condition. Two stretches
    are one episode when fewer than `merge_gap_s` samples lie between them,
    valid or not, or only invalid ones and fewer than `bridge_invalid_s`. What
    lies between then counts towards the duration. An invalid stretch of
    `bridge_invalid_s` or more always ends the episode. An episode still going
    at the end of the record counts with the duration that it has reached.

    Parameters
    ----------
    condition : ndarray of bool, shape (samples,)
        Whether a sample meets the condition; ignored where invalid.
    valid : ndarray of bool, shape (samples,)
        Whether a sample has a value.
    merge_gap_s, bridge_invalid_s : int
        Shortest gap, and shortest invalid stretch, that end an episode (s).
    first : int
        An episode that began before this sample is dropped as a whole.

    Returns
    -------
    Episodes

    Raises
    ------
    TestbedError
        If the two arrays differ in shape.
    """
    if condition.shape != valid.shape:
        raise problem("find_episodes", f"valid of shape {condition.shape}", valid.shape)
    start, end = runs(condition & valid)
    if len(start):
        parted = ~_joined(end[:-1], start[1:], valid, merge_gap_s, bridge_invalid_s)
        start = start[np.concatenate(([True], parted))]
        end = end[np.concatenate((parted, [True]))]
    kept = start >= first
    return Episodes(start=start[kept], duration_s=(end - start)[kept])


def _joined(
    gap_start: IntArray,
    gap_end: IntArray,
    valid: BoolArray,
    merge_gap_s: int,
    bridge_invalid_s: int,
) -> BoolArray:
    """Say for each gap whether the episode goes on across it."""
    lost_start, lost_end = runs(~valid)
    lost_s = lost_end - lost_start
    too_long = lost_start[lost_s >= bridge_invalid_s]
    cut = np.searchsorted(too_long, gap_end) > np.searchsorted(too_long, gap_start)
    total_lost = np.concatenate(([0], np.cumsum(lost_s)))
    lost_in_gap = (
        total_lost[np.searchsorted(lost_start, gap_end)]
        - total_lost[np.searchsorted(lost_start, gap_start)]
    )
    gap_s = gap_end - gap_start
    joined: BoolArray = ~cut & ((gap_s < merge_gap_s) | (lost_in_gap == gap_s))
    return joined
