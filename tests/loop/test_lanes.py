"""What an infant meets and how it fares never depends on who else is in the run.

Every comparison is bit for bit: displayed and true saturation, FiO2, events
and the last state of the lung in full precision.
"""

from dataclasses import replace

import numpy as np
import pytest

from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.script import ScriptedEvent
from oxytestbed.models.disturbances import ALWAYS_MARK, DisturbanceSettings, draw_breathing

#: Past the length of a block of random numbers, which is drawn anew in the middle of a run.
LONG_S = 1900
BRIEF_S = 700


@pytest.fixture(scope="module")
def whole(make_spec, lane_records):
    """Six infants in three arms, the run that the others are compared with."""
    records, _ = lane_records(make_spec(duration_s=LONG_S))
    return records


@pytest.fixture(scope="module")
def brief(make_spec, lane_records):
    """The same, but shorter; unlike the beginning of the long one it has a last state."""
    records, _ = lane_records(make_spec(duration_s=BRIEF_S))
    return records


def test_the_run_has_everything_that_could_differ(whole):
    names = {event[1] for record in whole.values() for event in record.events}
    assert {"breathing_start", "alarm_start", "visit_start", "fio2_by_hand"} <= names
    assert any(np.isnan(record.signals["spo2_pct"]).any() for record in whole.values())


def test_an_infant_meets_the_same_in_twin_arms(make_spec, lane_records):
    twins = [
        ArmSpec(name=f"{kind}_{twin}", controller=None if kind == "manual" else kind)
        for twin in (1, 2)
        for kind in ("manual", "fixed", "pi")
    ]
    records, _ = lane_records(make_spec(arms=tuple(twins)))
    for (infant, arm), record in records.items():
        assert record == records[infant, arm[:-1] + "1"], (infant, arm)


def test_arms_that_differ_meet_the_same_lost_signal_and_breathing(whole, six_infants):
    for place, infant in enumerate(six_infants.infant.tolist()):
        arms = [whole[infant, arm] for arm in ("manual", "fixed", "pi")]
        lost = [np.isnan(record.signals["spo2_pct"]) for record in arms]
        assert np.array_equal(lost[0], lost[1]) and np.array_equal(lost[0], lost[2])
        candidates = draw_breathing(six_infants, place, 11, LONG_S, DisturbanceSettings())
        always = set(candidates.onset_s[candidates.mark < ALWAYS_MARK].tolist())
        for record in arms:
            begun = {event[0] for event in record.events if event[1] == "breathing_start"}
            assert always <= begun <= set(candidates.onset_s.tolist())


def test_another_arm_changes_nothing(make_spec, lane_records, brief):
    spec = make_spec(duration_s=BRIEF_S)
    more = (ArmSpec(name="pi_2", controller="pi"), *spec.arms[::-1])
    records, _ = lane_records(replace(spec, arms=more))
    assert all(records[key] == record for key, record in brief.items())


def test_fewer_arms_change_nothing(make_spec, lane_records, brief):
    spec = make_spec(duration_s=BRIEF_S)
    for arm in spec.arms:
        records, _ = lane_records(replace(spec, arms=(arm,)))
        assert all(record == brief[key] for key, record in records.items())


def test_another_nursing_group_changes_nothing(make_spec, lane_records, brief):
    records, _ = lane_records(make_spec([0, 1], duration_s=BRIEF_S))
    assert all(record == brief[key] for key, record in records.items())


def test_the_order_of_nursing_groups_changes_nothing(make_spec, lane_records, whole):
    records, _ = lane_records(make_spec([4, 5, 0, 1, 2, 3], duration_s=LONG_S))
    assert all(records[key] == record for key, record in whole.items())


def test_the_order_of_infants_in_a_group_changes_nothing(make_spec, lane_records, brief):
    records, _ = lane_records(make_spec([5, 4, 3, 2, 1, 0], duration_s=BRIEF_S))
    assert all(records[key] == record for key, record in brief.items())


def test_one_lane_alone_equals_that_lane_in_company(make_spec, lane_records):
    spec = make_spec(groups=np.arange(6), duration_s=LONG_S)
    company, _ = lane_records(spec)
    for arm in (spec.arms[0], spec.arms[2]):
        alone, _ = lane_records(make_spec([3], duration_s=LONG_S, arms=(arm,)))
        assert list(alone) == [(1003, arm.name)]
        assert alone[1003, arm.name] == company[1003, arm.name]


def test_a_shared_nurse_is_the_only_thing_between_infants(make_spec, lane_records, brief):
    """The other side of the promise: inside a group the infants do touch each other."""
    records, _ = lane_records(make_spec(groups=np.arange(6), duration_s=BRIEF_S))
    assert any(records[key].events != brief[key].events for key in brief)
    moved = {
        arm
        for infant, arm in brief
        if not np.array_equal(
            records[infant, arm].signals["set_fio2"], brief[infant, arm].signals["set_fio2"]
        )
    }
    assert "manual" in moved and "fixed" not in moved


def test_a_scripted_event_changes_only_the_group_and_arm_that_it_names(make_spec, lane_records):
    without, _ = lane_records(make_spec())
    item = ScriptedEvent(
        at_s=200, event="central_apnoea", duration_s=25, infants=(1002,), arms=("pi",)
    )
    with_it, _ = lane_records(make_spec(script=(item,)))
    changed = {key for key in without if without[key] != with_it[key]}
    # 1003 has the same nurse, who may have to go to the other cot.
    assert (1002, "pi") in changed and changed <= {(1002, "pi"), (1003, "pi")}


def test_another_period_changes_no_other_arm(make_spec, lane_records, misbehaving):
    results = []
    for period_s in (1, 7):
        spec = make_spec()
        arms = (spec.arms[0], misbehaving("Good", period_s=period_s), *spec.arms[1:])
        results.append(lane_records(replace(spec, arms=arms))[0])
    for key, record in results[0].items():
        assert (record == results[1][key]) == (key[1] != "good"), key


@pytest.mark.parametrize(
    "name", ["RaisesInReset", "RaisesAtFiveMinutes", "WrongShape", "NanInLaneOne", "OutOfRange"]
)
def test_a_controller_that_fails_changes_no_other_arm(make_spec, lane_records, misbehaving, name):
    spec = make_spec([0, 1, 2])
    without, _ = lane_records(spec)
    with_it, _ = lane_records(replace(spec, arms=(misbehaving(name), *spec.arms)))
    assert all(with_it[key] == record for key, record in without.items())


def test_a_shorter_run_is_the_beginning_of_a_longer_one(make_spec, lane_records, whole):
    records, _ = lane_records(make_spec(duration_s=1000))
    assert all(record.begins_like(whole[key]) for key, record in records.items())


def test_the_warm_up_changes_no_signal(make_spec, lane_records):
    short, long = (lane_records(make_spec(warmup_s=warmup_s))[0] for warmup_s in (0, 300))
    assert short == long


def test_the_seed_decides(make_spec, lane_records):
    first, again, other = (lane_records(make_spec(seed=seed))[0] for seed in (5, 5, 6))
    assert first == again
    assert not any(first[key] == other[key] for key in first)
