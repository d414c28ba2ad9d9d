"""Each safeguard by itself, on signals whose answer is known by hand, and the layer as a whole."""

import math

import numpy as np
import pytest

from oxytestbed.loop.safeguards.baseline import Baseline, BaselineAlert
from oxytestbed.loop.safeguards.feedback import (
    FlatLine,
    PulseCheck,
    RateOfChange,
    Shown,
    SignalGate,
    StaleWatchdog,
)
from oxytestbed.loop.safeguards.layer import SafeguardLayer
from oxytestbed.loop.safeguards.output import (
    Bounds,
    DeliveryCheck,
    Fallback,
    HighOxygenLimit,
    ManualOverride,
    RateLimit,
)
from oxytestbed.loop.safeguards.settings import (
    SAFEGUARDS,
    SafeguardSettings,
    changed,
    without,
)
from oxytestbed.loop.signals import Mode, Settings
from oxytestbed.models.errors import TestbedError

S = SafeguardSettings()
TOLD = Settings(target_low_pct=90.0, target_high_pct=95.0, fio2_min=0.21, fio2_max=1.0)


def shown(spo2=93.0, *, quality=1.0, pulse=150.0, heart=150.0, fio2=0.3, delivered=None, age=0.0):
    """One lane, two seconds of nothing special beside it."""
    values = np.array([spo2, 93.0])
    valid = np.isfinite(values)
    return Shown(
        spo2_pct=values,
        valid=valid,
        signal_quality=np.where(valid, [quality, 1.0], 0.0),
        pulse_rate_bpm=np.where(valid, [pulse, 150.0], np.nan),
        heart_rate_bpm=np.array([heart, 150.0]),
        set_fio2=np.array([fio2, 0.3]),
        applied_fio2=np.array([fio2, 0.3]),
        delivered_fio2=np.array([fio2 if delivered is None else delivered, 0.3]),
        age_s=np.array([age, 0.0]),
        late_s=np.zeros(2),
    )


def layer(settings=S, fio2=0.3):
    command, mode = np.full(2, fio2), np.zeros(2, dtype=np.int64)
    alarm, log = np.zeros(2, dtype=np.bool_), []
    made = SafeguardLayer(settings, TOLD, command, mode, alarm, lambda *event: log.append(event))
    return made, command, mode, alarm, log


def second(made, now, request=0.3, given=True):
    made.before(now)
    made.after(now, np.array([request, 0.3]), np.array([given, True]))


def test_a_lost_or_poor_signal_is_gated():
    gate = SignalGate(2, S)
    assert gate.step(shown(math.nan)).tolist() == [True, False]
    assert gate.step(shown(quality=S.quality_min - 0.01)).tolist() == [True, False]
    assert gate.step(shown(quality=S.quality_min)).tolist() == [False, False]


def test_a_display_on_which_nothing_moves_is_distrusted_and_one_that_moves_is_not():
    guard = FlatLine(2, S)
    for tick in range(S.flat_after_s + 1):
        still = shown()
        still.spo2_pct[1] = 93.0 + tick % 2
        found = guard.step(still)
    assert found.tolist() == [True, False]
    assert guard.step(shown(94.0)).tolist() == [False, False]


def test_a_jump_is_distrusted_for_a_while_and_then_believed():
    guard = RateOfChange(2, S)
    for _ in range(10):
        guard.step(shown(93.0))
    found = [guard.step(shown(93.0 - S.jump_points - 1)).tolist()[0] for _ in range(60)]
    assert found[0] and sum(found) == S.jump_distrust_s + S.jump_within_s - 1
    assert not found[-1]


def test_a_slow_fall_is_believed():
    guard = RateOfChange(2, S)
    assert not any(guard.step(shown(95.0 - 2 * tick))[0] for tick in range(20))


def test_a_pulse_that_is_not_the_hearts_is_distrusted_after_a_while():
    guard = PulseCheck(2, S)
    found = [guard.step(shown(pulse=80.0)).tolist() for _ in range(S.pulse_after_s + 1)]
    assert found[-2] == [False, False] and found[-1] == [True, False]
    assert not guard.step(shown(pulse=150.0)).any()


