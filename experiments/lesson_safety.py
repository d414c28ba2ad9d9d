"""Lessons on what must stand around a controller: the signal gate, masked deterioration."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ..loop.arms import ArmSpec
from ..loop.bench import Run
from ..loop.safeguards.settings import SafeguardSettings, without
from ..loop.script import ScriptedEvent
from ..loop.trace import Trace
from .lesson_parts import (
    Control,
    Lesson,
    Mark,
    Option,
    Variant,
    course_lines,
    course_panels,
    keys_of,
    minutes_of,
)
from .lesson_runs import bare, first_alarm_s, guarded, infant, quiet_spec, run_alone, traces_of

_GATE_MIN = 20
_LOST_AT_S = 301


def gate_lesson() -> Lesson:
    """Make the lesson on the signal gate.

    Returns
    -------
    Lesson
    """
    controls = (
        Control(
            name="gate", legend="When the reading is lost", start=0,
            options=(Option(value="none", label="the controller goes on with the last number"),
                     Option(value="hold", label="it holds FiO2"),
                     Option(value="full", label="it holds, then goes to the baseline, and calls")),
        ),
        Control(
            name="lost", legend="The reading is lost for", slider=True, start=2,
            options=tuple(Option(value=str(m), label=f"{m} min") for m in (1, 2, 4, 8)),
        ),
    )  # fmt: skip
    return Lesson(
        name="signal_gate",
        title="Why there is a signal gate",
        gist="No reading is not the last reading: a controller must know that it does not know.",
        lead=(
            "An infant has one apnoea of 40 s. While the saturation falls the probe loses its "
            "signal: the last number on the display is low, and there is no other for minutes. "
            "The infant breathes again soon.",
        ),
        task="Lengthen the loss and watch the true saturation, which nobody at the cot can see.",
        controls=controls,
        x_title="Time (min)",
        x=minutes_of(60 * _GATE_MIN),
        x_ticks=tuple(float(v) for v in range(0, _GATE_MIN + 1, 5)),
        panels=course_panels(60, 20, 60, 10),
        variants=_gate_variants(controls),
        question="Would it be safer to give more oxygen whenever the reading is lost?",
        answer=(
            "Only if a lost reading meant a low saturation. Mostly it means a moving foot. A "
            "controller that acts on a number that is no longer measured runs an open loop: FiO2 "
            "goes on rising as long as the loss lasts, and nothing tells it to stop.",
            "So a lost or doubtful reading is not passed on; FiO2 is held for a short while, "
            "because most losses are short; after that it goes to what the infant needed of late, "
            "and an alarm calls somebody. A gate cannot help against a probe that shows a "
            "plausible false value: that needs other checks, such as pulse against heart rate.",
        ),
        made="One unstable infant on nasal CPAP; one scripted apnoea; the signal is lost as soon "
        "as the display has fallen by 4 points within 8 s. No noise, no other disturbance.",
    )


def _gate_variants(controls: tuple[Control, ...]) -> dict[str, Variant]:
    arms: list[ArmSpec] = []
    script = [ScriptedEvent(at_s=300, event="central_apnoea", duration_s=40)]
    for lost in (option.value for option in controls[1].options):
        mine = [
            bare(f"none_{lost}", "pi_no_gate"),
            bare(f"hold_{lost}", "pi"),
            guarded(f"full_{lost}", "pi", SafeguardSettings()),
        ]
        names = tuple(arm.name for arm in mine)
        event = ScriptedEvent(
            at_s=_LOST_AT_S, event="dropout_falling", duration_s=60 * int(lost), arms=names
        )
        arms, script = [*arms, *mine], [*script, event]
    found = traces_of(quiet_spec(infant("unstable", 10), arms, _GATE_MIN, script=script))
    return {key: _gate_variant(found[key.replace("|", "_")]) for key in keys_of(controls)}


def _gate_variant(trace: Trace) -> Variant:
    lost = np.flatnonzero(np.isnan(trace.spo2_pct))
    lost = lost[lost > 60]
    top = 100.0 * float(np.max(trace.set_fio2))
    high_s = int(np.count_nonzero(trace.sao2_pct > 95.0))
    return Variant(
        lines=course_lines(trace),
        facts={
            "Highest FiO2": f"{top:.0f} %",
            "True SaO2 above 95 %": f"{high_s / 60:.1f} min",
            "Highest PaO2 after the apnoea": f"{float(np.max(trace.pao2_mmhg[400:])):.0f} mmHg",
        },
        says=f"FiO2 reaches {top:.0f} %; the true saturation is above 95 % for "
        f"{high_s / 60:.1f} min.",
        marks=(Mark(start=float(lost[0]) / 60, end=float(lost[-1] + 1) / 60, label="no reading"),),
    )


_MASKED_MIN = 65
_SOUNDS = {
    "low SpO2": "alarm_start spo2_low",
    "FiO2 above baseline": "alert_start baseline_alert",
}


def masked_lesson() -> Lesson:
    """Make the lesson on masked deterioration.

    Returns
    -------
    Lesson
    """
    controls = (
        Control(
            name="who", legend="Oxygen is adjusted by", start=1,
            options=(Option(value="nobody", label="nobody"),
                     Option(value="quiet", label="a controller that tells nobody"),
                     Option(value="alert", label="a controller with a baseline alert")),
        ),
        Control(
            name="worse", legend="The shunt grows to", slider=True, start=2,
            options=tuple(Option(value=v, label=f"{v} times") for v in ("1", "1.8", "2.5")),
        ),
    )  # fmt: skip
    return Lesson(
        name="masked_deterioration",
        title="Masked deterioration",
        gist="A controller that does well hides that the infant does badly.",
        lead=(
            "Over 40 min the lung gets worse: a plug, an infection, air where it should not be. "
            "The saturation is what everybody looks at.",
        ),
        task="Compare nobody with the quiet controller: in which can you see, from the saturation "
        "alone, that something is wrong? When does anybody hear of it?",
        controls=controls,
        x_title="Time (min)",
        x=minutes_of(60 * _MASKED_MIN),
        x_ticks=tuple(float(v) for v in range(0, _MASKED_MIN + 1, 10)),
        panels=course_panels(80, 20, 60, 10),
        variants=_masked_variants(controls),
        question="Under automatic control the saturation stays in the target. Which number has "
        "become the vital sign?",
        answer=(
            "The FiO2. By hand, a fall of saturation and the hand that turns the knob are the "
            "warning; a controller takes both away. The need for oxygen goes on telling the truth, "
            "but only to who looks at its course.",
            "Hence the alert when FiO2 has been above its baseline for some time, and the trend "
            "of FiO2 beside that of SpO2. It is also why a controller must not be allowed to go "
            "to any FiO2 without a word. Even so the alert comes later here than the low alarm of "
            "the infant whom nobody treats: good control delays the warning.",
        ),
        made="One unstable infant on nasal CPAP whose shunt grows from minute 10 on; alarms as in "
        "every scenario; nobody answers them. The baseline is the mean FiO2 of about two hours; "
        "the alert comes after 8 min in sum at 10 points above it.",
    )


def _masked_variants(controls: tuple[Control, ...]) -> dict[str, Variant]:
    silent = without(SafeguardSettings(), "baseline_alert")
    arms: list[ArmSpec] = []
    script: list[ScriptedEvent] = []
    for worse in (option.value for option in controls[1].options):
        mine = [
            bare(f"nobody_{worse}", "fixed"),
            guarded(f"quiet_{worse}", "pi", silent),
            guarded(f"alert_{worse}", "pi", SafeguardSettings()),
        ]
        names = tuple(arm.name for arm in mine)
        event = ScriptedEvent(at_s=600, event="slow_deterioration", value=float(worse), arms=names)
        arms, script = [*arms, *mine], [*script, event]
    run = run_alone(quiet_spec(infant("unstable", 0), arms, _MASKED_MIN, script=script))
    return {key: _masked_variant(run, key.replace("|", "_")) for key in keys_of(controls)}


def _masked_variant(run: Run, arm: str) -> Variant:
    trace = run.trace(0, arm)
    heard = first_alarm_s(run, arm, _SOUNDS)
    times = {name: f"{heard[name] / 60:.0f} min" if name in heard else "never" for name in _SOUNDS}
    last = trace.sao2_pct[-1]
    end_fio2 = 100.0 * float(np.mean(trace.set_fio2[-300:]))
    soonest = min(heard.items(), key=lambda item: item[1], default=None)
    word = (
        f"first sign at {soonest[1] / 60:.0f} min: {soonest[0]}"
        if soonest
        else "no alarm and no alert"
    )
    return Variant(
        lines=course_lines(trace),
        facts={
            "Alarm: low SpO2": times["low SpO2"],
            "Alert: FiO2 above baseline": times["FiO2 above baseline"],
            "True SaO2 at the end": f"{last:.0f} %",
            "FiO2 at the end": f"{end_fio2:.0f} %",
        },
        says=f"At the end SaO2 is {last:.0f} % on {end_fio2:.0f} % oxygen; {word}.",
        marks=(
            Mark(start=10.0, end=50.0, label="lung getting worse"),
            *_heard_marks(heard),
        ),
    )


def _heard_marks(heard: Mapping[str, int]) -> list[Mark]:
    return [
        Mark(start=time_s / 60, end=time_s / 60 + 0.4, label=name) for name, time_s in heard.items()
    ]


__all__ = ["gate_lesson", "masked_lesson"]
