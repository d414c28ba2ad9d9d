import numpy as np
import pytest

from oxytestbed.loop.controller import make_reading
from oxytestbed.loop.controllers.pi import PI
from oxytestbed.loop.signals import Settings
from oxytestbed.loop.trial_readings import choose_lanes, plausible_readings
from oxytestbed.models.errors import TestbedError

SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.21, fio2_max=1.0)
GAIN, TIME_S = 0.004, 40.0


def started(lanes=1, fio2=0.3, **options):
    """A PI after one reading in mid-target, so that P and I are zero."""
    one = PI(**options)
    one.reset(lanes, SETTINGS)
    np.testing.assert_array_equal(one.act(make_reading(lanes, set_fio2=fio2)), [fio2] * lanes)
    return one


def test_proportional_and_integral_parts_by_hand():
    one = started()
    # Error 10: 2 points inside the target count half, 8 outside in full.
    step = GAIN * (8 + 0.5 * 2)
    for calls in (1, 2, 3):
        request = one.act(make_reading(1, spo2_pct=83))
        assert request[0] == pytest.approx(0.3 + step + calls * GAIN / TIME_S * 10, abs=1e-12)


def test_high_saturation_lowers_fio2():
    one = started()
    assert one.act(make_reading(1, spo2_pct=98))[0] == pytest.approx(
        0.3 - GAIN * (3 + 0.5 * 2) - GAIN / TIME_S * 5, abs=1e-12
    )


def test_the_proportional_part_has_no_step_at_the_end_of_the_target():
    below, at = (
        started(2).act(make_reading(2, spo2_pct=[95 + side, 91 - side])) for side in (1e-9, 0.0)
    )
    np.testing.assert_allclose(below, at, atol=1e-10)


def test_inside_the_target_the_share_of_the_gain_is_used():
    linear = started(gain_share_in_target=1.0).act(make_reading(1, spo2_pct=92))[0]
    quiet = started(gain_share_in_target=0.0).act(make_reading(1, spo2_pct=92))[0]
    assert linear - quiet == pytest.approx(GAIN, abs=1e-12)


def test_a_longer_period_integrates_as_much_in_the_same_time():
    fast, slow = started(), started(period_s=5)
    for _ in range(60):
        request_fast = fast.act(make_reading(1, spo2_pct=88))
    for _ in range(12):
        request_slow = slow.act(make_reading(1, spo2_pct=88))
    np.testing.assert_allclose(request_slow, request_fast, rtol=1e-12)


def test_a_missing_reading_holds_fio2_and_the_integral():
    one, twin = started(), started()
    low, lost = make_reading(1, spo2_pct=88), make_reading(1, spo2_pct=np.nan)
    before = one.act(low)
    twin.act(low)
    for _ in range(50):
        np.testing.assert_array_equal(one.act(lost), before)
    np.testing.assert_array_equal(one.act(low), twin.act(low))


def test_a_missing_reading_at_a_limit_keeps_the_integral_too():
    one, twin = started(), started()
    low, lost = make_reading(1, spo2_pct=60), make_reading(1, spo2_pct=np.nan)
    for _ in range(400):
        one.act(low)
        twin.act(low)
    one.act(lost)  # takes back, once, what the last valid call had exceeded
    for _ in range(100):
        np.testing.assert_array_equal(one.act(lost), [1.0])
    again = make_reading(1, spo2_pct=88)
    # The extra call above takes back one period's worth; nothing else changed.
    assert one.act(again)[0] == pytest.approx(twin.act(again)[0], abs=0.005)


def test_no_windup_at_the_upper_limit():
    one = started()
    low = make_reading(1, spo2_pct=60, fio2_max=0.5)
    for _ in range(3600):
        request = one.act(low)
    np.testing.assert_array_equal(request, [0.5])
    # An hour without anti-windup would have summed up 11.9 of FiO2. As soon
    # as the error turns, the request must leave the limit.
    assert one.act(make_reading(1, spo2_pct=95, fio2_max=0.5))[0] < 0.5


def test_no_windup_at_the_lower_limit():
    one = started()
    high = make_reading(1, spo2_pct=100)
    for _ in range(3600):
        request = one.act(high)
    np.testing.assert_array_equal(request, [0.21])
    assert one.act(make_reading(1, spo2_pct=91))[0] > 0.21


def test_track_stops_windup_below_a_limit_that_only_the_bench_knows():
    told, untold = started(), started()
    low = make_reading(1, spo2_pct=80)
    for _ in range(600):
        told.act(low)
        untold.act(low)
        told.track(np.array([0.4]), np.array([True]))
    turned = make_reading(1, spo2_pct=95)
    assert told.act(turned)[0] < 0.4
    assert untold.act(turned)[0] > 0.8


