"""The convex problem inside the oracle: blocks of FiO2, their effects, least squares in limits."""

from __future__ import annotations

import math

import numpy as np

from .signals import FloatArray

#: FiO2 is moved in blocks of this length, and the effect of a block is taken
#: to be over after so many of them. A preterm lung follows FiO2 with a time
#: constant of 20 to 70 s after some 20 s, so 5 min hold nearly all of it.
BLOCK_S = 20
MEMORY_BLOCKS = 16

#: No effect is believed beyond this (points of SaO2 per step): more comes
#: from breathing events that happen in one of two runs and not in the other.
MOST_EFFECT = 3.0

#: No block moves further than this in one round (steps of the blender).
MOST_MOVE = 15.0

#: Squared points that one squared step costs, times the samples of a block;
#: it keeps blocks without effect where they are.
MOVE_COST = 1e-3

ITERATIONS = 150


def block_means(values: FloatArray) -> FloatArray:
    """Average over each block; the last may be shorter.

    Parameters
    ----------
    values : ndarray, shape (samples, lanes)

    Returns
    -------
    ndarray, shape (blocks, lanes)
    """
    starts = np.arange(0, len(values), BLOCK_S)
    lengths = np.minimum(starts + BLOCK_S, len(values)) - starts
    return np.asarray(np.add.reduceat(values, starts, axis=0) / lengths[:, np.newaxis])


def spread(blocks: FloatArray, samples: int) -> FloatArray:
    """Hold each block's value over its samples.

    Parameters
    ----------
    blocks : ndarray, shape (blocks, lanes)
    samples : int
        Length of the result.

    Returns
    -------
    ndarray, shape (samples, lanes)
    """
    return np.repeat(blocks, BLOCK_S, axis=0)[:samples]


def response(effect: FloatArray, moves: FloatArray) -> FloatArray:
    """Add up what moves do to the saturation.

    Parameters
    ----------
    effect : ndarray, shape (blocks, memory, BLOCK_S)
        Effect of a step in a block on the samples that follow.
    moves : ndarray, shape (blocks,)
        Steps.

    Returns
    -------
    ndarray, shape (blocks, BLOCK_S)
        Change of the saturation (points).
    """
    blocks = len(moves)
    change = np.zeros((blocks, effect.shape[2]))
    for later in range(min(effect.shape[1], blocks)):
        change[later:] += moves[: blocks - later, np.newaxis] * effect[: blocks - later, later]
    return change


def pulled_back(effect: FloatArray, values: FloatArray) -> FloatArray:
    """Apply the transpose of `response`.

    Parameters
    ----------
    effect : ndarray, shape (blocks, memory, BLOCK_S)
        As for `response`.
    values : ndarray, shape (blocks, BLOCK_S)
        One for each sample.

    Returns
    -------
    ndarray, shape (blocks,)
    """
    blocks = len(values)
    total = np.zeros(blocks)
    for later in range(min(effect.shape[1], blocks)):
        total[: blocks - later] += (effect[: blocks - later, later] * values[later:]).sum(axis=1)
    return total


def least_moves(
    effect: FloatArray,
    sao2_pct: FloatArray,
    weight: FloatArray,
    target_pct: tuple[float, float],
    lowest: FloatArray,
    highest: FloatArray,
) -> FloatArray:
    """Minimise the squared distance from the target that the effects predict.

    An accelerated projected gradient (Beck and Teboulle, SIAM J Imaging Sci
    2009;2:183; from memory), started anew where it would go uphill. Above the
    target counts everywhere here, for a move upwards puts an infant on oxygen.

    Parameters
    ----------
    effect : ndarray, shape (blocks, memory, BLOCK_S)
        Effect of a step in a block (points of saturation).
    sao2_pct : ndarray, shape (samples,)
        Saturation without moves (percent).
    weight : ndarray, shape (samples,)
        Weight of each sample.
    target_pct : tuple of float
        Ends of the target (percent).
    lowest, highest : ndarray, shape (blocks,)
        Limits of the moves (steps).

    Returns
    -------
    ndarray, shape (blocks,)
        Moves (steps).
    """
    blocks = len(effect)
    effect = np.minimum(np.maximum(effect, -MOST_EFFECT), MOST_EFFECT)
    spare = blocks * BLOCK_S - len(sao2_pct)
    now = np.pad(sao2_pct, (0, spare), mode="edge").reshape(blocks, BLOCK_S)
    weights = np.pad(weight, (0, spare)).reshape(blocks, BLOCK_S)
    low = np.minimum(np.maximum(lowest, -MOST_MOVE), 0.0)
    high = np.maximum(np.minimum(highest, MOST_MOVE), 0.0)
    cost = MOVE_COST * BLOCK_S
    rate = 1.0 / (_largest_eigenvalue(effect, weights) + cost)
    moves, ahead, momentum = np.zeros(blocks), np.zeros(blocks), 1.0
    for _ in range(ITERATIONS):
        expected = now + response(effect, ahead)
        inside = np.minimum(np.maximum(expected, target_pct[0]), target_pct[1])
        slope = pulled_back(effect, weights * (expected - inside)) + cost * ahead
        following = np.minimum(np.maximum(ahead - rate * slope, low), high)
        if float(np.sum(slope * (following - moves))) > 0.0:
            momentum = 1.0
        after = 0.5 * (1.0 + math.sqrt(1.0 + 4.0 * momentum * momentum))
        ahead = following + ((momentum - 1.0) / after) * (following - moves)
        moves, momentum = following, after
    return moves


def _largest_eigenvalue(effect: FloatArray, weights: FloatArray) -> float:
    """Bound the curvature: power iteration, with room for what it has not found yet."""
    vector = np.ones(len(effect))
    largest = 1.0
    for _ in range(30):
        image = pulled_back(effect, weights * response(effect, vector))
        largest = math.sqrt(float(np.sum(image * image)) / float(np.sum(vector * vector)))
        if largest == 0.0:
            return 1.0
        vector = image / largest
    return 1.1 * largest
