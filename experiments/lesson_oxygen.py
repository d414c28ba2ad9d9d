"""Lessons on the infant and on adjustment by hand: the curve, the rebound, the room-air limit."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from ..loop.open_loop import OpenLoop
from ..loop.outcomes import outcomes_of
from ..loop.safeguards.settings import SafeguardSettings
from ..loop.script import ScriptedEvent
from ..loop.trace import Trace
from ..models.blood import po2_at, saturation
from .lesson_parts import (
    Control,
    Lesson,
    Line,
    Mark,
    Option,
    Panel,
    Variant,
    course_lines,
    course_panels,
    keys_of,
    minutes_of,
    positions,
    rounded,
)
from .lesson_runs import HIGH_PCT, LOW_PCT, bare, guarded, infant, quiet_spec, run_alone

_BLOODS = {"19": "fetal blood, P50 19 mmHg", "23": "after transfusion, P50 23 mmHg",
           "27": "adult blood, P50 27 mmHg"}  # fmt: skip
_SHOWN_PCT = ("85", "88", "90", "92", "94", "95", "96", "97", "98", "99")

_PROBES = {"0": "makes no error", "2": "may be off by 2 points either way"}

#: Displayed SpO2 is a whole percent: half a percent either way.
_HALF = 0.5
_PO2_MMHG = np.arange(20.0, 301.0, 2.0)


def curve_lesson() -> Lesson:
    """Make the lesson on the saturation curve.

    Returns
    -------
    Lesson
    """
    controls = (
        Control(
            name="shown",
            legend="The monitor shows an SpO2 of",
            slider=True,
            start=8,
            options=tuple(Option(value=v, label=f"{v} %") for v in _SHOWN_PCT),
        ),
        Control(name="blood", legend="The blood is", options=_options(_BLOODS)),
        Control(name="probe", legend="The probe", options=_options(_PROBES)),
    )
    return Lesson(
        name="saturation_curve",
        title="Why 98 % says nothing about PaO2",
        gist="On the flat part of the curve one displayed percent covers a wide range of PaO2.",
        lead=(
            "Haemoglobin takes up oxygen along an S-shaped curve. A monitor shows the height on "
            "that curve, rounded to a whole percent; what reaches the eye and the lung is the "
            "pressure below it, the PaO2.",
            "The shaded strip is every PaO2 that goes with the displayed number.",
        ),
        task="Move the slider from 85 to 99 % and watch the strip. Then change the blood and the "
        "probe.",
        controls=controls,
        x_title="PaO2 (mmHg)",
        x=positions(_PO2_MMHG),
        x_ticks=(20.0, 50.0, 80.0, 100.0, 150.0, 200.0, 250.0, 300.0),
        panels=(
            Panel(
                title="Saturation (%)",
                low=30,
                high=100,
                ticks=(40, 50, 60, 70, 80, 90, 100),
                band=(LOW_PCT, HIGH_PCT),
                share=1.8,
            ),
        ),
        variants={key: _curve_variant(*key.split("|")) for key in keys_of(controls)},
        question="Two infants on oxygen both show 98 %. Can one have twice the PaO2 of the other?",
        answer=(
            "Yes. In fetal blood and with a perfect probe 98 % already covers 68 to 81 mmHg; in "
            "adult blood it is 97 to 116; and with a probe that reads 2 points too low, as probes "
            "do, the true saturation may be 100 %, and then PaO2 has no upper end that a monitor "
            "could tell.",
            "So an upper limit of SpO2 on oxygen protects against a high PaO2 only if it lies "
            "below the flat part. In room air the question does not arise: PaO2 cannot go far "
            "beyond 100 mmHg.",
        ),
        made="Curve of Severinghaus (1979), shifted to each P50; it is the one that every run "
        "uses. An error of 2 points is common practice, no source. Nothing here is a run over "
        "time.",
    )


def _options(words: Mapping[str, str]) -> tuple[Option, ...]:
    return tuple(Option(value=value, label=label) for value, label in words.items())


def _curve_variant(shown: str, blood: str, probe: str) -> Variant:
    p50, displayed = float(blood), float(shown)
    half = _HALF + float(probe)
    low, high = (_po2(displayed + step, p50) for step in (-half, half))
    top = f"{high:.0f} mmHg" if np.isfinite(high) else "no upper end"
    width = f"{high - low:.0f} mmHg" if np.isfinite(high) else "no upper end"
    level = np.full(len(_PO2_MMHG), displayed)
    curve = 100.0 * saturation(_PO2_MMHG, p50)
    to = f"to {top}" if np.isfinite(high) else "up, without an upper end"
    end = min(high, float(_PO2_MMHG[-1]))
    return Variant(
        lines=(
            Line(panel=0, label="displayed SpO2", look="limit", values=rounded(level, 0)),
            Line(panel=0, label="saturation", look="main", values=rounded(curve, 2)),
        ),
        facts={
            "Lowest PaO2 that shows this": f"{low:.0f} mmHg",
            "Highest PaO2 that shows this": top,
            "Width": width,
        },
        says=f"{shown} % goes with any PaO2 from {low:.0f} mmHg {to}.",
        marks=(Mark(start=low, end=end, label=f"shows {shown} %"),),
    )


def _po2(saturation_pct: float, p50_mmhg: float) -> float:
    if saturation_pct >= 100.0:
        return math.inf
    return float(po2_at(np.array([saturation_pct / 100.0]), p50_mmhg)[0])


_APNOEA = ScriptedEvent(at_s=240, event="central_apnoea", duration_s=40)
_RESCUE_S = 270
_REBOUND_MIN = 26


def rebound_lesson() -> Lesson:
    """Make the lesson on the rebound after a rescue.

    Returns
    -------
    Lesson
    """
    controls = (
        Control(
            name="rise", legend="In the apnoea FiO2 is raised by", start=2,
            options=(Option(value="0", label="nothing"), Option(value="10", label="10 points"),
                     Option(value="30", label="30 points")),
        ),
        Control(
            name="left", legend="and turned back after", slider=True, start=2,
            options=(Option(value="1", label="1 min"), Option(value="3", label="3 min"),
                     Option(value="10", label="10 min"), Option(value="20", label="20 min")),
        ),
    )  # fmt: skip
    traces = _rebound_traces(keys_of(controls))
    return Lesson(
        name="rebound",
        title="Rebound after a rescue",
        gist="Oxygen that is raised in an apnoea does most of its work after it, upwards.",
        lead=(
            "An infant stops breathing for 40 s. Somebody turns up the oxygen half a minute into "
            "the apnoea, sees the saturation come back, and is called to the next cot.",
        ),
        task="Leave the rise at 30 points and move the slider. How long is the infant above the "
        "target? Then try no rise at all: how much deeper is the fall?",
        controls=controls,
        x_title="Time (min)",
        x=minutes_of(60 * _REBOUND_MIN),
        x_ticks=tuple(float(v) for v in range(0, _REBOUND_MIN + 1, 5)),
        panels=course_panels(60, 20, 70, 10),
        variants={key: _rebound_variant(trace) for key, trace in traces.items()},
        question="The rise of FiO2 made the fall hardly shallower. What did it do, and what "
        "would you change at the bedside?",
        answer=(
            "In an apnoea with no breath hardly any of the extra oxygen reaches the lung; it comes "
            "with the first breaths, when the saturation recovers anyway. It makes recovery "
            "faster, and then lifts the saturation beyond the target for as long as it stays.",
            "The remedy is not to leave the infant without a rescue, but to turn back as soon as "
            "the reading has come back, in steps and while one is still at the cot. A controller "
            "does that part reliably, because it does not go away.",
        ),
        made="One unstable infant of the cohort on nasal CPAP, with nobody but this course of "
        "FiO2; one scripted apnoea, no other disturbance and no noise.",
    )


def _rebound_traces(keys: list[str]) -> dict[str, Trace]:
    who = infant("unstable", 10)
    spec = quiet_spec(who, [bare("any", "fixed")], _REBOUND_MIN, script=[_APNOEA])
    courses = np.full((spec.duration_s, len(keys)), float(who.fio2_need[0]))
    for place, key in enumerate(keys):
        rise, left = key.split("|")
        courses[_RESCUE_S : _RESCUE_S + 60 * int(left), place] += int(rise) / 100.0
    run = OpenLoop(spec, courses, keys, full=True).run()
    return {key: run.trace(0, key) for key in keys}


def _rebound_variant(trace: Trace) -> Variant:
    high_s = int(np.count_nonzero(trace.sao2_pct > 95.0))
    lowest, most = float(np.min(trace.sao2_pct)), float(np.max(trace.pao2_mmhg))
    return Variant(
        lines=course_lines(trace),
        facts={
            "Lowest true SaO2": f"{lowest:.0f} %",
            "True SaO2 below 80 %": f"{np.count_nonzero(trace.sao2_pct < 80.0)} s",
            "True SaO2 above 95 %": f"{high_s / 60:.1f} min",
            "Highest PaO2": f"{most:.0f} mmHg",
        },
        says=f"The saturation falls to {lowest:.0f} %; afterwards it is above 95 % for "
        f"{high_s / 60:.1f} min, with a PaO2 of up to {most:.0f} mmHg.",
        marks=(Mark(start=4.0, end=4.0 + 40 / 60, label="apnoea"),),
    )


_ROOM_MIN, _ROOM_APNOEAS_MIN = 66, (20, 50)
_ROOM_INFANTS = {"0": "needs no oxygen, rests near 97 %", "10": "needs no oxygen, rests near 95 %",
                 "3": "needs 30 % oxygen"}  # fmt: skip
_RULES = {
    "all": "every second counts",
    "oxygen": "only time on oxygen counts",
    "air": "above the target in room air counts as in it",
}


def room_air_lesson() -> Lesson:
    """Make the lesson on the room-air limit.

    Returns
    -------
    Lesson
    """
    controls = (
        Control(
            name="infant", legend="The infant",
            options=tuple(Option(value=v, label=words) for v, words in _ROOM_INFANTS.items()),
        ),
        Control(
            name="rule", legend="How time above the target is counted",
            options=tuple(Option(value=v, label=words) for v, words in _RULES.items()),
        ),
    )  # fmt: skip
    traces = _room_traces()
    return Lesson(
        name="room_air",
        title="The room-air limit",
        gist="Below 21 % no controller can go; how that time is counted decides a comparison.",
        lead=(
            "A controller does its best for three infants. It can lower FiO2 to 21 % and no "
            "further: room air is the floor.",
        ),
        task="Look at the first infant and change how time is counted. Then do the same with the "
        "infant who needs oxygen.",
        controls=controls,
        x_title="Time (min)",
        x=minutes_of(60 * _ROOM_MIN),
        x_ticks=tuple(float(v) for v in range(0, _ROOM_MIN + 1, 15)),
        panels=course_panels(80, 20, 40, 5),
        variants={
            key: _room_variant(traces[key.split("|")[0]], key.split("|")[1])
            for key in keys_of(controls)
        },
        question="A study reports that a controller left infants above the target for 40 % of the "
        "time. What do you ask before you believe that it gives too much oxygen?",
        answer=(
            "Whether time in room air was counted. A healthy saturation in room air is above most "
            "target ranges, and nobody can or should lower it; counted as hyperoxia it is held "
            "against whoever treats the less ill infants.",
            "Two conventions are common. One counts only time on oxygen, and leaves out an infant "
            "with too little of it; the other counts all time, and takes high readings in room "
            "air as in target. This testbed reports both. High alarms are off in room air for the "
            "same reason.",
        ),
        made="Three settled infants of the cohort under the PI controller with all safeguards; "
        "two scripted apnoeas, the usual noise of the oximeter, no other disturbance.",
    )


def _room_traces() -> dict[str, Trace]:
    script = [
        ScriptedEvent(at_s=60 * minute, event="central_apnoea", duration_s=25)
        for minute in _ROOM_APNOEAS_MIN
    ]
    who = infant("settled", *(int(number) for number in _ROOM_INFANTS))
    arms = [guarded("pi", "pi", SafeguardSettings())]
    run = run_alone(quiet_spec(who, arms, _ROOM_MIN, script=script, noise_scale=1.0))
    return {number: run.trace(place, "pi") for place, number in enumerate(_ROOM_INFANTS)}


def _room_variant(trace: Trace, rule: str) -> Variant:
    oxygen = np.floor(100.0 * trace.set_fio2 + 0.5) >= 22
    above = trace.spo2_pct > 95.0
    valid = ~np.isnan(trace.spo2_pct)
    counted = outcomes_of(trace, LOW_PCT, HIGH_PCT)
    by_rule = [
        "not defined" if np.isnan(counted[name]) else f"{counted[name]:.1f} %"
        for name in ("time_above_target_pct", "time_above_target_pct_b")
    ]
    share = {
        "all": f"{100.0 * np.count_nonzero(above & valid) / np.count_nonzero(valid):.1f} %",
        "oxygen": by_rule[0],
        "air": by_rule[1],
    }[rule]
    on = 100.0 * float(np.mean(oxygen))
    left_out = " The infant is left out: less than an hour on oxygen." if "not" in share else ""
    return Variant(
        lines=course_lines(trace, truth=False),
        facts={
            "Time above target, so counted": share,
            "Time on oxygen": f"{on:.0f} %",
            "Mean FiO2": f"{100 * float(np.mean(trace.set_fio2)):.1f} %",
        },
        says=f"Counted so, time above the target is {share}; the infant is on oxygen for "
        f"{on:.0f} % of the time.{left_out}",
        marks=tuple(Mark(start=m, end=m + 25 / 60, label="apnoea") for m in _ROOM_APNOEAS_MIN),
    )


__all__ = ["curve_lesson", "rebound_lesson", "room_air_lesson"]
