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
    share_of : callable or None
        What one event adds to the whole of which the sum is a percentage; None
        for a rate per 24 h.
    """

    weight: Callable[[EventRecord], float]
    share_of: Callable[[EventRecord], float] | None = None


def _alarms(priority: str) -> Callable[[EventRecord], float]:
    def weight(event: EventRecord) -> float:
        return float(event.event == "alarm_start" and _WHAT[event.detail] == priority)

    return weight


def _by_hand(event: EventRecord) -> float:
    return float(event.event == "fio2_by_hand")


def _minutes(event: EventRecord) -> float:
    return event.value / 60.0 if event.event == "visit_end" else 0.0


def _alarm_minutes(event: EventRecord) -> float:
    return event.value / 60.0 if event.event == "alarm_end" else 0.0


def _count(name: str) -> Callable[[EventRecord], float]:
    def weight(event: EventRecord) -> float:
        return float(event.event == name)

    return weight


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
        weight=_alarm_minutes,
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
        weight=_count("alarm_unseen"),
        share_of=_count("alarm_end"),
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
        weight=_count("alarm_escalated"),
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
        weight=_count("override_start"),
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
            "Minutes of visits for rounds, care, alarms and oxygen that ended after the warm-up, "
            "per 24 h of that time. Every arm has the same staff and the same care."
        ),
        direction="-",
        decimals=0,
        core=True,
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
    whole: dict[tuple[int, str], dict[str, float]] = {}
    for event in events:
        if event.time_s < warmup_s:
            continue
        key = (event.infant, event.arm)
        row = found.setdefault(key, dict.fromkeys(EVENT_OUTCOMES, 0.0))
        of = whole.setdefault(key, dict.fromkeys(EVENT_OUTCOMES, 0.0))
        for item in _ALL:
            row[item.name] += item.weight(event)
            if item.share_of is not None:
                of[item.name] += item.share_of(event)
    for key, row in found.items():
        for item in _ALL:
            total = whole[key][item.name]
            if item.share_of is None:
                row[item.name] *= per_day
            else:
                row[item.name] = 100.0 * row[item.name] / total if total else float("nan")
    return found
