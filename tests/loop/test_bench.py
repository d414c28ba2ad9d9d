"""The clock: order within a tick, what a controller sees, and controllers that fail."""

from collections import defaultdict
from dataclasses import fields, replace

import numpy as np
import pytest

from oxytestbed.loop.alarms import Alarms
from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.bench import Bench
from oxytestbed.loop.recording import Recording
from oxytestbed.loop.signals import Mode, Reading, Settings
from oxytestbed.loop.staff_settings import StaffSettings
from oxytestbed.models.disturbances import DisturbanceSettings
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.gas_delivery import GasDelivery, GasSettings
from oxytestbed.models.lungs import Lungs
from oxytestbed.models.oximeter import Oximeter

PARTS = ["disturbance", "staff", "controller", "gas", "infant", "oximeter", "alarm", "recording"]


class Steady:
    """A controller that keeps FiO2 and remembers what it was given."""

    name = "steady"
    period_s = 1

    def __init__(self, period_s=1):
        self.period_s = period_s
        self.given = []
        self.readings = []
        self.tracked = []

    def reset(self, lanes, settings):
        self.given.append((lanes, settings))

    def act(self, reading):
        self.readings.append(reading)
        return reading.set_fio2.copy()

    def track(self, applied_fio2, active):
        self.tracked.append((applied_fio2, active))


@pytest.fixture
def arm_of(monkeypatch):
    """Let the bench find a controller object under a name."""
    objects = {}
    monkeypatch.setattr("oxytestbed.loop.arms.load_controller", lambda spec, _: objects[spec])

    def arm(controller, name="mine"):
        objects[name] = controller
        return ArmSpec(name=name, controller=name)

    return arm


def spied(monkeypatch, owner, method, part, seen):
    """Note every call of a method."""
    original = getattr(owner, method)

    def wrapped(self, *args, **kwargs):
        seen.append(part)
        return original(self, *args, **kwargs)

    monkeypatch.setattr(owner, method, wrapped)


def test_the_parts_of_a_tick_come_in_their_order(make_spec, arm_of, monkeypatch):
    seen = []
    for owner, method, part in (
        (GasDelivery, "step", "gas"),
        (Lungs, "step", "infant"),
        (Oximeter, "step", "oximeter"),
        (Recording, "write", "recording"),
        (Steady, "act", "controller"),
    ):
        spied(monkeypatch, owner, method, part, seen)
    logged = {"alarm_start": "alarm", "alarm_end": "alarm", "fio2_by_hand": "staff"}
    logged |= {"breathing_start": "disturbance", "breathing_end": "disturbance"}

    class Log(list):
        def append(self, event):
            if event.event in logged:
                seen.append(logged[event.event])
            super().append(event)

    bench = Bench(
        make_spec(
            arms=(arm_of(Steady()), ArmSpec(name="manual", controller=None)),
            duration_s=1500,
            disturbances=DisturbanceSettings(hypoventilation_rate_per_h=10),
            staff=StaffSettings(round_interval_min=5, round_duration_s=5, infants_per_nurse=1),
            groups=range(6),
        )
    )
    bench._events = Log()
    bench.run()

    ticks = [[]]
    for part in seen:
        ticks[-1].append(part)
        if part == "recording":
            ticks.append([])
    assert ticks.pop() == [] and len(ticks) == 1500
    for tick in ticks:
        assert tick == sorted(tick, key=PARTS.index)
        for part in ("controller", "gas", "infant", "oximeter", "recording"):
            assert tick.count(part) == 1
    together = {frozenset(tick) & {"disturbance", "staff", "alarm"} for tick in ticks}
    assert {frozenset({part}) for part in ("disturbance", "staff", "alarm")} <= together


def test_alarms_are_looked_at_after_the_oximeter_and_before_the_recording(make_spec, monkeypatch):
    seen = []
    spied(monkeypatch, Oximeter, "step", "oximeter", seen)
    spied(monkeypatch, Alarms, "step", "alarm", seen)
    spied(monkeypatch, Recording, "write", "recording", seen)
    Bench(make_spec([0], duration_s=30, warmup_s=0)).run()
    assert seen == ["oximeter", "alarm", "recording"] * 30


def test_what_a_controller_asks_is_set_in_the_same_tick(make_spec, arm_of):
    class Ramp(Steady):
        def act(self, reading):
            super().act(reading)
            return np.full(6, 0.30 + 0.01 * (reading.time_s % 10))

    ramp = Ramp()
    run = Bench(make_spec(arms=(arm_of(ramp),), duration_s=50, warmup_s=0)).run()
    asked = 0.30 + 0.01 * (np.arange(50) % 10)
    np.testing.assert_allclose(run.trace(2, "mine").set_fio2, asked, atol=1e-6)
    seen = np.array([reading.set_fio2[2] for reading in ramp.readings])
    np.testing.assert_allclose(seen[1:], asked[:-1], atol=1e-12)


