"""Run chunks in this process or in a pool of others, with progress.

Workers are started afresh ("spawn") and given one spec that can be pickled;
the results are the same, bit for bit, whatever the number of workers. A worker
that is killed loses the chunk that it had, which is run once more; a chunk that
takes its worker with it twice is reported as failed.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import struct
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing.shared_memory import SharedMemory

from ..loop.bench import BenchSpec
from .chunk import ChunkResult, failed_chunk, keep_events, run_chunk, work_ticks
from .resume import ChunkStore

#: Called with the simulated lane-seconds done and those to do.
Progress = Callable[[int, int], None]

#: Chunks that run at one time have at most this many lanes times ticks, about 30 bytes each, so
#: that memory stays flat. Each may have at least the second number, whatever the number of
#: workers: few lanes at a time are slow, 100 of them three times as slow for each as 400.
SAMPLES_AT_ONCE = 30_000_000
SAMPLES_A_CHUNK = 9_000_000

#: How often progress is looked at (s).
LOOK_S = 0.25

#: How often a chunk is tried whose worker is killed.
TRIES = 2

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
    oracle : bool
        Whether the offline optimum is searched, too.
    event_infants : tuple of int or None
        Own numbers of the infants whose events are kept; None for all.
    worst : int
        For how many of those who lost most in each arm traces are kept, too.
    """

    spec: BenchSpec
    trace_infants: tuple[int, ...]
    oracle: bool = False
    event_infants: tuple[int, ...] | None = None
    worst: int = 0

    def run(self, progress: Callable[[int], None] | None = None) -> ChunkResult:
        """Run it here.

        Parameters
        ----------
        progress : callable, optional
            Called now and then with the number of ticks done, of `ticks`.

        Returns
        -------
        ChunkResult
        """
        result = run_chunk(
            self.spec, self.trace_infants, progress, oracle=self.oracle, worst=self.worst
        )
        return result if self.event_infants is None else keep_events(result, self.event_infants)

    @property
    def lanes(self) -> int:
        """Number of lanes."""
        return len(self.spec.infants) * len(self.spec.arms)

    @property
    def ticks(self) -> int:
        """Number of ticks, the search of the offline optimum among them."""
        return work_ticks(self.spec, self.oracle)


