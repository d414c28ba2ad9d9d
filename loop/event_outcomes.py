"""Outcomes that are counted from the event log: alarms, hand changes, staff time."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from .alarms import PRIORITY, Alarm
from .event_log import EventRecord
from .outcome import Described

DAY_S = 86_400.0

_WHAT = {alarm.name.lower(): PRIORITY[alarm] for alarm in Alarm}


@dataclass(frozen=True, kw_only=True)
class EventOutcome(Described):
    """An outcome that is a sum over the events of one infant in one arm.

    Attributes
    ----------
    weight : callable
        What one event adds.
    """

    weight: Callable[[EventRecord], float]


def _alarms(priority: str) -> Callable[[EventRecord], float]:
    def weight(event: EventRecord) -> float:
        return float(event.event == "alarm_start" and _WHAT[event.detail] == priority)

    return weight


def _by_hand(event: EventRecord) -> float:
    return float(event.event == "fio2_by_hand")


def _minutes(event: EventRecord) -> float:
    return event.value / 60.0 if event.event == "visit_end" else 0.0


_ALL = (
    EventOutcome(
        name="alarms_high_priority_per_24h",
        label="Alarms of high priority",
        unit="per 24 h",
        definition="Low SpO2 alarms that began after the warm-up, per 24 h of that time.",
        direction="lower better",
        decimals=1,
        core=True,
        true_signal=False,
        weight=_alarms("high"),
    ),
    EventOutcome(
        name="alarms_medium_priority_per_24h",
        label="Alarms of medium priority",
        unit="per 24 h",
        definition="High SpO2 and lost signal alarms that began after the warm-up, per 24 h.",
        direction="lower better",
        decimals=1,
        core=False,
        true_signal=False,
        weight=_alarms("medium"),
    ),
    EventOutcome(
        name="manual_changes_per_24h",
        label="FiO2 changes by hand",
        unit="per 24 h",
        definition="Changes of the set FiO2 by staff after the warm-up, per 24 h of that time.",
        direction="-",
        decimals=1,
        core=True,
        true_signal=False,
        weight=_by_hand,
    ),
    EventOutcome(
        name="staff_min_per_24h",
        label="Staff time at the cot",
        unit="min per 24 h",
        definition=(
            "Minutes of visits for rounds, alarms and oxygen that ended after the warm-up, per "
            "24 h of that time. Only arms adjusted by hand have staff."
        ),
        direction="-",
        decimals=0,
        core=False,
        true_signal=False,
        weight=_minutes,
    ),
)

#: Every outcome of this module by name.
EVENT_OUTCOMES = {item.name: item for item in _ALL}


def event_outcomes(
    events: Iterable[EventRecord], warmup_s: int, duration_s: int
) -> dict[tuple[int, str], dict[str, float]]:
    """Count the event outcomes of all infants and arms in one pass.

    Parameters
    ----------
    events : iterable of EventRecord
        The log of a run.
    warmup_s, duration_s : int
        Events before `warmup_s` do not count; rates are per 24 h of the rest.

    Returns
    -------
    dict
        Values by outcome name, by (infant, arm); an infant and arm without
        any counted event is absent.
    """
    per_day = DAY_S / (duration_s - warmup_s)
    found: dict[tuple[int, str], dict[str, float]] = {}
    for event in events:
        if event.time_s < warmup_s:
            continue
        row = found.setdefault((event.infant, event.arm), dict.fromkeys(EVENT_OUTCOMES, 0.0))
        for item in _ALL:
            row[item.name] += item.weight(event) * per_day
    return found