def test_a_controller_sees_what_was_displayed_a_tick_ago(make_spec, arm_of):
    steady = Steady()
    run = Bench(make_spec(arms=(arm_of(steady),), duration_s=600)).run()
    for place in range(6):
        shown = run.trace(place, "mine").spo2_pct
        seen = np.array([reading.spo2_pct[place] for reading in steady.readings])
        np.testing.assert_array_equal(seen[1:], shown[:-1])


@pytest.mark.parametrize("period_s", [1, 7, 60])
def test_a_controller_is_called_once_in_each_period(make_spec, arm_of, period_s):
    steady = Steady(period_s)
    Bench(make_spec([0], arms=(arm_of(steady),), duration_s=200)).run()
    assert [reading.time_s for reading in steady.readings] == list(range(0, 200, period_s))


def test_a_period_that_is_changed_on_the_way_has_no_effect(make_spec, arm_of):
    class Stops(Steady):
        def act(self, reading):
            self.period_s = 0
            return super().act(reading)

    stops = Stops(5)
    Bench(make_spec([0], arms=(arm_of(stops),), duration_s=100)).run()
    assert len(stops.readings) == 20


def test_a_controller_is_reset_once_with_lanes_and_settings(make_spec, arm_of):
    steady = Steady()
    gas = GasSettings(fio2_min=0.25, fio2_max=0.8)
    Bench(make_spec([0, 1, 2], arms=(arm_of(steady),), duration_s=61, gas=gas)).run()
    settings = Settings(target_low_pct=91.0, target_high_pct=95.0, fio2_min=0.25, fio2_max=0.8)
    assert steady.given == [(3, settings)]


def truth_arrays(patients):
    """Find every array that belongs to the plant, by its path."""
    found, waiting, seen = {}, [("patients", patients)], set()
    while waiting:
        path, item = waiting.pop()
        if id(item) in seen:
            continue
        seen.add(id(item))
        if isinstance(item, np.ndarray):
            found[path] = item
        elif isinstance(item, (list, tuple)):
            waiting += [(f"{path}[{number}]", part) for number, part in enumerate(item)]
        elif type(item).__module__.startswith("oxytestbed"):
            names = getattr(item, "__dict__", None) or {}
            waiting += [(f"{path}.{name}", part) for name, part in names.items()]
    return found


#: Long enough for a lost signal in one of the six infants.
LAST_LOSS_S = 900


class Spy(Steady):
    """Looks at every field of every reading; what it finds wrong makes its arm fail."""

    name = "spy"
    patients = None

    def act(self, reading):
        assert type(reading) is Reading
        names = {item.name for item in fields(Reading)}
        assert set(vars(reading)) == names and not hasattr(reading, "infant")
        arrays = {name: getattr(reading, name) for name in names - {"time_s"}}
        assert type(reading.time_s) is int
        for name, array in arrays.items():
            assert type(array) is np.ndarray and array.shape == (6,), name
            assert not array.flags.writeable and array.base is None, name
        self._look_for_truth(arrays)
        if reading.time_s % 60 == 0:
            self._look_for_shared_memory(arrays)
        invalid = ~reading.valid
        assert np.array_equal(np.isnan(reading.spo2_pct), invalid)
        assert np.array_equal(np.isnan(reading.pulse_rate_bpm), invalid)
        always = set(arrays) - {"spo2_pct", "pulse_rate_bpm"}
        assert not any(np.isnan(arrays[name]).any() for name in always)
        assert (reading.mode == Mode.AUTOMATIC).all()
        shown = reading.spo2_pct[reading.valid]
        assert np.array_equal(shown, np.rint(shown)) and (shown <= 100).all()
        return super().act(reading)

    def _look_for_truth(self, arrays):
        lungs, gas = self.patients.lungs, self.patients.gas
        secrets = {
            "SaO2": lungs.sao2_fraction,
            "SaO2 in percent": 100.0 * lungs.sao2_fraction,
            "PaO2": lungs.pao2_mmhg,
            "inspired FiO2": gas.inspired_fio2,
            "infant": self.patients.infants.infant.astype(float),
            "need": self.patients.infants.fio2_need,
        }
        for name, array in arrays.items():
            for secret, values in secrets.items():
                # A whole percent may meet the truth in one infant, not in all six. Gas that
                # has not changed for long leaves the circuit as it came from the blender.
                if (name, secret) != ("applied_fio2", "inspired FiO2"):
                    assert not np.array_equal(array, values), (name, secret)
            assert not np.isin(array, self.patients.infants.infant).any(), name

    def _look_for_shared_memory(self, arrays):
        for name, array in arrays.items():
            for path, truth in self.truths.items():
                assert not np.may_share_memory(array, truth), (name, path)


