import importlib
import inspect
import pkgutil

import pytest
import simpy

import oxytestbed
from oxytestbed.loop.phases import At, Course, Phase, request_key, request_rank
from oxytestbed.models.errors import problem


def order_of(phases):
    """Let one process for each phase run in the same tick; give the order in which they did."""
    env = simpy.Environment()
    seen = []

    def process(phase):
        yield At(env, 3, phase)
        seen.append(phase)

    for phase in phases:
        env.process(process(phase))
    env.run()
    return seen


def test_a_tick_has_one_order_whatever_was_scheduled_first():
    wanted = [
        Phase.DISTURBANCE,
        Phase.STAFF,
        request_rank(request_key(0, 500, 9)),
        request_rank(request_key(1, 400, 2)),
        request_rank(request_key(1, 400, 3)),
        request_rank(request_key(1, 401, 1)),
        request_rank(request_key(4, 0, 0)),
        Phase.RELEASE,
        Phase.CONTROLLER,
        Phase.PLANT,
    ]
    assert order_of(wanted) == wanted
    assert order_of(wanted[::-1]) == wanted


def test_time_goes_before_place():
    env = simpy.Environment()
    seen = []

    def process(delay_s, phase):
        yield At(env, delay_s, phase)
        seen.append((env.now, phase))

    env.process(process(2, Phase.DISTURBANCE))
    env.process(process(1, Phase.PLANT))
    env.run()
    assert seen == [(1, Phase.PLANT), (2, Phase.DISTURBANCE)]


@pytest.mark.parametrize(
    "key",
    [
        request_key(0, 0, 0),
        # A run of two weeks with the largest number that an infant may have.
        request_key(4, 14 * 86_400, 2**31),
        request_key(4, 10**11, 10**11),
    ],
)
def test_a_request_comes_after_staff_arrive_and_before_they_leave(key):
    assert Phase.STAFF < request_rank(key) < Phase.RELEASE


def test_no_infant_number_outweighs_an_onset_and_no_onset_a_priority():
    high = 2**31
    assert request_rank((1, 10, high)) < request_rank((1, 11, 0))
    assert request_rank((1, high, high)) < request_rank((2, 0, 0))


def error_classes():
    """Find every exception that the package defines."""
    found = set()
    for item in pkgutil.walk_packages(oxytestbed.__path__, "oxytestbed."):
        if not item.name.startswith(("oxytestbed.models", "oxytestbed.loop", "oxytestbed.exp")):
            continue
        for _, member in inspect.getmembers(importlib.import_module(item.name), inspect.isclass):
            if issubclass(member, BaseException) and member.__module__.startswith("oxytestbed"):
                found.add(member)
    return sorted(found, key=lambda item: item.__name__)


def test_the_package_has_an_error_of_its_own():
    assert "TestbedError" in [item.__name__ for item in error_classes()]


@pytest.mark.parametrize("error_class", error_classes())
def test_every_error_survives_a_simpy_process(error_class):
    """SimPy makes a raised exception anew from its arguments."""
    env = simpy.Environment()

    def process():
        yield At(env, 1, Phase.STAFF)
        raise error_class("cot 3: expected this, got that")

    env.process(process())
    with pytest.raises(error_class, match="cot 3: expected this, got that") as caught:
        env.run()
    assert type(caught.value) is error_class


def test_a_problem_survives_a_simpy_process_word_by_word():
    env = simpy.Environment()
    error = problem("staff.watch_s", "a value of at least 10 (s)", 3, "Wait longer.")

    def process():
        yield At(env, 1, Phase.STAFF)
        raise error

    env.process(process())
    with pytest.raises(type(error)) as caught:
        env.run()
    assert str(caught.value) == str(error)


def test_a_course_begins_at_once_keeps_its_place_in_the_tick_and_gets_what_it_waits_for():
    env = simpy.Environment()
    seen = []

    def course(name, phase):
        seen.append((env.now, name, "begins"))
        yield At(env, 2, phase)
        seen.append((env.now, name))
        asked = env.event()
        asked.succeed("an answer")
        seen.append((yield asked))

    Course(course("late", Phase.PLANT))
    Course(course("early", Phase.DISTURBANCE))
    assert [item[1] for item in seen] == ["late", "early"]
    env.run()
    assert seen[2:] == [(2, "early"), "an answer", (2, "late"), "an answer"]


def test_what_a_course_raises_comes_out_of_the_clock_as_it_is():
    env = simpy.Environment()

    def course():
        yield At(env, 1, Phase.STAFF)
        raise KeyError("first", "second")

    Course(course())
    with pytest.raises(KeyError) as caught:
        env.run()
    assert caught.value.args == ("first", "second")
