"""What one recorded infant shows: acts of staff, breathing events, lost signal, readings.

Pure functions from a trace and the events of that infant to named arrays, one
entry for each thing that happened; `from_bedside` turns those of all infants
into figures.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from ...loop.alarms import Alarm
from ...loop.episodes import find_episodes, runs
from ...loop.event_log import EventRecord
from ...loop.rounding import whole_percent
from ...loop.trace import Trace
from ...models.activities import HANDS_ON, PROCEDURES
from .limits import Limits
from .step_response import fit_shape

FloatArray = NDArray[np.float64]
Arrays = dict[str, FloatArray]

LOW_ALARM = Alarm.SPO2_LOW.name.lower()

#: Kinds of hands-on care, and of procedures at the cot, as the event log names them.
HANDS_ON_KINDS = tuple(kind.name.lower() for kind in HANDS_ON)
PROCEDURE_KINDS = tuple(kind.name.lower() for kind in PROCEDURES)
#: A change within this time of a procedure belongs to it (s), and is large from here on (points).
AROUND_S, LARGE_STEP_PCT = 600, 15.0

#: Readings in this time before an act belong to it (s).
LOOK_BACK_S = 540
RESCUE_LOOK_BACK_S = 60
REBOUND_WINDOW_S = 900
REBOUND_PCT = 95.0
REBOUND_ENDS_S = 60
#: A desaturation belongs to a breathing event until this long after its end (s).
AFTERMATH_S = 40
#: A reading counts as steady after this long at one value (s).
STEADY_S = 30
ANSWER_S = 90
NEARLY_THERE_S = 5
#: Displayed response to a change by hand: looked at before and after (s).
BEFORE_STEP_S, AFTER_STEP_S = 30, 180
#: At most this many changes of an infant are fitted, the first ones.
MOST_STEPS = 20

#: Bands of SpO2 in which the oximeter's bias is published (both ends included).
BIAS_BANDS = {
    "85_95": (85, 95), "85_89": (85, 89), "91_95": (91, 95), "97_100": (97, 100), "75_93": (75, 93),
    "all": (1, 100),
}  # fmt: skip


def hand_changes(trace: Trace, events: Iterable[EventRecord], limits: Limits) -> Arrays:
    """Describe every change of FiO2 by hand after the warm-up.

    Parameters
    ----------
    trace : Trace
        The infant.
    events : iterable of EventRecord
        Its events, in order.
    limits : Limits
        Alarm limits.

    Returns
    -------
    dict of str to ndarray
        `step_s`, `step_pct` (signed), `step_from_pct`, `beyond_share`: share of
        the valid readings of the last 540 s beyond the alarm limit on the side
        that the step answers.
    """
    last = float(whole_percent(100.0 * trace.set_fio2[:1])[0])
    rows = []
    for event in events:
        if event.event != "fio2_by_hand":
            continue
        new = float(whole_percent(np.array([100.0 * event.value]))[0])
        step, start = new - last, last
        last = new
        if step == 0.0 or event.time_s < trace.warmup_s:
            continue
        before = slice(max(0, event.time_s - LOOK_BACK_S), event.time_s)
        recent = trace.spo2_pct[before]
        low, high = recent < limits.low_alarm_pct, recent > limits.high_alarm_pct[before]
        beyond = (low if step > 0 else high)[~np.isnan(recent)]
        rows.append((event.time_s, step, start, beyond.mean() if len(beyond) else np.nan))
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    names = ("step_s", "step_pct", "step_from_pct", "beyond_share")
    return {name: table[:, place] for place, name in enumerate(names)}


def care(events: Iterable[EventRecord], changes: Arrays, warmup_s: int) -> Arrays:
    """Describe hands-on care, and whether large changes of FiO2 belong to it.

    Parameters
    ----------
    events : iterable of EventRecord
        Events of this infant, in order.
    changes : dict of str to ndarray
        From `hand_changes`.
    warmup_s : int
        Care that began before does not count, but its changes do.

    Returns
    -------
    dict of str to ndarray
        `care_s`: length of each hands-on care; `large_around`: 1 or 0 for each
        change of at least 15 points.
    """
    begun = [event for event in events if event.event == "activity_start"]
    lasting = [e.value for e in begun if e.detail in HANDS_ON_KINDS and e.time_s >= warmup_s]
    starts = np.array([e.time_s for e in begun if e.detail in PROCEDURE_KINDS], dtype=np.float64)
    lengths = np.array([e.value for e in begun if e.detail in PROCEDURE_KINDS], dtype=np.float64)
    large = changes["step_s"][np.abs(changes["step_pct"]) >= LARGE_STEP_PCT]
    around = [
        bool(((starts - AROUND_S <= at) & (at <= starts + lengths + AROUND_S)).any())
        for at in large
    ]
    return {
        "care_s": np.array(lasting, dtype=np.float64),
        "large_around": np.array(around, dtype=np.float64),
    }


def rescues(trace: Trace, changes: Arrays) -> Arrays:
    """Follow what happens after extra oxygen was given for SpO2 below 80 %.

    Parameters
    ----------
    trace : Trace
        The infant.
    changes : dict of str to ndarray
        From `hand_changes`.

    Returns
    -------
    dict of str to ndarray
        A row for each rescue: `rescue_from_pct`, `rebound` (1 or 0),
        `rebound_s` (NaN without), `extra_s` until FiO2 is back.
    """
    rows = []
    free_s = 0
    fio2 = whole_percent(100.0 * trace.set_fio2)
    for at, step, start in zip(
        changes["step_s"].astype(int), changes["step_pct"], changes["step_from_pct"], strict=True
    ):
        recent = trace.spo2_pct[max(0, at - RESCUE_LOOK_BACK_S) : at + 1]
        if at < free_s or step <= 0 or not (recent < 80).any():
            continue
        back = np.flatnonzero(fio2[at + 1 :] <= start)
        # The change takes effect in the tick after this one, so look from the one after that.
        later = back[back > 0]
        extra_s = int(later[0]) + 1 if len(later) else len(fio2) - at
        free_s = at + min(extra_s, 3600)
        rows.append((start, *_rebound(trace.spo2_pct, at), extra_s))
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    names = ("rescue_from_pct", "rebound", "rebound_s", "extra_s")
    return {name: table[:, place] for place, name in enumerate(names)}


def _rebound(spo2_pct: FloatArray, at: int) -> tuple[float, float]:
    high = np.flatnonzero(spo2_pct[at : at + REBOUND_WINDOW_S] >= REBOUND_PCT)
    if not len(high):
        return 0.0, np.nan
    first = at + int(high[0])
    start, end = runs(spo2_pct[first:] < REBOUND_PCT)
    over = start[end - start >= REBOUND_ENDS_S]
    return 1.0, float(over[0] if len(over) else len(spo2_pct) - first)


def answers(
    events: Sequence[EventRecord], group: Sequence[EventRecord], warmup_s: int, end_s: int
) -> Arrays:
    """Describe what becomes of low alarms.

    Parameters
    ----------
    events : sequence of EventRecord
        Events of this infant, in order.
    group : sequence of EventRecord
        Events of all infants of its nursing group.
    warmup_s, end_s : int
        Alarms before the warm-up, or too late to be answered, are left out.

    Returns
    -------
    dict of str to ndarray
        `answered` and `there` (1 or 0 for each low alarm), `wait_s` (for each
        visit that a low alarm led to), `hands_on_s` (from the visit to its
        first change).
    """
    alarms = [e.time_s for e in events if e.event == "alarm_start" and e.detail == LOW_ALARM]
    alarms = [at for at in alarms if warmup_s <= at < end_s - ANSWER_S]
    own = np.array([e.time_s for e in events if e.event == "visit_start"], dtype=np.int64)
    ends = [(e.time_s - int(e.value), e.time_s) for e in group if e.event == "visit_end"]
    begins = np.array([begin for begin, _ in ends] or [-1], dtype=np.int64)
    leaves = np.array([leave for _, leave in ends] or [-1], dtype=np.int64)
    answered = [bool(((own >= at) & (own <= at + ANSWER_S)).any()) for at in alarms]
    there = [bool(((begins <= at + NEARLY_THERE_S) & (leaves > at)).any()) for at in alarms]
    waits, hands_on, since = [], [], -1
    for event in events:
        if event.time_s < warmup_s or event.detail != LOW_ALARM:
            continue
        if event.event == "visit_start":
            waits.append(event.value)
            since = event.time_s
        elif event.event == "fio2_by_hand" and since >= 0:
            hands_on.append(float(event.time_s - since))
            since = -1
        elif event.event == "visit_end":
            since = -1
    return {
        "answered": np.array(answered, dtype=np.float64),
        "there": np.array(there, dtype=np.float64),
        "wait_s": np.array(waits, dtype=np.float64),
        "hands_on_s": np.array(hands_on, dtype=np.float64),
    }


def breathing_events(trace: Trace, events: Iterable[EventRecord]) -> Arrays:
    """Describe every apnoea and pause after the warm-up, and the fall that follows.

    Parameters
    ----------
    trace : Trace
        The infant.
    events : iterable of EventRecord
        Its events, in order.

    Returns
    -------
    dict of str to ndarray
        `length_s`, `central` (1 or 0), `fall_pct` of displayed SpO2, `brady`
        (1 or 0), `gap_s` since the end of the one before.
    """
    rows = []
    free_s = -1.0e9
    for event in events:
        if event.event != "breathing_start" or event.detail == "hypoventilation":
            continue
        at, length = event.time_s, int(event.value)
        gap_s, free_s = at - free_s, at + length
        if at < max(trace.warmup_s, 5) or at + length + AFTERMATH_S > len(trace):
            continue
        before = trace.spo2_pct[at - 5 : at + 1]
        after = trace.spo2_pct[at : at + length + AFTERMATH_S]
        rate = trace.heart_rate_bpm[at : at + length + AFTERMATH_S // 2]
        seen = not (np.isnan(before).all() or np.isnan(after).all())
        fall = before[~np.isnan(before)][-1] - np.nanmin(after) if seen else np.nan
        rows.append((length, event.detail == "central", fall, (rate < 80).any(), gap_s))
    table = np.array(rows, dtype=np.float64).reshape(-1, 5)
    names = ("length_s", "central", "fall_pct", "brady", "gap_s")
    return {name: table[:, place] for place, name in enumerate(names)}


def lost_signal(trace: Trace) -> Arrays:
    """Describe every stretch without a reading after the warm-up.

    Parameters
    ----------
    trace : Trace
        The infant.

    Returns
    -------
    dict of str to ndarray
        `lost_s`, `lost_from_pct` (last reading before), `lost_change_pct`.
    """
    spo2 = trace.spo2_pct[trace.warmup_s :]
    start, end = runs(np.isnan(spo2))
    whole = (start > 0) & (end < len(spo2))
    start, end = start[whole], end[whole]
    return {
        "lost_s": (end - start).astype(np.float64),
        "lost_from_pct": spo2[start - 1],
        "lost_change_pct": spo2[end] - spo2[start - 1],
    }


def readings(trace: Trace, probe_delay_s: float) -> Arrays:
    """Compare what is displayed with what is true.

    Parameters
    ----------
    trace : Trace
        The infant.
    probe_delay_s : float
        How long displayed SpO2 lags behind the lung: circulation and half the averaging.

    Returns
    -------
    dict of str to ndarray
        ``bias_<band>`` holds count, sum and sum of squares of SpO2 - SaO2 by
        band of SpO2; `arms` the same over SaO2 70-100 %; `pao2_95`, `pao2_98`
        the median PaO2 behind such a steady reading; `steepest_pct_s` the
        steepest fall of SaO2 over 2 s; `desat_or_brady_per_h`.
    """
    first, late = trace.warmup_s, round(probe_delay_s)
    spo2, sao2 = trace.spo2_pct[first:], trace.sao2_pct[first - late : len(trace) - late]
    error = spo2 - sao2
    found = {
        f"bias_{name}": _sums(error[(spo2 >= low) & (spo2 <= high)])
        for name, (low, high) in BIAS_BANDS.items()
    }
    found["arms"] = _sums(error[(sao2 >= 70) & ~np.isnan(spo2)])
    for value in (95, 98):
        found[f"pao2_{value}"] = np.array([_behind(trace.pao2_mmhg[first:], spo2, value)])
    true = trace.sao2_pct[first:]
    found["steepest_pct_s"] = np.array([(true[:-2] - true[2:]).max() / 2.0])
    low = (trace.spo2_pct <= 80) | (trace.heart_rate_bpm <= 80)
    episodes = find_episodes(low, np.ones(len(trace), dtype=np.bool_), first=first)
    found["desat_or_brady_per_h"] = np.array([len(episodes) / (len(spo2) / 3600.0)])
    return found


def _sums(values: FloatArray) -> FloatArray:
    return np.array([len(values), values.sum(), (values * values).sum()], dtype=np.float64)


def _behind(pao2_mmhg: FloatArray, spo2_pct: FloatArray, value: int) -> float:
    start, end = runs(spo2_pct == value)
    long = end - start > STEADY_S
    picked = [pao2_mmhg[a + STEADY_S : b] for a, b in zip(start[long], end[long], strict=True)]
    return float(np.median(np.concatenate(picked))) if picked else np.nan


def first_order_steps(trace: Trace, changes: Arrays) -> Arrays:
    """Fit the displayed response to changes by hand that stand alone.

    Parameters
    ----------
    trace : Trace
        The infant.
    changes : dict of str to ndarray
        From `hand_changes`.

    Returns
    -------
    dict of str to ndarray
        `step_r2`: share of the variance that delay and exponential explain,
        one for each of the first 20 such changes.
    """
    at = changes["step_s"].astype(int)
    following = np.append(at[1:], len(trace))
    kept = (following - at >= AFTER_STEP_S) & (at >= BEFORE_STEP_S)
    chosen = np.flatnonzero(kept & (at + AFTER_STEP_S <= len(trace)))[:MOST_STEPS]
    shares = []
    for place in chosen.tolist():
        when = at[place]
        shown = trace.spo2_pct[when - BEFORE_STEP_S : when + AFTER_STEP_S]
        valid = ~np.isnan(shown)
        if valid.sum() < 0.8 * len(shown) or np.ptp(shown[valid]) == 0.0:
            shares.append(0.0)  # a flat display is no response
            continue
        time_s = np.arange(-BEFORE_STEP_S, AFTER_STEP_S, dtype=np.float64)
        sign = float(np.sign(changes["step_pct"][place]))
        shares.append(fit_shape(time_s[valid], shown[valid] * sign, rising=True, coarse=True).r2)
    return {"step_r2": np.array(shares, dtype=np.float64)}


__all__ = [
    "BIAS_BANDS",
    "Arrays",
    "answers",
    "breathing_events",
    "care",
    "first_order_steps",
    "hand_changes",
    "lost_signal",
    "readings",
    "rescues",
]
