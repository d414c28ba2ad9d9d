"""Keep finished chunks beside the wanted folder, so that a stopped run can go on.

A chunk is known by a digest of all that its numbers depend on: what it runs,
the versions of the libraries, the program itself and the files of the user's
controllers. A chunk that differs in any of these is run again.
"""

from __future__ import annotations

import enum
import hashlib
import os
import pickle
import platform
import shlex
import shutil
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import __version__
from ..loop.registry import PROGRAM_PREFIX, names_a_file
from .chunk import ChunkResult

if TYPE_CHECKING:
    from .workers import Chunk

#: Libraries whose version may change a bit of a result.
_LIBRARIES = ("numpy", "scipy", "simpy")

_ROOT = Path(__file__).resolve().parents[1]
_CODE = ("models", "loop")


@dataclass(frozen=True, kw_only=True)
class ChunkStore:
    """Finished chunks in a folder, one file each.

    Attributes
    ----------
    folder : Path
        Where; made with the first chunk. It holds pickles, so it must be a
        place that only its owner writes to.
    """

    folder: Path

    def load(self, chunk: Chunk) -> ChunkResult | None:
        """Give the result of a chunk that finished before.

        Parameters
        ----------
        chunk : Chunk
            The chunk.

        Returns
        -------
        ChunkResult or None
            None where it did not finish, or its file cannot be read.
        """
        try:
            with self._path(chunk).open("rb") as file:
                found = pickle.load(file)
        except (OSError, EOFError, pickle.UnpicklingError, AttributeError, ImportError):
            return None
        return found if isinstance(found, ChunkResult) else None

    def keep(self, chunk: Chunk, result: ChunkResult) -> None:
        """Write the result of a chunk, as a whole or not at all.

        A chunk of which nothing succeeded is not kept, so that it gets another
        chance. A disk that is full is no reason to lose a run: then nothing is
        kept.

        Parameters
        ----------
        chunk : Chunk
            The chunk.
        result : ChunkResult
            Its result.
        """
        if all(row["error"] for row in result.rows):
            return
        path = self._path(chunk)
        part = path.with_suffix(f".{os.getpid()}")
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with part.open("wb") as file:
                pickle.dump(result, file, protocol=pickle.HIGHEST_PROTOCOL)
            part.replace(path)
        except OSError:
            with suppress(OSError):
                part.unlink(missing_ok=True)

    def _path(self, chunk: Chunk) -> Path:
        return self.folder / f"{chunk_key(chunk)}.pickle"


def partial_folder(wanted: Path) -> Path:
    """Name the folder in which a result is made, beside the wanted one.

    Parameters
    ----------
    wanted : Path
        Where the result will be.

    Returns
    -------
    Path
    """
    return wanted.with_name(f".{wanted.name}.partial")


def store_for(wanted: Path | None) -> ChunkStore | None:
    """Give the store of the chunks of a result.

    Parameters
    ----------
    wanted : Path or None
        Where the result will be; without one nothing is kept.

    Returns
    -------
    ChunkStore or None
    """
    return None if wanted is None else ChunkStore(folder=partial_folder(wanted) / "chunks")


def clear_partial(wanted: Path, *, chunks: bool) -> None:
    """Remove what is beside the wanted folder.

    Parameters
    ----------
    wanted : Path
        Where the result is or will be.
    chunks : bool
        Remove finished chunks, too; else all but these.
    """
    partial = partial_folder(wanted)
    if chunks or not (partial / "chunks").is_dir():
        shutil.rmtree(partial, ignore_errors=True)
        return
    for item in partial.iterdir():
        if item.is_dir() and item.name != "chunks":
            shutil.rmtree(item, ignore_errors=True)
        elif not item.is_dir():
            item.unlink(missing_ok=True)


def chunk_key(chunk: Chunk) -> str:
    """Make the digest by which a chunk is known.

    Parameters
    ----------
    chunk : Chunk
        The chunk.

    Returns
    -------
    str
        The same in every process for equal work.
    """
    digest = hashlib.sha256()
    for part in (*_versions(), _program(), *_files(chunk)):
        digest.update(part.encode() + b"\n")
    for word in _words(chunk):
        digest.update(word + b"\n")
    return digest.hexdigest()[:40]


def _versions() -> list[str]:
    named = [f"{name} {version(name)}" for name in _LIBRARIES]
    return [f"oxytestbed {__version__}", f"python {platform.python_version()}", *named]


@cache
def _program() -> str:
    """Digest the source of everything that the numbers of a chunk come from."""
    digest = hashlib.sha256()
    here = Path(__file__).parent
    files = [path for room in _CODE for path in sorted((_ROOT / room).rglob("*.py"))]
    for path in (*files, *(here / name for name in ("chunk.py", "time_aligned.py", "warmup.py"))):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()


def _files(chunk: Chunk) -> Iterator[str]:
    """Digest the files of the user's controllers that the arms name."""
    for arm in chunk.spec.arms:
        spec = arm.controller or ""
        if not spec or not names_a_file(spec):
            continue
        words = [spec, spec.rpartition(":")[0]]
        if spec.startswith(PROGRAM_PREFIX):
            named = shlex.split(spec.removeprefix(PROGRAM_PREFIX))
            words = [*named, *(word.rpartition(":")[0] for word in named)]
        for word in words:
            if word and Path(word).is_file():
                yield f"{arm.name} {hashlib.sha256(Path(word).read_bytes()).hexdigest()}"


def _words(value: Any) -> Iterator[bytes]:
    """Spell out a value, so that equal values give equal bytes in every process."""
    if is_dataclass(value) and not isinstance(value, type):
        yield type(value).__name__.encode()
        for item in fields(value):
            yield item.name.encode()
            yield from _words(getattr(value, item.name))
    elif isinstance(value, np.ndarray):
        yield f"{value.dtype.str}{value.shape}".encode()
        if value.dtype.hasobject:
            yield from _words(value.tolist())
        else:
            yield np.ascontiguousarray(value).tobytes()
    elif isinstance(value, Mapping):
        for key in sorted(value, key=str):
            yield str(key).encode()
            yield from _words(value[key])
    elif isinstance(value, (list, tuple)):
        yield f"[{len(value)}".encode()
        for entry in value:
            yield from _words(entry)
    elif isinstance(value, enum.Enum):
        yield f"{type(value).__name__}.{value.name}".encode()
    else:
        yield f"{type(value).__name__} {value!r}".encode()


__all__ = ["ChunkStore", "chunk_key", "clear_partial", "partial_folder", "store_for"]
