"""When breathing events come: a hidden Markov chain sets the rate of a Poisson process."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .infants import FloatArray

# That the chain has four states, with lives from about 10 s to 12 h,
# is from Clark, Physiol Meas 2016 (PMC5293178); how the states follow each
# other and their relative rates are assumptions that give volleys of apnoeas
# inside restless hours.
#: Mean life of each state: steady, restless, recurrent, volley (s).
STATE_LIFE_S = (43200.0, 3600.0, 300.0, 10.0)
#: Probability that a state (row) is followed by another (column).
STATE_NEXT = (
    (0.0, 0.5, 0.5, 0.0),
    (0.15, 0.0, 0.85, 0.0),
    (0.0, 0.5, 0.0, 0.5),
    (0.0, 0.0, 1.0, 0.0),
)
#: Relative number of visits in the long run; solves ``visits = visits @ STATE_NEXT``.
STATE_VISITS = (0.15, 1.0, 1.85, 0.925)
#: Rate of events in each state, relative to the others.
STATE_RATE = (0.5, 1.2, 5.0, 20.0)

_BLOCK = 256


@dataclass(frozen=True, kw_only=True)
class Clock:
    """The path of a chain, as time that runs at the rate of the state.

    Attributes
    ----------
    edges_s : ndarray, shape (states + 1,)
        When each state begins, from 0 (s).
    counted_s : ndarray, shape (states + 1,)
        Counting time at the edges (s); in the long run as fast as real time.
    """

    edges_s: FloatArray
    counted_s: FloatArray


def draw_clock(rng: np.random.Generator, until_s: int) -> Clock:
    """Draw the path of the chain, from its stationary state.

    Parameters
    ----------
    rng : numpy.random.Generator
        For nothing else than this path.
    until_s : int
        Time to reach (s). The last state is not cut there, so that a longer
        path begins with the same bits.

    Returns
    -------
    Clock
    """
    occupancy = [visits * life for visits, life in zip(STATE_VISITS, STATE_LIFE_S, strict=True)]
    weighted = [share * rate for share, rate in zip(occupancy, STATE_RATE, strict=True)]
    mean_rate = sum(weighted) / sum(occupancy)
    state = _choose(rng, occupancy)
    edges_s, counted_s = [0.0], [0.0]
    while edges_s[-1] < until_s:
        life_s = rng.standard_exponential() * STATE_LIFE_S[state]
        edges_s.append(edges_s[-1] + life_s)
        counted_s.append(counted_s[-1] + life_s * STATE_RATE[state] / mean_rate)
        state = _choose(rng, STATE_NEXT[state])
    return Clock(edges_s=np.array(edges_s), counted_s=np.array(counted_s))


def draw_onsets(rng: np.random.Generator, clock: Clock, rate_per_s: float) -> NDArray[np.int64]:
    """Draw a Poisson process whose rate follows the chain, as far as its path goes.

    Parameters
    ----------
    rng : numpy.random.Generator
        For nothing else than these times.
    clock : Clock
        Path of the chain.
    rate_per_s : float
        Rate in the long run (1/s).

    Returns
    -------
    ndarray of int, shape (onsets,)
        Whole seconds, rising, not always strictly.
    """
    if rate_per_s <= 0:
        return np.zeros(0, dtype=np.int64)
    gaps_s = [np.zeros(0)]
    times_s = gaps_s[0]
    while len(times_s) == 0 or times_s[-1] < clock.counted_s[-1]:
        gaps_s.append(rng.standard_exponential(_BLOCK) / rate_per_s)
        times_s = np.cumsum(np.concatenate(gaps_s))
    times_s = times_s[times_s < clock.counted_s[-1]]
    onset_s = np.interp(times_s, clock.counted_s, clock.edges_s)
    return np.asarray(onset_s.astype(np.int64))


def _choose(rng: np.random.Generator, weights: Sequence[float]) -> int:
    """Choose a place by its weight."""
    left = rng.random() * sum(weights)
    for place, weight in enumerate(weights):
        left -= weight
        if left < 0:
            return place
    return max(place for place, weight in enumerate(weights) if weight > 0)
