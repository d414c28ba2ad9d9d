from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest

from oxytestbed.loop import oracle as oracle_module
from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.bench import Bench, Run
from oxytestbed.loop.controller import contract_problems
from oxytestbed.loop.criterion import criterion_j
from oxytestbed.loop.open_loop import OpenLoop, replay, replay_fully
from oxytestbed.loop.oracle import find_oracle
from oxytestbed.loop.registry import BUILT_IN, load_controller
from oxytestbed.loop.signals import Reading
from oxytestbed.models.errors import TestbedError

LOW, HIGH = 91.0, 95.0


@pytest.fixture(scope="module")
def run(make_spec):
    """Two infants, ten minutes, manual care and every built-in controller."""
    arms = tuple(ArmSpec(name=name, controller=name) for name in BUILT_IN)
    manual = ArmSpec(name="manual", controller=None)
    spec = make_spec(range(2), arms=(manual, *arms), duration_s=600, warmup_s=120)
    return Bench(spec).run()


@pytest.fixture(scope="module")
def found(run):
    return find_oracle(run, rounds=2)


def test_replaying_an_arm_gives_the_arm(run):
    """Open loop with the FiO2 that a controller set: the same saturation, to the last bit."""
    arms = ["manual", "pi", "pid"]
    traces = [[run.trace(place, arm) for place in range(2)] for arm in arms]
    courses = np.stack([[item.set_fio2 for item in row] for row in traces]).transpose(2, 0, 1)
    courses = np.rint(100 * courses) / 100
    sao2 = replay(run.spec, courses)
    for copy in range(len(arms)):
        for place in range(2):
            recorded = traces[copy][place].sao2_pct
            again = 100.0 * (sao2[:, copy, place] / 100.0).astype(np.float32).astype(float)
            np.testing.assert_allclose(again, recorded, rtol=1e-7)
            np.testing.assert_array_equal(traces[copy][place].warmup_s, 120)


def test_replaying_in_full_keeps_every_signal(run):
    pi = [run.trace(place, "pi") for place in range(2)]
    course = np.rint(100 * np.stack([item.set_fio2 for item in pi], axis=1)) / 100
    again = replay_fully(run.spec, course, "again")
    for place in range(2):
        for item in fields(pi[place]):
            if item.name != "warmup_s":
                seen = getattr(again.trace(place, "again"), item.name)
                np.testing.assert_array_equal(seen, getattr(pi[place], item.name), item.name)


def test_it_bounds_every_arm(run, found):
    """The mean of J, and with these starts each infant's J, is below that of every arm."""
    best = np.array([criterion_j(found.trace(place), LOW, HIGH) for place in range(2)])
    for arm in run.spec.arms:
        arm_j = [criterion_j(run.trace(place, arm.name), LOW, HIGH) for place in range(2)]
        assert np.mean(best) < np.mean(arm_j), arm.name
        assert (best <= np.array(arm_j) + 1e-6).all(), arm.name


def test_it_gains_much_over_the_best_arm(found):
    assert found.squares.sum() < 0.5 * found.squares_start.sum()
    assert set(found.start_arm) <= {"manual", *BUILT_IN}


def test_what_it_reports_is_what_its_trace_holds(run, found):
    counted_h = (run.spec.duration_s - run.spec.warmup_s) / 3600
    for place in range(2):
        squares = criterion_j(found.trace(place), LOW, HIGH) * counted_h
        assert squares == pytest.approx(found.squares[place], rel=1e-5)


@pytest.fixture(scope="module")
def limited(run):
    """Search from the PI's course within narrow limits, for chosen infants."""
    gas = replace(run.spec.gas, fio2_min=0.25, fio2_max=0.40)
    arms = (ArmSpec(name="pi", controller="pi"),)

    def searched(places):
        infants = run.spec.infants.take(np.array(places))
        groups = run.spec.groups[places]
        spec = replace(run.spec, infants=infants, groups=groups, gas=gas, arms=arms)
        return find_oracle(Bench(spec).run(), rounds=1)

    both = searched([0, 1])
    return both, searched([1])


def test_its_course_keeps_the_limits_and_steps_of_the_blender(limited):
    course = limited[0].course
    np.testing.assert_allclose(course * 100, np.rint(course * 100), atol=1e-9)
    assert course.min() >= 0.25 and course.max() <= 0.40


def test_an_infant_has_the_same_course_alone(limited):
    """The search of an infant does not depend on the others."""
    both, alone = limited
    np.testing.assert_array_equal(alone.course[:, 0], both.course[:, 1])
    assert alone.squares[0] == both.squares[1] < both.squares_start[1]


def test_it_is_no_controller_and_cannot_be_loaded(found):
    assert {"period_s", "reset", "act"} <= set(contract_problems(found))
    assert "oracle" not in BUILT_IN
    with pytest.raises(TestbedError, match="oracle"):
        load_controller("oracle")
    for name in ("find_oracle", "OracleResult"):
        with pytest.raises(TestbedError):
            load_controller(f"{Path(oracle_module.__file__)}:{name}")


def test_no_reading_holds_what_it_knows():
    assert not {"sao2_pct", "pao2_mmhg", "infant"} & {item.name for item in fields(Reading)}


def test_a_run_without_a_sound_arm_is_refused(run):
    errors = {arm.name: "broken" for arm in run.spec.arms}
    broken = Run(spec=run.spec, recording=run.recording, events=[], errors=errors)
    with pytest.raises(TestbedError, match="an arm without an error"):
        find_oracle(broken)


def test_a_course_of_the_wrong_shape_is_refused(run):
    with pytest.raises(TestbedError, match=r"OpenLoop\.courses"):
        OpenLoop(run.spec, np.zeros((10, 2)), ["a"])


def test_from_a_poor_start_it_comes_to_much_the_same(run, found):
    """From FiO2 held all the time, or from the best arm: the end hardly depends on it."""
    errors = {arm.name: "left out" for arm in run.spec.arms if arm.name != "fixed"}
    only = Run(spec=run.spec, recording=run.recording, events=[], errors=errors)
    poor = find_oracle(only, rounds=4)
    assert poor.squares_start.sum() > 1.5 * found.squares_start.sum()
    room = 0.05 * found.squares_start.sum()  # of what the best arm leaves, after few rounds
    assert poor.squares.sum() == pytest.approx(found.squares.sum(), abs=room)
