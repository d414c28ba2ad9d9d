import numpy as np
import pytest
from scipy import optimize

from oxytestbed.loop.oracle_steps import (
    BLOCK_S,
    MEMORY_BLOCKS,
    MOST_MOVE,
    MOVE_COST,
    block_means,
    least_moves,
    pulled_back,
    response,
    spread,
)

BLOCKS = 24
SAMPLES = BLOCKS * BLOCK_S - 7
TARGET = (91.0, 95.0)


@pytest.fixture
def effect():
    """First order with a dead time of one block: half a point per step, 50 s."""
    seconds = np.arange(MEMORY_BLOCKS * BLOCK_S, dtype=float)

    def step(after):
        return np.where(after > 20, 0.5 * (1 - np.exp(-np.maximum(after - 20, 0) / 50)), 0.0)

    kernel = (step(seconds) - step(seconds - BLOCK_S)).reshape(MEMORY_BLOCKS, BLOCK_S)
    return np.repeat(kernel[np.newaxis], BLOCKS, axis=0)


def dense(effect):
    """The same as a matrix, column by column."""
    return np.stack([response(effect, unit).ravel() for unit in np.eye(len(effect))], axis=1)


def test_the_transpose_is_the_transpose(effect):
    rng = np.random.default_rng(1)
    values = rng.normal(size=(BLOCKS, BLOCK_S))
    expected = dense(effect).T @ values.ravel()
    np.testing.assert_allclose(pulled_back(effect, values), expected, atol=1e-12)


def test_one_block_acts_on_what_follows(effect):
    change = response(effect, np.eye(BLOCKS)[3]).ravel()
    assert not change[: 3 * BLOCK_S + 20].any()
    assert change[5 * BLOCK_S] > 0
    np.testing.assert_allclose(change[3 * BLOCK_S :][: MEMORY_BLOCKS * BLOCK_S], effect[3].ravel())


def test_moves_agree_with_scipy(effect):
    """scipy.optimize.minimize (L-BFGS-B) on the same cost, from the dense matrix."""
    seconds = np.arange(SAMPLES)
    sao2 = 93.0 - 12.0 * np.exp(-(((seconds - 200.0) / 40.0) ** 2)) + 4.0 * (seconds > 350)
    matrix = dense(effect)[:SAMPLES]

    def cost(moves):
        reached = sao2 + matrix @ moves
        miss = reached - np.clip(reached, *TARGET)
        slope = 2 * matrix.T @ miss + 2 * MOVE_COST * BLOCK_S * moves
        return float(miss @ miss + MOVE_COST * BLOCK_S * moves @ moves), slope

    low, high = np.full(BLOCKS, -6.0), np.full(BLOCKS, 30.0)
    found = least_moves(effect, sao2, np.ones(SAMPLES), TARGET, low, high)
    bounds = list(zip(low, np.minimum(high, MOST_MOVE), strict=True))
    best = optimize.minimize(cost, np.zeros(BLOCKS), jac=True, bounds=bounds, method="L-BFGS-B")
    assert cost(np.zeros(BLOCKS))[0] > 3 * best.fun
    assert cost(found)[0] <= 1.02 * best.fun
    assert (found >= low).all() and (found <= MOST_MOVE).all()


def test_samples_without_weight_move_nothing(effect):
    sao2 = np.full(SAMPLES, 80.0)
    wide = np.full(BLOCKS, 50.0)
    found = least_moves(effect, sao2, np.zeros(SAMPLES), TARGET, -wide, wide)
    np.testing.assert_array_equal(found, np.zeros(BLOCKS))


def test_blocks_are_averaged_and_held():
    values = np.arange(50.0)[:, np.newaxis]
    means = block_means(values)
    np.testing.assert_allclose(means[:, 0], [9.5, 29.5, 44.5])
    held = spread(means, 50)
    assert held.shape == (50, 1) and held[39, 0] == 29.5 and held[49, 0] == 44.5
