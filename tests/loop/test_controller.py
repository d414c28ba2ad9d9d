import numpy as np
import pytest

from oxytestbed.loop.controller import (
    Controller,
    PerInfant,
    checked_request,
    contract_problems,
    make_reading,
    place_of,
)
from oxytestbed.loop.controllers.fixed import FixedFiO2
from oxytestbed.loop.signals import Mode, Settings
from oxytestbed.models.errors import TestbedError

SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.21, fio2_max=1.0)


class StepUp:
    """A scalar controller full of `if`, as firmware is."""

    name = "step-up"
    period_s = 5

    def __init__(self):
        self.fio2 = None
        self.tracked = []

    def reset(self, settings):
        self.settings = settings

    def act(self, reading):
        if self.fio2 is None:
            self.fio2 = reading.set_fio2
        if reading.valid and reading.spo2_pct < reading.target_low_pct:
            self.fio2 += 0.05
        return self.fio2

    def track(self, applied_fio2, active):
        self.tracked.append((applied_fio2, active))
        self.fio2 = applied_fio2


def test_a_class_without_ancestors_is_a_controller():
    assert isinstance(FixedFiO2(), Controller)
    assert not isinstance(object(), Controller)


def test_per_infant_takes_name_and_period_from_the_scalar_controller():
    many = PerInfant(StepUp)
    assert (many.name, many.period_s) == ("step-up", 5)
    named = PerInfant(StepUp, name="mine", period_s=2)
    assert (named.name, named.period_s) == ("mine", 2)
    assert contract_problems(many) == {}


def test_per_infant_gives_each_lane_its_own_object():
    many = PerInfant(StepUp)
    many.reset(3, SETTINGS)
    low_in_the_middle = make_reading(3, spo2_pct=[93, 85, np.nan], set_fio2=[0.3, 0.4, 0.5])
    np.testing.assert_allclose(many.act(low_in_the_middle), [0.30, 0.45, 0.50], rtol=1e-15)
    np.testing.assert_allclose(many.act(low_in_the_middle), [0.30, 0.50, 0.50], rtol=1e-15)


def test_per_infant_hands_on_plain_numbers():
    seen = []

    class Spy(StepUp):
        def act(self, reading):
            seen.append(reading)
            return 0.3

    many = PerInfant(Spy)
    many.reset(2, SETTINGS)
    many.act(make_reading(2, time_s=7, mode=[Mode.AUTOMATIC, Mode.MANUAL], spo2_pct=[90, np.nan]))
    assert [one.time_s for one in seen] == [7, 7]
    assert [one.mode for one in seen] == [Mode.AUTOMATIC, Mode.MANUAL]
    assert [type(seen[0].spo2_pct), type(seen[0].valid)] == [float, bool]
    assert [one.valid for one in seen] == [True, False]


def test_per_infant_tracks_lane_by_lane_and_forgets_at_reset():
    many = PerInfant(StepUp)
    many.reset(2, SETTINGS)
    many.act(make_reading(2))
    many.track(np.array([0.6, 0.7]), np.array([True, False]))
    np.testing.assert_array_equal(many.act(make_reading(2)), [0.6, 0.7])
    many.reset(2, SETTINGS)
    np.testing.assert_array_equal(many.act(make_reading(2, set_fio2=0.25)), [0.25, 0.25])


def test_per_infant_needs_no_track():
    class Plain:
        def reset(self, settings):
            pass

        def act(self, reading):
            return 0.3

    many = PerInfant(Plain)
    many.reset(1, SETTINGS)
    many.track(np.array([0.4]), np.array([False]))
    assert (many.name, many.period_s) == ("Plain", 1)
    np.testing.assert_array_equal(many.act(make_reading(1)), [0.3])


@pytest.mark.parametrize(
    ("member", "value"),
    [
        ("name", ""),
        ("name", 3),
        ("period_s", 0),
        ("period_s", 1.5),
        ("period_s", True),
        ("reset", None),
        ("act", 0.3),
        ("track", 0.3),
        ("reset", lambda settings: None),  # written for one infant
        ("act", lambda: None),
        ("track", lambda applied_fio2: None),
    ],
)
def test_what_is_lacking_is_named(member, value):
    class Lacking:
        name = "x"
        period_s = 1

        def reset(self, lanes, settings): ...

        def act(self, reading): ...

    candidate = Lacking()
    assert contract_problems(candidate) == {}
    setattr(candidate, member, value)
    assert list(contract_problems(candidate)) == [member]


@pytest.mark.parametrize(
    ("request_", "words"),
    [
        ([0.3, 0.3], "list"),
        (np.array([0.3, 0.3], dtype=np.float32), "float32"),
        (np.array([1, 1]), "int64"),
        (np.array([0.3]), r"\(1,\)"),
        (np.array([[0.3, 0.3]]), r"\(1, 2\)"),
        (np.array([0.3, np.nan]), "Lane 1"),
        (np.array([np.inf, 0.3]), "Lane 0"),
        (None, "NoneType"),
    ],
)
def test_a_wrong_request_is_refused(request_, words):
    with pytest.raises(TestbedError, match=words):
        checked_request(request_, 2, "mine")


def test_a_right_request_passes_unchanged():
    request = np.array([0.3, 1.7])  # limits are the bench's business
    assert checked_request(request, 2, "mine") is request


def test_make_reading_fills_copies_and_locks():
    spo2 = np.array([90.0, np.nan])
    reading = make_reading(2, spo2_pct=spo2, set_fio2=[0.3, 0.5], time_s=4)
    spo2[0] = 0.0
    assert reading.spo2_pct[0] == 90.0
    assert reading.time_s == 4
    np.testing.assert_array_equal(reading.valid, [True, False])
    np.testing.assert_array_equal(reading.delivered_fio2, [0.3, 0.5])
    np.testing.assert_array_equal(np.isnan(reading.pulse_rate_bpm), [False, True])
    assert reading.mode.dtype == np.int64
    with pytest.raises(ValueError, match="read-only"):
        reading.spo2_pct[0] = 50.0


def test_make_reading_shows_no_saturation_where_it_is_not_valid():
    reading = make_reading(2, spo2_pct=90, valid=[True, False])
    np.testing.assert_array_equal(reading.spo2_pct, [90.0, np.nan])


def test_make_reading_names_the_nearest_field():
    with pytest.raises(TestbedError, match="Did you mean 'spo2_pct'"):
        make_reading(2, spo2=90)
    with pytest.raises(TestbedError, match=r"set_fio2.*shape \(2,\)"):
        make_reading(2, set_fio2=[0.3, 0.3, 0.3])


def test_place_of_an_error_is_in_the_users_code():
    def users_code():
        return np.concatenate([])  # NumPy itself raises

    with pytest.raises(ValueError) as caught:
        users_code()
    line = users_code.__code__.co_firstlineno + 1
    assert place_of(caught.value) == f"{__file__}, line {line}"
    assert place_of(ValueError("never raised")) == ""
