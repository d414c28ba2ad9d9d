"""Faults: each acts on its own lane only, ends without a trace, and is drawn alike for all arms."""

import numpy as np
import pytest

from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.bench import Bench
from oxytestbed.loop.fault_actions import FAULT_ACTIONS
from oxytestbed.loop.fault_draws import MEAN_S, FaultSettings, draw_faults
from oxytestbed.loop.link_faults import ERRATIC_PERIOD_S, ERRATIC_S, Link, LinkFaults
from oxytestbed.loop.safeguards.feedback import Shown
from oxytestbed.loop.safeguards.settings import SafeguardSettings
from oxytestbed.loop.script import ACTIONS, ScriptedEvent
from oxytestbed.loop.signals import Mode
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.oximeter import OximeterSettings

PI = ArmSpec(name="pi", controller="pi", safeguards=SafeguardSettings(), overseen=False)
BARE = ArmSpec(name="bare", controller="pi_no_gate", overseen=False)
STILL = OximeterSettings(dropout_rate_per_h=0.0)
AT_S, LASTS_S = 100, 150


def event(name, **more):
    return ScriptedEvent(**{"at_s": AT_S, "event": name, "duration_s": LASTS_S, **more})


def shown(value):
    values = np.array([float(value), 90.0])
    fill = np.full(2, 0.3)
    return Shown(
        spo2_pct=values,
        valid=np.ones(2, dtype=np.bool_),
        signal_quality=np.ones(2),
        pulse_rate_bpm=np.full(2, 150.0),
        heart_rate_bpm=np.full(2, 150.0),
        set_fio2=fill,
        applied_fio2=fill,
        delivered_fio2=fill,
        age_s=np.zeros(2),
        late_s=np.zeros(2),
    )


@pytest.fixture(scope="module")
def plain(make_spec, lane_records):
    """Two infants without any fault."""
    return lane_records(make_spec([0, 1], arms=(PI, BARE), duration_s=400, oximeter=STILL))[0]


AT_ONCE = [item for item in FAULT_ACTIONS if not item.waits_for]


@pytest.mark.parametrize("action", AT_ONCE, ids=lambda item: item.name)
def test_a_fault_changes_its_own_infant_and_no_other(action, plain, make_spec, lane_records):
    script = (event(action.name, infants=(1000,)),)
    spec = make_spec([0, 1], arms=(PI, BARE), duration_s=400, oximeter=STILL, script=script)
    records, run = lane_records(spec)
    for arm in ("pi", "bare"):
        assert records[1001, arm] == plain[1001, arm]
        assert any(e.event == "script_start" and e.detail == action.name for e in run.events)
        before = {k: v[:AT_S] for k, v in records[1000, arm].signals.items()}
        same = {k: v[:AT_S] for k, v in plain[1000, arm].signals.items()}
        assert all(np.array_equal(before[k], same[k], equal_nan=True) for k in before)
    changed = [
        not np.array_equal(values, plain[1000, arm].signals[name], equal_nan=True)
        for arm in ("pi", "bare")
        for name, values in records[1000, arm].signals.items()
    ]
    small = ("monitor_drift", "duplicated_samples", "probe_offset", "gain_change", "circuit_leak")
    assert any(changed) or action.name in small


def test_a_fault_that_ends_leaves_nothing_behind(make_spec):
    names = [action.name for action in AT_ONCE if action.name != "transfused_at_once"]
    script = tuple(event(name) for name in names)
    spec = make_spec([0], arms=(PI,), duration_s=AT_S + LASTS_S + 5, script=script)
    bench = Bench(spec)
    error = bench.patients.gas.blender_error.copy(), bench.patients.gas.monitor_error.copy()
    bench.run()
    patients = bench.patients
    assert not patients.oximeter.faults.active and not patients.duct.any_mixing
    assert not patients.gas.stuck.any() and not patients.gas.supply_lost.any()
    assert np.array_equal(patients.gas.blender_error, error[0])
    assert np.array_equal(patients.gas.monitor_error, error[1])
    assert not patients.support.interface_off.any()
    assert patients.state.shunt_factor.tolist() == [1.0]
    assert np.nan_to_num(patients.link.values["hand_fio2"]).tolist() == [0.0]
    left = [v.tolist() for k, v in patients.link.values.items() if k != "hand_fio2"]
    assert all(values == [0.0] for values in left)


@pytest.mark.parametrize("state", ["stable", "falling", "recovering"])
def test_a_dropout_waits_for_its_moment(state, make_spec):
    apnoea = event("central_apnoea", duration_s=35, at_s=200)
    script = (apnoea, event(f"dropout_{state}", duration_s=60))
    spec = make_spec([0, 1], arms=(BARE,), duration_s=700, script=script, oximeter=STILL)
    run = Bench(spec).run()
    begun = [e for e in run.events if e.event == "script_start" and e.detail == f"dropout_{state}"]
    assert begun
    for item in begun:
        spo2 = run.trace([1000, 1001].index(item.infant), "bare").spo2_pct
        before = spo2[item.time_s - 9 : item.time_s]
        assert np.isnan(spo2[item.time_s : item.time_s + 60]).all()
        if state == "stable":
            assert np.ptp(spo2[item.time_s - 60 : item.time_s]) <= 4
        else:
            moved = before[-1] - before[0]
            assert moved <= -2 if state == "falling" else moved >= 2


