"""Single events at given times, written by hand: for teaching and regression."""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import simpy

from ..models.errors import nearest, problem
from ..models.settings import check_field, quantity, validate
from .action import Action, Undo, nothing_to_undo
from .breathing_actions import BREATHING_ACTIONS
from .fault_actions import FAULT_ACTIONS
from .fault_watch import Watch
from .patients import Patients
from .phases import At, Phase
from .support_actions import SUPPORT_ACTIONS

#: An event that grows does so in steps of this length (s).
GROWS_EVERY_S = 30

#: A state is waited for at most so long, unless ``settings.within_s`` says otherwise (s).
WITHIN_S = 1800

#: Called with (lane, event name, value, detail).
Log = Callable[[int, str, float, str], None]


@dataclass(frozen=True, kw_only=True)
class ScriptedEvent:
    """One event of a script.

    Attributes
    ----------
    at_s : int
        When it begins (s since the start of the run).
    event : str
        Name of an action.
    duration_s : int
        How long it lasts; 0 for an action that stays, or that is over at once.
    value : float
        Its strength, in the action's unit; NaN for the action's default.
    infants : tuple of int
        Own numbers of the infants it happens to; empty for all.
    arms : tuple of str
        Arms in which it happens; empty for all, which keeps the arms paired.
    settings : mapping
        Further settings that the action takes.
    """

    at_s: int = quantity(unit="s", low=0, high=1_209_600, doc="when it begins")
    event: str = quantity(unit="-", doc="what happens; see `oxytestbed scenarios --events`")
    duration_s: int = quantity(
        unit="s", low=0, high=1_209_600, default=0, doc="how long it lasts; 0: it stays"
    )
    value: float = quantity(
        unit="-", default=math.nan, doc="its strength; nan: the default of this event"
    )
    infants: tuple[int, ...] = quantity(
        unit="-", default=(), doc="own numbers of the infants; empty for all"
    )
    arms: tuple[str, ...] = quantity(unit="-", default=(), doc="arms; empty for all")
    settings: Mapping[str, Any] = field(
        default_factory=dict,
        metadata=quantity(unit="-", doc="further settings of this event").metadata,
    )

    def __post_init__(self) -> None:
        validate(self)
        action = find_action(self.event, "ScriptedEvent.event")
        if not math.isnan(self.value):
            check_field(f"ScriptedEvent.value of {self.event}", self.value, action.metadata)
        if action.needs_duration and self.duration_s < 1:
            raise problem(
                f"ScriptedEvent.duration_s of {self.event}", "at least 1 (s)", self.duration_s
            )
        action.check(self.settings)
        if action.all_lanes and (self.infants or self.arms):
            where = f"ScriptedEvent.{'infants' if self.infants else 'arms'} of {self.event}"
            raise problem(where, "none: it happens to all", self.infants or self.arms)


#: Every action by name.
ACTIONS: Mapping[str, Action] = {
    action.name: action for action in (*BREATHING_ACTIONS, *SUPPORT_ACTIONS, *FAULT_ACTIONS)
}


def find_action(name: str, where: str) -> Action:
    """Look an action up.

    Parameters
    ----------
    name : str
        Its name.
    where : str
        How the message names the place.

    Returns
    -------
    Action

    Raises
    ------
    TestbedError
        If there is none; the message names the nearest.
    """
    if name not in ACTIONS:
        raise problem(where, "the name of a scripted event", name, nearest(name, ACTIONS))
    return ACTIONS[name]


def play(
    env: simpy.Environment,
    patients: Patients,
    item: ScriptedEvent,
    lanes: Sequence[int],
    log: Log,
) -> Generator[simpy.Event, None, None]:
    """Let one scripted event happen.

    Parameters
    ----------
    env : simpy.Environment
        The clock.
    patients : Patients
        What it acts on.
    item : ScriptedEvent
        What happens, and when.
    lanes : sequence of int
        Where it happens.
    log : callable
        Takes lane, event name, value, detail.

    Yields
    ------
    simpy.Event
    """
    action = find_action(item.event, "script")
    yield At(env, item.at_s, Phase.DISTURBANCE)
    if not action.waits_for:
        yield from _happen(env, patients, item, lanes, log)
        return
    watch, waiting = Watch(patients, lanes, action.waits_for), np.ones(len(lanes), dtype=np.bool_)
    for _ in range(int(item.settings.get("within_s", WITHIN_S))):
        begins = watch.look() & waiting
        if begins.any():
            waiting &= ~begins
            chosen = [lanes[place] for place in np.flatnonzero(begins).tolist()]
            env.process(_happen(env, patients, item, chosen, log))
        if not waiting.any():
            return
        yield At(env, 1, Phase.DISTURBANCE)


def _happen(
    env: simpy.Environment,
    patients: Patients,
    item: ScriptedEvent,
    lanes: Sequence[int],
    log: Log,
) -> Generator[simpy.Event, None, None]:
    """Begin now, grow if it grows, and end."""
    action = find_action(item.event, "script")
    value = action.default if math.isnan(item.value) else item.value
    over_s = int(item.settings.get("over_s", action.over_s)) if action.over_s else 0
    steps = max(1, -(-over_s // GROWS_EVERY_S))
    begun = env.now
    for lane in lanes:
        log(lane, "script_start", value, item.event)
    undo: Undo = nothing_to_undo
    for step in range(1, steps + 1):
        undo(env.now)
        part = value if step == steps else action.inert + (value - action.inert) * step / steps
        undo = action.start(patients, lanes, part, item.settings, env.now)
        left_s = begun + item.duration_s - env.now if item.duration_s else math.inf
        if step < steps and left_s > GROWS_EVERY_S:
            yield At(env, GROWS_EVERY_S, Phase.DISTURBANCE)
        else:
            break
    if item.duration_s:
        yield At(env, int(begun + item.duration_s - env.now), Phase.DISTURBANCE)
        undo(env.now)
        for lane in lanes:
            log(lane, "script_end", value, item.event)
