"""Keep Python's collector away from what a run holds from beginning to end.

A run of many lanes begins with hundreds of thousands of objects that live as long
as it does: events to come, processes that wait, streams. The collector would walk
over all of them again and again and free nothing.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def settled_memory() -> Iterator[None]:
    """Leave out of collections, for a while, whatever there is at the beginning.

    What is made later is collected as ever, and so is the rest afterwards.

    Yields
    ------
    None
    """
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
