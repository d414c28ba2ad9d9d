"""Lessons on controllers as such: lag and wind-up, whole-percent displays and hunting."""

from __future__ import annotations

import numpy as np

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
    outcome_facts,
)
from .lesson_runs import bare, infant, quiet_spec, traces_of


def _averaging(*seconds: int) -> Control:
    """Let the reader choose the averaging time of the oximeter."""
    options = tuple(Option(value=str(value), label=f"{value} s") for value in seconds)
    legend = "The oximeter averages over"
    return Control(name="averaging", legend=legend, slider=True, options=options)


_WORSE_AT_S = 300
_WINDUP_MIN = 35


def windup_lesson() -> Lesson:
    """Make the lesson on lag and wind-up.

    Returns
    -------
    Lesson
    """
    controls = (
        Control(
            name="controller", legend="The controller", start=1,
            options=(Option(value="pi", label="knows its limit (anti-windup)"),
                     Option(value="pi_no_antiwindup", label="does not know its limit")),
        ),
        Control(
            name="worse", legend="The lung is worse for", slider=True, start=2,
            options=tuple(Option(value=str(m), label=f"{m} min") for m in (2, 5, 10, 15)),
        ),
        _averaging(2, 16),
    )  # fmt: skip
    return Lesson(
        name="lag_windup",
        title="Lag and wind-up",
        gist="A controller that adds up errors while it can do nothing pays them back later.",
        lead=(
            "FiO2 can go no higher than 60 % here. For some minutes more blood passes the lung "
            "by, and even 60 % is not enough; then the lung is as before. The controller adds up "
            "the error: that sum, its integral, is what holds FiO2 in the long run.",
            "Between a turn of the blender and the number on the display lie the circuit, the "
            "lung, the blood, and the averaging of the oximeter: every decision is about the past.",
        ),
        task="Compare both controllers at 10 min. When does FiO2 begin to come down? Keep one "
        "course behind and change the other controls.",
        controls=controls,
        x_title="Time (min)",
        x=minutes_of(60 * _WINDUP_MIN),
        x_ticks=tuple(float(v) for v in range(0, _WINDUP_MIN + 1, 5)),
        panels=course_panels(80, 20, 70, 10),
        variants=_windup_variants(controls),
        question="With the lung well again, why does one controller keep FiO2 at 60 % for minutes "
        "while the saturation is at 100 %?",
        answer=(
            "While FiO2 stood at its limit the error went on, and its integral grew without any "
            "effect. When the saturation is too high, the integral has to be worked off first; "
            "until then the request is still above 60 % and nothing moves. That is wind-up.",
            "The cure is to tell the controller what became of its request: the integral follows "
            "the FiO2 that was really set. A device must do the same whenever staff, a limit or "
            "a safeguard changes the output. Lag makes all of it slower: the longer the averaging, "
            "the later every correction.",
        ),
        made="One unstable infant on nasal CPAP; shunt times 3.5 for the chosen time; no noise. "
        "Both controllers are the PI controller, alike but for the integral.",
    )


def _windup_variants(controls: tuple[Control, ...]) -> dict[str, Variant]:
    pairs = [tuple(key.split("|")) for key in keys_of(controls[:2])]
    arms = [bare(f"{controller}_{worse}", controller) for controller, worse in pairs]
    script = [
        ScriptedEvent(
            at_s=_WORSE_AT_S,
            event="shunt_change",
            value=3.5,
            duration_s=60 * int(worse),
            arms=(f"{controller}_{worse}",),
        )
        for controller, worse in pairs
    ]
    made = {}
    for averaging in (option.value for option in controls[2].options):
        spec = quiet_spec(
            infant("unstable", 0),
            arms,
            _WINDUP_MIN,
            script=script,
            averaging_s=int(averaging),
            fio2_max=0.6,
        )
        for arm, trace in traces_of(spec).items():
            controller, _, worse = arm.rpartition("_")
            key = f"{controller}|{worse}|{averaging}"
            made[key] = _windup_variant(trace, key)
    return {key: made[key] for key in keys_of(controls)}


