"""What a person can order at the cot: JSON messages, checked and turned into acts.

Every message is an object with ``do`` and what that order takes, nothing else.
Whatever is wrong is refused here, before it reaches the running bench.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from ..loop.action import Action
from ..loop.registry import controller_names
from ..loop.safeguards.settings import SAFEGUARDS
from ..loop.script import ACTIONS, ScriptedEvent
from ..models.errors import nearest, problem
from ..models.settings import range_text
from .cot_bench import CotBench, CotChoice
from .scenario_settings import Scenario

#: What is done to the bench between two ticks.
Act = Callable[[CotBench], None]

#: Simulated seconds in a second: slowest, usual, fastest.
SLOWEST, USUAL, FASTEST = 1.0, 20.0, 120.0

#: Simulated length of a session (min): shortest, usual, longest.
SHORTEST_MIN, USUAL_MIN, LONGEST_MIN = 1, 60, 720

#: An event that would go on for ever lasts so long unless the person says otherwise (s).
USUAL_EVENT_S, LASTING_EVENT_S = 60, 1200
APNOEA_S = 30

#: These need more than a value and a duration, or are what the person does anyway.
_NOT_OFFERED = ("support", "staff_override")


def offered_events() -> dict[str, Action]:
    """List the events that a person can make happen.

    Returns
    -------
    dict of str to Action
    """
    return {name: action for name, action in ACTIONS.items() if name not in _NOT_OFFERED}


def offered_controllers(scenario: Scenario) -> dict[str, tuple[str, Mapping[str, Any]]]:
    """List the controllers to choose from, those of the scenario first.

    A page can name one of these and nothing else, so that no page makes the
    server load a file.

    Parameters
    ----------
    scenario : Scenario
        Its controller arms are offered under their own names.

    Returns
    -------
    dict of str to tuple
        Specification and options, by the name that is shown.
    """
    own = {
        arm.name: (arm.controller, arm.options)
        for arm in scenario.arms
        if arm.kind == "controller" and arm.controller != "fixed"
    }
    built_in: dict[str, tuple[str, Mapping[str, Any]]] = {
        name: (name, {}) for name in controller_names()
    }
    return {**own, **{name: given for name, given in built_in.items() if name not in own}}


def choice_of(message: object, scenario: Scenario, infants: int) -> tuple[CotChoice, float]:
    """Read what a person chose before a session.

    Parameters
    ----------
    message : object
        From JSON: ``controller``, ``infant``, ``minutes``, ``speed``; each may be left out.
    scenario : Scenario
        The scenario.
    infants : int
        How many infants it has.

    Returns
    -------
    choice : CotChoice
        For `cot_spec`.
    speed : float
        Simulated seconds in a second.

    Raises
    ------
    TestbedError
        If anything in it cannot be used.
    """
    given = _known(message, "session", ("controller", "infant", "minutes", "speed"))
    offered = offered_controllers(scenario)
    name = given.get("controller", next(iter(offered)))
    if not isinstance(name, str) or name not in offered:
        raise problem("session: controller", "one of the list", name, nearest(str(name), offered))
    controller, options = offered[name]
    choice = CotChoice(
        controller=controller,
        options=options,
        place=_whole(given.get("infant", 0), "session: infant", 0, infants - 1),
        minutes=_whole(
            given.get("minutes", USUAL_MIN), "session: minutes", SHORTEST_MIN, LONGEST_MIN
        ),
    )
    return choice, speed_of(given.get("speed", USUAL))


def speed_of(value: object) -> float:
    """Read a speed.

    Parameters
    ----------
    value : object
        From JSON or the command line.

    Returns
    -------
    float
        Simulated seconds in a second.

    Raises
    ------
    TestbedError
        If it is no number or out of range.
    """
    return _number(value, "speed", SLOWEST, FASTEST)


def act_of(message: Mapping[str, Any]) -> Act:
    """Read an order that acts on the bench.

    Parameters
    ----------
    message : mapping
        An object with ``do``, one of `ACTS`.

    Returns
    -------
    callable
        Takes the bench.

    Raises
    ------
    TestbedError
        If anything in it cannot be used.
    """
    return ACTS[message["do"]](message)


def _fio2(message: Mapping[str, Any]) -> Act:
    given = _known(message, "order fio2", ("do", "fio2_pct"))
    percent = _number(given.get("fio2_pct"), "order fio2: fio2_pct", 21.0, 100.0)
    return lambda bench: bench.set_fio2(percent / 100.0)


def _hand_over(message: Mapping[str, Any]) -> Act:
    _known(message, "order hand_over", ("do",))
    return lambda bench: bench.hand_over(True)


def _take_back(message: Mapping[str, Any]) -> Act:
    _known(message, "order take_back", ("do",))
    return lambda bench: bench.hand_over(False)


def _silence(message: Mapping[str, Any]) -> Act:
    _known(message, "order silence", ("do",))
    return lambda bench: bench.acknowledge()


def _safeguards(message: Mapping[str, Any]) -> Act:
    given = _known(message, "order safeguards", ("do", "off"))
    off = given.get("off")
    if not isinstance(off, list) or not all(isinstance(name, str) for name in off):
        raise problem("order safeguards: off", "a list of safeguards", off)
    for name in off:
        if name not in SAFEGUARDS:
            hint = nearest(name, SAFEGUARDS)
            raise problem("order safeguards: off", "a safeguard", name, hint)
    switches = dict.fromkeys(off, False)
    return lambda bench: bench.switch(switches)


def _event(message: Mapping[str, Any]) -> Act:
    given = _known(message, "order event", ("do", "event", "duration_s", "value"))
    name, offered = given.get("event"), offered_events()
    if not isinstance(name, str) or name not in offered:
        hint = nearest(str(name), offered)
        raise problem("order event: event", "an event of the list", name, hint)
    value = given.get("value")
    strength = math.nan if value is None else _number(value, "order event: value", -1e9, 1e9)
    seconds = given.get("duration_s", usual_duration_s(name))
    duration_s = _whole(seconds, "order event: duration_s", 0, 60 * LONGEST_MIN)
    item = ScriptedEvent(at_s=0, event=name, duration_s=duration_s, value=strength)
    return lambda bench: bench.inject(item)


def usual_duration_s(event: str) -> int:
    """Say how long an event lasts unless the person says otherwise.

    Parameters
    ----------
    event : str
        Its name.

    Returns
    -------
    int
        Seconds; 0 for one that is over at once.
    """
    if event in ("recruiting_breath", "breath_by_hand", "transfused_at_once"):
        return 0
    if event in ("gain_change", "slow_deterioration", "shunt_change", "monitor_drift"):
        return LASTING_EVENT_S
    return APNOEA_S if event.endswith("_apnoea") else USUAL_EVENT_S


#: Orders that act on the bench; the session itself takes "pause", "resume", "speed", "finish".
ACTS: Mapping[str, Callable[[Mapping[str, Any]], Act]] = {
    "fio2": _fio2,
    "hand_over": _hand_over,
    "take_back": _take_back,
    "silence": _silence,
    "safeguards": _safeguards,
    "event": _event,
}


def described_event(name: str, action: Action) -> dict[str, object]:
    """Describe an event for the page.

    Parameters
    ----------
    name : str
        Its name.
    action : Action
        What it is.

    Returns
    -------
    dict
        Ready for JSON.
    """
    takes_value = action.low != action.high
    return {
        "name": name,
        "words": name.replace("_", " "),
        "doc": action.doc,
        "unit": action.unit,
        "range": range_text(action.metadata) if takes_value else "",
        "low": action.low,
        "high": action.high,
        "default": action.default if takes_value else None,
        "duration_s": usual_duration_s(name),
        "needs_duration": action.needs_duration,
    }


def _known(message: object, where: str, keys: tuple[str, ...]) -> Mapping[str, Any]:
    """Refuse what is no object, and unknown keys."""
    if not isinstance(message, Mapping):
        raise problem(where, "an object such as {...}", message)
    for key in message:
        if key not in keys:
            raise problem(where, "a known key", key, nearest(str(key), keys))
    return message


def _number(value: object, where: str, low: float, high: float) -> float:
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not number or not low <= value <= high:  # type: ignore[operator]
        raise problem(where, f"a number from {low:g} to {high:g}", value)
    return float(value)  # type: ignore[arg-type]


def _whole(value: object, where: str, low: int, high: int) -> int:
    number = _number(value, where, low, high)
    if not number.is_integer():
        raise problem(where, f"a whole number from {low} to {high}", value)
    return int(number)


__all__ = [
    "ACTS",
    "FASTEST",
    "SLOWEST",
    "USUAL",
    "Act",
    "act_of",
    "choice_of",
    "described_event",
    "offered_controllers",
    "offered_events",
    "speed_of",
]
