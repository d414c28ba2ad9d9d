"""Run chunks in this process or in a pool of others, with progress.

Workers are started afresh ("spawn") and given one spec that can be pickled;
the results are the same, bit for bit, whatever the number of workers.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from queue import Empty
from typing import Any

from ..loop.bench import BenchSpec
from .chunk import ChunkResult, failed_chunk, run_chunk

#: Called with the simulated lane-seconds done and those to do.
Progress = Callable[[int, int], None]

#: How often progress is looked at (s).
LOOK_S = 0.25


@dataclass(frozen=True, kw_only=True)
class Chunk:
    """One piece of work for one worker."""

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
    chunks: Sequence[Chunk], workers: int, progress: Progress | None = None
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

    Returns
    -------
    list of ChunkResult
    """
    tally = _Tally(chunks, progress)
    if workers <= 1 or len(chunks) == 1:
        return [
            run_chunk(
                chunk.spec,
                chunk.trace_infants,
                lambda ticks, place=place: tally.report(place, ticks),  # type: ignore[misc]
            )
            for place, chunk in enumerate(chunks)
        ]
    return _run_pool(chunks, min(workers, len(chunks)), tally)


def _run_pool(chunks: Sequence[Chunk], workers: int, tally: _Tally) -> list[ChunkResult]:
    context = multiprocessing.get_context("spawn")
    with (
        context.Manager() as manager,
        ProcessPoolExecutor(max_workers=workers, mp_context=context) as pool,
    ):
        reports: Any = manager.Queue()
        futures = [pool.submit(_work, chunk, place, reports) for place, chunk in enumerate(chunks)]
        try:
            _watch(futures, reports, tally)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
        return [_result(chunk, future) for chunk, future in zip(chunks, futures, strict=True)]


def _work(chunk: Chunk, place: int, reports: Any) -> ChunkResult:
    """Run in a worker process."""
    return run_chunk(chunk.spec, chunk.trace_infants, lambda ticks: reports.put((place, ticks)))


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


def _result(chunk: Chunk, future: Future[ChunkResult]) -> ChunkResult:
    """A worker that died leaves rows with the error."""
    try:
        return future.result()
    except BrokenProcessPool as error:
        return failed_chunk(chunk.spec, f"a worker process ended: {error}")