def test_an_old_reading_is_distrusted():
    guard = StaleWatchdog(2, S)
    assert not guard.step(shown(age=float(S.stale_after_s))).any()
    assert guard.step(shown(age=S.stale_after_s + 1.0)).tolist() == [True, False]


def test_hold_then_fallback_then_return():
    made, command, mode, alarm, log = layer(without(S, "flat_line"))  # the other lane stands still
    modes = []
    for _ in range(S.hold_s + 5):
        second(made, shown(math.nan), request=0.9)
        modes.append(int(mode[0]))
    assert modes[0] == Mode.HOLD and modes.index(Mode.FALLBACK) == S.hold_s
    assert command[0] == pytest.approx(0.3, abs=1e-3) and alarm.tolist() == [True, False]
    for _ in range(S.return_after_s + 1):
        second(made, shown(), request=0.3)
    assert mode.tolist() == [Mode.AUTOMATIC, Mode.AUTOMATIC] and not alarm.any()
    events = [event[1] for event in log]
    assert events.count("alert_start") == events.count("alert_end") == 1
    assert {event[0] for event in log} == {0}


def test_fallback_sets_the_baseline_and_without_it_the_hold_has_no_end():
    for settings, ends in ((S, 0.3), (without(S, "fallback"), 0.6)):
        made, command, mode, alarm, _ = layer(settings)
        for _ in range(40):
            second(made, shown(), request=0.6)
        assert command[0] == pytest.approx(0.6, abs=0.005)
        for _ in range(S.hold_s + 60):
            second(made, shown(math.nan), request=0.6)
        assert command[0] == pytest.approx(ends, abs=0.01)
        assert bool(alarm[0]) == (settings is S)
        assert (mode[0] == Mode.FALLBACK) == (settings is S)


def test_the_baseline_follows_slowly_and_only_what_is_trusted():
    baseline = Baseline(S, np.array([0.3, 0.3]))
    for _ in range(3600):
        baseline.step(np.array([0.5, 0.5]), np.array([True, False]))
    hours = 1.0 / S.baseline_h
    assert baseline.fio2[0] == pytest.approx(0.5 - 0.2 * math.exp(-hours), abs=1e-4)
    assert baseline.fio2[1] == 0.3


def test_high_oxygen_without_response_is_taken_back_and_with_response_it_is_not():
    guard = HighOxygenLimit(2, S)
    base, found = np.full(2, 0.3), []
    for tick in range(600):
        now = shown(80.0, fio2=0.6)
        now.set_fio2[1] = 0.6
        now.spo2_pct[1] = min(70.0 + 0.05 * tick, 89.0)  # low, but it answers
        wanted = np.full(2, 0.6)
        guard.step(now, 90.0, base, wanted)
        found.append(wanted.copy())
    limited = 0.3 + S.limited_to_above_baseline
    assert found[round(60 * S.high_minutes) - 2][0] == 0.6
    assert found[round(60 * S.high_minutes) + 2][0] == pytest.approx(limited)
    assert found[round(60 * S.high_minutes) + 2][1] == 0.6
    for _ in range(120):
        guard.step(shown(96.0, fio2=0.32), 90.0, base, wanted)
    assert not guard.active.any()


def test_a_gap_between_set_and_delivered_calls_and_a_gross_one_stops_the_rise():
    guard = DeliveryCheck(S, np.full(2, 0.4))
    last = np.full(2, 0.4)
    for _ in range(60 + S.delivery_after_s + 2):
        wanted = np.full(2, 0.5)
        now = shown(fio2=0.4, delivered=0.21)
        now.set_fio2[1] = now.delivered_fio2[1] = 0.4
        guard.step(now, last, wanted)
    assert guard.active.tolist() == [True, False] and wanted.tolist() == [0.4, 0.5]


def test_a_step_of_the_setting_alone_is_no_gap():
    guard = DeliveryCheck(S, np.full(2, 0.3))
    delivered = 0.3
    for tick in range(200):
        setting = 0.3 if tick < 100 else 0.5
        delivered += (setting - delivered) / S.delivery_lag_s
        guard.step(shown(fio2=setting, delivered=delivered), np.zeros(2), np.zeros(2))
        assert not guard.active.any()


