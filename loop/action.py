"""What a script can do: an action acts on lanes and gives back what undoes it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ..models.errors import problem
from .patients import Patients

#: Called with the time now (s).
Undo = Callable[[float], None]

#: Takes (patients, lanes, value, settings, now).
Start = Callable[[Patients, Sequence[int], float, Mapping[str, Any], float], Undo]


def nothing_to_undo(_: float) -> None:
    """Stand for the end of an action that is over at once, or that stays."""


def refuse_settings(settings: Mapping[str, Any]) -> None:
    """Refuse all settings, for an action that takes none.

    Parameters
    ----------
    settings : mapping
        As the script has them.

    Raises
    ------
    TestbedError
        If there is any.
    """
    if settings:
        raise problem("ScriptedEvent.settings", "none for this event", dict(settings))


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
        Takes (patients, lanes, value, settings, now) and returns what undoes it.
    unit, low, high, default : str and float
        Of its value.
    needs_duration : bool
        Whether it makes no sense without an end.
    check : callable
        Takes the settings and raises if they cannot be used.
    all_lanes : bool
        Whether it cannot happen to some infants or arms only.
    over_s : int
        Time over which the value is reached in steps, from one that changes
        nothing (`inert`); 0 for at once. ``settings.over_s`` overrides it.
    waits_for : str
        State of the displayed SpO2, of `fault_watch.STATES`, that each lane
        waits for from its time on, ``settings.within_s`` at most; empty: none.
    """

    name: str
    doc: str
    start: Start
    unit: str = "-"
    low: float | None = None
    high: float | None = None
    default: float = 1.0
    needs_duration: bool = False
    all_lanes: bool = False
    check: Callable[[Mapping[str, Any]], object] = refuse_settings
    over_s: int = 0
    waits_for: str = ""

    @property
    def inert(self) -> float:
        """Value that changes nothing: 1 for a factor, 0 for a difference."""
        return 1.0 if self.unit == "-" else 0.0

    @property
    def metadata(self) -> dict[str, Any]:
        """Unit and range of the value, as `models.settings` has them."""
        return {"unit": self.unit, "low": self.low, "high": self.high, "choices": ()}
