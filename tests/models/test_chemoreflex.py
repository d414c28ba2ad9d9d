"""What an infant breathes after a pause."""

import numpy as np
import pytest

from oxytestbed.models.chemoreflex import DEBT_TIME_S, MOST_BREATHING, Chemoreflex
from oxytestbed.models.disturbances import Breathing

QUIET = np.array([int(Breathing.NORMAL)])
STOPPED = np.array([int(Breathing.CENTRAL)])
NONE, FULL = np.zeros(1), np.ones(1)


def breathe(reflex: Chemoreflex, pause_s: int, after_s: int) -> list[float]:
    """Pause, then breathe freely; the shares of normal ventilation second by second."""
    shares = []
    for second in range(pause_s + after_s):
        pausing = second < pause_s
        own = reflex.drive(STOPPED if pausing else QUIET, NONE if pausing else FULL)
        shares.append(float(own[0]))
        reflex.count(own)
    return shares


def test_quiet_breathing_is_exactly_normal():
    assert breathe(Chemoreflex(1), 0, 100) == [1.0] * 100


def test_nothing_is_added_in_the_pause_itself():
    assert breathe(Chemoreflex(1), 15, 1)[:15] == [0.0] * 15


def test_what_was_missed_is_made_up_for_and_no_more():
    """Conservation: as much is breathed in addition afterwards as the pause left out."""
    shares = breathe(Chemoreflex(1), 15, 400)
    assert sum(shares) == pytest.approx(len(shares), abs=2e-3)


def test_breathing_returns_to_normal_and_the_store_to_nothing():
    reflex = Chemoreflex(1)
    assert breathe(reflex, 20, 600)[-1] == 1.0
    assert reflex.debt_s[0] == 0.0


def test_a_longer_pause_is_followed_by_more_breathing_up_to_a_limit():
    firsts = [breathe(Chemoreflex(1), pause_s, 1)[-1] for pause_s in (5, 10, 20, 40, 120)]
    assert firsts == sorted(firsts)
    assert firsts[0] == pytest.approx(1 + 5 / DEBT_TIME_S)
    assert firsts[-1] == firsts[-2] == MOST_BREATHING


def test_without_a_response_breathing_is_left_as_it_is():
    """Also where it is below normal for no event, as a fitted infant's is."""
    reflex = Chemoreflex(1, 0.0)
    assert breathe(reflex, 40, 3)[-3:] == [1.0] * 3
    for _ in range(100):
        own = reflex.drive(QUIET, np.full(1, 0.7))
        reflex.count(own)
    assert own.tolist() == [0.7]


@pytest.mark.parametrize("response", [0.5, 2.0])
def test_the_response_is_a_factor_on_what_is_added(response):
    after = breathe(Chemoreflex(1, response), 5, 1)[-1]
    assert after - 1.0 == pytest.approx(response * 5 / DEBT_TIME_S)
    assert breathe(Chemoreflex(1, response), 120, 1)[-1] == MOST_BREATHING


def test_pauses_in_a_row_add_up():
    one, two = Chemoreflex(1), Chemoreflex(1)
    breathe(one, 10, 5)
    breathe(two, 10, 5)
    breathe(two, 10, 5)
    assert two.debt_s[0] > one.debt_s[0]


def test_support_that_ventilates_in_the_pause_leaves_less_to_be_made_up():
    alone, helped = Chemoreflex(1), Chemoreflex(1)
    for _ in range(10):
        alone.drive(STOPPED, NONE)
        alone.count(NONE)
        helped.drive(STOPPED, NONE)
        helped.count(np.full(1, 0.4))
    assert helped.debt_s[0] == pytest.approx(0.6 * alone.debt_s[0])


def test_more_than_normal_ventilation_leaves_no_credit():
    reflex = Chemoreflex(1)
    for _ in range(20):
        reflex.drive(QUIET, FULL)
        reflex.count(np.full(1, 2.0))
    assert reflex.debt_s[0] == 0.0
    assert breathe(reflex, 5, 1)[-1] == pytest.approx(1 + 5 / DEBT_TIME_S)


def test_each_lane_has_its_own_store():
    reflex = Chemoreflex(2)
    kinds = np.array([int(Breathing.NORMAL), int(Breathing.CENTRAL)])
    for _ in range(10):
        own = reflex.drive(kinds, np.array([1.0, 0.0]))
        reflex.count(own)
    own = reflex.drive(np.zeros(2, dtype=np.int64), np.ones(2))
    assert own.tolist() == [1.0, pytest.approx(1 + 10 / DEBT_TIME_S)]
