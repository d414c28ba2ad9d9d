"""Blender steps, transport delay, wash-in and monitor."""

from __future__ import annotations

import math
import tracemalloc
from dataclasses import fields

import numpy as np
import pytest

from oxytestbed.models.errors import TestbedError
from oxytestbed.models.gas_delivery import GasDelivery, GasSettings, wash_in_time_constant_s
from oxytestbed.models.infants import FloatArray, Infants


def infants_of(numbers: list[int]) -> Infants:
    """Infants with the middle of every range; gas delivery looks at their numbers only."""
    count = len(numbers)
    columns: dict[str, object] = {
        item.name: np.full(count, 0.5 * (item.metadata["low"] + item.metadata["high"]))
        for item in fields(Infants)
        if not item.metadata["choices"]
    }
    columns["stratum"] = np.full(count, "settled")
    return Infants(**{**columns, "infant": np.array(numbers)})  # type: ignore[arg-type]


def one_lane(initial: float = 0.30, **settings: float) -> GasDelivery:
    exact = {"blender_error_sd": 0.0, "monitor_error_sd": 0.0, **settings}
    return GasDelivery(infants_of([5]), 1, GasSettings(**exact), 1, np.array([initial]))


def run(gas: GasDelivery, commands: FloatArray) -> FloatArray:
    """Everything public, by second: shape (ticks, 4, lanes)."""
    seen = []
    for command in commands:
        gas.step(command)
        now = [gas.set_fio2, gas.applied_fio2, gas.inspired_fio2, gas.delivered_fio2]
        seen.append(np.array(now))
    return np.array(seen)


@pytest.mark.parametrize("percent", range(21, 101))
def test_every_whole_percent_is_set_as_asked(percent: int) -> None:
    gas = one_lane()
    for asked in (percent / 100, percent * 0.01, percent / 100 - 1e-12, percent / 100 + 1e-12):
        gas.step(np.array([asked]))
        assert gas.set_fio2[0] == percent / 100


@pytest.mark.parametrize(
    ("asked", "expected"),
    [(0.285, 0.29), (0.2849, 0.28), (0.575, 0.58), (0.1, 0.21), (1.7, 1.0), (math.inf, 1.0)],
)
def test_the_blender_rounds_half_up_inside_its_limits(asked: float, expected: float) -> None:
    gas = one_lane()
    gas.step(np.array([asked]))
    assert gas.set_fio2[0] == expected


def test_limits_between_two_steps_are_not_exceeded() -> None:
    gas = one_lane(fio2_min=0.225, fio2_max=0.895)
    gas.step(np.array([0.2]))
    assert gas.set_fio2[0] == 0.23
    gas.step(np.array([1.0]))
    assert gas.set_fio2[0] == 0.89


def test_a_finer_blender_takes_finer_steps() -> None:
    gas = one_lane(blender_step=0.005)
    gas.step(np.array([0.2874]))
    assert gas.set_fio2[0] == 0.285


def test_without_a_command_the_blender_stays() -> None:
    gas = one_lane()
    gas.step(np.array([0.41]))
    gas.step(np.array([math.nan]))
    assert gas.set_fio2[0] == 0.41
    assert gas.applied_fio2[0] == 0.41


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"fio2_min": 0.5, "fio2_max": 0.4}, "fio2_max"),
        ({"blender_step": 0.03}, "blender_step"),
        ({"fio2_min": 0.221, "fio2_max": 0.229}, "blender_step"),
        ({"fio2_min": 0.2}, "fio2_min"),
        ({"flow_l_min": 0.0}, "flow_l_min"),
        ({"dead_time_s": math.nan}, "dead_time_s"),
    ],
)
def test_impossible_settings_are_refused_by_name(wrong: dict[str, float], named: str) -> None:
    with pytest.raises(TestbedError, match=f"GasSettings.{named}: expected"):
        GasSettings(**wrong)


@pytest.mark.parametrize("initial", [np.array([0.3, 0.3]), np.array([math.nan])])
def test_a_wrong_start_is_refused(initial: FloatArray) -> None:
    with pytest.raises(TestbedError, match="initial_fio2"):
        GasDelivery(infants_of([1]), 1, GasSettings(), 1, initial)


