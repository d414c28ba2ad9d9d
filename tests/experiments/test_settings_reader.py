"""Tables into settings: what is accepted, and what each refusal says."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest

from oxytestbed.experiments.settings_reader import Place, read_settings
from oxytestbed.models.errors import TestbedError, problem
from oxytestbed.models.settings import quantity, validate


@dataclass(frozen=True, kw_only=True)
class Pump:
    flow_l_min: float = quantity(unit="L/min", low=1, high=60, default=8, doc="gas flow")
    ticks: int = quantity(unit="s", low=1, high=16, default=4, doc="averaging")
    word: str = quantity(unit="-", choices=("slow", "fast"), default="slow", doc="pace")
    on: bool = quantity(unit="-", default=True, doc="whether it runs")
    lowest: float = quantity(unit="L/min", low=0, high=60, default=0, doc="lowest flow")

    def __post_init__(self) -> None:
        validate(self)
        if self.lowest > self.flow_l_min:
            raise problem("Pump.lowest", "at most flow_l_min", self.lowest)


@dataclass(frozen=True, kw_only=True)
class Part:
    name: str = quantity(unit="-", doc="its name")
    options: Mapping[str, Any] = field(
        default_factory=dict, metadata=quantity(unit="-", doc="options").metadata
    )


@dataclass(frozen=True, kw_only=True)
class Device:
    size_ml: float = quantity(unit="mL", low=0, high=10, doc="its size")
    pump: Pump = quantity(unit="-", default=Pump(), doc="the pump")
    numbers: tuple[int, ...] = quantity(unit="-", default=(), doc="some numbers")
    parts: tuple[Part, ...] = quantity(unit="-", default=(), doc="some parts")


def refusal(table: dict[str, Any]) -> str:
    with pytest.raises(TestbedError) as caught:
        read_settings(Device, table, "file.toml")
    return str(caught.value)


def test_everything_given_is_read() -> None:
    table = {
        "size_ml": 2.5,
        "pump": {"flow_l_min": 7.5, "ticks": 2, "word": "fast", "on": False, "lowest": 1.0},
        "numbers": [3, 1],
        "parts": [{"name": "a", "options": {"gain": 0.1, "steps": [1, 2]}}, {"name": "b"}],
    }
    device = read_settings(Device, table, "file.toml")
    assert device == Device(
        size_ml=2.5,
        pump=Pump(flow_l_min=7.5, ticks=2, word="fast", on=False, lowest=1.0),
        numbers=(3, 1),
        parts=(Part(name="a", options={"gain": 0.1, "steps": (1, 2)}), Part(name="b")),
    )


def test_what_is_left_out_has_its_default() -> None:
    assert read_settings(Device, {"size_ml": 1.0}, "file.toml") == Device(size_ml=1.0)


def test_a_whole_number_serves_as_a_float_and_becomes_one() -> None:
    device = read_settings(Device, {"size_ml": 2}, "file.toml")
    assert isinstance(device.size_ml, float)
    assert isinstance(device.pump.flow_l_min, float)  # the default is written as 8


@pytest.mark.parametrize("size", [0, 10])
def test_both_ends_of_a_range_are_inside(size: float) -> None:
    assert read_settings(Device, {"size_ml": size}, "file.toml").size_ml == size


# One entry for each way to be wrong: the table, and the whole message.
REFUSALS: dict[str, tuple[dict[str, Any], str]] = {
    "unknown key": (
        {"size_ml": 1, "pump": {"tick": 3}},
        "file.toml: pump.tick: expected a known key, got 'tick'. Did you mean 'ticks'? "
        "Valid: flow_l_min, lowest, on, ticks, word.",
    ),
    "missing key": (
        {},
        "file.toml: size_ml: expected a number from 0 to 10 (mL), got nothing. "
        "This key is required: its size.",
    ),
    "missing key of a list's table": (
        {"size_ml": 1, "parts": [{"name": "a"}, {}]},
        "file.toml: parts[#2].name: expected a text in quotes, got nothing. "
        "This key is required: its name.",
    ),
    "text for a number": (
        {"size_ml": "3"},
        "file.toml: size_ml: expected a number from 0 to 10 (mL), got '3'",
    ),
    "truth value for a number": (
        {"size_ml": True},
        "file.toml: size_ml: expected a number from 0 to 10 (mL), got true",
    ),
    "truth value for a whole number": (
        {"size_ml": 1, "pump": {"ticks": True}},
        "file.toml: pump.ticks: expected a whole number from 1 to 16 (s), got true",
    ),
    "fraction for a whole number": (
        {"size_ml": 1, "pump": {"ticks": 4.0}},
        "file.toml: pump.ticks: expected a whole number from 1 to 16 (s), got 4.0",
    ),
    "number for a truth value": (
        {"size_ml": 1, "pump": {"on": 1}},
        "file.toml: pump.on: expected true or false, got 1",
    ),
    "number for a text": (
        {"size_ml": 1, "parts": [{"name": 3}]},
        "file.toml: parts[#1].name: expected a text in quotes, got 3",
    ),
    "too high": (
        {"size_ml": 10.5},
        "file.toml: size_ml: expected a value from 0 to 10 (mL), got 10.5",
    ),
    "not a number": (
        {"size_ml": float("nan")},
        "file.toml: size_ml: expected a number from 0 to 10 (mL), got nan",
    ),
    "infinite": (
        {"size_ml": float("inf")},
        "file.toml: size_ml: expected a number from 0 to 10 (mL), got inf",
    ),
    "word that is not a choice": (
        {"size_ml": 1, "pump": {"word": "swift"}},
        "file.toml: pump.word: expected one of slow, fast, got 'swift'",
    ),
    "value for a section": (
        {"size_ml": 1, "pump": 3},
        "file.toml: pump: expected a section [pump] with keys of its own, got 3",
    ),
    "table for a number": (
        {"size_ml": {"ml": 1}},
        "file.toml: size_ml: expected a number from 0 to 10 (mL), got a table",
    ),
    "number for a list": (
        {"size_ml": 1, "numbers": 3},
        "file.toml: numbers: expected a list in square brackets, got 3",
    ),
    "text in a list of numbers": (
        {"size_ml": 1, "numbers": [1, "2"]},
        "file.toml: numbers[#2]: expected a whole number, got '2'",
    ),
    "one table for a list of tables": (
        {"size_ml": 1, "parts": {"name": "a"}},
        "file.toml: parts: expected a list of tables, each under its own [[parts]], got a table",
    ),
    "option that is a table": (
        {"size_ml": 1, "parts": [{"name": "a", "options": {"inner": {}}}]},
        "file.toml: parts[a].options.inner: expected a number, a text, true, false, "
        "or a list of these, got a table",
    ),
    "contradiction inside a section": (
        {"size_ml": 1, "pump": {"flow_l_min": 2, "lowest": 3}},
        "file.toml: pump.lowest: expected at most flow_l_min, got 3.0",
    ),
}


@pytest.mark.parametrize("case", REFUSALS)
def test_refusals_name_file_key_expected_and_given(case: str) -> None:
    table, message = REFUSALS[case]
    assert refusal(table) == message


@pytest.mark.parametrize("value", [10**400, -(10**400), datetime.date(2000, 1, 1)])
def test_odd_toml_values_are_refused_in_the_same_form(value: object) -> None:
    assert refusal({"size_ml": value}).startswith(
        "file.toml: size_ml: expected a number from 0 to 10 (mL), got "
    )


def test_all_problems_come_in_one_message_a_line_each() -> None:
    message = refusal(
        {"size": 1, "pump": {"ticks": 99, "word": 3}, "numbers": [1, 2.5], "parts": [{}]}
    )
    first, *rest = message.splitlines()
    assert first == "6 problems:"
    keys = [line.split(": ")[1] for line in rest]
    assert keys == ["size", "size_ml", "pump.ticks", "pump.word", "numbers[#2]", "parts[#1].name"]


def test_a_field_of_a_type_that_cannot_be_read_is_a_programming_error() -> None:
    @dataclass(frozen=True, kw_only=True)
    class Odd:
        value: complex = 1j

    with pytest.raises(TypeError, match="cannot be read"):
        read_settings(Odd, {"value": 1}, "file.toml")


def test_places_are_shown_as_file_and_dotted_key() -> None:
    assert str(Place("a.toml")) == "a.toml"
    assert str(Place("a.toml").at("b").at("c").item("d").at("e")) == "a.toml: b.c[d].e"
