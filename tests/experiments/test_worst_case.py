"""The search for the worst case at a tiny size, and the replay of what it finds."""

import numpy as np
import pytest

from oxytestbed.experiments import worst_case as search
from oxytestbed.experiments.cli import main
from oxytestbed.experiments.worst_case import WorstCaseSettings, search_worst_case
from oxytestbed.experiments.worst_case_files import coverage, record_digest, replay
from oxytestbed.experiments.worst_case_page import PROVES_NOTHING, answer, save_worst_case
from oxytestbed.experiments.worst_cases import (
    DIMENSIONS,
    FAULT_MENU,
    RANGES,
    fault_of,
    make_candidates,
    read_point,
)
from oxytestbed.loop.script import ACTIONS
from oxytestbed.models.cohort import CohortSettings, draw_infants
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.lung_parameters import lung_parameters
from oxytestbed.models.steady import steady_state

TINY = WorstCaseSettings(batch=5, generations=1, drawn=4, seed=3)


@pytest.fixture(scope="module")
def result():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(search, "SETTINGS", search.SETTINGS[1:2])
        still = {**search._STILL, "run": {"duration_h": 0.2, "warmup_h": 0.05}}
        patch.setattr(search, "_STILL", still)
        yield search_worst_case(TINY)


@pytest.fixture(scope="module")
def drawn():
    return draw_infants(3, CohortSettings(infants=4, stratum="unstable"), 92.5).infants


def test_points_lie_in_their_ranges():
    low, high = read_point(np.zeros(len(DIMENSIONS))), read_point(np.ones(len(DIMENSIONS)))
    assert all((low[name], high[name]) == RANGES[name] for name in DIMENSIONS)


def test_every_fault_can_be_chosen_and_is_an_event():
    points = np.tile(np.linspace(0, 1, 400)[:, None], (1, len(DIMENSIONS)))
    assert {fault_of(point) for point in points} == set(FAULT_MENU)
    assert set(FAULT_MENU) - {"none"} <= set(ACTIONS)


def test_a_changed_infant_still_needs_what_it_needed(drawn):
    points = np.random.default_rng(1).random((12, len(DIMENSIONS)))
    made = make_candidates(points, drawn, range(100, 112), 60)
    rest = steady_state(lung_parameters(made.infants), made.infants.fio2_need)
    assert np.allclose(100 * rest.sao2_fraction, made.infants.spo2_rest_pct, atol=1e-6)
    assert made.infants.infant.tolist() == list(range(100, 112))
    assert min(event.at_s for event in made.script) >= 60


def test_the_worst_is_the_worst_of_all(result):
    assert len(result.tried) == 3 * TINY.batch
    assert result.worst.value == min(item.value for item in result.tried)
    assert result.worst.harm_s == -result.worst.value
    assert search.harm_of(result.trace) == result.worst.harm_s


def test_it_replays_bit_for_bit_wherever_its_folder_goes(result, tmp_path):
    page = save_worst_case(result, tmp_path / "first", "oxytestbed worst-case")
    moved = tmp_path / "moved"
    page.parent.rename(moved)
    assert replay(moved / "worst_case.toml") == record_digest(result.trace)
    html = (moved / "report.html").read_text(encoding="utf-8")
    assert PROVES_NOTHING in html and record_digest(result.trace) in html


def test_the_answer_says_that_none_found_proves_nothing(result):
    assert answer(result)[-1] == PROVES_NOTHING


def test_coverage_is_a_share(result):
    share = coverage(result)
    assert set(share) == {*DIMENSIONS, "pairs"}
    assert all(0 < value <= 1 for value in share.values())


def test_another_goal_minimises_its_margin(monkeypatch):
    monkeypatch.setattr(search, "SETTINGS", search.SETTINGS[:1])
    still = {**search._STILL, "run": {"duration_h": 0.1, "warmup_h": 0.02}}
    monkeypatch.setattr(search, "_STILL", still)
    found = search_worst_case(
        WorstCaseSettings(batch=4, generations=0, drawn=2, goal="rate_limited", bare=True)
    )
    assert found.worst.value == min(item.value for item in found.tried)
    assert len(found.tried) == 8


def test_an_unknown_goal_is_refused(capsys):
    with pytest.raises(TestbedError, match="Did you mean 'low_saturation'"):
        WorstCaseSettings(goal="low_saturatio")
    assert main(["worst-case", "--goal", "harms"]) == 2
    assert "harm" in capsys.readouterr().err
