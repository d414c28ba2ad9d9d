"""Breathing events: rates, clusters, marks, room, and independence of the company."""

from dataclasses import fields, replace

import numpy as np
import pytest

from oxytestbed.models.breathing_chain import (
    STATE_NEXT,
    STATE_VISITS,
    draw_clock,
    draw_onsets,
)
from oxytestbed.models.disturbances import (
    ALWAYS_MARK,
    APNOEA_SHUNT_FACTOR,
    RECOVERY_S,
    Breathing,
    BreathingEvents,
    DisturbanceSettings,
    accept_probability,
    accepted,
    draw_breathing,
)
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.infants import Infants

#: Without age, so that every infant has its own rate.
PLAIN = DisturbanceSettings(age_effect=0.0)
DAY_S = 86400


def group(numbers: list[int], apnoea_rate_per_h: float = 5.0) -> Infants:
    """Infants in the middle of every range, apart from the rate of apnoeas."""
    values = {"apnoea_rate_per_h": apnoea_rate_per_h}
    columns = {"infant": np.array(numbers), "stratum": np.full(len(numbers), "settled")}
    for item in fields(Infants):
        if item.name not in columns:
            middle = 0.5 * (item.metadata["low"] + item.metadata["high"])
            columns[item.name] = np.full(len(numbers), values.get(item.name, middle))
    return Infants(**columns)


def equal(one: BreathingEvents, two: BreathingEvents) -> bool:
    return all(
        np.array_equal(getattr(one, item.name), getattr(two, item.name)) for item in fields(one)
    )


def is_apnoea(events: BreathingEvents) -> np.ndarray:
    return (events.kind != Breathing.HYPOVENTILATION) & (events.duration_s >= 10)


@pytest.fixture(scope="module")
def drawn() -> list[BreathingEvents]:
    infants = group(list(range(40)))
    return [draw_breathing(infants, place, 3, 5 * DAY_S, PLAIN) for place in range(40)]


def test_visits_are_those_of_the_chain() -> None:
    visits = np.array(STATE_VISITS)
    assert visits @ np.array(STATE_NEXT) == pytest.approx(visits)
    assert np.array(STATE_NEXT).sum(axis=1) == pytest.approx(np.ones(4))


def test_counting_time_is_as_fast_as_real_time_in_the_long_run() -> None:
    rng = np.random.default_rng(1)
    clocks = [draw_clock(rng, DAY_S) for _ in range(400)]
    counted_s = [np.interp(DAY_S, clock.edges_s, clock.counted_s) for clock in clocks]
    assert np.mean(counted_s) / DAY_S == pytest.approx(1.0, abs=0.07)


def test_onsets_of_rate_zero_are_none() -> None:
    rng = np.random.default_rng(1)
    assert len(draw_onsets(rng, draw_clock(rng, 3600), 0.0)) == 0


@pytest.mark.parametrize("other", [[7], [7, 1, 2], [2, 7, 900]])
def test_events_do_not_depend_on_the_company(other: list[int]) -> None:
    alone = draw_breathing(group([7]), 0, 3, DAY_S, PLAIN)
    together = draw_breathing(group(other), other.index(7), 3, DAY_S, PLAIN)
    assert len(alone) > 50
    assert equal(alone, together)


def test_infants_and_seeds_have_events_of_their_own() -> None:
    infants = group([1, 2])
    first = draw_breathing(infants, 0, 3, DAY_S, PLAIN)
    assert not equal(first, draw_breathing(infants, 1, 3, DAY_S, PLAIN))
    assert not equal(first, draw_breathing(infants, 0, 4, DAY_S, PLAIN))