def test_a_slow_change_grows_in_steps_to_its_value(make_spec):
    script = (
        ScriptedEvent(at_s=60, event="slow_deterioration", value=4.0, settings={"over_s": 90}),
    )
    bench = Bench(make_spec([0], arms=(PI,), duration_s=200, script=script))
    seen = []
    step = bench.patients.step
    bench.patients.step = lambda *given: (
        seen.append(bench.patients.state.shunt_factor[0]),
        step(*given),
    )
    bench.run()
    assert seen[59] == 1.0 and seen[60] == 2.0 and seen[95] == 3.0 and seen[125] == 4.0
    assert seen[-1] == 4.0


def test_old_samples_carry_their_age():
    faults = LinkFaults(2)
    link = Link(faults, slice(0, 2))
    link.receive(shown(93))
    faults.set([0], "stale_s", 3.0)
    seen = [link.receive(shown(80 + tick)) for tick in range(9)]
    assert [view.age_s[0] for view in seen[-6:]] in ([0, 1, 2] * 2, [1, 2, 0] * 2, [2, 0, 1] * 2)
    assert len({view.spo2_pct[0] for view in seen[-6:]}) <= 3
    assert [view.age_s[1] for view in seen] == [0.0] * 9


def test_late_answers_come_later_and_silent_ones_not_at_all():
    faults = LinkFaults(2)
    link = Link(faults, slice(0, 2))
    faults.set([0], "late_s", 4.0)
    sent = [link.answer(tick, np.full(2, 0.3 + 0.01 * tick)) for tick in range(10)]
    assert [item[1] for item in sent] == [0.3 + 0.01 * tick for tick in range(10)]
    assert sent[9][0] == sent[5][1]
    faults.set([0], "late_s", 0.0)
    faults.set([1], "silent", 1.0)
    assert np.isnan(link.answer(10, np.full(2, 0.4))[1])


def test_a_disturbed_output_jumps_and_comes_back():
    faults = LinkFaults(2)
    link = Link(faults, slice(0, 2))
    faults.set([0], "erratic", 1.0)
    course = [link.answer(tick, np.full(2, 0.3))[0] for tick in range(2 * ERRATIC_PERIOD_S)]
    assert course.count(1.0) == 2 * ERRATIC_S and course.count(0.3) == len(course) - 2 * ERRATIC_S


def test_staff_by_script_take_over_and_hand_back():
    faults = LinkFaults(2)
    link, command, mode = Link(faults, slice(0, 2)), np.full(2, 0.3), np.zeros(2, dtype=np.int64)
    faults.set([1], "hand_fio2", 0.5)
    link.take_over(command, mode)
    assert command.tolist() == [0.3, 0.5] and mode.tolist() == [Mode.AUTOMATIC, Mode.MANUAL]
    faults.set([1], "hand_fio2", float("nan"))
    link.take_over(command, mode)
    assert mode.tolist() == [Mode.AUTOMATIC] * 2


def test_random_faults_are_off_by_default_and_the_same_for_all():
    assert draw_faults(3, 1, 86400, FaultSettings()) == []
    rates = {f"{kind}_per_d": 4.0 for kind in MEAN_S}
    settings = FaultSettings(**rates)
    long, short = draw_faults(3, 1, 10 * 86400, settings), draw_faults(3, 1, 86400, settings)
    assert short == [item for item in long if item.at_s < 86400]
    assert short != draw_faults(4, 1, 86400, settings)
    for kind in MEAN_S:
        mine = [item for item in long if item.event == kind]
        assert 15 < len(mine) < 70  # 40 expected of a Poisson count, less while one lasts
        ends = [item.at_s + item.duration_s for item in mine]
        assert all(a < b.at_s for a, b in zip(ends, mine[1:], strict=False))


def test_every_random_fault_is_a_scripted_event():
    assert set(MEAN_S) <= set(ACTIONS)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"event": "monitor_drift", "settings": {"over": 5}}, "Did you mean 'over_s'"),
        ({"event": "probe_off_high", "settings": {"pulse_bpm": 1}}, "from 20 to 300"),
        ({"event": "late_controller", "value": 1e6}, "from 1 to 300"),
        ({"event": "interface_of"}, "Did you mean 'interface_off'"),
    ],
)
def test_what_a_fault_cannot_be_is_refused(given, words):
    with pytest.raises(TestbedError, match=words):
        event(given.pop("event"), **given)