def test_it_starts_in_equilibrium_and_stays_there() -> None:
    start = np.array([0.21, 0.34, 0.6, 1.0])
    gas = GasDelivery(infants_of([1, 2, 3, 4]), 1, GasSettings(), 7, start)
    before = [gas.applied_fio2.copy(), gas.inspired_fio2.copy(), gas.delivered_fio2.copy()]
    run(gas, np.tile(start, (100, 1)))
    assert np.array_equal(before, [gas.applied_fio2, gas.inspired_fio2, gas.delivered_fio2])
    assert np.array_equal(gas.applied_fio2, gas.inspired_fio2)


@pytest.mark.parametrize("dead_time_s", [0, 1, 4, 11])
def test_after_a_step_the_circuit_fills_exponentially(dead_time_s: int) -> None:
    gas = one_lane(dead_time_s=dead_time_s)
    inspired = run(gas, np.full((60, 1), 0.50))[:, 2, 0]
    tau_s = wash_in_time_constant_s(gas.settings)
    since_s = np.maximum(np.arange(1, 61) - dead_time_s, 0)
    # The closed form of a first-order lag; the tolerance is rounding alone.
    expected = 0.30 + 0.20 * (1 - np.exp(-since_s / tau_s))
    np.testing.assert_allclose(inspired, expected, rtol=0, atol=1e-14)


def test_half_a_second_of_dead_time_shares_a_step_between_two_seconds() -> None:
    gas = one_lane(dead_time_s=5.5)
    inspired = run(gas, np.full((8, 1), 0.50))[:, 2, 0]
    share = 1 - math.exp(-1 / wash_in_time_constant_s(gas.settings))
    assert np.array_equal(inspired[:5], np.full(5, 0.30))
    assert inspired[5] == pytest.approx(0.30 + 0.5 * 0.20 * share, abs=1e-14)
    assert inspired[6] == pytest.approx(inspired[5] + share * (0.50 - inspired[5]), abs=1e-14)


def test_dead_time_delays_the_gas_by_its_fraction_too() -> None:
    """The area between a step and its answer is dead time plus lag, whatever the fraction."""
    for dead_time_s in (3.0, 3.25, 3.9):
        gas = one_lane(dead_time_s=dead_time_s)
        lost = (0.50 - run(gas, np.full((200, 1), 0.50))[:, 2, 0]).sum() / 0.20
        lag_s = 1 / (1 - math.exp(-1 / wash_in_time_constant_s(gas.settings))) - 1
        assert lost == pytest.approx(dead_time_s + lag_s, abs=1e-9)


def test_the_monitor_lags_behind_the_gas() -> None:
    gas = one_lane(monitor_time_constant_s=4.0)
    seen = run(gas, np.full((120, 1), 0.50))
    inspired, monitor = seen[:, 2, 0], seen[:, 3, 0]
    assert (monitor[6:40] < inspired[6:40]).all()
    assert monitor[-1] == pytest.approx(0.50, abs=1e-9)
    no_lag = run(one_lane(monitor_time_constant_s=0.0), np.full((120, 1), 0.50))
    np.testing.assert_allclose(no_lag[:, 3], no_lag[:, 2], rtol=0, atol=1e-15)


def test_errors_are_constant_per_infant_and_the_same_in_every_arm() -> None:
    numbers = list(range(600))
    gas = GasDelivery(infants_of(numbers), 2, GasSettings(), 3, np.full(1200, 0.5))
    blender, monitor = gas.blender_error.reshape(2, 600), gas.monitor_error.reshape(2, 600)
    assert np.array_equal(blender[0], blender[1])
    assert np.array_equal(monitor[0], monitor[1])
    # Four standard errors of an SD estimated from 600 draws: 4 / sqrt(1200) = 12 %.
    assert blender[0].std() == pytest.approx(0.005, rel=0.12)
    assert monitor[0].std() == pytest.approx(0.005, rel=0.12)
    assert abs(np.corrcoef(blender[0], monitor[0])[0, 1]) < 4 / math.sqrt(600)
    np.testing.assert_allclose(gas.applied_fio2, 0.5 + gas.blender_error, rtol=0, atol=1e-15)