def test_bounds_and_rate():
    wanted = np.array([1.0, 0.0])
    Bounds(2, S).step(np.array([0.4, 0.4]), wanted)
    assert wanted.tolist() == pytest.approx([0.4 + S.above_baseline, 0.4 - S.below_baseline])
    wanted = np.array([1.0, 0.0])
    RateLimit(2, S).step(np.array([0.4, 0.4]), wanted)
    assert wanted.tolist() == pytest.approx([0.4 + S.rise_per_s, 0.4 - S.fall_per_s])


def test_staff_are_obeyed_and_hand_back_without_a_jump():
    guard, last = ManualOverride(2, S), np.array([0.5, 0.3])
    manual = np.array([True, False])
    wanted = np.array([0.3, 0.31])
    guard.step(manual, last, wanted)
    assert wanted.tolist() == [0.5, 0.31]
    course = []
    for _ in range(S.hand_back_s + 1):
        wanted = np.array([0.3, 0.3])
        guard.step(np.zeros(2, dtype=np.bool_), last, wanted)
        last = wanted.copy()
        course.append(wanted[0])
    assert course[0] == pytest.approx(0.5) and course[-1] == 0.3
    assert np.abs(np.diff(course)).max() < 0.2 / S.hand_back_s + 1e-9


def test_fio2_that_stays_up_calls_and_a_brief_rise_does_not():
    guard, base = BaselineAlert(2, S), np.full(2, 0.3)
    seconds = round(60 * S.alert_minutes)
    for tick in range(seconds + 2):
        above = 0.3 + S.alert_above_baseline + 0.02
        guard.step(np.array([above, above if tick % 300 < 60 else 0.3]), base)
    assert guard.active.tolist() == [True, False]


def test_nothing_gets_past_the_limits_of_the_blender_even_without_any_safeguard():
    made, command, *_ = layer(without(S))
    second(made, shown(), request=7.0)
    assert command[0] == 1.0
    second(made, shown(), request=-3.0)
    assert command[0] == 0.21


def test_without_visible_mode_nobody_is_called_and_the_controller_sees_automatic():
    made, _, mode, alarm, log = layer(without(S, "visible_mode"))
    for _ in range(S.hold_s + 5):
        second(made, shown(math.nan))
    assert mode[0] == Mode.FALLBACK and not alarm.any()
    assert made.seen_mode.tolist() == [Mode.AUTOMATIC] * 2
    assert "alert_start" in {event[1] for event in log}


def test_a_declared_limit_is_logged():
    made, _, _, _, log = layer()
    second(made, shown(), request=1.0)
    second(made, shown(), request=0.3)
    assert [event[1] for event in log] == ["limit_start", "limit_end"]


def test_silence_of_the_controller_holds_and_falls_back():
    made, command, mode, *_ = layer()
    for _ in range(S.hold_s + 3):
        second(made, shown(), request=math.nan, given=False)
    assert mode.tolist() == [Mode.FALLBACK, Mode.AUTOMATIC]
    assert command[0] == pytest.approx(0.3)


def test_every_safeguard_has_a_switch_that_is_on():
    assert S.active == tuple(SAFEGUARDS) and without(S).active == ()
    assert without(S, "bounds").active == tuple(n for n in SAFEGUARDS if n != "bounds")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bound": False}, "Did you mean 'bounds'"),
        ({"bounds": 1}, "true or false"),
        ({"hold_s": True}, "a number"),
        ({"hold_s": -1}, "from 0 to 600"),
    ],
)
def test_what_an_arm_cannot_change_is_refused(changes, words):
    with pytest.raises(TestbedError, match=words):
        changed(S, changes)


def test_an_arm_can_take_everything_away_but_one():
    assert changed(S, {"enabled": False, "fallback": True}).active == ("fallback",)


def test_the_lag_of_a_hold_is_counted_by_fallback():
    guard = Fallback(1, S)
    for tick in range(S.hold_s + 2):
        guard.step(np.array([True]))
        assert bool(guard.active[0]) == (tick >= S.hold_s)
