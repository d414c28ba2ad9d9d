import numpy as np
import pytest

from oxytestbed.experiments.evidence.bedside import (
    answers,
    breathing_events,
    first_order_steps,
    hand_changes,
    lost_signal,
    readings,
    rescues,
)
from oxytestbed.experiments.evidence.limits import Limits
from oxytestbed.loop.event_log import EventRecord
from oxytestbed.loop.trace import Trace

#: The upper limit is set to 100 % at a change of shift.
LIMITS = Limits(low_alarm_pct=89.0, high_alarm_pct=np.repeat([96.0, 100.0], [1700, 2300]))


def trace(samples=4000, warmup_s=0, **columns):
    fixed = {
        "spo2_pct": 93.0,
        "sao2_pct": 93.0,
        "pao2_mmhg": 60.0,
        "set_fio2": 0.30,
        "inspired_fio2": 0.30,
        "heart_rate_bpm": 150.0,
    }
    arrays = {name: np.full(samples, value) for name, value in fixed.items()}
    arrays |= {name: np.asarray(values, dtype=float) for name, values in columns.items()}
    return Trace(apnoea=np.zeros(samples, dtype=np.int64), warmup_s=warmup_s, **arrays)


def event(time_s, name, value=0.0, detail=""):
    return EventRecord(time_s, 0, "manual", name, value, detail)


def test_changes_by_hand_are_followed_from_one_to_the_next():
    spo2 = np.full(4000, 93.0)
    spo2[1000 - 135 : 1000] = 85.0
    events = [
        event(1000, "fio2_by_hand", 0.35),
        event(1500, "fio2_by_hand", 0.32),
        event(1600, "fio2_by_hand", 0.32),
    ]
    found = hand_changes(trace(spo2_pct=spo2), events, LIMITS)
    assert found["step_pct"].tolist() == [5.0, -3.0]
    assert found["step_from_pct"].tolist() == [30.0, 35.0]
    assert found["beyond_share"].tolist() == [0.25, 0.0]


def test_time_above_a_limit_is_that_above_the_limit_as_it_was_set():
    events = [event(1600, "fio2_by_hand", 0.28), event(3000, "fio2_by_hand", 0.26)]
    found = hand_changes(trace(spo2_pct=np.full(4000, 97.0)), events, LIMITS)
    assert found["beyond_share"].tolist() == [1.0, 0.0]


def test_the_warmup_moves_the_start_but_is_not_counted():
    events = [event(10, "fio2_by_hand", 0.35), event(2000, "fio2_by_hand", 0.33)]
    found = hand_changes(trace(warmup_s=100), events, LIMITS)
    assert (found["step_from_pct"].tolist(), found["step_pct"].tolist()) == ([35.0], [-2.0])


def test_a_rescue_is_followed_until_the_oxygen_is_back():
    spo2, fio2 = np.full(4000, 93.0), np.full(4000, 0.30)
    spo2[960:1000] = 75.0
    spo2[1100:1400] = 97.0
    fio2[1001:1601] = 0.35
    found = rescues(
        trace(spo2_pct=spo2, set_fio2=fio2),
        {
            "step_s": np.array([1000.0]),
            "step_pct": np.array([5.0]),
            "step_from_pct": np.array([30.0]),
        },
    )
    assert found["rescue_from_pct"].tolist() == [30.0]
    assert found["rebound"].tolist() == [1.0]
    assert found["rebound_s"].tolist() == [300.0]
    assert found["extra_s"].tolist() == [601.0]


def test_a_step_up_without_severe_hypoxaemia_is_no_rescue():
    changes = {
        "step_s": np.array([1000.0]),
        "step_pct": np.array([5.0]),
        "step_from_pct": np.array([30.0]),
    }
    assert len(rescues(trace(), changes)["rebound"]) == 0


