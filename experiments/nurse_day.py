"""The day of one nurse as a picture: who was where, and which alarm waited how long."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter

from ..loop.alarms import PRIORITY, Alarm
from ..models.errors import problem
from .result import ComparisonResult
from .strip_chart import clock
from .style import ABOVE, BELOW, FAINT, INK, STRIP_WIDTH_IN, styled

#: What a visit was for: words for the legend, face and hatch, so that grey print tells too.
VISITS = {
    "alarm": ("at the cot for an alarm", BELOW, ""),
    "care": ("care and feeds", "#D9E4DD", "...."),
    "round": ("planned look", "#BBBBBB", ""),
    "come_back": ("came back after a change", "#FFFFFF", "////"),
}
_ALARMS = {alarm.name.lower(): PRIORITY[alarm] for alarm in Alarm}
_SHADES = {"high": "#D55E00", "medium": ABOVE, "low": FAINT}

#: Alarms that waited longer are labelled with their wait (s).
LABELLED_WAIT_S = 300


@dataclass(frozen=True, kw_only=True)
class NurseDay:
    """What happened around one nurse.

    Attributes
    ----------
    visits : pandas.DataFrame
        ``infant``, ``start_s``, ``end_s``, ``why`` (a key of `VISITS`).
    alarms : pandas.DataFrame
        ``infant``, ``start_s``, ``end_s``, ``priority``, ``wait_s`` (until somebody
        came; NaN if nobody did while it sounded).
    """

    visits: pd.DataFrame
    alarms: pd.DataFrame


def day_of(
    events: pd.DataFrame, infants: Sequence[int], arm: str, start_s: int, end_s: int
) -> NurseDay:
    """Gather visits and alarms of a nurse's infants.

    Parameters
    ----------
    events : pandas.DataFrame
        Events of a comparison: ``time_s``, ``infant``, ``arm``, ``event``, ``value``, ``detail``.
    infants : sequence of int
        Own numbers of the nurse's infants.
    arm : str
        Which arm.
    start_s, end_s : int
        Time to look at (s); what is going on at its end is cut there.

    Returns
    -------
    NurseDay
    """
    chosen = events[(events["arm"] == arm) & events["infant"].isin(list(infants))]
    chosen = chosen[chosen["time_s"] < end_s].sort_values("time_s", kind="stable")
    visits = _spans(chosen, "visit_start", "visit_end", start_s, end_s)
    visits["why"] = [_why(reason) for reason in visits["detail"]]
    alarms = _spans(chosen, "alarm_start", "alarm_end", start_s, end_s)
    alarms["priority"] = [_ALARMS[name] for name in alarms["detail"]]
    rows = zip(alarms["infant"], alarms["start_s"], alarms["end_s"], strict=True)
    alarms["wait_s"] = [_wait_s(visits, *row) for row in rows]
    return NurseDay(
        visits=visits[["infant", "start_s", "end_s", "why"]],
        alarms=alarms[["infant", "start_s", "end_s", "priority", "wait_s"]],
    )


def _why(reason: str) -> str:
    if reason in _ALARMS:
        return "alarm"
    return reason if reason in VISITS else "care"


def _spans(events: pd.DataFrame, first: str, last: str, start_s: int, end_s: int) -> pd.DataFrame:
    """Join beginnings and ends by infant and detail; an open one lasts to the end."""
    open_s: dict[tuple[int, str], int] = {}
    rows: list[tuple[int, str, int, int]] = []
    for time_s, infant, event, detail in _records(
        events[events["event"].isin([first, last])], "time_s", "infant", "event", "detail"
    ):
        key = (int(infant), str(detail))
        if event == first:
            open_s[key] = int(time_s)
        elif key in open_s:
            rows.append((*key, open_s.pop(key), int(time_s)))
    rows += [(*key, since_s, end_s) for key, since_s in open_s.items()]
    rows = [row for row in rows if row[3] > start_s]
    table = pd.DataFrame(rows, columns=["infant", "detail", "start_s", "end_s"])
    return table.sort_values(["start_s", "infant"], kind="stable", ignore_index=True)


def _records(table: pd.DataFrame, *columns: str) -> list[tuple[Any, ...]]:
    return list(zip(*(table[name].tolist() for name in columns), strict=True))


def _wait_s(visits: pd.DataFrame, infant: int, start_s: int, end_s: int) -> float:
    there = visits[
        (visits["infant"] == infant) & (visits["end_s"] > start_s) & (visits["start_s"] <= end_s)
    ]
    return float(max(0, there["start_s"].min() - start_s)) if len(there) else float("nan")


def group_of(result: ComparisonResult, infants: int = 3) -> list[int]:
    """Find a nursing group to show: the first with so many infants, else the largest.

    Parameters
    ----------
    result : ComparisonResult
        A comparison.
    infants : int, optional
        Wanted size of the group.

    Returns
    -------
    list of int
        Own numbers of its infants.
    """
    one_arm = result.outcomes.drop_duplicates("infant")
    groups = [part["infant"].astype(int).tolist() for _, part in one_arm.groupby("group")]
    if not groups:
        raise problem("nurse_day", "a comparison with infants", "none")
    return next((group for group in groups if len(group) == infants), max(groups, key=len))


@styled
def nurse_day(
    day: NurseDay, infants: Sequence[int], start_s: int, end_s: int, start_hour_h: float = 0.0
) -> Figure:
    """Draw where the nurse was and how long alarms waited.

    Parameters
    ----------
    day : NurseDay
        Visits and alarms.
    infants : sequence of int
        Own numbers of the infants, from top to bottom.
    start_s, end_s : int
        Time to show (s since the start of the run).
    start_hour_h : float, optional
        Time of day at the start of the run (h).

    Returns
    -------
    matplotlib.figure.Figure
        A track for each infant: visits as wide bars, alarms as narrow ones below
        them; an alarm's wait is a thin line, labelled where it was long.
    """
    figure = Figure(figsize=(STRIP_WIDTH_IN, 1.3 + 0.85 * len(infants)))
    axes = figure.subplots()
    for place, infant in enumerate(infants):
        _draw_track(axes, day, infant, float(place))
    axes.set(xlim=(start_s, end_s), ylim=(len(infants) - 0.4, -0.6))
    axes.set_yticks(range(len(infants)), [f"infant {infant}" for infant in infants])
    offset = 3600.0 * start_hour_h
    axes.xaxis.set_major_formatter(FuncFormatter(lambda t, _: clock((t + offset) % 86_400)))
    hour = 3600 * max(1, round((end_s - start_s) / 3600 / 8))
    axes.set_xticks(np.arange(start_s - start_s % hour, end_s + 1, hour))
    axes.set_xlim(start_s, end_s)
    axes.set_xlabel("time of day (h:min)")
    axes.tick_params(left=False)
    faces = [
        Patch(facecolor=face, hatch=hatch, edgecolor=INK, linewidth=0.4, label=text)
        for text, face, hatch in VISITS.values()
    ]
    faces += [
        Patch(facecolor=shade, label=f"alarm, {priority} priority")
        for priority, shade in _SHADES.items()
    ]
    figure.legend(handles=faces, loc="outside lower center", ncols=4, fontsize=7.5)
    return figure


def _draw_track(axes: Axes, day: NurseDay, infant: int, place: float) -> None:
    axes.axhline(place, color="#DDDDDD", linewidth=0.6, zorder=0)
    visits = day.visits[day.visits["infant"] == infant]
    for start_s, end_s, why in _records(visits, "start_s", "end_s", "why"):
        _, face, hatch = VISITS[why]
        span = [(start_s, end_s - start_s)]
        axes.broken_barh(
            span, (place - 0.3, 0.3), facecolor=face, hatch=hatch, edgecolor=INK, linewidth=0.4
        )
    alarms = day.alarms[day.alarms["infant"] == infant]
    for start_s, end_s, priority, wait_s in _records(
        alarms, "start_s", "end_s", "priority", "wait_s"
    ):
        span = [(start_s, end_s - start_s)]
        axes.broken_barh(span, (place + 0.04, 0.12), facecolor=_SHADES[priority], linewidth=0)
        if wait_s > 0:
            axes.plot([start_s, start_s + wait_s], [place + 0.22] * 2, color=INK, linewidth=0.8)
        if wait_s >= LABELLED_WAIT_S:
            text = f"{wait_s / 60:.0f} min"
            axes.annotate(text, (start_s, place + 0.37), fontsize=6.5, color=INK, va="center")


__all__ = ["NurseDay", "day_of", "group_of", "nurse_day"]
