import random

import numpy as np
import pytest

from oxytestbed.loop.check import check_controller
from oxytestbed.loop.controller import PerInfant
from oxytestbed.loop.registry import BUILT_IN, load_controller
from oxytestbed.loop.trial_readings import plausible_readings
from oxytestbed.models.errors import TestbedError


class Good:
    """Keeps the contract; each class below breaks it in one way."""

    name = "good"
    period_s = 10

    def reset(self, lanes, settings):
        self.fio2 = np.full(lanes, 0.3)

    def act(self, reading):
        error = np.where(reading.valid, 93.0 - reading.spo2_pct, 0.0)
        self.fio2 = np.clip(self.fio2 + 0.001 * error, reading.fio2_min, reading.fio2_max)
        return self.fio2.copy()


class NoName(Good):
    name = ""


class HalfSecond(Good):
    period_s = 0.5


class NoAct(Good):
    act = None


class TrackIsNoMethod(Good):
    track = True


class WrongShape(Good):
    def act(self, reading):
        return super().act(reading)[:1]


class WrongType(Good):
    def act(self, reading):
        return list(super().act(reading))


class OneLaneAsNumber(Good):
    def act(self, reading):
        request = super().act(reading)
        return request if len(request) > 1 else request[0]


class Percent(Good):
    def act(self, reading):
        return 100.0 * super().act(reading)


class Change(Good):
    def act(self, reading):
        return 0.001 * np.where(reading.valid, 93.0 - reading.spo2_pct, 0.0)


class NotFinite(Good):
    def act(self, reading):
        return 0.3 + 0.001 * (93.0 - reading.spo2_pct)


class Raises(Good):
    def act(self, reading):
        if np.isnan(reading.spo2_pct).all():
            raise KeyError("no reading at all")
        return super().act(reading)


class OwnRandom(Good):
    def reset(self, lanes, settings):
        super().reset(lanes, settings)
        self.draw = np.random.default_rng()

    def act(self, reading):
        return super().act(reading) + self.draw.uniform(0.0, 0.01, len(reading.valid))


class SharedNumpyRandom(Good):
    def act(self, reading):
        return super().act(reading) + np.random.uniform(0.0, 0.01)


class SharedPythonRandom(Good):
    def act(self, reading):
        random.random()
        return super().act(reading)


class Remembers(Good):
    def __init__(self):
        self.offset = 0.0

    def act(self, reading):
        self.offset += 1e-6
        return super().act(reading) + self.offset


class RemembersTrack(Good):
    def __init__(self):
        self.held = 0.0

    def act(self, reading):
        return super().act(reading) + self.held

    def track(self, applied_fio2, active):
        self.held = 0.01


class WritesReading(Good):
    def act(self, reading):
        reading.spo2_pct[~reading.valid] = 93.0
        return super().act(reading)


class ForcesReading(Good):
    def act(self, reading):
        reading.spo2_pct.flags.writeable = True
        reading.spo2_pct[~reading.valid] = 93.0
        return super().act(reading)


class MixesLanes(Good):
    def act(self, reading):
        return super().act(reading) + 0.001 * np.sum(reading.valid)


class LanesByRounding(Good):
    def act(self, reading):
        return super().act(reading) + 1e-15 * np.sum(reading.valid)


class DependsOnPlace(Good):
    def act(self, reading):
        return super().act(reading) + 0.01 * np.arange(len(reading.valid))


class SharesItsArray(Good):
    def act(self, reading):
        super().act(reading)
        return self.fio2


class ReturnsTheReading(Good):
    def act(self, reading):
        return reading.set_fio2


class TrackWrites(Good):
    def track(self, applied_fio2, active):
        applied_fio2[:] = 0.3


class TrackBreaks(Good):
    def track(self, applied_fio2, active):
        self.fio2 = np.where(active, self.fio2, np.nan)


class OutOfRange(Good):
    def act(self, reading):
        return np.where(reading.valid & (reading.spo2_pct < 85), 1.2, super().act(reading))


def failed(candidate):
    return {item.name: item.explanation for item in check_controller(candidate) if not item.passed}


@pytest.mark.parametrize("name", sorted(BUILT_IN))
def test_built_in_controllers_pass(name):
    assert failed(load_controller(name)) == {}


@pytest.mark.parametrize("candidate", [Good, Good(), lambda: Good()])
def test_a_class_an_object_and_a_function_can_be_checked(candidate):
    assert failed(candidate) == {}
    assert len(check_controller(candidate)) == 18


