"""Episodes: every tie of the gap rules, worked by hand, and a slow twin."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oxytestbed.loop.episodes import find_episodes, runs
from oxytestbed.models.errors import TestbedError


def found(text: str, **options: int) -> list[tuple[int, int]]:
    """Episodes of a record written as runs, such as "3# 9. 2?".

    "#" meets the condition, "." does not, "?" is invalid.
    """
    samples = "".join(int(run[:-1]) * run[-1] for run in text.split())
    marks = np.array(list(samples))
    episodes = find_episodes(marks == "#", marks != "?", **options)
    return list(zip(episodes.start.tolist(), episodes.duration_s.tolist(), strict=True))


@pytest.mark.parametrize(
    ("record", "expected"),
    [
        # Duration = samples x 1 s: 7 samples are 7 s.
        ("5. 7# 5.", [(5, 7)]),
        # A gap of 9 s is merged and counts: 4 + 9 + 5 = 18.
        ("2. 4# 9. 5# 2.", [(2, 18)]),
        # A gap of 10 s is not under 10 s.
        ("2. 4# 10. 5# 2.", [(2, 4), (16, 5)]),
        # An invalid stretch of 9 s is bridged: 4 + 9 + 5 = 18.
        ("2. 4# 9? 5# 2.", [(2, 18)]),
        # One of 10 s is not under 10 s and ends the episode.
        ("2. 4# 10? 5# 2.", [(2, 4), (16, 5)]),
        # Valid and invalid samples of one gap add up: 4 + 5 = 9 is merged ...
        ("4# 4. 5? 3#", [(0, 16)]),
        # ... 5 + 5 = 10 is not, although each part alone would be.
        ("4# 5. 5? 3#", [(0, 4), (14, 3)]),
        # Lost signal after the last sample that meets the condition does not count.
        ("4# 5? 20.", [(0, 4)]),
        # Nor does lost signal before the first one.
        ("20. 5? 4#", [(25, 4)]),
        # Three stretches chained by two short gaps: 1 + 9 + 1 + 9 + 1 = 21.
        ("1# 9. 1# 9? 1#", [(0, 21)]),
        # Still going at the end of the record: counts with what it has.
        ("3. 6#", [(3, 6)]),
        ("6#", [(0, 6)]),
        ("6.", []),
        ("6?", []),
    ],
)
def test_rules_for_gaps(record: str, expected: list[tuple[int, int]]) -> None:
    assert found(record) == expected


@pytest.mark.parametrize(
    ("record", "expected"),
    [
        # The first counted sample is number 10: beginning there is after the warm-up.
        ("10. 5#", [(10, 5)]),
        # Beginning at sample 9 is in the warm-up: dropped as a whole.
        ("9. 30#", []),
        # Merged with a stretch in the warm-up, it began there: dropped too.
        ("5# 9. 20#", []),
        # Parted from that stretch by 10 s, it began after the warm-up.
        ("5# 10. 20#", [(15, 20)]),
    ],
)
def test_an_episode_that_began_in_the_warmup_is_dropped(
    record: str, expected: list[tuple[int, int]]
) -> None:
    assert found(record, first=10) == expected


def test_the_two_limits_can_differ() -> None:
    # Bridging up to 20 s of lost signal: 15 invalid are bridged, 15 valid are a gap.
    assert found("2# 15? 2#", bridge_invalid_s=20) == [(0, 19)]
    assert found("2# 15. 2#", bridge_invalid_s=20) == [(0, 2), (17, 2)]
    # Lost for 5 s with a limit of 5 s ends the episode, though the gap is under 10 s.
    assert found("2# 5? 1. 2#", bridge_invalid_s=5) == [(0, 2), (8, 2)]


def test_count_is_of_at_least_the_duration() -> None:
    marks = np.repeat([True, False, True, False, True], [9, 20, 10, 20, 11])
    episodes = find_episodes(marks, np.ones_like(marks))
    # 10 s and 11 s are at least 10 s; 9 s is not.
    assert (len(episodes), episodes.count(10), episodes.count(11)) == (3, 2, 1)
    assert episodes.end.tolist() == [9, 39, 70]


def test_different_shapes_are_refused() -> None:
    with pytest.raises(TestbedError, match="valid of shape"):
        find_episodes(np.zeros(3, dtype=bool), np.ones(4, dtype=bool))


def test_runs_of_an_empty_mask() -> None:
    start, end = runs(np.zeros(0, dtype=bool))
    assert (len(start), len(end)) == (0, 0)


def slowly(marks: str, first: int) -> list[tuple[int, int]]:
    """The rules as one reads them, sample by sample."""
    episodes: list[list[int]] = []
    lost = gap = 0
    ended = True
    for place, mark in enumerate(marks):
        lost = lost + 1 if mark == "?" else 0
        if mark == "#":
            if ended or gap >= 10:
                episodes.append([place, place])
            episodes[-1][1] = place
            ended, gap = False, 0
        else:
            gap += 1
            ended = ended or lost >= 10
    return [(a, b - a + 1) for a, b in episodes if a >= first]


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from("#.?"), st.integers(1, 14)), max_size=25),
    st.integers(0, 40),
)
def test_agrees_with_a_slow_twin(stretches: list[tuple[str, int]], first: int) -> None:
    record = " ".join(f"{length}{mark}" for mark, length in stretches)
    samples = "".join(mark * length for mark, length in stretches)
    assert found(record, first=first) == slowly(samples, first)
