"""The same chunks over the workers of a Dask scheduler, on this machine or on others.

Dask is an extra (``pip install 'oxytestbed[cluster]'``) and does all the
scheduling: it gives a chunk whose worker ends to another worker, as often as its
setting ``distributed.scheduler.allowed-failures`` says, and then gives up.

A worker runs a chunk only if it would give the same key to it: with the same
program, the same libraries and the same files of the user's controllers, which
it must find under the same paths. Start workers with one thread each.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import TYPE_CHECKING, Any

from ..models.errors import problem
from .chunk import ChunkResult
from .resume import ChunkStore, chunk_key

if TYPE_CHECKING:
    from .workers import Chunk

WHERE = "--scheduler"

#: How long a scheduler, and a first worker, are waited for (s).
PATIENCE_S = 20


def run_on_cluster(
    work: Mapping[int, Chunk],
    address: str,
    report: Callable[[int, int], None],
    store: ChunkStore | None = None,
    patience_s: float = PATIENCE_S,
) -> dict[int, ChunkResult]:
    """Run chunks on the workers of a scheduler.

    Parameters
    ----------
    work : mapping of int to Chunk
        Chunks by place.
    address : str
        Of the scheduler, such as ``tcp://192.0.2.1:8786``.
    report : callable
        Called with the place and the number of ticks of each chunk that ends.
    store : ChunkStore, optional
        Keeps what finishes, on this side.
    patience_s : float
        How long the scheduler and a first worker are waited for (s).

    Returns
    -------
    dict of int to ChunkResult
        By place; chunks whose workers ended too often are missing.

    Raises
    ------
    TestbedError
        If Dask is not installed, the scheduler cannot be reached or has no
        worker, or a worker is not set up as this process is.
    """
    client = _client(address, patience_s)
    try:
        with client.as_current():
            return _collect(client, work, report, store)
    finally:
        client.close()  # whatever still runs for this client is let go


def _dask() -> Any:
    """Import Dask's scheduling, which is an extra and has no types."""
    return import_module("distributed")


def _client(address: str, patience_s: float) -> Any:
    try:
        distributed = _dask()
    except ImportError:
        hint = "pip install 'oxytestbed[cluster]'"
        raise problem(WHERE, "Dask to be installed", "no module `distributed`", hint) from None
    try:
        client = distributed.Client(address, timeout=patience_s, set_as_default=False)
    except (OSError, ValueError) as error:
        raise problem(WHERE, "the address of a Dask scheduler", address, str(error)) from error
    try:
        client.wait_for_workers(1, timeout=patience_s)
    except TimeoutError:
        client.close()
        hint = f"start one with `dask worker {address} --nthreads 1`"
        raise problem(WHERE, "a scheduler with a worker or more", "none", hint) from None
    return client


def _collect(
    client: Any,
    work: Mapping[int, Chunk],
    report: Callable[[int, int], None],
    store: ChunkStore | None,
) -> dict[int, ChunkResult]:
    distributed = _dask()
    places = {
        client.submit(run_elsewhere, chunk, chunk_key(chunk), pure=False): place
        for place, chunk in work.items()
    }
    done: dict[int, ChunkResult] = {}
    for future in distributed.as_completed(places):
        place = places[future]
        try:
            done[place] = future.result()
        except distributed.KilledWorker:
            continue
        report(place, work[place].ticks)
        if store is not None:
            store.keep(work[place], done[place])
        future.release()  # else the worker keeps the result in its memory
    return done


def run_elsewhere(chunk: Chunk, key: str) -> ChunkResult:
    """Run a chunk in a worker, if the worker is set up as the one who asks.

    Parameters
    ----------
    chunk : Chunk
        The chunk.
    key : str
        What `chunk_key` gave on the other side.

    Returns
    -------
    ChunkResult

    Raises
    ------
    TestbedError
        If the key here is another one.
    """
    if chunk_key(chunk) != key:
        hint = "install the same versions everywhere, and put controllers under the same paths"
        expected = "a worker with the same program, libraries and controller files as here"
        raise problem(WHERE, expected, "a worker that differs", hint)
    return chunk.run()


__all__ = ["PATIENCE_S", "run_elsewhere", "run_on_cluster"]