@pytest.mark.parametrize("rate_per_h", [1.0, 5.0, 40.0])
def test_longer_run_begins_with_the_events_of_a_shorter_one(rate_per_h: float) -> None:
    infants = group([7], rate_per_h)
    long = draw_breathing(infants, 0, 3, 3 * DAY_S, PLAIN)
    for duration_s in (1800, 4 * 3600, DAY_S):
        short = draw_breathing(infants, 0, 3, duration_s, PLAIN)
        begins = long.onset_s < duration_s
        assert np.count_nonzero(begins) == len(short)
        for item in fields(short):
            assert np.array_equal(getattr(short, item.name), getattr(long, item.name)[begins])


@pytest.mark.parametrize("rate_per_h", [0.5, 5.0, 60.0])
def test_events_are_ordered_and_leave_room(rate_per_h: float) -> None:
    events = draw_breathing(group([7], rate_per_h), 0, 3, DAY_S, PLAIN)
    over_s = events.onset_s + events.duration_s + RECOVERY_S
    assert np.all(events.onset_s[1:] >= over_s[:-1])
    assert events.onset_s[0] >= 0
    assert events.onset_s[-1] < DAY_S


def test_rate_in_normoxia_is_the_infants_own(drawn: list[BreathingEvents]) -> None:
    """An infant's mean over 5 days has an SD of a fifth of its rate: 3.2 % for 40 infants."""
    normoxia = [
        np.count_nonzero(is_apnoea(e) & accepted(e.mark, np.full(len(e), 95.0))) for e in drawn
    ]
    assert sum(normoxia) / (40 * 120) == pytest.approx(5.0, rel=0.1)


def test_severe_hypoxia_nearly_doubles_the_rate(drawn: list[BreathingEvents]) -> None:
    """Nearly, because events that hypoxia adds are dropped where there is no room."""
    normoxia = sum(np.count_nonzero(accepted(e.mark, np.full(len(e), 95.0))) for e in drawn)
    hypoxia = sum(np.count_nonzero(accepted(e.mark, np.full(len(e), 60.0))) for e in drawn)
    assert 1.8 < hypoxia / normoxia < 2.1


def test_rate_scale_and_no_sensitivity() -> None:
    infants = group(list(range(30)))
    settings = replace(PLAIN, apnoea_rate_scale=2.0, hypoxia_sensitivity=0.0)
    events = [draw_breathing(infants, place, 3, 4 * DAY_S, settings) for place in range(30)]
    assert max(e.mark.max() for e in events) < ALWAYS_MARK
    rate = sum(np.count_nonzero(is_apnoea(e)) for e in events) / (30 * 96)
    assert rate == pytest.approx(10.0, rel=0.12)


def test_sensitivity_changes_nothing_in_normoxia() -> None:
    infants = group([7])
    plain = draw_breathing(infants, 0, 3, DAY_S, PLAIN)
    none = draw_breathing(infants, 0, 3, DAY_S, replace(PLAIN, hypoxia_sensitivity=0.0))
    assert np.array_equal(plain.onset_s[plain.mark < ALWAYS_MARK], none.onset_s)


def test_no_events_where_none_are_asked_for() -> None:
    settings = DisturbanceSettings(apnoea_rate_scale=0.0, hypoventilation_rate_per_h=0.0)
    assert len(draw_breathing(group([7]), 0, 3, DAY_S, settings)) == 0
    weak = DisturbanceSettings(apnoea_rate_scale=0.0)
    events = draw_breathing(group([7]), 0, 3, DAY_S, weak)
    assert set(events.kind.tolist()) == {int(Breathing.HYPOVENTILATION)}