def test_a_spy_finds_no_truth_in_a_reading(make_spec, arm_of):
    spy = Spy()
    spec = make_spec(arms=(arm_of(spy),), duration_s=LAST_LOSS_S)
    bench = Bench(spec)
    spy.patients, spy.truths = bench.patients, truth_arrays(bench.patients)
    assert {"patients.lungs.sao2_fraction", "patients.oximeter.spo2_pct"} <= set(spy.truths)
    run = bench.run()
    assert run.errors == {}
    assert len(spy.readings) == LAST_LOSS_S
    assert any(not reading.valid.all() for reading in spy.readings)


def test_a_reading_stays_as_it_was(make_spec, arm_of):
    class Keeps(Steady):
        def act(self, reading):
            self.copies.append(reading.spo2_pct.copy())
            return super().act(reading)

    keeps = Keeps()
    keeps.copies = []
    Bench(make_spec(arms=(arm_of(keeps),), duration_s=120)).run()
    for reading, copy in zip(keeps.readings, keeps.copies, strict=True):
        assert np.array_equal(reading.spo2_pct, copy, equal_nan=True)


def test_a_controller_that_writes_into_its_answer_afterwards_changes_nothing(make_spec, arm_of):
    class Writes(Steady):
        def act(self, reading):
            if reading.time_s:
                self.last[:] = 1.0
            self.last = np.full(6, 0.4)
            return self.last

    run = Bench(make_spec(arms=(arm_of(Writes()),), duration_s=90)).run()
    np.testing.assert_allclose(run.trace(0, "mine").set_fio2, 0.4, atol=1e-6)


@pytest.mark.parametrize(
    ("name", "words", "last_s"),
    [
        ("RaisesInReset", "RuntimeError: no reset today", 0),
        ("RaisesAtFiveMinutes", "ZeroDivisionError: five minutes are over", 300),
        ("Exits", "SystemExit: 0", 0),
        ("WrongShape", r"shape \(6,\)", 0),
    ],
)
def test_a_failing_controller_leaves_the_loop(make_spec, misbehaving, name, words, last_s):
    arm = misbehaving(name)
    run = Bench(make_spec(arms=(arm, *make_spec().arms))).run()
    assert list(run.errors) == [arm.name]
    with pytest.raises(AssertionError, match=words):
        raise AssertionError(run.errors[arm.name])
    failed = [event for event in run.events if event.event == "controller_failed"]
    assert sorted(event.infant for event in failed) == list(range(1000, 1006))
    assert {(event.time_s, event.arm, event.detail) for event in failed} == {
        (last_s, arm.name, run.errors[arm.name])
    }
    for place in range(6):
        kept = run.trace(place, arm.name).set_fio2[max(0, last_s - 1) :]
        assert (kept == kept[0]).all()


def test_nan_holds_the_lane_and_is_told_once(make_spec, misbehaving):
    run = Bench(make_spec(arms=(misbehaving("NanInLaneOne"),))).run()
    assert run.errors == {}
    told = [event for event in run.events if event.event == "controller_no_value"]
    assert [(event.time_s, event.infant) for event in told] == [(60, 1001)]
    held = run.trace(1, "naninlaneone").set_fio2[59:]
    assert (held == held[0]).all()
    moved = [run.trace(place, "naninlaneone").set_fio2[59:] for place in (0, 2, 3, 4, 5)]
    assert any((fio2 != fio2[0]).any() for fio2 in moved)


def test_a_request_out_of_range_is_brought_to_the_limits(make_spec, misbehaving):
    gas = GasSettings(fio2_min=0.25, fio2_max=0.8)
    run = Bench(make_spec(arms=(misbehaving("OutOfRange"),), gas=gas, duration_s=120)).run()
    fio2 = run.trace(0, "outofrange").set_fio2
    assert run.errors == {}
    np.testing.assert_allclose(fio2[:60], 0.8, atol=1e-6)
    np.testing.assert_allclose(fio2[60:], 0.25, atol=1e-6)


