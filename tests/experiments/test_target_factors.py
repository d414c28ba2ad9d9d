"""Factors: how they are written, what they change, what they may not."""

import pytest

from oxytestbed.experiments.scenario import load_scenario
from oxytestbed.experiments.target_factors import (
    DEFAULT_RANGES,
    Factor,
    cell_scenario,
    parse_factor,
    parse_range,
)
from oxytestbed.models.errors import TestbedError


@pytest.fixture(scope="module")
def night():
    return load_scenario("settled_night")


def ends(scenario):
    return scenario.target.low_pct, scenario.target.high_pct


@pytest.mark.parametrize("text", ["88-92", " 88 - 92 ", "88\u201392", "88.0-92"])
def test_a_range_is_read(text):
    assert parse_range(text) == (88.0, 92.0)


@pytest.mark.parametrize("text", ["88", "88-", "-92", "88..92", "low-high", ""])
def test_what_is_no_range_is_refused(text):
    with pytest.raises(TestbedError, match="such as 88-92"):
        parse_range(text)


def test_the_default_ranges_are_ranges():
    assert [parse_range(text) for text in DEFAULT_RANGES] == [
        (85, 89),
        (88, 92),
        (90, 94),
        (91, 95),
    ]


def test_a_factor_is_read():
    assert parse_factor("oximeter.averaging_s = 2, 8,16").values == ("2", "8", "16")


@pytest.mark.parametrize("text", ["", "averaging", "=1", "key=", "key=1,1"])
def test_what_is_no_factor_is_refused(text):
    with pytest.raises(TestbedError):
        parse_factor(text)


@pytest.mark.parametrize(
    "key", ["seed", "cohort.infants", "run.duration_h", "arms", "staff.infants_per_nurse"]
)
def test_what_would_change_infants_or_draws_is_refused(key):
    with pytest.raises(TestbedError, match="a setting of care or equipment"):
        Factor(key=key, values=("1",))


@pytest.mark.parametrize(
    ("key", "value", "wanted"),
    [
        ("target", "88-92", (88, 92)),
        ("target.middle_pct", "90", (87.5, 92.5)),
        ("target.width_pct", "2", (91.5, 93.5)),
        ("target.low_pct", "91", (91, 95)),
    ],
)
def test_the_range_can_be_set_moved_and_widened(night, key, value, wanted):
    assert ends(night) == (90, 95)
    assert ends(cell_scenario(night, [Factor(key=key, values=(value,))], [value])) == wanted
    assert ends(night) == (90, 95)


def test_two_factors_are_applied_in_turn(night):
    factors = [parse_factor("target.middle_pct=90"), parse_factor("target.width_pct=4")]
    assert ends(cell_scenario(night, factors, ["90", "4"])) == (88, 92)


def test_any_setting_can_be_a_factor(night):
    factors = [parse_factor("oximeter.averaging_s=2"), parse_factor("support.mode=high_flow")]
    made = cell_scenario(night, factors, ["2", "high_flow"])
    assert (made.oximeter.averaging_s, made.support.mode) == (2, "high_flow")


@pytest.mark.parametrize(
    "text",
    ["oximeter.average_s=2", "alarms.low_margin_pct=99", "target=95-90", "target.width_pct=x"],
)
def test_what_the_scenario_refuses_is_refused(night, text):
    factor = parse_factor(text)
    with pytest.raises(TestbedError):
        cell_scenario(night, [factor], factor.values)
