import numpy as np
import pytest

from oxytestbed.loop.controller import make_reading
from oxytestbed.loop.controllers.predictive import MovesProblem, Predictive
from oxytestbed.loop.signals import Settings
from oxytestbed.models.errors import TestbedError

SETTINGS = Settings(target_low_pct=91, target_high_pct=95, fio2_min=0.21, fio2_max=1.0)


def each(*values):
    return [np.array([float(value)]) for value in values]


def cost(moves, error, state, applied, steps, keep, gain, weight):
    """Simulate the model step by step and add up what the moves cost."""
    begins = [0, round(0.1 * steps), round(0.3 * steps)]
    squares, x = 0.0, state
    for step in range(steps):
        move = moves[sum(step >= begin for begin in begins) - 1]
        x = keep * x + (1 - keep) * gain * move
        squares += (error - x) ** 2 / steps
    differences = np.diff([applied, *moves])
    return squares + weight * float(np.sum(differences**2))


@pytest.mark.parametrize("limits", [(21, 100), (21, 33), (38, 100)])
def test_no_neighbour_within_the_limits_is_better(limits):
    model = {"steps": 50, "keep": 0.96, "gain": 2.0}
    problem = MovesProblem(travel_weight=0.2, **model)
    error, state, applied = 70.0, 60.0, 32.0
    best = problem.solve(*each(error, state, applied, *limits))[:, 0]
    least = cost(best, error, state, applied, weight=0.2, **model)
    for j in range(3):
        for shift in (-0.01, 0.01):
            other = best.copy()
            other[j] = np.clip(other[j] + shift, *limits)
            assert cost(other, error, state, applied, weight=0.2, **model) >= least - 1e-9
    assert (best >= limits[0]).all() and (best <= limits[1]).all()


def test_moving_costs():
    quick, slow = (
        MovesProblem(50, 0.96, 2.0, weight).solve(*each(70, 60, 32, 21, 100))[0, 0]
        for weight in (0.01, 10.0)
    )
    assert quick > slow > 32.0


def test_the_transformation_keeps_mid_target_and_straightens_the_rest():
    one = Predictive(curve_share=1.0)
    spo2, middle = np.array([80.0, 88.0, 93.0, 96.0]), np.full(4, 93.0)
    moved = one.transformed(spo2, middle)
    assert moved[2] == 93.0
    assert 80 < moved[0] < moved[1] < 93 and moved[1] > 88
    assert moved[3] > 96
    np.testing.assert_array_equal(Predictive(curve_share=0.0).transformed(spo2, middle), spo2)


def test_at_rest_on_target_nothing_moves():
    one = Predictive()
    one.reset(1, SETTINGS)
    for second in range(0, 120, 2):
        request = one.act(make_reading(1, time_s=second, set_fio2=0.37))
    np.testing.assert_allclose(request, [0.37], atol=1e-12)


def test_a_horizon_of_a_few_calls_is_refused():
    with pytest.raises(TestbedError, match="at least ten periods"):
        Predictive(horizon_s=30, period_s=5)