@pytest.mark.parametrize(
    ("candidate", "check", "words"),
    [
        (NoName, "has name", "Give it a `name`"),
        (HalfSecond, "has period_s", "whole number of seconds"),
        (NoAct, "has act", "`act(self, reading)`"),
        (TrackIsNoMethod, "has track", "`track(self, applied_fio2, active)`"),
        (WrongShape, "survives ten minutes", "one FiO2 for each lane"),
        (WrongType, "survives ten minutes", "NumPy float array"),
        (OneLaneAsNumber, "runs with one lane", "shape (1,)"),
        (Percent, "stays in range", "not in percent"),
        (Change, "stays in range", "not as a change"),
        (NotFinite, "survives ten minutes", "hold the last FiO2"),
        (Raises, "survives missing readings", "no reading at all"),
        (OwnRandom, "is deterministic", "`reset` seeds"),
        (SharedNumpyRandom, "uses no shared randomness", "np.random.default_rng"),
        (SharedPythonRandom, "uses no shared randomness", "np.random.default_rng"),
        (Remembers, "forgets at reset", "set every remembered value anew"),
        (RemembersTrack, "forgets at reset", "set every remembered value anew"),
        (WritesReading, "leaves readings alone", "work on a copy"),
        (ForcesReading, "leaves readings alone", "`spo2_pct`"),
        (MixesLanes, "keeps lanes apart", "no mean, sum or maximum"),
        (DependsOnPlace, "keeps lanes apart", "no mean, sum or maximum"),
        (SharesItsArray, "returns arrays of its own", "return a copy"),
        (ReturnsTheReading, "returns arrays of its own", "return a copy"),
        (TrackWrites, "takes track", "work on copies"),
        (TrackBreaks, "takes track", "finite FiO2"),
    ],
)
def test_a_broken_controller_fails_the_check_that_is_meant_for_it(candidate, check, words):
    found = failed(candidate)
    assert words in found[check]
    assert "\n" not in found[check]


@pytest.mark.parametrize(
    ("candidate", "checks"),
    [
        (SharedPythonRandom, {"uses no shared randomness"}),
        (Remembers, {"forgets at reset"}),
        (ForcesReading, {"leaves readings alone"}),
        (MixesLanes, {"keeps lanes apart"}),
        (SharesItsArray, {"returns arrays of its own"}),
        (TrackWrites, {"takes track"}),
        (Percent, {"stays in range"}),
        (OneLaneAsNumber, {"runs with one lane", "keeps lanes apart"}),
    ],
)
def test_one_fault_fails_no_other_check(candidate, checks):
    assert set(failed(candidate)) == checks


def test_requests_out_of_range_are_clipped_and_said_to_be():
    assert failed(OutOfRange) == {}
    explained = {item.name: item.explanation for item in check_controller(OutOfRange)}
    assert "the bench clips them to 0.21 to 1" in explained["stays in range"]


def test_rounding_between_lanes_is_told_from_equal_bits():
    explained = {item.name: item for item in check_controller(LanesByRounding)}["keeps lanes apart"]
    assert explained.passed
    assert "not bit by bit" in explained.explanation
    explained = {item.name: item for item in check_controller(Good)}["keeps lanes apart"]
    assert explained.explanation == "Lanes are independent, bit by bit."


def test_an_exception_is_explained_with_file_and_line():
    line = Raises.act.__code__.co_firstlineno + 2
    assert f"KeyError in {__file__}, line {line}" in failed(Raises)["survives missing readings"]
    advice = failed(WritesReading)["survives ten minutes"]
    assert f"in {__file__}, line {WritesReading.act.__code__.co_firstlineno + 1}" in advice


def test_a_class_that_cannot_be_built_is_the_only_result():
    class Needs(Good):
        def __init__(self, gain):
            self.gain = gain

    (only,) = check_controller(Needs)
    assert (only.name, only.passed) == ("builds", False)
    assert "gain" in only.explanation


def test_a_controller_of_one_infant_is_told_about_per_infant():
    class One:
        name = "one"
        period_s = 1

        def reset(self, settings): ...

        def act(self, reading):
            return 0.3

    assert "PerInfant" in failed(One)["has reset"]
    assert failed(lambda: PerInfant(One)) == {}


@pytest.mark.parametrize("candidate", [SharedNumpyRandom, SharedPythonRandom])
def test_the_shared_generators_are_left_as_they_were(candidate):
    before = np.random.get_state()[1].copy(), np.random.get_state()[2], random.getstate()
    check_controller(candidate)
    np.testing.assert_array_equal(np.random.get_state()[1], before[0])
    assert (np.random.get_state()[2], random.getstate()) == before[1:]


def test_the_object_that_is_checked_is_not_changed():
    one = Good()
    check_controller(one)
    assert not hasattr(one, "fio2")


def test_one_lane_is_too_few():
    with pytest.raises(TestbedError, match="at least 2"):
        check_controller(Good, lanes=1)


def test_made_up_readings_hold_what_the_checks_promise():
    readings = plausible_readings(3)
    spo2 = np.stack([item.spo2_pct for item in readings])
    assert [readings[0].time_s, readings[-1].time_s] == [0, 600]
    assert np.isnan(spo2).any(axis=0).all()
    assert (np.nanmin(spo2, axis=0) < 85).all()
    assert (np.nanmax(spo2, axis=0) > 95).all()
    again = np.stack([item.spo2_pct for item in plausible_readings(3)])
    np.testing.assert_array_equal(spo2, again)
