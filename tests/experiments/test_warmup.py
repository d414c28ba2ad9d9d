"""The key outcomes again with other warm-ups."""

import numpy as np
import pytest

from oxytestbed.experiments.comparison_methods import warmup_sensitivity_table
from oxytestbed.experiments.warmup import WARMUP_OUTCOMES, warmup_rows, warmups_s
from oxytestbed.loop.counted import counted
from oxytestbed.loop.outcomes import outcomes_of
from oxytestbed.loop.trace import Trace


def trace(seconds=8000, warmup_s=1000):
    flat = np.ones(seconds)
    spo2 = 92 * flat
    spo2[1500:1600] = 75.0
    return Trace(
        spo2_pct=spo2,
        sao2_pct=spo2,
        pao2_mmhg=60 * flat,
        set_fio2=0.3 * flat,
        inspired_fio2=0.3 * flat,
        heart_rate_bpm=150 * flat,
        apnoea=np.zeros(seconds, dtype=np.int64),
        warmup_s=warmup_s,
    )


def counts(lane):
    displayed = counted(lane, 90, 95, true_signal=False)
    return {row["warmup_s"]: row for row in warmup_rows(displayed)}


@pytest.mark.parametrize(
    ("warmup_s", "wanted"),
    [(1000, (500, 1000, 2000)), (3000, (1500, 3000)), (6000, (3000, 6000)), (0, (0,))],
)
def test_warm_ups_leave_half_of_the_run_but_for_its_own(warmup_s, wanted):
    assert warmups_s(8000, warmup_s) == wanted


def test_the_warm_up_of_the_run_gives_the_outcomes_of_the_run():
    lane = trace()
    rows = counts(lane)
    whole = outcomes_of(lane, 90, 95)
    assert {name: rows[1000.0][name] for name in WARMUP_OUTCOMES} == {
        name: whole[name] for name in WARMUP_OUTCOMES
    }


def test_a_fall_inside_the_longer_warm_up_is_not_counted():
    rows = {
        row["warmup_s"]: row for row in warmup_rows(counted(trace(), 90, 95, true_signal=False))
    }
    burden = "hypoxia_burden_80_pct_s_per_h"
    assert rows[500.0][burden] == pytest.approx(100 * 5 / (7500 / 3600))
    assert rows[2000.0][burden] == 0.0


def test_the_report_shows_each_warm_up(comparison):
    table = warmup_sensitivity_table(comparison)
    assert table.head[3:-1] == ("15 min", "30 min (this run)", "60 min")
    assert len(table.rows) == 2 * len(WARMUP_OUTCOMES)
    assert {row.cells[-1] for row in table.rows} <= {"the same", "depends on the warm-up"}