def test_answers_to_low_alarms():
    own = [
        event(500, "alarm_start", 85.0, "spo2_low"),
        event(580, "visit_start", 80.0, "spo2_low"),
        event(601, "fio2_by_hand", 0.35, "spo2_low"),
        event(700, "visit_end", 120.0, "spo2_low"),
        event(2000, "alarm_start", 85.0, "spo2_low"),
        event(2091, "visit_start", 91.0, "spo2_low"),
        event(2200, "visit_end", 109.0, "spo2_low"),
    ]
    mate = [event(2050, "visit_end", 60.0, "round")]
    found = answers(own, own + mate, 0, 4000)
    assert found["answered"].tolist() == [1.0, 0.0]
    # The nurse is with the other infant from 1990 to 2050.
    assert found["there"].tolist() == [0.0, 1.0]
    assert found["wait_s"].tolist() == [80.0, 91.0]
    assert found["hands_on_s"].tolist() == [21.0]


def test_a_breathing_event_is_followed_by_its_fall():
    spo2, rate = np.full(4000, 93.0), np.full(4000, 150.0)
    spo2[1020:1040] = 81.0
    rate[1015:1020] = 70.0
    events = [
        event(1000, "breathing_start", 15.0, "central"),
        event(1100, "breathing_start", 40.0, "hypoventilation"),
        event(1200, "breathing_start", 12.0, "mixed"),
    ]
    found = breathing_events(trace(spo2_pct=spo2, heart_rate_bpm=rate), events)
    assert found["fall_pct"].tolist() == [12.0, 0.0]
    assert found["central"].tolist() == [1.0, 0.0]
    assert found["brady"].tolist() == [1.0, 0.0]
    assert found["gap_s"][1] == 185.0


def test_lost_signal_is_measured_between_readings():
    spo2 = np.full(4000, 93.0)
    spo2[100:122] = np.nan
    spo2[122] = 90.0
    spo2[3990:] = np.nan  # has no reading after it
    found = lost_signal(trace(spo2_pct=spo2))
    assert found["lost_s"].tolist() == [22.0]
    assert found["lost_from_pct"].tolist() == [93.0]
    assert found["lost_change_pct"].tolist() == [-3.0]


def test_readings_are_compared_with_the_truth_of_their_time():
    sao2 = np.full(4000, 90.0)
    sao2[2000:] = 80.0
    spo2 = np.full(4000, 92.0)
    spo2[2010:] = 82.0
    found = readings(trace(warmup_s=100, spo2_pct=spo2, sao2_pct=sao2), probe_delay_s=10.0)
    count, total, squares = found["bias_all"]
    assert (count, total, squares) == (3900.0, 7800.0, 15600.0)
    assert found["steepest_pct_s"].tolist() == [5.0]
    assert np.isnan(found["pao2_95"]).all()


def test_only_steady_readings_tell_of_pao2():
    spo2, pao2 = np.full(4000, 93.0), np.full(4000, 60.0)
    spo2[1000:1029] = 95.0
    pao2[1000:1029] = 200.0
    spo2[2000:2040] = 95.0
    pao2[2030:2040] = 70.0
    found = readings(trace(spo2_pct=spo2, pao2_mmhg=pao2), probe_delay_s=0.0)
    assert found["pao2_95"].tolist() == [70.0]


def test_desaturation_or_bradycardia_counts_once_if_together():
    spo2, rate = np.full(3600, 93.0), np.full(3600, 150.0)
    spo2[1000:1010] = 79.0
    rate[1012:1020] = 75.0
    rate[2000:2003] = 80.0
    found = readings(trace(3600, spo2_pct=spo2, heart_rate_bpm=rate), probe_delay_s=0.0)
    assert found["desat_or_brady_per_h"].tolist() == [2.0]


@pytest.mark.parametrize(("sign", "first_order"), [(1.0, True), (-1.0, False)])
def test_a_displayed_response_must_go_the_way_of_the_step(sign, first_order):
    time_s = np.arange(4000.0)
    rise = 8.0 * (1 - np.exp(-np.maximum(time_s - 1010.0, 0.0) / 25.0))
    spo2 = np.floor(86.0 + sign * rise + 0.5)
    changes = {"step_s": np.array([1000.0, 1300.0, 1400.0]), "step_pct": np.array([5.0, 5.0, 5.0])}
    shares = first_order_steps(trace(spo2_pct=spo2), changes)["step_r2"]
    # The second change is followed by another too soon; after the last the display is flat.
    assert len(shares) == 2
    assert bool(shares[0] > 0.7) is first_order
    assert shares[1] == 0.0
