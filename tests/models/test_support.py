"""Support settings: names, ranges, contradictions, alarm limits."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pytest

from oxytestbed.models.errors import TestbedError
from oxytestbed.models.support import (
    MODES,
    Conventional,
    NasalCpap,
    NasalOscillation,
    PressureAlarmSettings,
    settings_for,
)

NUMBERS = [
    (mode, item)
    for mode, owner in MODES.items()
    for item in fields(owner)
    if not item.metadata["choices"]
]


@pytest.mark.parametrize("mode", MODES)
def test_a_mode_is_made_by_its_name_and_knows_it(mode: str) -> None:
    assert settings_for(mode).mode == mode
    assert type(settings_for(mode, {"mode": mode})) is MODES[mode]


@pytest.mark.parametrize(("mode", "item"), NUMBERS, ids=lambda x: getattr(x, "name", x))
@pytest.mark.parametrize(("end", "by"), [("low", -0.001), ("high", 0.001)])
def test_what_is_outside_a_range_is_refused_with_the_range(
    mode: str, item: Any, end: str, by: float
) -> None:
    low, high = item.metadata["low"], item.metadata["high"]
    with pytest.raises(TestbedError, match=f"{item.name}: .*from {low:g} to {high:g}"):
        settings_for(mode, {item.name: item.metadata[end] + by})


@pytest.mark.parametrize(("mode", "item"), NUMBERS, ids=lambda x: getattr(x, "name", x))
def test_every_number_has_unit_meaning_and_a_default_inside_its_range(mode: str, item: Any) -> None:
    assert item.metadata["unit"] and item.metadata["doc"], mode
    assert item.metadata["low"] <= item.default <= item.metadata["high"]


@pytest.mark.parametrize(
    ("mode", "table", "message"),
    [
        ("nippv", {"pip_cmh2o": 8, "peep_cmh2o": 8}, r"pip_cmh2o: .*more than peep_cmh2o \(8"),
        ("snippv", {"pip_cmh2o": 5}, r"pip_cmh2o: .*more than peep_cmh2o \(6"),
        ("conventional", {"pip_cmh2o": 6, "peep_cmh2o": 7}, r"more than peep_cmh2o \(7"),
        (
            "nasal_cpap",
            {"backup_rate_per_min": 20, "backup_pip_cmh2o": 6},
            r"backup_pip_cmh2o: .*more than pressure_cmh2o \(6",
        ),
        ("conventional", {"rate_per_min": 80, "inspiratory_time_s": 0.6}, "at most 0.55 s at 80"),
        ("nippv", {"rate_per_min": 60, "inspiratory_time_s": 0.9}, "at most 0.8 s at 60"),
        ("snippv", {"backup_rate_per_min": 60, "inspiratory_time_s": 0.9}, "at most 0.8 s"),
        (
            "nippv",
            {"inspiratory_time_s": 0.3, "rise_time_s": 0.4},
            r"rise_time_s: .*at most inspiratory_time_s \(0.3",
        ),
        ("low_flow", {"flow_l_min": 3}, "from 0.02 to 2"),
        ("high_flow", {"circuit": "dual_limb"}, "one of single_limb"),
        ("hfo", {"circuit": "single_limb"}, "one of dual_limb"),
        ("conventional", {"circuit": "single_limb"}, "one of dual_limb"),
        ("nhfo", {"frequency_hz": "ten"}, "from 3 to 20"),
        ("nhfo", {"frequency_hz": True}, "from 3 to 20"),
        ("nhfo", {"frequency_hz": float("nan")}, "from 3 to 20"),
        ("nhfo", {"frequenzy_hz": 9}, "Did you mean 'frequency_hz'"),
        ("nhf", {}, "Did you mean 'nhfo'"),
    ],
)
def test_contradictions_and_slips_are_refused(
    mode: str, table: dict[str, Any], message: str
) -> None:
    with pytest.raises(TestbedError, match=message):
        settings_for(mode, table)


def test_a_backup_that_is_off_does_not_contradict() -> None:
    assert NasalCpap(pressure_cmh2o=10, backup_pip_cmh2o=5).backup_rate_per_min == 0


def test_common_practice() -> None:
    # Common practice, no source: 3-20 Hz, starting at 10 Hz; backup breaths on CPAP start off.
    described = {item.name: item for item in fields(NasalOscillation)}["frequency_hz"]
    assert (described.metadata["low"], described.metadata["high"]) == (3, 20)
    assert NasalOscillation().frequency_hz == 10
    assert NasalCpap().backup_rate_per_min == 0
    assert all(settings_for(mode).apnoea_rate_factor == 1 for mode in MODES)


def test_whole_numbers_are_taken_as_numbers() -> None:
    made = settings_for("conventional", {"rate_per_min": 40})
    assert isinstance(made, Conventional)
    assert made.rate_per_min == 40.0 and isinstance(made.rate_per_min, float)


def test_pressure_limits_start_at_a_margin_and_can_be_set_by_hand() -> None:
    pressure = np.array([6.0, 2.0, np.nan])
    low, high = PressureAlarmSettings(margin_cmh2o=3).limits(pressure)
    np.testing.assert_array_equal(low, [3.0, 0.0, np.nan])
    np.testing.assert_array_equal(high, [9.0, 5.0, np.nan])
    low, high = PressureAlarmSettings(low_cmh2o=4, high_cmh2o=12).limits(pressure)
    np.testing.assert_array_equal(low, [4.0, 4.0, np.nan])
    np.testing.assert_array_equal(high, [12.0, 12.0, np.nan])


def test_limits_the_wrong_way_round_are_refused() -> None:
    with pytest.raises(TestbedError, match=r"more than low_cmh2o \(8"):
        PressureAlarmSettings(low_cmh2o=8, high_cmh2o=8)
    assert PressureAlarmSettings(low_cmh2o=8).high_cmh2o == -1
