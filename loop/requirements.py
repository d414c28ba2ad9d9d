"""Requirements of the safeguarded loop as properties that a record can be checked for.

Each requirement goes through one infant's record, second by second, finds
where it applies, and gives the margin there: above 0 it was met with room,
below 0 it was broken by so much. The figures are this project's own; the
words are those of IEC 60601-1-10.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from .episodes import runs
from .event_log import EventRecord
from .requirement_settings import RequirementSettings
from .signals import BoolArray, Mode
from .trace import Trace

#: Alarms that call staff because something technical is wrong.
TECHNICAL_ALARMS = ("controller", "signal_lost", "fio2_deviation", "pressure_low", "pressure_high")

_TINY = 1e-6


@dataclass(frozen=True, kw_only=True)
class Record:
    """One infant in one arm: its trace, and what happened by second.

    Attributes
    ----------
    trace : Trace
        At 1 Hz.
    mode : ndarray of int, shape (samples,)
        A `Mode`.
    limited : ndarray of bool, shape (samples,)
        Where a declared limit keeps FiO2 from rising.
    called : ndarray of bool, shape (samples,)
        Where a technical alarm is on.
    by_hand : ndarray of bool, shape (samples,)
        Where staff have set the FiO2 and hold it, by a script.
    """

    trace: Trace
    mode: NDArray[np.int64]
    limited: BoolArray
    called: BoolArray
    by_hand: BoolArray


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """How one record fared under one requirement.

    Attributes
    ----------
    requirement : str
        Its name.
    cases : int
        How often it applied.
    violations : int
        How often it was broken.
    worst_margin : float
        Smallest margin, in the requirement's unit; NaN where it never applied.
    at_s : int
        When that was; -1 where it never applied.
    """

    requirement: str
    cases: int
    violations: int
    worst_margin: float
    at_s: int


#: A margin and when it was taken.
Margin = tuple[float, int]


@dataclass(frozen=True, kw_only=True)
class Requirement:
    """Something that must hold.

    Attributes
    ----------
    name : str
        Short name.
    text : str
        In words, with the figures of the settings in braces.
    unit : str
        Unit of the margin.
    margins : callable
        From a record and the settings to the margin of each case.
    """

    name: str
    text: str
    unit: str
    margins: Callable[[Record, RequirementSettings], Iterable[Margin]]


def make_record(trace: Trace, events: Sequence[EventRecord]) -> Record:
    """Lay the events of one infant and arm along its trace.

    Parameters
    ----------
    trace : Trace
        The infant in the arm.
    events : sequence of EventRecord
        Its events, in order of time.

    Returns
    -------
    Record
        A sample shows what held before that second's readings came.
    """
    samples = len(trace)
    mode = np.full(samples, int(Mode.AUTOMATIC), dtype=np.int64)
    by_hand = np.zeros(samples, dtype=np.bool_)
    open_limits, open_calls = np.zeros(samples + 1), np.zeros(samples + 1)
    for event in events:
        at = min(event.time_s, samples)
        if event.event == "mode_change":
            mode[at:] = int(event.value)
        elif event.event in ("limit_start", "limit_end"):
            open_limits[at] += 1.0 if event.event == "limit_start" else -1.0
        elif event.event in ("alert_start", "alert_end") and event.detail == "high_oxygen_limit":
            open_limits[at] += 1.0 if event.event == "alert_start" else -1.0
        elif event.event in ("alarm_start", "alarm_end") and event.detail in TECHNICAL_ALARMS:
            open_calls[at] += 1.0 if event.event == "alarm_start" else -1.0
        elif event.event == "script_start" and event.detail == "staff_override":
            by_hand[at:] = True
        elif event.event == "script_end" and event.detail == "staff_override":
            by_hand[at:] = False
    return Record(
        trace=trace,
        mode=mode,
        limited=np.cumsum(open_limits)[:samples] > 0,
        called=np.cumsum(open_calls)[:samples] > 0,
        by_hand=by_hand,
    )


def check_requirements(record: Record, settings: RequirementSettings) -> list[Verdict]:
    """Check one record for everything that is required.

    Parameters
    ----------
    record : Record
        From `make_record`.
    settings : RequirementSettings
        What is required.

    Returns
    -------
    list of Verdict
        One for each of `REQUIREMENTS`, in order.
    """
    return [_verdict(item, list(item.margins(record, settings))) for item in REQUIREMENTS.values()]


def _verdict(requirement: Requirement, margins: list[Margin]) -> Verdict:
    worst, at_s = min(margins, default=(float("nan"), -1))
    return Verdict(
        requirement=requirement.name,
        cases=len(margins),
        violations=sum(margin < -_TINY for margin, _ in margins),
        worst_margin=worst,
        at_s=at_s,
    )


def _stretches(condition: BoolArray, least_s: int) -> Iterable[tuple[int, int]]:
    """Give first and one-past-last second of every stretch that is long enough."""
    starts, ends = runs(condition)
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        if end - start >= least_s:
            yield start, end


def _first(condition: BoolArray, start: int, never: int) -> int:
    """Find the first second from `start` on in which something holds."""
    found = np.flatnonzero(condition[start:])
    return start + int(found[0]) if len(found) else never


def _signal_lost(record: Record, settings: RequirementSettings) -> Iterable[Margin]:
    trace, samples = record.trace, len(record.trace)
    allowed_s = settings.signal_lost_s + settings.fallback_within_s
    in_charge = (record.mode == Mode.FALLBACK) | (record.mode == Mode.MANUAL)
    done = in_charge & record.called
    for start, _ in _stretches(np.isnan(trace.spo2_pct), allowed_s + 2):
        reached = _first(done, start, samples)
        yield float(allowed_s - (reached - start)), start


def _low_saturation(record: Record, settings: RequirementSettings) -> Iterable[Margin]:
    trace = record.trace
    low = np.nan_to_num(trace.spo2_pct, nan=100.0) < settings.low_pct
    excused = record.limited | (record.mode == Mode.MANUAL)
    for start, _ in _stretches(low, settings.low_for_s):
        by = start + settings.rise_by_s
        if by >= len(trace) or excused[start : by + 1].any():
            continue
        before = trace.set_fio2[start]
        needed = min(before + settings.rise, settings.fio2_max)
        yield float(trace.set_fio2[start : by + 1].max() - needed), start


def _within_limits(record: Record, settings: RequirementSettings) -> Iterable[Margin]:
    fio2 = record.trace.set_fio2
    room = np.minimum(fio2 - settings.fio2_min, settings.fio2_max - fio2)
    at_s = int(np.argmin(room))
    yield float(room[at_s]), at_s


def _slow_enough(record: Record, settings: RequirementSettings) -> Iterable[Margin]:
    automatic = record.mode != Mode.MANUAL
    rises = np.diff(record.trace.set_fio2)
    counted = automatic[1:] & automatic[:-1]
    if counted.any():
        rises = np.where(counted, rises, 0.0)
        at_s = int(np.argmax(rises))
        yield float(settings.rise_per_s + settings.step - rises[at_s]), at_s + 1


def _delivered(record: Record, settings: RequirementSettings) -> Iterable[Margin]:
    trace, samples = record.trace, len(record.trace)
    apart = np.abs(trace.inspired_fio2 - trace.set_fio2) > settings.deviation
    for start, _ in _stretches(apart, settings.deviation_s):
        reached = _first(record.called, start, samples)
        yield float(settings.deviation_s - (reached - start)), start


def _no_creeping(record: Record, settings: RequirementSettings) -> Iterable[Margin]:
    fio2, samples = record.trace.set_fio2, len(record.trace)
    mean = np.cumsum(fio2) / np.arange(1, samples + 1)
    within_s = round(60 * settings.creep_minutes)
    for start, _ in _stretches(fio2 > mean + settings.creep, within_s):
        reached = _first(record.called, start, samples)
        yield float(within_s - (reached - start)), start


def _staff_obeyed(record: Record, settings: RequirementSettings) -> Iterable[Margin]:
    for start, end in _stretches(record.by_hand, 2):
        held = record.trace.set_fio2[start:end]
        yield float(settings.step - np.abs(held - held[0]).max()), start


def _handed_back(record: Record, settings: RequirementSettings) -> Iterable[Margin]:
    fio2 = record.trace.set_fio2
    held = (record.mode == Mode.MANUAL) | record.by_hand
    for _, end in _stretches(held, 2):
        if end + 5 < len(fio2):
            jump = float(np.abs(fio2[end : end + 5] - fio2[end - 1]).max())
            yield settings.hand_back_step - jump, end


_ALL = (
    Requirement(
        name="signal_lost",
        text="No valid SpO2 for {signal_lost_s} s: fallback mode (or staff) and an alarm within "
        "{fallback_within_s} s more.",
        unit="s",
        margins=_signal_lost,
    ),
    Requirement(
        name="low_saturation",
        text="Valid SpO2 below {low_pct:g} % for {low_for_s} s on end: {rise_by_s} s after the "
        "crossing the set FiO2 is at least {rise:g} above its value at the crossing, or at its "
        "upper limit, unless staff have taken over or a declared limit is active.",
        unit="fraction",
        margins=_low_saturation,
    ),
    Requirement(
        name="within_limits",
        text="The set FiO2 is always from {fio2_min:g} to {fio2_max:g}.",
        unit="fraction",
        margins=_within_limits,
    ),
    Requirement(
        name="rate_limited",
        text="The set FiO2 rises by no more than {rise_per_s:g} a second, and a blender step.",
        unit="fraction",
        margins=_slow_enough,
    ),
    Requirement(
        name="delivery",
        text="Inspired beside set FiO2 by more than {deviation:g}: a technical alarm within "
        "{deviation_s} s.",
        unit="s",
        margins=_delivered,
    ),
    Requirement(
        name="creeping",
        text="Set FiO2 more than {creep:g} above its mean so far: staff are called within "
        "{creep_minutes:g} min.",
        unit="s",
        margins=_no_creeping,
    ),
    Requirement(
        name="staff_obeyed",
        text="What staff set by hand stays set until they hand back.",
        unit="fraction",
        margins=_staff_obeyed,
    ),
    Requirement(
        name="hand_back",
        text="In the 5 s after hand-back FiO2 moves by no more than {hand_back_step:g}.",
        unit="fraction",
        margins=_handed_back,
    ),
)

#: Every requirement by name.
REQUIREMENTS: Mapping[str, Requirement] = MappingProxyType({item.name: item for item in _ALL})


def requirement_text(name: str, settings: RequirementSettings) -> str:
    """Put a requirement into words with its figures.

    Parameters
    ----------
    name : str
        A key of `REQUIREMENTS`.
    settings : RequirementSettings
        The figures.

    Returns
    -------
    str
    """
    return REQUIREMENTS[name].text.format(**vars(settings))


__all__ = [
    "REQUIREMENTS",
    "TECHNICAL_ALARMS",
    "Margin",
    "Record",
    "Requirement",
    "RequirementSettings",
    "Verdict",
    "check_requirements",
    "make_record",
    "requirement_text",
]
