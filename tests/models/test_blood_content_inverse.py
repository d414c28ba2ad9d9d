"""PO2 from oxygen content: right from any start, and each lane by itself."""

import numpy as np
import pytest

from oxytestbed.models import blood
from oxytestbed.models.errors import TestbedError


def lanes(count, seed=1):
    """PO2, capacity, P50 and content of random blood; PO2 log-uniform up to 1000 mmHg."""
    rng = np.random.default_rng(seed)
    po2 = 10.0 ** rng.uniform(-3.0, 3.0, count)
    hb, p50 = rng.uniform(3.0, 25.0, count), rng.uniform(15.0, 45.0, count)
    return po2, 0.0134 * hb, p50, blood.content(po2, hb, p50) / 100.0


@pytest.mark.parametrize(
    "start",
    [
        lambda po2: None,
        lambda po2: po2,
        lambda po2: po2 * 1.02,
        lambda po2: po2 + 1.0,
        lambda po2: np.zeros_like(po2),
        lambda po2: np.full_like(po2, 1000.0),
        lambda po2: np.full_like(po2, 1e4),
        lambda po2: np.full_like(po2, -1000.0),
        lambda po2: 1000.0 - po2,
    ],
)
def test_within_1e_9_from_cold_and_warm_starts(start):
    po2, capacity, p50, content = lanes(5000)
    found = blood.po2_from_content(content, capacity, p50, start(po2))
    assert np.max(np.abs(found - po2)) < 1e-9


def test_the_ends_of_the_range():
    """No oxygen; no haemoglobin (dissolved only); more than haemoglobin can hold."""
    content = np.array([0.0, 0.003, 0.25])
    capacity = np.array([0.2, 0.0, 0.2])
    found = blood.po2_from_content(content, capacity, np.full(3, 21.0))
    assert found[:2] == pytest.approx([0.0, 100.0], abs=1e-9)
    bound = 0.2 * blood.saturation(found[2], 21.0)
    assert bound + 0.00003 * found[2] == pytest.approx(0.25, abs=1e-15)


def test_content_and_po2_rise_together():
    content = np.linspace(0.0, 0.22, 500)
    found = blood.po2_from_content(content, np.full(500, 0.2), np.full(500, 20.0))
    assert np.all(np.diff(found) > 0)


def test_a_lane_has_the_bits_it_has_alone_whatever_the_others_need():
    po2, capacity, p50, content = lanes(400, seed=2)
    start = po2 * np.where(np.arange(400) % 3 == 0, 1.0 + 1e-4, 0.01)
    together = blood.po2_from_content(content, capacity, p50, start)
    for lane in range(400):
        one = slice(lane, lane + 1)
        alone = blood.po2_from_content(content[one], capacity[one], p50[one], start[one])
        assert alone[0] == together[lane]
    turned = blood.po2_from_content(content[::-1], capacity[::-1], p50[::-1], start[::-1])
    np.testing.assert_array_equal(turned[::-1], together)


def test_stacked_compartments_have_the_bits_of_rows():
    _, capacity, p50, content = lanes(60, seed=3)
    shape = (2, 30)
    stacked = blood.po2_from_content(*(a.reshape(shape) for a in (content, capacity, p50)))
    np.testing.assert_array_equal(stacked.ravel(), blood.po2_from_content(content, capacity, p50))


def test_solving_in_place_reuses_the_last_result_and_changes_no_input():
    po2, capacity, p50, content = lanes(50, seed=4)
    inverse = blood.ContentInverse(capacity, p50)
    kept, answer = content.copy(), np.full(50, 50.0)
    inverse.solve(content, answer)
    np.testing.assert_array_equal(content, kept)
    first = answer.copy()
    inverse.solve(content * 1.001, answer)
    assert np.all(answer > first)
    inverse.solve(content, answer)
    np.testing.assert_allclose(answer, po2, rtol=0, atol=1e-9)


def test_bad_input_is_refused_not_returned():
    capacity, p50 = np.full(2, 0.2), np.full(2, 21.0)
    for bad in (-0.001, np.nan):
        with pytest.raises(TestbedError, match="content_ml_ml: expected at least 0"):
            blood.po2_from_content(np.array([0.1, bad]), capacity, p50)
    with pytest.raises(TestbedError, match="a finite content and guess"):
        blood.po2_from_content(np.full(2, 0.1), capacity, p50, np.array([40.0, np.nan]))
    with pytest.raises(TestbedError, match="arrays of one shape"):
        blood.po2_from_content(np.full(3, 0.1), capacity, p50)
    with pytest.raises(TestbedError, match="p50_mmhg"):
        blood.ContentInverse(capacity, np.full(3, 21.0))
    with pytest.raises(TestbedError, match="capacity_ml_ml"):
        blood.ContentInverse(np.array([0.2, 20.0]), p50)