def default_workers() -> int:
    """Count the cores that this process may use.

    Returns
    -------
    int
    """
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def samples_a_chunk(workers: int) -> int:
    """Say how many lanes times ticks a chunk has at most.

    Parameters
    ----------
    workers : int
        Number of processes that share the work.

    Returns
    -------
    int
    """
    return max(SAMPLES_A_CHUNK, SAMPLES_AT_ONCE // workers)


class _Tally:
    """Adds up what the chunks report."""

    def __init__(self, chunks: Sequence[Chunk], progress: Progress | None) -> None:
        self._lanes = [chunk.lanes for chunk in chunks]
        self._done = [0] * len(chunks)
        self._total = sum(chunk.lanes * chunk.ticks for chunk in chunks)
        self._progress = progress

    def report(self, place: int, ticks: int) -> None:
        self._done[place] = max(self._done[place], ticks)  # a chunk may be run once more
        if self._progress:
            done = sum(a * b for a, b in zip(self._lanes, self._done, strict=True))
            self._progress(done, self._total)


def run_chunks(
    chunks: Sequence[Chunk],
    workers: int,
    progress: Progress | None = None,
    store: ChunkStore | None = None,
    scheduler: str = "",
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
    scheduler : str
        Address of a Dask scheduler whose workers run the chunks instead of
        processes of this machine; none if empty.

    Returns
    -------
    list of ChunkResult

    Raises
    ------
    TestbedError
        If the scheduler cannot be used.
    """
    tally = _Tally(chunks, progress)
    done = _finished_before(chunks, store)
    for place in done:
        tally.report(place, chunks[place].ticks)
    work = {place: chunk for place, chunk in enumerate(chunks) if place not in done}
    if scheduler and work:
        from .cluster import run_on_cluster

        done |= run_on_cluster(work, scheduler, tally.report, store)
    elif workers <= 1 or len(work) <= 1:
        for place, chunk in work.items():
            done[place] = _run_one(
                chunk,
                lambda ticks, place=place: tally.report(place, ticks),  # type: ignore[misc]
                store,
            )
    else:
        done |= _run_pool(work, min(workers, len(work)), tally, store)
    return [
        done.get(place) or failed_chunk(chunk.spec, WORKER_ENDED, oracle=chunk.oracle)
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
    result = chunk.run(progress)
    if store is not None:
        store.keep(chunk, result)
    return result


def _run_pool(
    work: Mapping[int, Chunk], workers: int, tally: _Tally, store: ChunkStore | None
) -> dict[int, ChunkResult]:
    """Give the results by place; those of chunks whose workers were killed are missing."""
    board = _Board(max(work) + 1)
    try:
        crew = _Crew(work, workers, board, store)
        try:
            done = crew.run(tally)
        except BaseException:
            board.stop()  # a worker's next report fails, so that it ends soon
            raise
        finally:
            crew.dismiss()
        return done
    finally:
        board.remove()


class _DismissedError(Exception):
    """Nobody wants the result any more."""


class _Board:
    """Memory that all workers write on: how far each chunk is, one place for each.

    There is no lock that a worker could take with it when it is killed, and no process
    that has to be started first.

    Parameters
    ----------
    places : int
        Number of chunks.
    """

    _number = struct.Struct("q")

    def __init__(self, places: int) -> None:
        self._stopped_at = self._number.size * places
        self._memory = SharedMemory(create=True, size=self._number.size * (places + 1))

    def write(self, place: int, ticks: int) -> None:
        """Say how far a chunk is, unless the work has been stopped."""
        if self._read(self._stopped_at):
            raise _DismissedError
        self._write(self._number.size * place, ticks)

    def ticks(self, place: int) -> int:
        """Tell how far a chunk is."""
        return self._read(self._number.size * place)

    def stop(self) -> None:
        """Let the next report of every worker fail."""
        self._write(self._stopped_at, 1)

    def close(self) -> None:
        """Use it no more in this process."""
        self._memory.close()

    def remove(self) -> None:
        """Use it no more anywhere."""
        self._memory.close()
        self._memory.unlink()

    def _write(self, offset: int, value: int) -> None:
        assert self._memory.buf is not None  # not closed yet
        self._number.pack_into(self._memory.buf, offset, value)

    def _read(self, offset: int) -> int:
        assert self._memory.buf is not None
        return int(self._number.unpack_from(self._memory.buf, offset)[0])


class _Crew:
    """Workers, each a pool of one process, so that one that ends takes no other with it.

    Parameters
    ----------
    work : mapping of int to Chunk
        Chunks by place.
    workers : int
        Number of processes.
    board : _Board
        Where workers say how far they are.
    store : ChunkStore or None
        Keeps what finishes.
    """

    def __init__(
        self, work: Mapping[int, Chunk], workers: int, board: _Board, store: ChunkStore | None
    ) -> None:
        self._work, self._board, self._store = work, board, store
        self._waiting = deque(work)
        self._tries = dict.fromkeys(work, 0)
        self._idle = [_new_worker() for _ in range(workers)]
        self._busy: dict[Future[ChunkResult], tuple[int, ProcessPoolExecutor]] = {}

    def run(self, tally: _Tally) -> dict[int, ChunkResult]:
        """Hand out chunks until all are done, and give the results by place."""
        done: dict[int, ChunkResult] = {}
        while self._waiting or self._busy:
            while self._waiting and self._idle:
                self._hand_out(self._waiting.popleft(), self._idle.pop())
            finished, _ = wait(self._busy, timeout=LOOK_S, return_when=FIRST_COMPLETED)
            self._pass_on(tally)
            for future in finished:
                place, worker = self._busy.pop(future)
                if isinstance(future.exception(), BrokenProcessPool):
                    self._replace(worker, place)
                    continue
                self._idle.append(worker)
                done[place] = future.result()
        return done

    def dismiss(self) -> None:
        """Let every worker go; what they still have to tidy up holds nobody up."""
        for pool in (*self._idle, *(pool for _, pool in self._busy.values())):
            pool.shutdown(wait=False, cancel_futures=True)

    def _hand_out(self, place: int, worker: ProcessPoolExecutor) -> None:
        self._tries[place] += 1
        try:
            future = worker.submit(_work, self._work[place], place, self._board, self._store)
        except BrokenProcessPool:  # killed while it had nothing to do: no try of this chunk
            self._tries[place] -= 1
            self._replace(worker, place)
        else:
            self._busy[future] = (place, worker)

    def _replace(self, worker: ProcessPoolExecutor, place: int) -> None:
        """Take on another worker, and put the chunk back unless it has had its tries."""
        worker.shutdown(wait=False)
        self._idle.append(_new_worker())
        if self._tries[place] < TRIES:
            self._waiting.append(place)

    def _pass_on(self, tally: _Tally) -> None:
        for place, _ in self._busy.values():
            tally.report(place, self._board.ticks(place))


def _new_worker() -> ProcessPoolExecutor:
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(1, mp_context=context, initializer=_ignore_interrupt)


def _ignore_interrupt() -> None:
    """Leave Ctrl-C, which the terminal sends to every process, to the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _work(chunk: Chunk, place: int, board: _Board, store: ChunkStore | None) -> ChunkResult:
    """Run in a worker process."""
    try:
        return _run_one(chunk, lambda ticks: board.write(place, ticks), store)
    finally:
        board.close()
