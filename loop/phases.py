"""The order of parts within a tick, written down once.

All events of a tick have the same SimPy time; their priority orders them.
Within a tick: disturbances, staff, controllers, then the plant (gas delivery,
infant, oximeter), the alarms and the recording.
"""

from __future__ import annotations

from collections.abc import Generator
from enum import IntEnum
from typing import Any

import simpy


class Phase(IntEnum):
    """Place of an event within its tick; SimPy's own priorities are 0 and 1."""

    DISTURBANCE = 2
    STAFF = 3
    REQUEST = 4
    RELEASE = 10**30
    CONTROLLER = 10**30 + 1
    PLANT = 10**30 + 2


class At(simpy.Event):
    """An event after a delay of whole seconds, at a place within that tick.

    Parameters
    ----------
    env : simpy.Environment
        The clock.
    delay_s : int
        Seconds from now, 0 or more.
    phase : int
        A `Phase`, or a rank from `request_rank`.
    """

    def __init__(self, env: simpy.Environment, delay_s: int, phase: int) -> None:
        # What `simpy.Event` does, without a second call: there are many of these.
        self.env = env
        self.callbacks = []
        self._ok = True
        self._value = None
        env.schedule(self, priority=phase, delay=delay_s)  # type: ignore[arg-type]


class Course:
    """A process that nobody waits for and nobody interrupts, such as what a nurse does.

    It goes through its events as a `simpy.Process` would, but begins at once,
    within the event that brings it about, and ends without an event of its
    own; these two events would be half of all. What it raises comes out
    of the clock as it is.

    Parameters
    ----------
    generator : generator of simpy.Event
        What happens; it waits for each event that it yields.
    """

    __slots__ = ("_send",)

    def __init__(self, generator: Generator[simpy.Event, Any, Any]) -> None:
        self._send = generator.send
        self._go_on(None)

    def _go_on(self, event: simpy.Event | None) -> None:
        try:
            awaited = self._send(None if event is None else event.value)
        except StopIteration:
            return
        awaited.callbacks.append(self._go_on)


def request_key(priority: int, onset_s: int, infant: int) -> tuple[int, int, int]:
    """Order in which a nurse answers: priority, then onset, then infant.

    Parameters
    ----------
    priority : int
        The smaller, the more urgent.
    onset_s : int
        When the need arose (s).
    infant : int
        The infant's own number.

    Returns
    -------
    tuple of int
    """
    return (priority, onset_s, infant)


def request_rank(key: tuple[int, int, int]) -> int:
    """Turn a key into an event priority, so that a tick's requests queue in key order.

    Parameters
    ----------
    key : tuple of int
        From `request_key`.

    Returns
    -------
    int
        Between `Phase.REQUEST` and `Phase.RELEASE`.
    """
    priority, onset_s, infant = key
    return int(Phase.REQUEST) + (priority * 10**12 + onset_s) * 10**12 + infant