def test_a_controller_is_told_where_its_request_was_altered(make_spec, arm_of):
    class Asks(Steady):
        def act(self, reading):
            super().act(reading)
            return np.array([0.3, 0.1, np.nan, np.inf, 1.2, 0.5])

    asks = Asks(10)
    bench = Bench(make_spec(arms=(arm_of(asks),), duration_s=65))
    held = bench.patients.gas.set_fio2.copy()
    bench.run()
    assert len(asks.tracked) == 7
    for applied, active in asks.tracked:
        np.testing.assert_array_equal(applied[[0, 1, 4, 5]], [0.3, 0.21, 1.0, 0.5])
        np.testing.assert_array_equal(active, [True, True, False, False, True, True])
        assert not applied.flags.writeable and not active.flags.writeable
    np.testing.assert_allclose(asks.tracked[0][0][2:4], held[2:4], atol=0.005)


def test_a_controller_that_is_obeyed_is_told_nothing(make_spec, arm_of):
    steady = Steady()
    Bench(make_spec(arms=(arm_of(steady),), duration_s=65)).run()
    assert steady.tracked == []


def test_every_arm_has_staff_who_keep_to_their_duty(make_spec):
    spec = make_spec(duration_s=1800)
    spec = replace(spec, staff=replace(spec.staff, override_share=1.0, override_below_pct=90))
    run = Bench(spec).run()
    arms = defaultdict(set)
    for event in run.events:
        arms[event.event].add(event.arm)
    assert arms["visit_start"] == arms["alarm_start"] == {"manual", "fixed", "pi"}
    assert arms["fio2_by_hand"] == {"manual", "pi"}
    assert arms["override_start"] == {"pi"}
    assert len(set(run.trace(0, "fixed").set_fio2.tolist())) == 1


def test_a_controller_is_told_of_an_override_and_leaves_the_oxygen_to_staff(make_spec, arm_of):
    class Zero(Steady):
        def act(self, reading):
            super().act(reading)
            return np.full(6, 0.21)

    zero = Zero()
    spec = make_spec(arms=(arm_of(zero),), duration_s=1800)
    spec = replace(spec, staff=replace(spec.staff, override_share=1.0, override_below_pct=90))
    run = Bench(spec).run()
    starts = [event for event in run.events if event.event == "override_start"]
    assert starts
    place = spec.infants.infant.tolist().index(starts[0].infant)
    end_s = starts[0].time_s + 60
    modes = [int(reading.mode[place]) for reading in zero.readings]
    assert modes[starts[0].time_s] == Mode.MANUAL and Mode.AUTOMATIC in modes
    turned = [event for event in run.events if event.event == "fio2_by_hand"]
    assert run.trace(place, "mine").set_fio2[starts[0].time_s : end_s].max() > 0.21
    assert turned
    inactive = [active for _, active in zero.tracked if not active.all()]
    assert any(not active[place] for active in inactive)


def test_events_are_in_order_and_carry_infants_own_numbers(make_spec):
    run = Bench(make_spec([4, 1])).run()
    times = [event.time_s for event in run.events]
    assert times == sorted(times) and times[-1] < 600
    assert {event.infant for event in run.events} == {1001, 1004}


def test_a_trace_is_found_by_place_and_arm(make_spec):
    run = Bench(make_spec([0, 1], duration_s=100)).run()
    for number, arm in enumerate(("manual", "fixed", "pi")):
        for place in (0, 1):
            trace = run.trace(place, arm)
            assert len(trace) == 100 and trace.warmup_s == 60
            lane = run.recording.trace(2 * number + place)
            assert np.array_equal(trace.sao2_pct, lane.sao2_pct)


def test_progress_counts_ticks_up_to_the_end(make_spec):
    ticks = []
    Bench(make_spec([0], duration_s=150), ticks.append).run()
    assert ticks == sorted(ticks) and ticks[-1] == 150


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"groups": [0, 0]}, "BenchSpec.groups"),
        ({"warmup_s": 600}, "BenchSpec.warmup_s"),
        ({"warmup_s": -1}, "BenchSpec.warmup_s"),
        ({"target_low_pct": 95.0}, "BenchSpec.target_low_pct"),
        ({"arms": ()}, "BenchSpec.arms"),
        ({"arms": (ArmSpec(name="a", controller=None),) * 2}, "BenchSpec.arms"),
    ],
)
def test_a_spec_that_contradicts_itself_is_refused(make_spec, changes, words):
    if "groups" in changes:
        changes = {"groups": np.array(changes["groups"])}
    with pytest.raises(TestbedError, match=words):
        replace(make_spec(), **changes)


def test_an_unknown_controller_is_refused_at_once(make_spec):
    with pytest.raises(TestbedError, match="Did you mean 'fixed'"):
        Bench(make_spec(arms=(ArmSpec(name="x", controller="fixd"),)))
