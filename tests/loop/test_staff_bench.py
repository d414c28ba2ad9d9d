"""Bedside staff on the bench: where the nurse is, and when the oxygen is turned."""

from collections import defaultdict
from dataclasses import replace
from itertools import pairwise

import pytest

from oxytestbed.loop.alarms import Alarm
from oxytestbed.loop.bench import Bench
from oxytestbed.loop.staff_settings import StaffSettings
from oxytestbed.models.errors import TestbedError


@pytest.fixture(scope="module")
def ward_run(make_spec):
    """Six infants of two nurses on the bench, adjusted by hand."""
    spec = make_spec(groups=[0, 0, 0, 1, 1, 1], duration_s=2400)
    return Bench(replace(spec, arms=spec.arms[:1])).run()


def visits(run, group):
    """Give (start, end, infant) of the visits of one nurse; the last may have no end."""
    numbers = run.spec.infants.infant[run.spec.groups == group].tolist()
    begun, done = {}, []
    for event in run.events:
        if event.infant in numbers and event.event == "visit_start":
            assert event.infant not in begun
            begun[event.infant] = event.time_s
        if event.infant in numbers and event.event == "visit_end":
            done.append((begun.pop(event.infant), event.time_s, event.infant))
    return sorted(done), begun


def test_a_nurse_is_never_at_two_cots_at_once(ward_run):
    for group in (0, 1):
        done, unfinished = visits(ward_run, group)
        assert len(done) > 10 and len(unfinished) <= 1
        for (_, end, _), (start, _, _) in pairwise(done):
            assert start >= end
        assert all(start >= done[-1][1] for start in unfinished.values())
    both = [visits(ward_run, group)[0] for group in (0, 1)]
    assert any(a[0] < b[1] and b[0] < a[1] for a in both[0] for b in both[1])


def test_fio2_is_turned_only_during_a_visit_to_that_cot(ward_run):
    spans = defaultdict(list)
    for group in (0, 1):
        done, unfinished = visits(ward_run, group)
        for start, end, infant in [*done, *((s, 2400, i) for i, s in unfinished.items())]:
            spans[infant].append((start, end))
    turned = [event for event in ward_run.events if event.event == "fio2_by_hand"]
    assert turned
    for event in turned:
        assert any(start <= event.time_s <= end for start, end in spans[event.infant])


def test_oxygen_is_turned_only_when_the_display_asks_for_it(ward_run):
    places = {number: place for place, number in enumerate(ward_run.spec.infants.infant.tolist())}
    reasons = defaultdict(int)
    alarms = {alarm.name.lower() for alarm in Alarm}
    for event in ward_run.events:
        if event.event != "fio2_by_hand":
            continue
        trace = ward_run.trace(places[event.infant], "manual")
        seen, before = trace.spo2_pct[event.time_s - 1], trace.set_fio2[event.time_s - 1]
        reasons[event.detail] += 1
        assert 0.21 <= event.value <= 1.0
        assert trace.set_fio2[event.time_s] == pytest.approx(event.value, abs=1e-6)
        if event.detail in ("come_back", "round"):  # planned looks also wean inside the target
            assert (seen < 91 and event.value > before) or (seen >= 94 and event.value < before)
        elif event.detail in alarms:
            assert (seen < 91 and event.value > before) or (seen > 95 and event.value < before)
    assert reasons["spo2_low"] > 5


def test_waits_are_logged_from_the_need(ward_run):
    begun = {
        (event.infant, event.time_s, event.detail)
        for event in ward_run.events
        if event.event == "alarm_start"
    }
    starts = [event for event in ward_run.events if event.event == "visit_start"]
    alarms = {alarm.name.lower() for alarm in Alarm}
    answered = [event for event in starts if event.detail in alarms]
    assert answered and len(starts) > len(answered)
    for event in starts:
        assert event.value >= 0
        if event.detail in alarms:
            assert (event.infant, event.time_s - event.value, event.detail) in begun


def test_settings_that_contradict_each_other_are_refused():
    with pytest.raises(TestbedError, match="prompt_delay_s"):
        StaffSettings(prompt_delay_s=500, late_delay_s=100)
    with pytest.raises(TestbedError, match="infants_per_nurse"):
        StaffSettings(infants_per_nurse=0)
