"""Settings as TOML: values survive writing and reading, comments tell unit and meaning."""

from __future__ import annotations

import datetime
import tomllib
from dataclasses import dataclass
from typing import Any

import pytest

from oxytestbed.experiments.settings_writer import settings_rows, settings_toml, toml_value
from oxytestbed.models.settings import quantity


@dataclass(frozen=True, kw_only=True)
class Inner:
    name: str = quantity(unit="-", default="x", doc="its name")
    delay_s: float = quantity(unit="s", default=1.5, doc="its delay")


@dataclass(frozen=True, kw_only=True)
class Outer:
    count: int = quantity(unit="-", doc="how many")
    inner: Inner = quantity(unit="-", default=Inner(), doc="One inner.")
    more: tuple[Inner, ...] = quantity(unit="-", default=(), doc="One of several.")
    last: tuple[int, ...] = quantity(unit="-", default=(), doc="a list")


@pytest.mark.parametrize(
    "value",
    [
        True,
        False,
        0,
        -7,
        10**30,
        0.1,
        1e-300,
        1e22,
        -0.0,
        1 / 3,
        "",
        "plain",
        'quote " and back\\slash',
        "line\nbreak\ttab\r\f\b\x00\x1f\x7f",
        "# no comment",
        "Grüße, 酸素",
        [1, 2.5, "a", [True]],
        {"a key": 1, "b": [1], "": {"c-d": "e"}, 'q"': 2},
    ],
)
def test_every_value_reads_back_as_it_was(value: Any) -> None:
    read = tomllib.loads(f"value = {toml_value(value)}")["value"]
    assert read == value
    assert repr(read) == repr(value)  # also the type, and the sign of zero


def test_a_value_that_toml_lacks_is_refused() -> None:
    with pytest.raises(TypeError, match="TOML has no value"):
        toml_value(datetime.timedelta(1))


def test_sections_follow_plain_values_and_carry_unit_and_meaning() -> None:
    text = settings_toml(Outer(count=3, more=(Inner(name="a"), Inner(name="b")), last=(1, 2)))
    assert text.splitlines() == [
        "count = 3  # how many",
        "last = [1, 2]  # a list",
        "",
        "# One inner.",
        "[inner]",
        'name = "x"  # its name',
        "delay_s = 1.5  # s; its delay",
        "",
        "# One of several.",
        "[[more]]",
        'name = "a"  # its name',
        "delay_s = 1.5  # s; its delay",
        "",
        "# One of several.",
        "[[more]]",
        'name = "b"  # its name',
        "delay_s = 1.5  # s; its delay",
    ]


def test_keys_without_effect_can_be_left_out() -> None:
    read = tomllib.loads(settings_toml(Outer(count=3), ["count", "inner.delay_s"]))
    assert read == {"inner": {"name": "x"}, "more": [], "last": []}


def test_rows_tell_what_was_set() -> None:
    rows = list(settings_rows(Outer(count=3, inner=Inner(delay_s=2.0), more=(Inner(name="a"),))))
    shown = [(row["key"], row["value"], row["unit"], row["source"]) for row in rows]
    assert shown == [
        ("count", "3", "-", "set"),
        ("inner.name", "x", "-", "default"),
        ("inner.delay_s", "2", "s", "set"),
        ("more[a].name", "a", "-", "set"),
        ("more[a].delay_s", "1.5", "s", "default"),
        ("last", "none", "-", "default"),
    ]
    assert rows[2]["meaning"] == "its delay"