def test_no_blender_error_leads_below_air_or_above_pure_oxygen() -> None:
    settings = GasSettings(blender_error_sd=0.05)
    gas = GasDelivery(infants_of(list(range(50))), 1, settings, 3, np.full(50, 0.21))
    assert gas.applied_fio2.min() == 0.21
    gas.step(np.full(50, 1.0))
    assert gas.applied_fio2.max() == 1.0
    assert gas.delivered_fio2.max() <= 1.0


def test_a_lane_does_not_see_its_neighbours() -> None:
    numbers = [3, 14, 15, 9, 2, 6, 5]
    rng = np.random.default_rng(0)
    commands = rng.uniform(0.15, 1.05, (90, 7))
    commands[rng.random((90, 7)) < 0.1] = np.nan
    start = rng.uniform(0.21, 0.6, 7)
    settings = GasSettings(dead_time_s=5.3)

    def seen(places: list[int], arms: int = 1) -> FloatArray:
        group = infants_of([numbers[place] for place in places])
        gas = GasDelivery(group, arms, settings, 11, np.tile(start[places], arms))
        return run(gas, np.tile(commands[:, places], arms))

    whole = seen(list(range(7)))
    order = [6, 2, 0, 5, 1, 4, 3]
    assert np.array_equal(seen(order), whole[:, :, order])
    for place in range(7):
        assert np.array_equal(seen([place])[:, :, 0], whole[:, :, place])
    assert np.array_equal(seen(list(range(7)), arms=3), np.tile(whole, 3))


def test_a_step_allocates_nothing_that_grows_with_the_lanes() -> None:
    lanes = 20_000
    gas = GasDelivery(infants_of([1]), lanes, GasSettings(), 1, np.full(lanes, 0.3))
    command = np.full(lanes, 0.4)
    gas.step(command)
    tracemalloc.start()
    try:
        for _ in range(20):
            gas.step(command)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < lanes  # one array of flags would be as much, one of numbers eight times


def test_a_stuck_blender_gives_what_it_gave_while_its_setting_moves() -> None:
    gas = one_lane(0.30)
    gas.set_fault(0, "stuck", True)
    run(gas, np.full((60, 1), 0.60))
    assert gas.set_fio2[0] == 0.60
    assert gas.applied_fio2[0] == 0.30
    assert gas.delivered_fio2[0] == pytest.approx(0.30)
    gas.set_fault(0, "stuck", False)
    gas.step(np.array([0.60]))
    assert gas.applied_fio2[0] == 0.60


def test_lost_oxygen_leaves_air_and_the_setting_where_it_is() -> None:
    gas = one_lane(0.40)
    gas.set_fault([0], "supply_lost", True)
    run(gas, np.full((120, 1), 0.40))
    assert gas.set_fio2[0] == 0.40
    assert gas.applied_fio2[0] == 0.21
    assert gas.inspired_fio2[0] == pytest.approx(0.21, abs=1e-3)
    # Sticking while the oxygen is lost keeps the blender's place, not the air.
    gas.set_fault(0, "stuck", True)
    gas.set_fault(0, "supply_lost", False)
    gas.step(np.array([0.50]))
    assert gas.applied_fio2[0] == 0.40


def test_a_fault_changes_its_own_lane_only() -> None:
    commands = np.full((50, 3), 0.45)
    plain, faulty = (
        GasDelivery(infants_of([5, 6, 7]), 1, GasSettings(), 1, np.full(3, 0.3)) for _ in range(2)
    )
    faulty.set_fault(1, "stuck", True)
    faulty.set_fault(2, "supply_lost", True)
    one, two = run(plain, commands), run(faulty, commands)
    assert np.array_equal(one[:, :, 0], two[:, :, 0])
    assert not np.array_equal(one[:, :, 1], two[:, :, 1])
    assert not np.array_equal(one[:, :, 2], two[:, :, 2])


def test_an_unknown_fault_names_the_nearest() -> None:
    with pytest.raises(TestbedError, match="Did you mean 'stuck'"):
        one_lane().set_fault(0, "stick", True)
