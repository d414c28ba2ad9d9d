import numpy as np
import pytest

from oxytestbed.loop.counted import counted
from oxytestbed.loop.criterion import criterion_j, criterion_of
from oxytestbed.loop.outcomes import OUTCOMES, outcomes_of
from oxytestbed.loop.trace import Trace


def trace(sao2, fio2, warmup_s=0):
    count = len(sao2)
    return Trace(
        spo2_pct=np.full(count, np.nan),
        sao2_pct=np.array(sao2, dtype=float),
        pao2_mmhg=np.full(count, 60.0),
        set_fio2=np.array(fio2, dtype=float),
        inspired_fio2=np.full(count, 0.3),
        heart_rate_bpm=np.full(count, 150.0),
        apnoea=np.zeros(count, dtype=np.int64),
        warmup_s=warmup_s,
    )


def test_by_hand():
    """Below by 3, on both ends, above by 2 on oxygen, above by 4 in air."""
    lane = trace([88, 91, 95, 97, 99], [0.3, 0.3, 0.3, 0.22, 0.21])
    assert criterion_j(lane, 91, 95) == pytest.approx(3600 * (9 + 4) / 5)


def test_fractions_of_a_percent_count():
    assert criterion_j(trace([90.5], [0.3]), 91, 95) == pytest.approx(3600 * 0.25)


def test_the_warm_up_is_left_out():
    assert criterion_j(trace([50, 50, 90], [0.3] * 3, warmup_s=2), 91, 95) == pytest.approx(3600)


def test_the_missing_display_plays_no_part():
    lane = trace([88, 97], [0.3, 0.3])
    assert criterion_of(counted(lane, 91, 95, true_signal=True)) == pytest.approx(3600 * 13 / 2)


def test_it_is_among_the_outcomes_on_the_true_signal():
    lane = trace([88, 91, 95, 97, 99], [0.3, 0.3, 0.3, 0.22, 0.21])
    described = OUTCOMES["criterion_j_sao2"]
    assert described.true_signal and described.direction == "lower better"
    found = outcomes_of(lane, 91, 95)["criterion_j_sao2"]
    assert found == criterion_j(lane, 91, 95) > 0
