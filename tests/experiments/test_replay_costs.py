"""What a sample of SpO2 weighs in a fit."""

import numpy as np
import pytest

from oxytestbed.experiments.replay_costs import NOISE_PCT, misfits, precision, tempered
from oxytestbed.models.oximeter_noise import WIDER_FACTOR


def test_a_sample_weighs_less_where_the_noise_is_wider_and_nothing_where_none_is():
    mean_pct = np.array([[97.0], [90.0], [89.9], [70.0], [np.nan]])
    weight = precision(mean_pct, np.array([[5], [5], [5], [1], [0]]))[:, 0]
    usual = 1.0 / NOISE_PCT**2
    wider = usual / WIDER_FACTOR**2
    assert weight.tolist() == pytest.approx([usual, usual, wider, wider, 0.0])


def test_a_far_sample_pulls_less_than_a_square_would_have_it():
    miss, weight = np.array([[1.0], [20.0]]), np.ones((2, 1))
    assert (tempered(weight, miss, 8.0) < 9.0 / 8.0 * weight).all()
    assert (np.diff(tempered(weight, miss, 8.0), axis=0) < 0).all()
    assert misfits(weight, miss, 8.0)[1, 0] < 0.5 * 20.0**2
