"""Chunks in this process and in others: the same results, and what is left when one ends."""

import time
from pathlib import Path

import pytest

from oxytestbed.experiments import workers as module
from oxytestbed.experiments.workers import Chunk, default_workers, run_chunks


@pytest.fixture
def chunks(make_spec):
    """Three chunks of one nurse each, the last with one infant."""
    return [
        Chunk(spec=make_spec(places, duration_s=120), trace_infants=(1000, 1004))
        for places in ([0, 1], [2, 3], [4])
    ]


def comparable(results):
    return [
        (repr(item.rows), repr(item.events), sorted(item.traces), repr(item.histogram))
        for item in results
    ]


def test_other_processes_give_the_same_as_this_one(chunks):
    alone, pooled = [], []
    here = run_chunks(chunks, 1, lambda done, total: alone.append((done, total)))
    there = run_chunks(chunks, 2, lambda done, total: pooled.append((done, total)))
    assert comparable(here) == comparable(there)
    assert [result.rows[0]["infant"] for result in here] == [1000, 1002, 1004]
    total = 3 * (2 + 2 + 1) * 120
    for seen in (alone, pooled):
        assert {item[1] for item in seen} == {total}
        assert [item[0] for item in seen] == sorted(item[0] for item in seen)
    assert alone[-1] == (total, total)


def test_a_worker_that_is_killed_leaves_rows_and_takes_no_other_chunk_with_it(
    chunks, make_spec, misbehaving
):
    arms = (make_spec().arms[1], misbehaving("KillsItsProcess"))
    spec = make_spec([0, 1], arms=arms, duration_s=120)
    alone = make_spec([4], arms=arms, duration_s=120)
    work = [Chunk(spec=item, trace_infants=()) for item in (alone, spec)]
    killed, whole = run_chunks(work, 2)
    assert [(row["infant"], row["arm"]) for row in killed.rows] == [
        (1004, "fixed"),
        (1004, "killsitsprocess"),
    ]
    assert all("worker process ended" in row["error"] for row in killed.rows)
    assert len(whole.rows) == 4 and {row["error"] for row in whole.rows} == {""}


def test_a_chunk_whose_worker_is_killed_once_is_run_again_alone(
    make_spec, kills_once, tmp_path, monkeypatch
):
    handed_out = []
    hand_out = module._Crew._hand_out
    monkeypatch.setattr(
        module._Crew,
        "_hand_out",
        lambda crew, place, worker: (handed_out.append(place), hand_out(crew, place, worker)),
    )
    marker = tmp_path / "killed"
    arms = (make_spec().arms[1], kills_once(marker))
    work = [
        Chunk(spec=make_spec(places, arms=arms, duration_s=120), trace_infants=(1000,))
        for places in ([0, 1], [2, 3], [4], [5])
    ]
    seen = []
    done = run_chunks(work, 2, lambda ticks, _: seen.append(ticks))
    assert int(marker.read_text()) > 0, "no worker was killed"
    assert sorted(handed_out) in ([0, 0, 1, 2, 3], [0, 1, 1, 2, 3])
    assert seen == sorted(seen)
    assert comparable(done) == comparable(run_chunks(work, 1))
    assert {row["error"] for result in done for row in result.rows} == {""}


def test_a_stop_by_hand_ends_the_workers_soon(make_spec):
    hours = 24 * 3600
    work = [
        Chunk(spec=make_spec(places, duration_s=hours), trace_infants=())
        for places in ([0, 1], [2, 3])
    ]

    def stop(done, _):
        if done:
            raise KeyboardInterrupt

    begun = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        run_chunks(work, 2, stop)
    # A day takes a minute or more; what is measured is only that nobody waited for it.
    assert time.monotonic() - begun < 30


def test_one_chunk_needs_no_other_process(chunks, monkeypatch):
    monkeypatch.setattr(module, "_run_pool", lambda *_: pytest.fail("a pool for one chunk"))
    assert len(run_chunks(chunks[:1], 8)) == 1


def test_lanes_are_infants_times_arms(chunks):
    assert [chunk.lanes for chunk in chunks] == [6, 6, 3]


def test_there_is_always_a_worker():
    assert default_workers() >= 1


def test_what_a_worker_imports_is_free_of_figures():
    """A worker starts faster without them, and each starts its own."""
    text = (Path(module.__file__).parent / "chunk.py").read_text(encoding="utf-8")
    assert not any(word in text for word in ("pandas", "matplotlib", "jinja2"))
