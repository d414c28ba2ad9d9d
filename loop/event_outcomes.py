"""Outcomes that are counted from the event log: alarms, hand changes, staff time."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from .alarms import PRIORITY, Alarm
from .event_log import EVENT_TYPES, EventRecord
from .outcome import Described

DAY_S = 86_400.0

_WHAT = {alarm.name.lower(): PRIORITY[alarm] for alarm in Alarm}


@dataclass(frozen=True, kw_only=True)
class EventOutcome(Described):
    """An outcome that is a sum over the events of one infant in one arm.

    Attributes
    ----------
    event : str
        Type of the events that count.
    weight : callable
        What one of them adds.
    share_of : str
        Type of the events whose number is the whole of which the sum is a percentage;
        empty for a rate per 24 h.
    """

    event: str
    weight: Callable[[EventRecord], float]
    share_of: str = ""


def _alarms(priority: str) -> Callable[[EventRecord], float]:
    def weight(event: EventRecord) -> float:
        return float(_WHAT[event.detail] == priority)

    return weight


def _minutes(event: EventRecord) -> float:
    return event.value / 60.0


def _one(event: EventRecord) -> float:
    return 1.0


_ALL = (
    EventOutcome(
        name="alarms_high_priority_per_24h",
        label="Alarms of high priority",
        unit="per 24 h",
        definition="Alarms of low SpO2, apnoea and low pressure that began after the warm-up, per "
        "24 h of that time.",
        direction="lower better",
        decimals=1,
        core=True,
        true_signal=False,
        event="alarm_start",
        weight=_alarms("high"),
    ),
    EventOutcome(
        name="alarms_medium_priority_per_24h",
        label="Alarms of medium priority",
        unit="per 24 h",
        definition="Alarms of high SpO2, lost signal, high pressure and the controller that began "
        "after the warm-up, per 24 h.",
        direction="lower better",
        decimals=1,
        core=False,
        true_signal=False,
        event="alarm_start",
        weight=_alarms("medium"),
    ),
    EventOutcome(
        name="alarms_low_priority_per_24h",
        label="Alarms of low priority",
        unit="per 24 h",
        definition="Alarms of measured beside set FiO2 that began after the warm-up, per 24 h.",
        direction="lower better",
        decimals=1,
        core=False,
        true_signal=False,
        event="alarm_start",
        weight=_alarms("low"),
    ),
    EventOutcome(
        name="alarm_min_per_24h",
        label="Alarm time",
        unit="min per 24 h",
        definition="Lengths of all alarms that ended after the warm-up, summed, per 24 h; alarms "
        "that overlap count each for itself.",
        direction="lower better",
        decimals=0,
        core=False,
        true_signal=False,
        event="alarm_end",
        weight=_minutes,
    ),
    EventOutcome(
        name="alarms_unseen_pct",
        label="Alarms over before anyone came",
        unit="%",
        definition="Of the alarms that ended after the warm-up, the percentage to which nobody had "
        "come by then. NaN without an alarm.",
        direction="-",
        decimals=0,
        core=False,
        true_signal=False,
        event="alarm_unseen",
        weight=_one,
        share_of="alarm_end",
    ),
    EventOutcome(
        name="alarms_escalated_per_24h",
        label="Alarms that called for others",
        unit="per 24 h",
        definition="Alarms to which nobody came for so long that others were called, per 24 h.",
        direction="lower better",
        decimals=1,
        core=False,
        true_signal=False,
        event="alarm_escalated",
        weight=_one,
    ),
    EventOutcome(
        name="overrides_per_24h",
        label="Controller overridden by staff",
        unit="per 24 h",
        definition="Times that staff took over from the controller after the warm-up, per 24 h.",
        direction="lower better",
        decimals=1,
        core=False,
        true_signal=False,
        event="override_start",
        weight=_one,
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
        event="fio2_by_hand",
        weight=_one,
    ),
    EventOutcome(
        name="staff_min_per_24h",
        label="Staff time at the cot",
        unit="min per 24 h",
        definition=(
            "Minutes of visits for rounds, care, alarms and oxygen that ended after the warm-up, "
            "per 24 h of that time. Every arm has the same staff and the same care."
        ),
        direction="-",
        decimals=0,
        core=True,
        true_signal=False,
        event="visit_end",
        weight=_minutes,
    ),
)

#: Every outcome of this module by name.
EVENT_OUTCOMES = {item.name: item for item in _ALL}

#: Outcomes that events of a type add to, and those whose whole they add to.
_ADDS = {name: [item for item in _ALL if item.event == name] for name in EVENT_TYPES}
_IN_WHOLE = {name: [item.name for item in _ALL if item.share_of == name] for name in EVENT_TYPES}


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
    whole: dict[tuple[int, str], dict[str, float]] = {}
    for event in events:
        if event.time_s < warmup_s:
            continue
        key = (event.infant, event.arm)
        if key not in found:
            found[key] = dict.fromkeys(EVENT_OUTCOMES, 0.0)
            whole[key] = dict.fromkeys(EVENT_OUTCOMES, 0.0)
        for item in _ADDS.get(event.event, ()):
            found[key][item.name] += item.weight(event)
        for name in _IN_WHOLE.get(event.event, ()):
            whole[key][name] += 1.0
    for key, row in found.items():
        for item in _ALL:
            total = whole[key][item.name]
            if not item.share_of:
                row[item.name] *= per_day
            else:
                row[item.name] = 100.0 * row[item.name] / total if total else float("nan")
    return found
