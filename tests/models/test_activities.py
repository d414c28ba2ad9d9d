"""Care, feeds, crying, transfusion: drawn lists, and what goes on at the moment."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from oxytestbed.models.activities import (
    EFFECTS,
    HANDS_ON,
    Activities,
    ActivityKind,
    ActivitySettings,
    draw_activities,
)
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.infants import Infants

PLAIN = ActivitySettings()
DAY_S = 86400


def group(numbers: list[int]) -> Infants:
    """Infants in the middle of every range."""
    columns: dict[str, object] = {
        item.name: np.full(len(numbers), 0.5 * (item.metadata["low"] + item.metadata["high"]))
        for item in fields(Infants)
        if not item.metadata["choices"]
    }
    columns |= {"stratum": np.full(len(numbers), "settled"), "infant": np.array(numbers)}
    return Infants(**columns)  # type: ignore[arg-type]


def equal(one: Activities, two: Activities) -> bool:
    return all(
        np.array_equal(getattr(one, item.name), getattr(two, item.name)) for item in fields(one)
    )


def cut(one: Activities, duration_s: int) -> Activities:
    """Those that start before a time."""
    early = one.onset_s < duration_s
    return Activities(**{item.name: getattr(one, item.name)[early] for item in fields(one)})


def test_an_infant_is_cared_for_alike_in_any_company() -> None:
    alone = draw_activities(group([7]), 0, 3, DAY_S, PLAIN)
    other = [4, 7, 1]
    assert equal(alone, draw_activities(group(other), other.index(7), 3, DAY_S, PLAIN))
    assert not equal(alone, draw_activities(group(other), 0, 3, DAY_S, PLAIN))
    assert not equal(alone, draw_activities(group([7]), 0, 4, DAY_S, PLAIN))


@pytest.mark.parametrize("duration_s", [0, 3600, 30000, 2 * DAY_S])
def test_a_shorter_run_has_the_first_activities(duration_s: int) -> None:
    settings = replace(PLAIN, transfusion_per_d=1.0)
    long = draw_activities(group([7]), 0, 3, 3 * DAY_S, settings)
    short = draw_activities(group([7]), 0, 3, duration_s, settings)
    assert equal(short, cut(long, duration_s))


def test_one_kind_more_leaves_the_others_alone() -> None:
    plain = draw_activities(group([7]), 0, 3, DAY_S, PLAIN)
    quiet = draw_activities(group([7]), 0, 3, DAY_S, replace(PLAIN, crying_per_d=0.0))
    assert (quiet.kind != ActivityKind.CRYING).all()
    others = plain.kind != ActivityKind.CRYING
    assert np.array_equal(plain.onset_s[others], quiet.onset_s)
    assert len(quiet) < len(plain)


def test_hands_on_events_are_rising_and_do_not_overlap() -> None:
    settings = replace(PLAIN, hands_on_per_d=200.0, hands_on_h_per_d=6.0)
    drawn = draw_activities(group([7]), 0, 3, 5 * DAY_S, settings)
    assert (np.diff(drawn.onset_s) >= 0).all()
    mine = np.isin(drawn.kind, HANDS_ON)
    ends_s = drawn.onset_s[mine] + drawn.duration_s[mine]
    assert mine.sum() > 500
    assert (drawn.onset_s[mine][1:] > ends_s[:-1]).all()


@pytest.mark.parametrize(("start_hour_h", "more"), [(7.0, True), (19.0, False)])
def test_the_start_hour_says_whether_it_is_day(start_hour_h: float, more: bool) -> None:
    settings = replace(PLAIN, start_hour_h=start_hour_h, hands_on_spread=0.0)
    infants = group(list(range(40)))
    count = sum(
        int(np.isin(draw_activities(infants, p, 3, DAY_S // 2, settings).kind, HANDS_ON).sum())
        for p in range(40)
    )
    # 41 : 19 of 38 a day are 26 by day and 12 by night; standard error below 1.
    assert count / 40 == pytest.approx(26 if more else 12, abs=3.5)


def test_feeds_come_by_the_clock() -> None:
    drawn = draw_activities(group([7]), 0, 3, 3 * DAY_S, PLAIN)
    feeds_s = drawn.onset_s[drawn.kind == ActivityKind.FEED]
    assert len(feeds_s) == pytest.approx(24, abs=1)
    assert np.abs(np.diff(feeds_s) - 3 * 3600).max() <= 2 * 0.05 * 3 * 3600 + 1


def test_effects_are_those_of_the_kind_and_can_be_scaled() -> None:
    drawn = draw_activities(group([7]), 0, 3, 3 * DAY_S, PLAIN)
    half = draw_activities(group([7]), 0, 3, 3 * DAY_S, replace(PLAIN, effect_scale=0.5))
    none = draw_activities(group([7]), 0, 3, 3 * DAY_S, replace(PLAIN, effect_scale=0.0))
    suction = EFFECTS[ActivityKind.SUCTION]
    at = int(np.flatnonzero(drawn.kind == ActivityKind.SUCTION)[0])
    assert drawn.shunt_factor[at] == suction.shunt
    assert drawn.ventilation_factor[at] == pytest.approx(suction.vo2 * suction.effort)
    assert half.shunt_factor[at] - 1 == pytest.approx((suction.shunt - 1) / 2)
    assert drawn.interface_off[at] and drawn.stimulates[at]
    for factor in (none.vo2_factor, none.ventilation_factor, none.shunt_factor):
        assert (factor == 1).all()
    assert (none.motion == 0).all()


def test_staff_can_tell_procedures_from_the_rest() -> None:
    drawn = draw_activities(group([7]), 0, 3, 3 * DAY_S, PLAIN)
    kinds = {ActivityKind(k) for k in drawn.kind[drawn.is_procedure()].tolist()}
    assert kinds == {*HANDS_ON, ActivityKind.FEED}
    assert not drawn.is_procedure()[drawn.kind == ActivityKind.CRYING].any()


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"hands_on_per_d": 5.0}, "hands_on_per_d"),
        ({"feed_minutes": 60.0, "feed_interval_h": 1.0}, "feed_minutes"),
        ({"hands_on_h_per_d": 12.0}, "hands_on_h_per_d"),
        ({"start_hour_h": 25.0}, "start_hour_h"),
    ],
)
def test_impossible_settings_are_refused_by_name(wrong: dict[str, float], named: str) -> None:
    with pytest.raises(TestbedError, match=f"ActivitySettings.{named}: expected"):
        ActivitySettings(**wrong)
