"""Requirements on records whose verdict is known by hand."""

import numpy as np
import pytest

from oxytestbed.loop.event_log import EventRecord
from oxytestbed.loop.requirement_settings import RequirementSettings
from oxytestbed.loop.requirements import (
    REQUIREMENTS,
    check_requirements,
    make_record,
    requirement_text,
)
from oxytestbed.loop.signals import Mode
from oxytestbed.loop.trace import Trace

S = RequirementSettings()
LENGTH = 400


def trace(spo2=93.0, fio2=0.3, inspired=None):
    def full(value):
        return np.array(np.broadcast_to(np.asarray(value, dtype=float), LENGTH))

    return Trace(
        spo2_pct=full(spo2),
        sao2_pct=full(93.0),
        pao2_mmhg=full(60.0),
        set_fio2=full(fio2),
        inspired_fio2=full(fio2 if inspired is None else inspired),
        heart_rate_bpm=full(150.0),
        apnoea=np.zeros(LENGTH, dtype=np.int64),
        warmup_s=0,
    )


def verdict(name, record_of, *events):
    happened = [EventRecord(at, 0, "pi", kind, value, detail) for at, kind, value, detail in events]
    found = check_requirements(make_record(record_of, happened), S)
    return next(item for item in found if item.requirement == name)


def from_second(start, before, after):
    return np.where(np.arange(LENGTH) >= start, after, before)


LOST = np.where((np.arange(LENGTH) >= 100) & (np.arange(LENGTH) < 200), np.nan, 93.0)


def test_a_steady_record_breaks_nothing():
    for item in check_requirements(make_record(trace(), []), S):
        assert item.violations == 0


def test_a_lost_signal_needs_fallback_and_alarm_in_time():
    def events(at):
        return (
            (at, "mode_change", float(Mode.FALLBACK), "fallback"),
            (at, "alarm_start", 90.0, "controller"),
        )

    good = verdict("signal_lost", trace(LOST), *events(135))
    assert (good.cases, good.violations, good.worst_margin) == (1, 0, 5.0)
    late = verdict("signal_lost", trace(LOST), *events(150))
    assert (late.violations, late.worst_margin, late.at_s) == (1, -10.0, 100)
    assert verdict("signal_lost", trace(LOST), events(135)[0]).violations == 1
    short = np.where((np.arange(LENGTH) >= 100) & (np.arange(LENGTH) < 140), np.nan, 93.0)
    assert verdict("signal_lost", trace(short)).cases == 0


LOW = np.where((np.arange(LENGTH) >= 100) & (np.arange(LENGTH) < 200), 75.0, 93.0)


@pytest.mark.parametrize(
    ("rise", "events", "cases", "margin"),
    [
        (0.06, (), 1, 0.01),
        (0.03, (), 1, -0.02),
        (0.0, ((90, "mode_change", float(Mode.MANUAL), "manual"),), 0, None),
        (0.0, ((120, "limit_start", 0.3, "fio2_high"),), 0, None),
    ],
)
def test_a_low_reading_needs_more_oxygen_in_time(rise, events, cases, margin):
    found = verdict("low_saturation", trace(LOW, from_second(140, 0.3, 0.3 + rise)), *events)
    assert found.cases == cases
    if margin is not None:
        assert found.worst_margin == pytest.approx(margin)
    too_late = verdict("low_saturation", trace(LOW, from_second(141, 0.3, 0.9)))
    assert too_late.worst_margin == pytest.approx(-0.05)


def test_at_its_upper_limit_fio2_need_not_rise():
    found = verdict("low_saturation", trace(LOW, from_second(140, 0.98, 1.0)))
    assert (found.cases, found.violations) == (1, 0)


def test_thirty_seconds_on_end_means_without_a_gap():
    broken = LOW.copy()
    broken[120], broken[145], broken[170] = np.nan, 80.0, np.nan
    assert verdict("low_saturation", trace(broken)).cases == 0  # 171 to 199 is 29 s
    broken[170] = 75.0
    assert verdict("low_saturation", trace(broken)).cases == 1


def test_rate_and_limits():
    assert verdict("within_limits", trace(fio2=0.2)).worst_margin == pytest.approx(-0.01)
    found = verdict("rate_limited", trace(fio2=from_second(50, 0.3, 0.4)))
    assert found.worst_margin == pytest.approx(S.rise_per_s + S.step - 0.1) and found.at_s == 50


def test_gas_that_does_not_arrive_and_oxygen_that_creeps_up_need_a_call():
    gap = trace(fio2=0.4, inspired=from_second(100, 0.4, 0.21))
    assert verdict("delivery", gap).worst_margin < 0
    called = verdict("delivery", gap, (150, "alarm_start", 93.0, "fio2_deviation"))
    assert called.worst_margin == S.deviation_s - 50
    low = verdict("delivery", gap, (150, "alarm_start", 93.0, "spo2_low"))
    assert low.violations == 1


def test_staff_are_obeyed_and_handed_back_to_gently():
    events = (
        (100, "script_start", 0.5, "staff_override"),
        (200, "script_end", 0.5, "staff_override"),
    )
    kept = from_second(100, 0.3, 0.5)
    assert verdict("staff_obeyed", trace(fio2=kept), *events).violations == 0
    assert verdict("hand_back", trace(fio2=kept), *events).violations == 0
    moved = kept + np.where(np.arange(LENGTH) >= 150, 0.05, 0.0)
    assert verdict("staff_obeyed", trace(fio2=moved), *events).worst_margin == pytest.approx(-0.04)
    dropped = np.where(np.arange(LENGTH) >= 201, 0.3, kept)
    assert verdict("hand_back", trace(fio2=dropped), *events).worst_margin == pytest.approx(-0.15)


@pytest.mark.parametrize("name", REQUIREMENTS)
def test_every_requirement_has_words_with_figures(name):
    text = requirement_text(name, S)
    assert "{" not in text and text.endswith(".")