def _windup_variant(trace: Trace, key: str) -> Variant:
    worse_s = 60 * int(key.split("|")[1])
    well = _WORSE_AT_S + worse_s
    down = _first(np.flatnonzero(trace.set_fio2[well:] < trace.set_fio2[well] - 0.015))
    high_s = int(np.count_nonzero(trace.spo2_pct > 95.0))
    begins = "FiO2 was never far up" if down is None else f"FiO2 begins to fall {down} s later"
    return Variant(
        lines=course_lines(trace),
        facts={
            "FiO2 begins to fall": "-" if down is None else f"{down} s after recovery",
            "Time above target": f"{high_s / 60:.1f} min",
            **outcome_facts(trace, ("hyperoxia_burden_pct_s_per_h", "mean_fio2_pct")),
        },
        says=f"The lung recovers; {begins}. SpO2 is above the target for {high_s / 60:.1f} min.",
        marks=(
            Mark(start=_WORSE_AT_S / 60, end=well / 60, label="lung worse"),
        ),
    )  # fmt: skip


def _first(places: np.ndarray[tuple[int, ...], np.dtype[np.intp]]) -> int | None:
    return int(places[0]) if len(places) else None


_HUNT_MIN = 20


def hunting_lesson() -> Lesson:
    """Make the lesson on whole-percent displays and hunting.

    Returns
    -------
    Lesson
    """
    controls = (
        Control(
            name="gain", legend="For each percent of error it gives", slider=True,
            options=tuple(Option(value=v, label=f"{100 * float(v):g} points of FiO2")
                          for v in ("0.004", "0.02", "0.05", "0.1")), start=0,
        ),
        _averaging(2, 8, 16),
    )  # fmt: skip
    return Lesson(
        name="hunting",
        title="A display in whole percents, and hunting",
        gist="Between two whole numbers a controller finds no rest; the faster, the worse.",
        lead=(
            "This infant is perfectly steady: no apnoea, no drift, no noise. The middle of the "
            "target is 92.5 %, and the display knows 92 and 93 but nothing between. The blender "
            "moves in whole percents too.",
        ),
        task="Start at the lowest gain and go up. Then lengthen the averaging at the highest gain.",
        controls=controls,
        x_title="Time (min)",
        x=minutes_of(60 * _HUNT_MIN),
        x_ticks=tuple(float(v) for v in range(0, _HUNT_MIN + 1, 5)),
        panels=course_panels(90, 25, 40, 5),
        variants=_hunting_variants(controls),
        question="Why does FiO2 never come to rest although nothing happens?",
        answer=(
            "The displayed error is half a percent above or below, never zero, so the integral "
            "always moves. It carries FiO2 past the need, the saturation follows after the lag of "
            "circuit, lung and oximeter, the display steps over, and it all goes back: a limit "
            "cycle. Its height grows with the gain and its length with the lag.",
            "Small cycles inside the target do little harm, but they wear the blender and hide "
            "real change. Remedies: less gain near the middle of the target, a dead band, slower "
            "averaging only with a slower controller, or an unrounded signal.",
        ),
        made="One unstable infant on nasal CPAP under the PI controller without safeguards; "
        "nothing happens to the infant.",
    )


def _hunting_variants(controls: tuple[Control, ...]) -> dict[str, Variant]:
    traces = {}
    for averaging in (option.value for option in controls[1].options):
        arms = [
            bare(f"gain_{place}", "pi", gain_per_pct=float(option.value))
            for place, option in enumerate(controls[0].options)
        ]
        spec = quiet_spec(infant("unstable", 0), arms, _HUNT_MIN, averaging_s=int(averaging))
        found = traces_of(spec)
        for place, option in enumerate(controls[0].options):
            traces[f"{option.value}|{averaging}"] = found[f"gain_{place}"]
    return {key: _hunting_variant(traces[key]) for key in keys_of(controls)}


def _hunting_variant(trace: Trace) -> Variant:
    late = 100.0 * trace.set_fio2[600:]
    swing = float(np.max(late) - np.min(late))
    true = trace.sao2_pct[600:]
    spread = float(np.max(true) - np.min(true))
    return Variant(
        lines=course_lines(trace),
        facts={
            "Swing of FiO2 after 10 min": _points(swing, 0),
            "Swing of true SaO2": _points(spread, 1),
            **outcome_facts(trace, ("fio2_changes_per_h", "fio2_travel_pct_per_h")),
        },
        says=f"After ten minutes FiO2 swings by {_points(swing, 0)} and the true saturation by "
        f"{spread:.1f}.",
    )


def _points(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return f"{text} point" if text == "1" else f"{text} points"


__all__ = ["hunting_lesson", "windup_lesson"]
