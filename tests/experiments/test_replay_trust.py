"""Cautions are read off a recording and its fit, never off a hidden truth."""

from types import SimpleNamespace

import numpy as np
import pytest

from oxytestbed.experiments.replay_trust import cautions, reach_pct, signs
from oxytestbed.experiments.replay_whatif import Movement

SECONDS, MEMBERS = 600, 4


def recovered(spo2_pct, *, changes=40, fitted_pct=None):
    level = float(np.nanmedian(spo2_pct)) if fitted_pct is None else fitted_pct
    body = SimpleNamespace(
        circulation_delay_s=np.full(MEMBERS, 7.0),
        spo2_bias_pct=np.array([-1.2, 1.2, -1.2, 1.2]),
    )
    fitted = np.full((SECONDS, MEMBERS), level) - body.spo2_bias_pct
    return SimpleNamespace(
        recording=SimpleNamespace(spo2_pct=spo2_pct),
        candidates=SimpleNamespace(infants=body),
        fitted_pct=fitted,
        movement=Movement(range_fraction=0.1, changes=changes),
    )


def names(own, middle=None):
    level = np.median(own.fitted_pct, axis=1) if middle is None else middle
    return [item.name for item in cautions(own, level)]


STEADY = np.full(SECONDS, 92.0)
EACH_FIFTH = np.where(np.arange(SECONDS) % 5 == 0, 0.0, 2.0)


def test_a_good_recording_raises_nothing():
    assert names(recovered(STEADY)) == []


@pytest.mark.parametrize(
    ("own", "name"),
    [
        (
            recovered(np.where(np.arange(SECONDS) % 5 == 0, 84.0, 86.0), fitted_pct=86.0),
            "deep falls",
        ),
        (recovered(98.0 - 0.5 * EACH_FIFTH, fitted_pct=97.0), "full"),
        (recovered(STEADY, changes=6), "few changes"),
        (recovered(STEADY, fitted_pct=94.0), "misfit"),
    ],
)
def test_each_caution_has_its_sign(own, name):
    assert names(own) == [name]


def test_a_what_if_that_leads_far_away_is_cautioned():
    own = recovered(STEADY)
    middle = np.median(own.fitted_pct, axis=1)
    assert reach_pct(own, middle + 5.0) == pytest.approx(5.0)
    assert names(own, middle + 5.0) == ["far"]


def test_a_lost_signal_counts_as_nothing():
    spo2 = STEADY.copy()
    spo2[:300] = np.nan
    assert signs(recovered(spo2)).low_share == 0.0
