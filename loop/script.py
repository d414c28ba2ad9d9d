"""Single events at given times, written by hand: for teaching and regression.

An action changes something on its lanes and gives back what undoes it. The
table of actions is open: other modules of this floor add theirs through
`ACTIONS`, by name.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import simpy

from ..models.disturbances import Breathing
from ..models.errors import nearest, problem
from ..models.settings import check_field, quantity, validate
from .breathing_state import Layer
from .patients import Patients
from .phases import At, Phase

#: Called with the time now (s).
Undo = Callable[[float], None]

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


@dataclass(frozen=True, kw_only=True)
class Action:
    """Something that a script can do.

    Attributes
    ----------
    name : str
        Its name in scenario files.
    doc : str
        What it does, in a sentence.
    start : callable
        Takes (patients, lanes, value, event, now) and returns what undoes it.
    unit, low, high, default : str and float
        Of its value.
    needs_duration : bool
        Whether it makes no sense without an end.
    """

    name: str
    doc: str
    start: Callable[[Patients, Sequence[int], float, ScriptedEvent, float], Undo]
    unit: str = "-"
    low: float | None = None
    high: float | None = None
    default: float = 1.0
    needs_duration: bool = False

    @property
    def metadata(self) -> dict[str, Any]:
        """Unit and range of the value, as `models.settings` has them."""
        return {"unit": self.unit, "low": self.low, "high": self.high, "choices": ()}


def _breathing(
    kind: Breathing, *, closed: bool = False
) -> Callable[[Patients, Sequence[int], float, ScriptedEvent, float], Undo]:
    def start(
        patients: Patients, lanes: Sequence[int], value: float, _: ScriptedEvent, now: float
    ) -> Undo:
        ventilation = value if kind is Breathing.HYPOVENTILATION else 0.0
        layer = Layer(ventilation=ventilation, kind=kind, closed=closed)
        patients.state.lay(lanes, layer, now)
        return lambda end: patients.state.lift(lanes, layer, end)

    return start


def _shunt(
    patients: Patients, lanes: Sequence[int], value: float, _: ScriptedEvent, now: float
) -> Undo:
    layer = Layer(shunt_factor=value)
    patients.state.lay(lanes, layer, now)
    return lambda end: patients.state.lift(lanes, layer, end)


_ALL = (
    Action(
        name="central_apnoea",
        doc="no breath, airway open",
        start=_breathing(Breathing.CENTRAL),
        needs_duration=True,
    ),
    Action(
        name="obstructive_apnoea",
        doc="no breath reaches the lung, airway closed",
        start=_breathing(Breathing.OBSTRUCTIVE, closed=True),
        needs_duration=True,
    ),
    Action(
        name="hypoventilation",
        doc="weak breathing; value: share of normal ventilation that is left",
        start=_breathing(Breathing.HYPOVENTILATION),
        unit="fraction",
        low=0.0,
        high=1.0,
        default=0.4,
        needs_duration=True,
    ),
    Action(
        name="shunt_change",
        doc="the lung gets worse or better; value: factor on the true shunt",
        start=_shunt,
        low=0.0,
        high=20.0,
        default=3.0,
    ),
)

#: Every action by name.
ACTIONS: dict[str, Action] = {action.name: action for action in _ALL}


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
    value = action.default if math.isnan(item.value) else item.value
    yield At(env, item.at_s, Phase.DISTURBANCE)
    undo = action.start(patients, lanes, value, item, env.now)
    for lane in lanes:
        log(lane, "script_start", value, item.event)
    if item.duration_s:
        yield At(env, item.duration_s, Phase.DISTURBANCE)
        undo(env.now)
        for lane in lanes:
            log(lane, "script_end", value, item.event)