def test_repeated_track_counts_once():
    once, often = started(), started()
    low = make_reading(1, spo2_pct=80)
    for _ in range(30):
        once.act(low)
        once.track(np.array([0.32]), np.array([True]))
        often.act(low)
        for _ in range(5):
            often.track(np.array([0.32]), np.array([True]))
    np.testing.assert_array_equal(once.act(low), often.act(low))


def test_return_after_manual_care_is_bumpless():
    one = started(2)
    reading = make_reading(2, spo2_pct=[85, 97])
    for _ in range(300):
        one.act(reading)
        one.track(np.array([0.45, 0.30]), np.array([False, False]))
    back = one.act(make_reading(2, spo2_pct=[96, 88]))
    # Only one period of integration lies between the FiO2 found and the request.
    expected = [0.45 - 3 * GAIN / TIME_S, 0.30 + 5 * GAIN / TIME_S]
    np.testing.assert_allclose(back, expected, atol=1e-12)


def test_one_lane_out_of_the_loop_leaves_the_other_alone():
    both, alone = started(2), started(1)
    for _ in range(20):
        pair = both.act(make_reading(2, spo2_pct=88))
        both.track(np.array([0.9, pair[1]]), np.array([False, True]))
        single = alone.act(make_reading(1, spo2_pct=88))
        np.testing.assert_array_equal(pair[1:], single)


def test_a_missing_reading_holds_what_was_applied():
    one = started()
    one.act(make_reading(1, spo2_pct=70))
    one.track(np.array([0.31]), np.array([True]))
    np.testing.assert_array_equal(one.act(make_reading(1, spo2_pct=np.nan)), [0.31])


def test_nothing_but_missing_values_gives_a_finite_request():
    one = PI()
    one.reset(2, SETTINGS)
    reading = make_reading(2, spo2_pct=np.nan, set_fio2=[np.nan, 0.4])
    for _ in range(3):
        np.testing.assert_array_equal(one.act(reading), [0.21, 0.4])
        one.track(np.array([np.nan, np.nan]), np.array([True, False]))
    assert np.isfinite(one.act(make_reading(2, spo2_pct=80))).all()


def test_valid_but_missing_saturation_is_held():
    one = started()
    reading = make_reading(1, valid=True, spo2_pct=np.nan)
    np.testing.assert_array_equal(one.act(reading), [0.3])


def test_lanes_have_equal_bits_in_any_company():
    readings = plausible_readings(7)

    def run(places):
        one = PI()
        one.reset(len(places), SETTINGS)
        return np.stack([one.act(choose_lanes(item, places)) for item in readings])

    all_lanes = run(np.arange(7))
    for places in (np.array([3]), np.array([6, 0]), np.arange(7)[::-1].copy()):
        np.testing.assert_array_equal(run(places), all_lanes[:, places])


def test_reset_clears_everything():
    readings = plausible_readings(3)
    one, new = PI(), PI()
    one.reset(3, SETTINGS)
    for item in plausible_readings(3, kind=1):
        one.act(item)
    one.track(np.full(3, 0.9), np.zeros(3, dtype=bool))
    for each in (one, new):
        each.reset(3, SETTINGS)
    for item in readings:
        np.testing.assert_array_equal(one.act(item), new.act(item))


@pytest.mark.parametrize(
    "option",
    [
        {"gain_per_pct": -0.1},
        {"gain_per_pct": float("nan")},
        {"integral_time_s": 0},
        {"gain_share_in_target": 1.5},
        {"period_s": 0},
        {"gain_per_pct": "high"},
    ],
)
def test_options_outside_their_range_are_refused(option):
    with pytest.raises(TestbedError, match=next(iter(option))):
        PI(**option)


def test_lanes_that_were_not_announced_are_refused():
    one = PI()
    with pytest.raises(TestbedError, match="0 lanes"):
        one.act(make_reading(1))


def test_a_target_that_is_missing_is_held_and_forgotten():
    one = started()
    nothing = make_reading(1, target_low_pct=np.nan, target_high_pct=np.nan)
    np.testing.assert_array_equal(one.act(nothing), [0.3])
    assert one.act(make_reading(1, spo2_pct=88))[0] > 0.3


def test_after_the_return_the_loop_is_an_ordinary_one():
    one, twin = started(), started(fio2=0.5)
    one.act(make_reading(1))
    one.track(np.array([0.5]), np.array([False]))
    for spo2 in (93, 88, 85, 90, 97):
        reading = make_reading(1, spo2_pct=spo2)
        np.testing.assert_allclose(one.act(reading), twin.act(reading), atol=1e-12)
