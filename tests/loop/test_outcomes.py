"""Outcomes on short traces whose answers are worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from oxytestbed.loop.outcomes import OUTCOMES, outcomes_of
from oxytestbed.loop.rounding import whole_percent
from oxytestbed.loop.trace import Trace

HOUR = 3600
NAN = float("nan")
Runs = list[tuple[float, int]]


def expand(stretches: Runs | float, samples: int) -> np.ndarray:
    """Write out (value, seconds) runs; a single number fills the trace."""
    if isinstance(stretches, float | int):
        return np.full(samples, float(stretches))
    values, lengths = zip(*stretches, strict=True)
    return np.repeat(np.array(values, dtype=float), lengths)


def trace_of(
    spo2: Runs,
    *,
    fio2: Runs | float = 0.30,
    sao2: Runs | float = 92.0,
    pao2: Runs | float = 60.0,
    heart: Runs | float = 150.0,
    warmup_s: int = 0,
) -> Trace:
    shown = expand(spo2, 0)
    samples = len(shown)
    set_fio2 = expand(fio2, samples)
    return Trace(
        spo2_pct=shown,
        sao2_pct=expand(sao2, samples),
        pao2_mmhg=expand(pao2, samples),
        set_fio2=set_fio2,
        inspired_fio2=set_fio2.copy(),
        heart_rate_bpm=expand(heart, samples),
        apnoea=np.zeros(samples, dtype=np.int64),
        warmup_s=warmup_s,
    )


def of(trace: Trace, low: float = 90.0, high: float = 95.0) -> dict[str, float]:
    return outcomes_of(trace, low, high)


def test_halves_are_rounded_upwards() -> None:
    # NumPy's own rounding would give 88 and 90 for the first two.
    assert whole_percent(np.array([88.5, 89.5, 89.49, 90.0])).tolist() == [89, 90, 89, 90]
    assert np.isnan(whole_percent(np.array([np.nan]))).all()


def test_target_range_includes_both_ends() -> None:
    # 4 h, one at each of 89, 90, 95, 96: in 2/4, below 1/4, above 1/4.
    got = of(trace_of([(89, HOUR), (90, HOUR), (95, HOUR), (96, HOUR)]))
    assert got["time_in_target_pct"] == 50.0
    assert got["time_below_target_pct"] == 25.0
    assert got["time_above_target_pct"] == 25.0
    # "Above 95" is strict: the hour at 95 does not count, the hour at 96 does.
    assert got["time_above_95_pct"] == 25.0


def test_limits_of_85_80_and_98_are_strict() -> None:
    # 8 x 1000 s at 79, 80, 84, 85, 95, 96, 98, 99: below 80: 79. Below 85: 79, 80, 84.
    # Above 95: 96, 98, 99. Above 98: 99.
    levels = (79, 80, 84, 85, 95, 96, 98, 99)
    got = of(trace_of([(level, 1000) for level in levels]))
    assert got["time_below_80_pct"] == 12.5
    assert got["time_below_85_pct"] == 37.5
    assert got["time_above_95_pct"] == 37.5
    assert got["time_above_98_pct"] == 12.5


def test_true_saturation_is_rounded_before_counts_but_not_before_areas() -> None:
    # 89.5 counts as 90: in target. 89.49 counts as 89: below. 95.49 as 95: in. 95.5 as 96: above.
    sao2 = [(89.5, HOUR), (89.49, HOUR), (95.49, HOUR), (95.5, HOUR)]
    got = of(trace_of([(92, 4 * HOUR)], sao2=sao2))
    assert got["time_in_target_pct_sao2"] == 50.0
    assert got["time_below_target_pct_sao2"] == 25.0
    assert got["time_above_target_pct_sao2"] == 25.0
    # Areas: below 90: (0.5 + 0.51) x 3600 over 4 h = 909; above 95: (0.49 + 0.5) x 900 = 891.
    assert got["hypoxia_burden_target_pct_s_per_h_sao2"] == pytest.approx(909.0)
    assert got["hyperoxia_burden_pct_s_per_h_sao2"] == pytest.approx(891.0)
    # The displayed SpO2 was 92 all the time.
    assert got["time_in_target_pct"] == 100.0
    assert got["hypoxia_burden_target_pct_s_per_h"] == 0.0


def test_true_episodes_are_of_rounded_saturation() -> None:
    # 79.5 counts as 80 and is no episode; 79.49 counts as 79 and is one of 20 s.
    # 98.5 counts as 99 and is one of 20 s; 98.49 counts as 98.
    sao2 = [(92.0, HOUR), (79.5, 20), (92.0, HOUR), (79.49, 20), (92.0, HOUR), (98.5, 20)]
    sao2 += [(92.0, HOUR), (98.49, 20), (92.0, 2 * HOUR - 80)]
    got = of(trace_of([(92, 6 * HOUR)], sao2=sao2))
    # 1 episode in 6 h is 4 in 24 h.
    assert got["episodes_below_80_10s_per_24h_sao2"] == 4.0
    assert got["episodes_above_98_10s_per_24h_sao2"] == 4.0
    assert got["episodes_below_80_10s_per_24h"] == 0.0


@pytest.mark.parametrize(
    ("fio2", "on_oxygen"),
    [
        (0.21, False),
        (0.214, False),  # 21.4 % is 21 whole percent
        (0.215, True),  # 21.5 % is 22 whole percent, half-up
        (0.22, True),
        (float(np.float32(0.22)), True),  # 0.2199999988
        (float(np.float32(0.21)), False),
    ],
)
def test_on_oxygen_is_a_set_fio2_of_22_whole_percent(fio2: float, on_oxygen: bool) -> None:
    got = of(trace_of([(92, 2 * HOUR)], fio2=fio2))
    assert got["on_oxygen_h"] == (2.0 if on_oxygen else 0.0)


def test_the_two_conventions_for_room_air() -> None:
    # On oxygen: 1 h at 88, 2 h at 92, 1 h at 99. In room air: 1 h at 88, 1 h at 92, 2 h at 99.
    spo2 = [(88, HOUR), (92, 2 * HOUR), (99, HOUR), (88, HOUR), (92, HOUR), (99, 2 * HOUR)]
    got = of(trace_of(spo2, fio2=[(0.30, 4 * HOUR), (0.21, 4 * HOUR)]))
    # (a): the 4 h on oxygen alone.
    assert got["time_below_target_pct"] == 25.0
    assert got["time_in_target_pct"] == 50.0
    assert got["time_above_target_pct"] == 25.0
    assert got["time_above_98_pct"] == 25.0
    # (b): 8 h. Below 2, in 3 + 2 above range in air = 5, above 1.
    assert got["time_below_target_pct_b"] == 25.0
    assert got["time_in_target_pct_b"] == 62.5
    assert got["time_above_target_pct_b"] == 12.5
    assert got["time_above_98_pct_b"] == 12.5
    # Burden: 4 % x 3600 s on oxygen over 8 valid h; the hours in air do not count.
    assert got["hyperoxia_burden_pct_s_per_h"] == pytest.approx(4 * 3600 / 8)
    # Hypoxia in air does count: 2 % x 7200 s over 8 h.
    assert got["hypoxia_burden_target_pct_s_per_h"] == pytest.approx(2 * 7200 / 8)


@pytest.mark.parametrize("suffix", ["", "_sao2", "_b", "_b_sao2"])
def test_in_below_and_above_add_up_to_100(suffix: str) -> None:
    rng = np.random.default_rng(4)
    samples = 3 * HOUR
    spo2 = rng.integers(70, 101, samples).astype(float)
    spo2[rng.random(samples) < 0.1] = np.nan
    trace = replace(
        trace_of([(92, samples)]),
        spo2_pct=spo2,
        sao2_pct=rng.uniform(70, 100, samples),
        set_fio2=rng.choice([0.21, 0.22, 0.4], samples),
    )
    got = of(trace)
    parts = [got[f"time_{part}_target_pct{suffix}"] for part in ("below", "in", "above")]
    assert min(parts) > 0.0
    assert sum(parts) == pytest.approx(100.0, abs=1e-9)


def test_under_one_hour_on_oxygen_is_left_out_of_convention_a() -> None:
    # Exactly 3600 valid samples on oxygen are not under 1 h; 3599 are.
    for on_oxygen_s, left_out in ((3600, False), (3599, True)):
        fio2 = [(0.30, on_oxygen_s), (0.21, 2 * HOUR - on_oxygen_s)]
        got = of(trace_of([(92, 2 * HOUR)], fio2=fio2))
        assert got["left_out"] == float(left_out)
        assert np.isnan(got["time_in_target_pct"]) == left_out
        assert np.isnan(got["pao2_above_80_pct"]) == left_out
        # Convention (b) and rates per hour leave nobody out.
        assert got["time_in_target_pct_b"] == 100.0
        assert got["hypoxia_burden_80_pct_s_per_h"] == 0.0


def test_lost_signal_is_reported_and_out_of_the_denominator() -> None:
    # 1 h at 92, 1 h lost, 1 h at 79, 1 h at 99, all on oxygen: thirds of 3 valid hours.
    got = of(trace_of([(92, HOUR), (NAN, HOUR), (79, HOUR), (99, HOUR)], sao2=92.0))
    assert got["missing_signal_pct"] == 25.0
    assert (got["valid_h"], got["on_oxygen_h"], got["valid_on_oxygen_h"]) == (3.0, 4.0, 3.0)
    assert got["time_below_80_pct"] == pytest.approx(100 / 3)
    assert got["time_in_target_pct_b"] == pytest.approx(100 / 3)
    # 1 % x 3600 s over 3 valid hours.
    assert got["hypoxia_burden_80_pct_s_per_h"] == pytest.approx(1200.0)
    # One episode in 3 valid hours is 8 in 24 h.
    assert got["episodes_below_80_180s_per_24h"] == pytest.approx(8.0)
    # The true saturation is known throughout: 92 in all 4 h.
    assert got["time_in_target_pct_sao2"] == 100.0


def test_lost_signal_can_leave_an_infant_out() -> None:
    # 2 h on oxygen, but one sample short of 1 h with a reading.
    got = of(trace_of([(92, 3599), (NAN, 3601)]))
    assert got["left_out"] == 1.0
    assert np.isnan(got["time_in_target_pct"])
    assert got["time_in_target_pct_sao2"] == 100.0


def test_warmup_is_not_counted() -> None:
    # The first hour, at 70 with FiO2 0.60, is warm-up; then 2 h at 92 with 0.30.
    trace = trace_of(
        [(70, HOUR), (92, 2 * HOUR)],
        sao2=[(70.0, HOUR), (92.0, 2 * HOUR)],
        fio2=[(0.60, HOUR), (0.30, 2 * HOUR)],
        warmup_s=HOUR,
    )
    got = of(trace)
    assert got["time_in_target_pct"] == got["time_in_target_pct_sao2"] == 100.0
    assert got["hypoxia_burden_80_pct_s_per_h"] == got["episodes_below_80_10s_per_24h"] == 0.0
    assert got["mean_fio2_pct"] == pytest.approx(30)
    assert got["valid_h"] == 2.0
    # The step into the first counted sample is one change of 30 points in 2 h.
    assert got["fio2_changes_per_h"] == 0.5
    assert got["fio2_travel_pct_per_h"] == pytest.approx(15.0)


def test_an_episode_from_the_warmup_is_dropped_but_its_time_counts() -> None:
    # Below 80 from 10 s before the end of the warm-up to 30 s after it; then 3 h in all.
    spo2 = [(92, HOUR - 10), (75, 40), (92, 3 * HOUR - 30)]
    got = of(trace_of(spo2, warmup_s=HOUR))
    assert got["episodes_below_80_10s_per_24h"] == 0.0
    assert got["time_below_80_pct"] == pytest.approx(100 * 30 / (3 * HOUR))
    assert got["hypoxia_burden_80_pct_s_per_h"] == pytest.approx(5 * 30 / 3)
    # Begun at the first counted sample, it is counted: 1 in 3 h is 8 in 24 h.
    spo2 = [(92, HOUR), (75, 40), (92, 3 * HOUR - 40)]
    assert of(trace_of(spo2, warmup_s=HOUR))["episodes_below_80_30s_per_24h"] == 8.0


def test_episodes_by_least_duration() -> None:
    # Episodes below 80 of 9, 10, 29, 30, 59, 60, 179 and 180 s, 100 s apart, in 24 h.
    durations = (9, 10, 29, 30, 59, 60, 179, 180)
    spo2: Runs = [run for length in durations for run in ((79, length), (92, 100))]
    spo2.append((92, 24 * HOUR - sum(length for _, length in spo2)))
    got = of(trace_of(spo2))
    rates = [got[f"episodes_below_80_{least}s_per_24h"] for least in (10, 30, 60, 180)]
    assert rates == [7.0, 5.0, 3.0, 1.0]


def test_high_episodes_need_oxygen() -> None:
    # 99 for 40 s: on oxygen 10 s, in air 9 s (a gap under 10 s), on oxygen 21 s: one of 40 s.
    spo2 = [(92, HOUR), (99, 40), (92, 3 * HOUR - 40)]
    got = of(trace_of(spo2, fio2=[(0.22, HOUR + 10), (0.21, 9), (0.22, 3 * HOUR - 19)]))
    assert got["episodes_above_98_30s_per_24h"] == 6.0
    # 10 s in air part it into 10 s and 20 s: two of at least 10 s in 4 h, none of 30 s.
    got = of(trace_of(spo2, fio2=[(0.22, HOUR + 10), (0.21, 10), (0.22, 3 * HOUR - 20)]))
    assert got["episodes_above_98_10s_per_24h"] == 12.0
    assert got["episodes_above_98_30s_per_24h"] == 0.0
    # In air throughout there is none.
    assert of(trace_of(spo2, fio2=0.21))["episodes_above_98_10s_per_24h"] == 0.0


def test_burdens_are_areas_per_valid_hour() -> None:
    # 2 h: 60 s at 70 (10 below 80, 20 below 90) and 100 s at 97 (2 above 95), else 92.
    got = of(trace_of([(70, 60), (97, 100), (92, 2 * HOUR - 160)]))
    assert got["hypoxia_burden_80_pct_s_per_h"] == pytest.approx(600 / 2)
    assert got["hypoxia_burden_target_pct_s_per_h"] == pytest.approx(1200 / 2)
    assert got["hyperoxia_burden_pct_s_per_h"] == pytest.approx(200 / 2)


def test_oxygen_use_and_spread() -> None:
    # FiO2 0.30, 0.32, 0.31, 0.31 for an hour each: 2 changes and 3 points in 4 h; mean 0.31.
    fio2 = [(0.30, HOUR), (0.32, HOUR), (0.31, 2 * HOUR)]
    got = of(trace_of([(90, 2 * HOUR), (94, 2 * HOUR)], fio2=fio2))
    assert got["fio2_changes_per_h"] == 0.5
    assert got["fio2_travel_pct_per_h"] == pytest.approx(0.75)
    assert got["mean_fio2_pct"] == pytest.approx(31)
    # Half at 90 and half at 94: the standard deviation is 2.
    assert got["spo2_sd_pct"] == pytest.approx(2.0)
    assert got["spo2_sd_pct_sao2"] == 0.0


def test_fio2_in_single_precision_changes_nothing() -> None:
    trace = trace_of([(92, 2 * HOUR)], fio2=[(0.30, HOUR), (0.31, HOUR)])
    single = replace(trace, set_fio2=trace.set_fio2.astype(np.float32))
    assert of(single)["fio2_changes_per_h"] == of(trace)["fio2_changes_per_h"] == 0.5
    assert of(single)["mean_fio2_pct"] == pytest.approx(30.5, abs=1e-5)


def test_arterial_oxygen_tension() -> None:
    # 1 h each at 80 (not above), 81, 40 (not below) and 39 mmHg on oxygen, then 4 h at 81 in air.
    pao2 = [(80, HOUR), (81, HOUR), (40, HOUR), (39, HOUR), (81, 4 * HOUR)]
    got = of(trace_of([(92, 8 * HOUR)], pao2=pao2, fio2=[(0.3, 4 * HOUR), (0.21, 4 * HOUR)]))
    assert got["pao2_above_80_pct"] == got["pao2_below_40_pct"] == 25.0
    assert got["pao2_above_80_pct_b"] == got["pao2_below_40_pct_b"] == 12.5


def test_bradycardia() -> None:
    # 80/min is none; 79/min for 1 s is one; two stretches 9 s apart are one: 2 in 6 h.
    heart = [(150, HOUR), (80, 60), (150, HOUR), (79, 1), (150, HOUR), (70, 5), (150, 9), (70, 5)]
    heart.append((150, 6 * HOUR - sum(length for _, length in heart)))
    got = of(trace_of([(92, 6 * HOUR)], heart=heart))
    assert got["bradycardia_below_80_per_24h"] == 8.0


def rescue(
    *, rise_after_s: int = 20, high_after_s: int = 60, high_s: int = 10, down_after_s: int = 3000
) -> Trace:
    """A trace of 2 h: 30 s at 75 from 1000 s on; FiO2 from 0.30 to 0.40; then some time at 95.

    The rise comes `rise_after_s` after the start of the episode, the high
    saturation `high_after_s` after its end, the way down `down_after_s` after its end.
    """
    end = 1030
    spo2 = [(92, 1000), (75, 30), (92, high_after_s), (95, high_s)]
    spo2.append((92, 2 * HOUR - end - high_after_s - high_s))
    up = 1000 + rise_after_s
    fio2 = [(0.30, up), (0.40, end + down_after_s - up), (0.30, 2 * HOUR - end - down_after_s)]
    return trace_of(spo2, fio2=fio2)


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({}, 100.0),
        # 9 s at 95 are not 10 s.
        ({"high_s": 9}, 0.0),
        # The last 10 s of the 15 min after the end: seconds 890 to 899; one later is too late.
        ({"high_after_s": 890}, 100.0),
        ({"high_after_s": 891}, 0.0),
        # Oxygen back at its old value before the saturation is high: no rebound.
        ({"down_after_s": 60}, 0.0),
        # A rise in the last of the 60 s after the episode (30 + 59 s) is a rescue, later is none.
        ({"rise_after_s": 89, "high_after_s": 100}, 100.0),
        ({"rise_after_s": 90, "high_after_s": 100}, NAN),
        # A rise before the episode is no answer to it.
        ({"rise_after_s": -1}, NAN),
    ],
)
def test_rebound_after_rescue(options: dict[str, int], expected: float) -> None:
    got = of(rescue(**options))["rebound_after_rescue_pct"]
    assert got == pytest.approx(expected, nan_ok=True)


def test_rebound_belongs_to_the_last_rescue() -> None:
    # Two episodes 100 s apart, FiO2 up in each, 95 only after the second: 1 of 2.
    spo2 = [(92, 1000), (75, 30), (92, 100), (75, 30), (95, 60), (92, 2 * HOUR - 1220)]
    fio2 = [(0.30, 1010), (0.40, 130), (0.50, 2 * HOUR - 1140)]
    assert of(trace_of(spo2, fio2=fio2))["rebound_after_rescue_pct"] == 50.0


def test_without_any_valid_sample_everything_undefined_is_nan() -> None:
    got = of(trace_of([(NAN, HOUR)]))
    assert got["missing_signal_pct"] == 100.0
    assert got["left_out"] == 1.0
    for name in ("time_in_target_pct", "time_in_target_pct_b", "spo2_sd_pct"):
        assert np.isnan(got[name])
    assert np.isnan(got["episodes_below_80_10s_per_24h"])
    assert np.isnan(got["hypoxia_burden_80_pct_s_per_h"])


def test_a_warmup_as_long_as_the_record_gives_nan_not_an_error() -> None:
    got = of(trace_of([(92, 100)], warmup_s=100))
    assert np.isnan(got["mean_fio2_pct"])
    assert np.isnan(got["missing_signal_pct"])
    assert np.isnan(got["bradycardia_below_80_per_24h"])


def test_a_lane_cut_from_a_matrix_gives_the_same_bits() -> None:
    rng = np.random.default_rng(7)
    block = rng.uniform(70.0, 100.0, (2 * HOUR, 3))
    base = trace_of([(92, 2 * HOUR)])
    strided = replace(base, sao2_pct=block[:, 1], spo2_pct=block[:, 2])
    own = replace(base, sao2_pct=block[:, 1].copy(), spo2_pct=block[:, 2].copy())
    assert of(strided) == pytest.approx(of(own), abs=0.0, rel=0.0, nan_ok=True)


def test_registry_names_and_definitions() -> None:
    got = of(trace_of([(92, 2 * HOUR)]))
    assert list(got) == list(OUTCOMES)
    labels = [outcome.label for outcome in OUTCOMES.values()]
    assert len(set(labels)) == len(labels)
    for name, outcome in OUTCOMES.items():
        assert outcome.name == name
        assert "{" not in outcome.definition
        assert outcome.definition.endswith(".")
        if name.endswith("_sao2"):
            assert outcome.true_signal
            assert "true SaO2" in outcome.definition
            # The criterion of the oracle exists on the true saturation only.
            assert name.removesuffix("_sao2") in OUTCOMES or name == "criterion_j_sao2"
    assert sum(outcome.core for outcome in OUTCOMES.values()) <= 14
