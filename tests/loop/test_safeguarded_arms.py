"""Safeguards in the loop: controllers that fail, bits that stay, staff, alarms."""

import numpy as np
import pytest

from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.bench import Bench
from oxytestbed.loop.safeguards.settings import SafeguardSettings, without
from oxytestbed.loop.script import ScriptedEvent
from oxytestbed.loop.signals import Mode
from oxytestbed.models.oximeter import OximeterSettings

S = SafeguardSettings()
STILL = OximeterSettings(dropout_rate_per_h=0.0)


def guarded(arm, settings=S):
    return ArmSpec(
        name=arm.name, controller=arm.controller, options=arm.options, safeguards=settings
    )


@pytest.fixture(scope="module")
def pi():
    return guarded(ArmSpec(name="pi", controller="pi"))


@pytest.mark.parametrize("name", ["RaisesAtFiveMinutes", "RaisesInReset", "WrongShape", "Exits"])
def test_a_controller_that_fails_leaves_its_arm_in_fallback(name, misbehaving, make_spec, pi):
    arm = guarded(misbehaving(name))
    run = Bench(make_spec([0, 1], arms=(arm, pi), oximeter=STILL)).run()
    assert set(run.errors) == {arm.name}
    modes = [e for e in run.events if e.arm == arm.name and e.event == "mode_change"]
    assert {e.infant for e in modes if e.detail == "fallback"} == {1000, 1001}
    alarms = [e for e in run.events if e.event == "alarm_start" and e.detail == "controller"]
    assert {e.infant for e in alarms if e.arm == arm.name} == {1000, 1001}
    failed = [e for e in run.events if e.event == "controller_failed"]
    assert {e.detail for e in failed} == {run.errors[arm.name]}
    fio2 = run.trace(0, arm.name).set_fio2
    assert np.ptp(fio2[-100:]) == 0.0 and 0.21 <= fio2[-1] <= 1.0


@pytest.mark.parametrize("name", ["NanInLaneOne", "OutOfRange"])
def test_an_answer_that_is_no_fio2_takes_its_lanes_out(name, misbehaving, make_spec):
    arm = guarded(misbehaving(name))
    run = Bench(make_spec([0, 1], arms=(arm,), oximeter=STILL)).run()
    assert not run.errors
    fell = {e.infant for e in run.events if e.event == "mode_change" and e.detail == "fallback"}
    assert fell == ({1001} if name == "NanInLaneOne" else {1000, 1001})
    assert any(e.event == "controller_no_value" for e in run.events)


def test_another_arm_or_infant_changes_no_bit_of_a_guarded_one(make_spec, lane_records, pi):
    script = (
        ScriptedEvent(at_s=100, event="central_apnoea", duration_s=30, infants=(1000,)),
        ScriptedEvent(at_s=100, event="dropout_falling", duration_s=90, infants=(1000,)),
        ScriptedEvent(at_s=150, event="stale_samples", duration_s=90, infants=(1002,)),
    )
    bare = ArmSpec(name="none", controller="pi", safeguards=without(S))
    alone, _ = lane_records(make_spec([0], arms=(pi,), script=script))
    many, _ = lane_records(make_spec([2, 1, 0], groups=[2, 1, 0], arms=(bare, pi), script=script))
    assert many[1000, "pi"] == alone[1000, "pi"]


def test_a_layer_with_everything_off_is_the_bare_controller(make_spec, lane_records):
    off = ArmSpec(name="pi", controller="pi", safeguards=without(S))
    bare = ArmSpec(name="pi", controller="pi")
    guarded_records, _ = lane_records(make_spec([0, 1], arms=(off,)))
    bare_records, _ = lane_records(make_spec([0, 1], arms=(bare,)))
    for key, record in bare_records.items():
        assert all(
            np.array_equal(values, guarded_records[key].signals[name], equal_nan=True)
            for name, values in record.signals.items()
        )


def test_in_a_long_loss_the_whole_layer_falls_back_and_calls(make_spec, pi):
    script = (ScriptedEvent(at_s=200, event="signal_lost", duration_s=200),)
    run = Bench(make_spec([0], arms=(pi,), script=script, oximeter=STILL)).run()
    found = {(e.event, e.detail): e.time_s for e in run.events if e.time_s >= 200}
    assert found["mode_change", "hold"] == 201
    assert found["mode_change", "fallback"] == 201 + S.hold_s
    assert found["alarm_start", "controller"] - found["mode_change", "fallback"] <= 10
    assert found["mode_change", "automatic"] > 400


class Watcher:
    """A controller that notes what it sees."""

    name, period_s = "watcher", 5

    def __init__(self):
        self.modes, self.valid, self.told, self.low = [], [], [], []

    def reset(self, lanes, settings):
        pass

    def act(self, reading):
        self.modes.append(int(reading.mode[0]))
        self.valid.append(bool(reading.valid[0]))
        self.low.append(float(reading.target_low_pct[0]))
        return np.full(len(reading.spo2_pct), 0.9)

    def track(self, applied_fio2, active):
        self.told.append((float(applied_fio2[0]), bool(active[0])))


def watched(monkeypatch, make_spec, settings, script=(), **changes):
    watcher = Watcher()
    monkeypatch.setattr("oxytestbed.loop.arms.load_controller", lambda spec, _: watcher)
    arm = ArmSpec(name="mine", controller="mine", safeguards=settings)
    Bench(make_spec([0], arms=(arm,), oximeter=STILL, script=script, **changes)).run()
    return watcher


LOSS = (ScriptedEvent(at_s=200, event="signal_lost", duration_s=200),)


def test_the_controller_sees_mode_and_gate_and_is_told_of_its_output(monkeypatch, make_spec):
    seen = watched(monkeypatch, make_spec, S, LOSS)
    assert {Mode.HOLD, Mode.FALLBACK} <= set(seen.modes)
    assert seen.valid[45:75] == [False] * 30
    assert (seen.told[0][1], seen.told[0][0] < 0.9) == (True, True)  # the rate was limited
    assert any(not active for _, active in seen.told)


def test_without_anti_windup_it_is_told_nothing(monkeypatch, make_spec):
    assert watched(monkeypatch, make_spec, without(S, "anti_windup"), LOSS).told == []


def test_a_wrong_target_reaches_the_controller_only(monkeypatch, make_spec):
    script = (ScriptedEvent(at_s=100, event="wrong_target", value=-10.0, duration_s=100),)
    seen = watched(monkeypatch, make_spec, S, script)
    assert seen.low[10] == 91.0 and seen.low[30] == 81.0 and seen.low[50] == 91.0
