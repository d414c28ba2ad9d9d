"""Chunks over a real Dask scheduler with two worker processes, one of them killed meanwhile."""

import json
import subprocess
import sys
import time

import pytest

from oxytestbed.experiments import cluster
from oxytestbed.experiments.cluster import run_elsewhere, run_on_cluster
from oxytestbed.experiments.resume import ChunkStore
from oxytestbed.experiments.workers import Chunk, run_chunks
from oxytestbed.models.errors import TestbedError

#: How long the scheduler and its workers may take to start on a busy machine (s).
STARTS_WITHIN_S = 60


def _started(words, folder, name):
    with (folder / f"{name}.log").open("w") as log:
        return subprocess.Popen(
            [sys.executable, "-m", *words], stdout=log, stderr=subprocess.STDOUT, cwd=folder
        )


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory):
    """Address of a scheduler with two workers that are not started again when they end."""
    pytest.importorskip("distributed", reason="the extra [cluster] is not installed")
    folder = tmp_path_factory.mktemp("dask")
    told = folder / "scheduler.json"
    here = ["--host", "127.0.0.1"]
    spec = "distributed.cli.dask_scheduler"
    started = [
        _started(
            [spec, *here, "--port", "0", "--no-dashboard", "--no-show", "--scheduler-file", told],
            folder,
            "scheduler",
        )
    ]
    try:
        worker = ["distributed.cli.dask_worker", *here, "--nthreads", "1", "--no-nanny"]
        worker += ["--no-dashboard", "--scheduler-file", told, "--memory-limit", "0"]
        started += [_started(worker, folder, f"worker{number}") for number in (1, 2)]
        yield _address(told, started)
    finally:
        for process in started:
            process.terminate()
        for process in started:
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _address(told, started):
    until = time.monotonic() + STARTS_WITHIN_S
    while time.monotonic() < until:
        assert started[0].poll() is None, "the scheduler ended"
        try:
            return json.loads(told.read_text())["address"]
        except (OSError, ValueError):
            time.sleep(0.1)
    pytest.fail("the scheduler did not start")


def comparable(results):
    return [
        (repr(item.rows), repr(item.events), sorted(item.traces), repr(item.histogram))
        for item in results
    ]


def test_one_of_two_workers_is_killed_and_no_bit_is_another(
    scheduler, make_spec, kills_once, tmp_path
):
    from distributed import Client

    marker = tmp_path / "killed"
    arms = (make_spec().arms[1], kills_once(marker))
    work = [
        Chunk(spec=make_spec(places, arms=arms, duration_s=120), trace_infants=(1000,))
        for places in ([0, 1], [2, 3], [4])
    ]
    with Client(scheduler, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=STARTS_WITHIN_S)
        seen = []
        there = run_chunks(
            work, 2, lambda done, total: seen.append((done, total)), scheduler=scheduler
        )
        assert int(marker.read_text()) > 0, "no worker was killed"
        assert len(client.scheduler_info(n_workers=-1)["workers"]) == 1
    assert {row["error"] for result in there for row in result.rows} == {""}
    assert comparable(there) == comparable(run_chunks(work, 1))
    total = sum(chunk.lanes * chunk.ticks for chunk in work)
    assert seen[-1] == (total, total)


def test_what_finishes_there_is_kept_here(scheduler, make_spec, tmp_path):
    chunk = Chunk(spec=make_spec([4], duration_s=120), trace_infants=())
    store = ChunkStore(folder=tmp_path)
    done = run_on_cluster({3: chunk}, scheduler, lambda *_: None, store)
    assert list(done) == [3]
    assert comparable([store.load(chunk)]) == comparable([done[3]])


def test_a_worker_that_is_set_up_differently_refuses(make_spec):
    chunk = Chunk(spec=make_spec([4], duration_s=120), trace_infants=())
    with pytest.raises(TestbedError, match="a worker with the same program"):
        run_elsewhere(chunk, "another key")


def test_no_scheduler_at_the_address_is_said_soon():
    pytest.importorskip("distributed", reason="the extra [cluster] is not installed")
    with pytest.raises(TestbedError, match="--scheduler: expected the address of a Dask scheduler"):
        cluster._client("tcp://127.0.0.1:9", 1.0)


def test_without_dask_the_extra_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(TestbedError, match=r"pip install 'oxytestbed\[cluster\]'"):
        cluster._client("tcp://127.0.0.1:9", 1.0)