def test_apnoeas_come_in_clusters(drawn: list[BreathingEvents]) -> None:
    """Counts in 5 min of a Poisson process would have a dispersion index of 1.00 +- 0.01."""
    counts = np.concatenate(
        [
            np.bincount(e.onset_s[is_apnoea(e) & (e.mark < ALWAYS_MARK)] // 300, minlength=1440)
            for e in drawn
        ]
    )
    assert 1.15 < counts.var() / counts.mean() < 3.0


def test_marks_are_uniform(drawn: list[BreathingEvents]) -> None:
    """KS limit at 0.1 %: 1.95 / sqrt(n), in either half (few of the upper half are dropped)."""
    marks = np.concatenate([e.mark for e in drawn])
    for low in (0.0, ALWAYS_MARK):
        half = np.sort((marks[(marks >= low) & (marks < low + 0.5)] - low) / 0.5)
        steps = np.arange(1, len(half) + 1) / len(half)
        assert len(half) > 10000
        assert np.abs(half - steps).max() < 1.95 / np.sqrt(len(half))


def test_kinds_come_in_their_shares(drawn: list[BreathingEvents]) -> None:
    kinds = np.concatenate([e.kind[is_apnoea(e)] for e in drawn])
    assert np.mean(kinds == Breathing.OBSTRUCTIVE) == pytest.approx(0.1, abs=0.01)
    assert np.mean(kinds == Breathing.MIXED) == pytest.approx(0.25, abs=0.015)


def test_what_each_kind_does_to_breathing(drawn: list[BreathingEvents]) -> None:
    for events in drawn:
        weak = events.kind == Breathing.HYPOVENTILATION
        blocked = events.kind == Breathing.OBSTRUCTIVE
        mixed = events.kind == Breathing.MIXED
        assert np.all(events.ventilation[~weak] == 0)
        assert np.all((events.ventilation[weak] >= 0.2) & (events.ventilation[weak] <= 0.6))
        assert np.all(events.closed_from_s[blocked] == 0)
        assert np.all(events.closed_from_s[mixed] == events.duration_s[mixed] // 2)
        is_open = ~(blocked | mixed)
        assert np.all(events.closed_from_s[is_open] == events.duration_s[is_open])
        assert np.all(events.duration_s >= 5)
        assert np.all(events.shunt_factor >= 1)
        pause = (events.kind == Breathing.CENTRAL) & (events.duration_s < 10)
        assert np.all(events.shunt_factor[pause] == 1)
        assert np.all(events.shunt_factor[is_apnoea(events)] == APNOEA_SHUNT_FACTOR)
        assert np.any(events.shunt_factor[weak] > 1)


def test_mixed_apnoeas_last_longest(drawn: list[BreathingEvents]) -> None:
    """From memory: mixed apnoeas are commoner among long ones."""
    kind = np.concatenate([e.kind[is_apnoea(e)] for e in drawn])
    lasting = np.concatenate([e.duration_s[is_apnoea(e)] for e in drawn])
    mean = {k: lasting[kind == k].mean() for k in (Breathing.CENTRAL, Breathing.MIXED)}
    assert mean[Breathing.MIXED] > mean[Breathing.CENTRAL] + 2


def test_acceptance_rises_with_hypoxia() -> None:
    sao2_pct = np.linspace(100, 40, 121)
    probability = accept_probability(sao2_pct)
    assert np.all(np.diff(probability) >= 0)
    assert probability[0] == ALWAYS_MARK
    assert probability[-1] == 1.0
    assert accept_probability(np.array([82.5]))[0] == pytest.approx(0.75)
    marks = np.random.default_rng(1).random(200)
    mild, severe = accepted(marks, np.full(200, 85.0)), accepted(marks, np.full(200, 78.0))
    assert np.all(severe[mild])
    assert severe.sum() > mild.sum()


def test_more_events_than_time_are_refused() -> None:
    settings = DisturbanceSettings(apnoea_rate_scale=10.0)
    with pytest.raises(TestbedError, match=r"infant 7: .*fit.*Lower apnoea_rate_scale"):
        draw_breathing(group([7], 60.0), 0, 3, DAY_S, settings)
    assert len(draw_breathing(group([7], 70.0), 0, 3, 3600, PLAIN)) > 20


def test_settings_refuse_what_contradicts_itself() -> None:
    with pytest.raises(TestbedError, match="mixed_share"):
        DisturbanceSettings(obstructive_share=0.6, mixed_share=0.6)
    with pytest.raises(TestbedError, match="apnoea_rate_scale"):
        DisturbanceSettings(apnoea_rate_scale=11.0)
