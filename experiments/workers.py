"""Run chunks in this process or in a pool of others, with progress.

Workers are started afresh ("spawn") and given one spec that can be pickled;
the results are the same, bit for bit, whatever the number of workers.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from queue import Empty
from typing import Any

from ..loop.bench import BenchSpec
from .chunk import ChunkResult, failed_chunk, run_chunk
from .resume import ChunkStore

#: Called with the simulated lane-seconds done and those to do.
Progress = Callable[[int, int], None]

#: How often progress is looked at (s).
LOOK_S = 0.25

WORKER_ENDED = "the worker process ended abruptly; it may have run out of memory"


@dataclass(frozen=True, kw_only=True)
class Chunk:
    """One piece of work for one worker.

    Attributes
    ----------
    spec : BenchSpec
        What to run.
    trace_infants : tuple of int
        Own numbers of the infants whose traces are kept.
    """

    spec: BenchSpec
    trace_infants: tuple[int, ...]

    @property
    def lanes(self) -> int:
        """Number of lanes."""
        return len(self.spec.infants) * len(self.spec.arms)


def default_workers() -> int:
    """Count the cores that this process may use.

    Returns
    -------
    int
    """
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class _Tally:
    """Adds up what the chunks report."""

    def __init__(self, chunks: Sequence[Chunk], progress: Progress | None) -> None:
        self._lanes = [chunk.lanes for chunk in chunks]
        self._done = [0] * len(chunks)
        self._total = sum(chunk.lanes * chunk.spec.duration_s for chunk in chunks)
        self._progress = progress

    def report(self, place: int, ticks: int) -> None:
        self._done[place] = ticks
        if self._progress:
            done = sum(a * b for a, b in zip(self._lanes, self._done, strict=True))
            self._progress(done, self._total)


def run_chunks(
    chunks: Sequence[Chunk],
    workers: int,
    progress: Progress | None = None,
    store: ChunkStore | None = None,
) -> list[ChunkResult]:
    """Run all chunks and give their results in order.

    Parameters
    ----------
    chunks : sequence of Chunk
        The work.
    workers : int
        Number of processes; with 1, everything runs in this one.
    progress : callable, optional
        Called with lane-seconds done and to do.
    store : ChunkStore, optional
        Keeps what finishes; what it holds already is not run again.

    Returns
    -------
    list of ChunkResult
    """
    tally = _Tally(chunks, progress)
    done = _finished_before(chunks, store)
    for place in done:
        tally.report(place, chunks[place].spec.duration_s)
    work = {place: chunk for place, chunk in enumerate(chunks) if place not in done}
    if workers <= 1 or len(work) <= 1:
        for place, chunk in work.items():
            done[place] = _run_one(
                chunk,
                lambda ticks, place=place: tally.report(place, ticks),  # type: ignore[misc]
                store,
            )
        return [done[place] for place in range(len(chunks))]
    done |= _run_pool(work, min(workers, len(work)), tally, store)
    # A worker that ends takes the whole pool with it: what is missing now gets a pool of its own.
    for place in sorted(set(work) - set(done)):
        done.update(_run_pool({place: work[place]}, 1, tally, store))
    return [
        done.get(place) or failed_chunk(chunk.spec, WORKER_ENDED)
        for place, chunk in enumerate(chunks)
    ]


def _finished_before(chunks: Sequence[Chunk], store: ChunkStore | None) -> dict[int, ChunkResult]:
    """Give what a run that was stopped has left, by place."""
    if store is None:
        return {}
    found = {place: store.load(chunk) for place, chunk in enumerate(chunks)}
    return {place: result for place, result in found.items() if result is not None}


def _run_one(
    chunk: Chunk, progress: Callable[[int], None], store: ChunkStore | None
) -> ChunkResult:
    """Run a chunk and keep it as soon as it has finished."""
    result = run_chunk(chunk.spec, chunk.trace_infants, progress)
    if store is not None:
        store.keep(chunk, result)
    return result


def _run_pool(
    work: Mapping[int, Chunk], workers: int, tally: _Tally, store: ChunkStore | None
) -> dict[int, ChunkResult]:
    """Give the results by place; those of a pool that broke are missing."""
    context = multiprocessing.get_context("spawn")
    with (
        context.Manager() as manager,
        ProcessPoolExecutor(workers, mp_context=context, initializer=_ignore_interrupt) as pool,
    ):
        reports: Any = manager.Queue()
        futures = {
            place: pool.submit(_work, chunk, place, reports, store) for place, chunk in work.items()
        }
        try:
            _watch(list(futures.values()), reports, tally)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            manager.shutdown()  # a worker's next report fails, so that it ends soon
            raise
        return {
            place: future.result()
            for place, future in futures.items()
            if not isinstance(future.exception(), BrokenProcessPool)
        }


def _ignore_interrupt() -> None:
    """Leave Ctrl-C, which the terminal sends to every process, to the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _work(chunk: Chunk, place: int, reports: Any, store: ChunkStore | None) -> ChunkResult:
    """Run in a worker process."""
    return _run_one(chunk, lambda ticks: reports.put((place, ticks)), store)


def _watch(futures: Sequence[Future[ChunkResult]], reports: Any, tally: _Tally) -> None:
    waiting = set(futures)
    while waiting:
        _, waiting = wait(waiting, timeout=LOOK_S, return_when=FIRST_COMPLETED)
        while True:
            try:
                place, ticks = reports.get_nowait()
            except Empty:
                break
            tally.report(place, ticks)
