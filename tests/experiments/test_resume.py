"""What finished is kept and found again, and nothing else is taken for it."""

import pickle
from dataclasses import replace
from pathlib import Path

import pytest

from oxytestbed.experiments import resume as module
from oxytestbed.experiments import workers
from oxytestbed.experiments.chunk import failed_chunk, run_chunk
from oxytestbed.experiments.resume import (
    ChunkStore,
    chunk_key,
    clear_partial,
    partial_folder,
    store_for,
)
from oxytestbed.experiments.workers import Chunk, run_chunks
from oxytestbed.loop.arms import ArmSpec


@pytest.fixture
def chunks(make_spec):
    return [
        Chunk(spec=make_spec(places, duration_s=90), trace_infants=())
        for places in ([0, 1], [2, 3], [4])
    ]


@pytest.fixture
def store(tmp_path):
    return ChunkStore(folder=tmp_path / "chunks")


def test_equal_work_has_an_equal_key_and_other_work_another(chunks, make_spec):
    again = Chunk(spec=make_spec([0, 1], duration_s=90), trace_infants=())
    assert chunk_key(chunks[0]) == chunk_key(again)
    spec = again.spec
    others = [
        chunks[1],
        replace(again, trace_infants=(1000,)),
        replace(again, spec=replace(spec, seed=spec.seed + 1)),
        replace(again, spec=replace(spec, target_low_pct=spec.target_low_pct + 1e-9)),
        replace(again, spec=replace(spec, arms=spec.arms[:1])),
        replace(again, spec=replace(spec, arms=(replace(spec.arms[0], options={"x": 1}),))),
    ]
    keys = {chunk_key(item) for item in (again, *others)}
    assert len(keys) == 1 + len(others)


def test_a_key_is_the_same_after_a_journey_to_another_process(chunks):
    assert chunk_key(pickle.loads(pickle.dumps(chunks[0]))) == chunk_key(chunks[0])


@pytest.mark.parametrize("what", ["version", "_program"])
def test_other_versions_and_other_code_have_another_key(chunks, monkeypatch, what):
    before = chunk_key(chunks[0])
    monkeypatch.setattr(module, what, lambda *_: "other")
    assert chunk_key(chunks[0]) != before


def test_a_controller_that_was_edited_has_another_key(make_spec, tmp_path):
    path = tmp_path / "mine.py"
    path.write_text("class A: pass\n")
    arms = (ArmSpec(name="mine", controller=f"{path}:A"),)
    chunk = Chunk(spec=make_spec([0], arms=arms, duration_s=90), trace_infants=())
    before = chunk_key(chunk)
    path.write_text("class A: x = 1\n")
    assert chunk_key(chunk) != before


def test_what_was_kept_is_given_back(chunks, store):
    assert store.load(chunks[0]) is None
    result = run_chunk(chunks[0].spec, ())
    store.keep(chunks[0], result)
    back = store.load(chunks[0])
    assert repr(back.rows) == repr(result.rows) and back.events == result.events
    assert store.load(chunks[1]) is None


def test_a_chunk_of_which_all_failed_gets_another_chance(chunks, store):
    store.keep(chunks[0], failed_chunk(chunks[0].spec, "no power"))
    assert store.load(chunks[0]) is None


@pytest.mark.parametrize("content", [b"", b"rubbish", pickle.dumps([1, 2])])
def test_a_damaged_file_is_as_good_as_none(chunks, store, content):
    store.keep(chunks[0], run_chunk(chunks[0].spec, ()))
    (path,) = store.folder.iterdir()
    path.write_bytes(content)
    assert store.load(chunks[0]) is None


def test_a_place_that_cannot_be_written_loses_nothing_but_the_keeping(chunks, tmp_path):
    (tmp_path / "file").touch()
    blocked = ChunkStore(folder=tmp_path / "file" / "chunks")
    results = run_chunks(chunks[2:], 1, None, blocked)
    assert not any(row["error"] for row in results[0].rows)


def test_a_run_that_was_stopped_repeats_nothing_that_finished(chunks, store, monkeypatch):
    whole = run_chunks(chunks, 1)
    total = sum(chunk.lanes for chunk in chunks) * 90

    def stop(done, _):
        if done > chunks[0].lanes * 90:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_chunks(chunks, 1, stop, store)
    assert len(list(store.folder.iterdir())) == 1
    ran = []
    real = workers.run_chunk
    monkeypatch.setattr(
        workers, "run_chunk", lambda spec, *a, **k: ran.append(spec) or real(spec, *a, **k)
    )
    seen = []
    again = run_chunks(chunks, 1, lambda done, _: seen.append(done), store)
    assert [spec.infants.infant[0] for spec in ran] == [1002, 1004]
    assert seen[0] == chunks[0].lanes * 90 and seen[-1] == total
    assert [repr(item.rows) for item in again] == [repr(item.rows) for item in whole]


def test_other_processes_keep_what_they_finish(chunks, store):
    run_chunks(chunks, 2, None, store)
    assert len(list(store.folder.glob("*.pickle"))) == 3
    assert all(store.load(chunk) is not None for chunk in chunks)


def test_the_store_lies_beside_the_wanted_folder(tmp_path):
    assert store_for(None) is None
    assert store_for(tmp_path / "run").folder == tmp_path / ".run.partial" / "chunks"


@pytest.mark.parametrize(("chunks_too", "left"), [(True, []), (False, ["a.pickle"])])
def test_what_is_cleared(tmp_path, chunks_too, left):
    partial = partial_folder(tmp_path / "run")
    for name in ("chunks/a.pickle", "result/b.csv", "c.txt"):
        path = partial / Path(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    clear_partial(tmp_path / "run", chunks=chunks_too)
    assert [path.name for path in tmp_path.rglob("*") if path.is_file()] == left
