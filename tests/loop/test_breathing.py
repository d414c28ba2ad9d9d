from types import SimpleNamespace

import numpy as np
import pytest
import simpy

from oxytestbed.loop.breathing import breathe
from oxytestbed.loop.breathing_state import BreathingState
from oxytestbed.models.disturbances import Breathing, BreathingEvents


def candidates(*rows):
    """Each row: onset, length, kind, ventilation, closed from, shunt factor, mark."""
    columns = list(zip(*rows, strict=True))
    names = (
        "onset_s",
        "duration_s",
        "kind",
        "ventilation",
        "closed_from_s",
        "shunt_factor",
        "mark",
    )
    whole = {"onset_s", "duration_s", "kind", "closed_from_s"}
    return BreathingEvents(
        **{
            name: np.array(column, dtype=np.int64 if name in whole else np.float64)
            for name, column in zip(names, columns, strict=True)
        }
    )


class Bedside:
    """Two infants in two arms: lanes 0 and 1 in the first arm, 2 and 3 in the second."""

    def __init__(self, *rows, place=1, sao2=(0.95, 0.95, 0.95, 0.95)):
        self.env = simpy.Environment()
        self.patients = SimpleNamespace(
            infants=[None, None],
            arms=2,
            lanes=4,
            lungs=SimpleNamespace(sao2_fraction=np.array(sao2)),
            state=BreathingState(4),
            support=SimpleNamespace(apnoea_rate_factor=np.ones(4)),
        )
        self.logged = []
        events = candidates(*rows)
        self.env.process(breathe(self.env, self.patients, place, events, self._log))

    def _log(self, lane, event, value, detail):
        self.logged.append((self.env.now, lane, event, value, detail))

    def at(self, tick):
        """Give (breathing, closed, apnoea, shunt factor) of lanes 1 and 3 after a tick's events."""
        self.env.run(until=tick + 0.5)
        chosen = [1, 3]
        state = self.patients.state
        shunt = state.shunt_factor * state.closing_factor
        found = (state.breathing, state.closed, state.apnoea, shunt)
        return [values[chosen].tolist() for values in found]


QUIET = [[1.0, 1.0], [False, False], [0, 0], [1.0, 1.0]]


def test_a_central_apnoea_stops_breathing_for_its_length():
    bed = Bedside((5, 12, Breathing.CENTRAL, 0.0, 12, 1.0, 0.1))
    apnoea = [[0.0, 0.0], [False, False], [Breathing.CENTRAL] * 2, [1.0, 1.0]]
    assert bed.at(4) == QUIET
    assert bed.at(5) == apnoea
    assert bed.at(16) == apnoea
    assert bed.at(17) == QUIET
    assert bed.logged == [
        (5, 1, "breathing_start", 12.0, "central"),
        (5, 3, "breathing_start", 12.0, "central"),
        (17, 1, "breathing_end", 0.0, "central"),
        (17, 3, "breathing_end", 0.0, "central"),
    ]


def test_an_obstructive_apnoea_is_closed_from_its_first_second():
    bed = Bedside((0, 10, Breathing.OBSTRUCTIVE, 0.0, 0, 1.1, 0.1))
    obstructed = [[0.0, 0.0], [True, True], [Breathing.OBSTRUCTIVE] * 2, [1.1, 1.1]]
    assert bed.at(0) == obstructed
    assert bed.at(9) == obstructed
    assert bed.at(10) == QUIET


def test_a_mixed_apnoea_closes_on_the_way():
    bed = Bedside((3, 10, Breathing.MIXED, 0.0, 4, 1.1, 0.1))
    assert bed.at(3)[1] == [False, False]
    assert bed.at(6)[1] == [False, False]
    assert bed.at(7)[1] == [True, True]
    assert bed.at(12)[1] == [True, True]
    assert bed.at(13) == QUIET


def test_weak_breathing_leaves_some_ventilation_and_raises_shunt():
    bed = Bedside((3, 30, Breathing.HYPOVENTILATION, 0.4, 30, 1.5, 0.1))
    weak = [[0.4, 0.4], [False, False], [Breathing.HYPOVENTILATION] * 2, [1.5, 1.5]]
    assert bed.at(20) == weak


def test_only_the_arm_in_hypoxia_accepts_a_candidate_that_needs_it():
    bed = Bedside((5, 12, Breathing.CENTRAL, 0.0, 12, 1.0, 0.9), sao2=(0.95, 0.95, 0.95, 0.60))
    assert bed.at(6)[0] == [1.0, 0.0]
    assert bed.at(20) == QUIET
    assert {lane for _, lane, *_ in bed.logged} == {3}


def test_a_candidate_that_nobody_accepts_leaves_no_trace():
    bed = Bedside((5, 12, Breathing.CENTRAL, 0.0, 12, 1.0, 0.9))
    for tick in range(20):
        assert bed.at(tick) == QUIET
    assert bed.logged == []


def test_one_event_follows_the_other():
    bed = Bedside(
        (5, 10, Breathing.CENTRAL, 0.0, 10, 1.0, 0.1),
        (17, 10, Breathing.OBSTRUCTIVE, 0.0, 0, 1.1, 0.2),
    )
    assert bed.at(15) == QUIET
    assert bed.at(17)[1] == [True, True]
    assert bed.at(27) == QUIET


@pytest.mark.parametrize("place", [0, 1])
def test_the_other_infant_is_not_touched(place):
    bed = Bedside((5, 12, Breathing.OBSTRUCTIVE, 0.0, 0, 1.1, 0.1), place=place)
    bed.at(6)
    other = [1 - place, 3 - place]
    assert (bed.patients.state.breathing[other] == 1.0).all() and not bed.patients.state.closed[
        other
    ].any()
    assert (bed.patients.state.apnoea[other] == 0).all()
    assert (bed.patients.state.breathing[[place, place + 2]] == 0.0).all()


def test_a_lower_rate_of_apnoeas_thins_them_and_nothing_else():
    rows = [(5, 12, Breathing.CENTRAL, 0.0, 12, 1.0, 0.3)]
    rows += [(40, 12, Breathing.HYPOVENTILATION, 0.4, 12, 1.0, 0.3)]
    bed = Bedside(*rows)
    bed.patients.support.apnoea_rate_factor[1] = 0.5
    assert bed.at(6)[2] == [0, Breathing.CENTRAL]
    assert bed.at(41)[2] == [Breathing.HYPOVENTILATION] * 2
