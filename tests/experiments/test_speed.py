"""The measurement of speed at a tiny size; no time is judged here."""

import numpy as np
import pytest

from oxytestbed.experiments import cli, speed_solver
from oxytestbed.experiments.benchmark import PARTS, Timing, benchmark_spec
from oxytestbed.experiments.reference_loop import ReferenceLoop
from oxytestbed.experiments.speed import (
    ARMS,
    Measured,
    SpeedSettings,
    measure,
    measure_speed,
    speed_spec,
)
from oxytestbed.experiments.speed_report import growth_figure, save_speed, speed_page
from oxytestbed.loop.registry import BUILT_IN


@pytest.fixture(scope="module")
def measured():
    told = []
    settings = SpeedSettings(lanes=(1, 6, 12), ticks=60, workers=2, repeats=1)
    return measure_speed(settings, told.append), told


def test_a_run_has_everything_on():
    spec = speed_spec(6, 60)
    assert [arm.controller for arm in spec.arms] == [None, "fixed", "pi"]
    assert len(spec.infants) == 2 and spec.duration_s == 60
    assert spec.activities and spec.periodic and spec.artefacts
    assert all(arm.safeguards for arm in spec.arms[1:])


def test_one_lane_is_one_infant_with_a_controller():
    spec = speed_spec(1, 60)
    assert [arm.name for arm in spec.arms] == ["pi"] and len(spec.infants) == 1


def test_every_arm_has_its_name_from_the_built_in_controllers():
    assert set(ARMS) - {"manual"} <= set(BUILT_IN)
    assert measure("rules", speed_spec(1, 30, ("rules",)), 1).timing.cpu_s > 0.0


def test_infant_days_per_second():
    timing = Timing(lanes=1000, ticks=864, cpu_s=2.0)
    assert Measured(what="run", timing=timing).infant_days_per_s == pytest.approx(5.0)


def test_everything_is_measured(measured):
    result, told = measured
    assert [found.timing.lanes for found in result.by_lanes] == [1, 6, 12]
    assert [found.timing.ticks for found in result.by_hours] == [60, 120, 240]
    assert [found.what for found in result.by_arm] == list(ARMS)
    assert [found.what for found in result.slow] == ["bench", "scalar twin", "solve_ivp each tick"]
    assert set(result.parts) == {*PARTS, "clock and rest"}
    assert list(result.by_workers) == [1, 2]
    assert len(told) == 3 + 3 + len(ARMS) + 3 + 2
    assert result.memory[0] > 10.0


def test_the_page_holds_every_figure_and_the_command(measured, tmp_path):
    result, _ = measured
    page = save_speed(result, tmp_path / "new", "oxytestbed speed --ticks 60")
    text = page.read_text(encoding="utf-8")
    assert "Made by `oxytestbed speed --ticks 60`" in text
    for arm in ARMS:
        assert f"\n| {arm} | " in text
    each_us = result.by_lanes[1].timing.per_lane_tick_us
    assert f"\n| 6 | {each_us:.2f} | " in text
    assert (page.parent / "speed" / "growth.svg").read_text(encoding="utf-8").startswith("<?xml")
    assert text == speed_page(result, "oxytestbed speed --ticks 60")


def test_the_figure_shows_lanes_hours_and_processes(measured):
    lanes, hours, workers = growth_figure(measured[0]).axes
    assert list(lanes.lines[0].get_xdata()) == [1, 6, 12]
    assert list(hours.lines[0].get_xdata()) == pytest.approx([60 / 3600, 120 / 3600, 240 / 3600])
    assert list(workers.lines[0].get_xdata()) == [1, 2]


def test_the_solver_goes_where_the_twin_goes():
    spec = benchmark_spec(2, 90)
    lane = (0, "pi")
    twin = ReferenceLoop(spec, [lane]).run()[lane]
    solved = ReferenceLoop(spec, [lane], speed_solver.SolvedLungs).run()[lane]
    # The accuracy that the steps of `models.lungs` are chosen for.
    np.testing.assert_allclose(solved.sao2_pct, twin.sao2_pct, atol=0.1)
    assert not np.array_equal(solved.sao2_pct, twin.sao2_pct)


def test_numbers_below_one_are_refused(capsys):
    assert cli.main(["speed", "--lanes", "0"]) == cli.UNUSABLE
    assert "--lanes: expected whole numbers from 1, got 0" in capsys.readouterr().err
