"""One part of the safeguards experiment: all hazards and arms, for some of the infants.

Every hazard befalls copies of the same infants, each with noise and breathing of
its own; within a hazard the arms meet the very same.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..loop.arms import ArmSpec
from ..loop.bench import Bench, BenchSpec, Run
from ..loop.event_log import EventRecord
from ..loop.requirement_settings import RequirementSettings
from ..loop.requirements import TECHNICAL_ALARMS, check_requirements, make_record
from ..loop.rounding import on_oxygen
from ..loop.safeguards.settings import SAFEGUARDS, SafeguardSettings, without
from ..loop.trace import Trace
from ..models.disturbances import DisturbanceSettings
from ..models.infants import Infants
from ..models.oximeter import OximeterSettings
from ..models.settings import quantity, validate
from .hazards import HAZARDS, QUIET, Hazard, find_hazard

#: Names of the arms besides those that lack one safeguard.
WHOLE, NONE = "whole", "none"

#: Numbers of one hazard's copies of the infants start here, times its place.
_APART = 10_000

#: What befalls infants besides a hazard is kept small, or it would hide which alert and which
#: harm belong to the hazard. The quiet night has all of it.
CALM_OXIMETER = OximeterSettings(dropout_rate_per_h=0.0)
CALM_INFANT = DisturbanceSettings(apnoea_rate_scale=0.15, hypoventilation_rate_per_h=0.5)

LOW_SAO2_PCT, HIGH_SAO2_PCT = 80.0, 98.0


@dataclass(frozen=True, kw_only=True)
class TrialSettings:
    """How long a hazard's run lasts."""

    settle_s: int = quantity(
        unit="s", low=120, high=7200, default=1200, doc="before anything goes wrong"
    )
    watch_s: int = quantity(
        unit="s", low=60, high=14400, default=2700, doc="watched from the beginning of a hazard"
    )
    quiet_s: int = quantity(
        unit="s", low=120, high=86400, default=7200, doc="length of the quiet night, settling apart"
    )
    low_pct: float = quantity(unit="%", low=60, high=99, default=90.0, doc="low end of the target")
    high_pct: float = quantity(
        unit="%", low=61, high=100, default=95.0, doc="high end of the target"
    )

    def __post_init__(self) -> None:
        validate(self)


@dataclass(frozen=True, kw_only=True)
class Part:
    """One worker's piece of the experiment.

    Attributes
    ----------
    infants : Infants
        The originals.
    hazards : tuple of str
        Which hazards befall copies of them.
    controller : str
        Specification of the controller.
    options : dict
        What it is built with.
    layer : SafeguardSettings
        The whole layer.
    trial : TrialSettings
        Lengths and target.
    seed : int
        Seed of the run.
    keep : tuple of int
        Places of the infants whose traces are kept.
    """

    infants: Infants
    hazards: tuple[str, ...]
    controller: str
    options: dict[str, Any]
    layer: SafeguardSettings
    trial: TrialSettings
    seed: int
    keep: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class PartResult:
    """What a part gives back.

    Attributes
    ----------
    rows : list of dict
        One for each hazard, arm and infant.
    verdicts : list of dict
        One for each hazard, arm, infant and requirement that applied.
    traces : dict
        By (hazard, arm, infant): the trace and its events.
    errors : dict of str to str
        Arms that failed, with the reason.
    """

    rows: list[dict[str, Any]]
    verdicts: list[dict[str, Any]]
    traces: dict[tuple[str, str, int], tuple[Trace, list[EventRecord]]]
    errors: dict[str, str]


def arm_name(safeguard: str) -> str:
    """Name the arm that lacks one safeguard.

    Parameters
    ----------
    safeguard : str
        Name of the safeguard.

    Returns
    -------
    str
    """
    return f"without_{safeguard}"


def layers(whole: SafeguardSettings) -> dict[str, SafeguardSettings]:
    """List the layers that are compared.

    Parameters
    ----------
    whole : SafeguardSettings
        The whole layer.

    Returns
    -------
    dict of str to SafeguardSettings
        By arm: whole, each safeguard taken away, all of them taken away.
    """
    single = {arm_name(name): without(whole, name) for name in SAFEGUARDS}
    return {WHOLE: whole, **single, NONE: without(whole)}


def number_of(place: int, infant: int) -> int:
    """Give a copy of an infant a number of its own.

    Parameters
    ----------
    place : int
        Place of the hazard in the list of all.
    infant : int
        The original's own number.

    Returns
    -------
    int
    """
    return (place + 1) * _APART + infant


def part_spec(part: Part) -> BenchSpec:
    """Build the run of a part.

    Parameters
    ----------
    part : Part
        What is asked for.

    Returns
    -------
    BenchSpec
    """
    places = _places(part.hazards)
    numbers = [number_of(place, int(i)) for place in places for i in part.infants.infant]
    infants = _copies(part.infants, np.array(numbers, dtype=np.int64))
    script = [
        event
        for place, hazard in zip(places, map(find_hazard, part.hazards), strict=True)
        for event in hazard.script(
            part.trial.settle_s, [number_of(place, int(i)) for i in part.infants.infant]
        )
    ]
    quiet_alone = part.hazards == (QUIET,)
    lasts_s = part.trial.quiet_s if quiet_alone else part.trial.watch_s
    arms = tuple(
        ArmSpec(
            name=name,
            controller=part.controller,
            options=part.options,
            safeguards=layer,
            overseen=False,
        )
        for name, layer in layers(part.layer).items()
    )
    return BenchSpec(
        infants=infants,
        groups=np.arange(len(infants), dtype=np.int64),
        arms=arms,
        seed=part.seed,
        duration_s=part.trial.settle_s + lasts_s,
        warmup_s=part.trial.settle_s,
        target_low_pct=part.trial.low_pct,
        target_high_pct=part.trial.high_pct,
        script=tuple(script),
        oximeter=OximeterSettings() if quiet_alone else CALM_OXIMETER,
        disturbances=DisturbanceSettings() if quiet_alone else CALM_INFANT,
    )


def _copies(infants: Infants, numbers: NDArray[np.int64]) -> Infants:
    """Repeat the infants, hazard after hazard, under new numbers."""
    times = len(numbers) // len(infants)
    columns = {f.name: np.tile(getattr(infants, f.name), times) for f in fields(Infants)}
    return Infants(**{**columns, "infant": numbers})


def _places(hazards: Sequence[str]) -> list[int]:
    order = list(HAZARDS)
    return [order.index(name) for name in hazards]


def run_part(part: Part, progress: Callable[[int], None] | None = None) -> PartResult:
    """Run a part and measure it.

    Parameters
    ----------
    part : Part
        What is asked for.
    progress : callable, optional
        Called now and then with the number of ticks done.

    Returns
    -------
    PartResult
    """
    spec = part_spec(part)
    return _measured(part, Bench(spec, progress).run())


def _measured(part: Part, run: Run) -> PartResult:
    by_lane: dict[tuple[int, str], list[EventRecord]] = {}
    for event in run.events:
        by_lane.setdefault((event.infant, event.arm), []).append(event)
    needs = RequirementSettings(signal_lost_s=part.layer.hold_s, rise_per_s=part.layer.rise_per_s)
    result = PartResult(rows=[], verdicts=[], traces={}, errors=dict(run.errors))
    numbers = run.spec.infants.infant.tolist()
    count = len(part.infants)
    for arm in (item.name for item in run.spec.arms):
        if arm in run.errors:
            continue
        for lane, number in enumerate(numbers):
            hazard, place = find_hazard(part.hazards[lane // count]), lane % count
            infant = int(part.infants.infant[place])
            head = {"hazard": hazard.name, "arm": arm, "infant": infant}
            trace, events = run.trace(lane, arm), by_lane.get((number, arm), [])
            result.rows.append(head | _measure(trace, events, hazard, part.trial.settle_s))
            for verdict in check_requirements(make_record(trace, events), needs):
                if verdict.cases:
                    result.verdicts.append(head | vars(verdict))
            if infant in part.keep:
                result.traces[hazard.name, arm, infant] = (trace, events)
    return result


def _measure(
    trace: Trace, events: Sequence[EventRecord], hazard: Hazard, settle_s: int
) -> dict[str, float]:
    """Harm and alerts from the fault on; NaN where the fault never came."""
    begun = [e.time_s for e in events if e.event == "script_start" and e.detail == hazard.fault]
    start = min(begun, default=-1) if hazard.fault else settle_s
    calls = [e.time_s for e in events if e.event == "alarm_start" and e.detail in TECHNICAL_ALARMS]
    controller = [e for e in events if e.event == "alert_start" and e.time_s >= settle_s]
    watched_s = len(trace) - settle_s
    if start < 0:
        names = ("below_80_s", "above_98_s", "time_to_alert_s", "watched_s")
        return dict.fromkeys((*names, "alerts", "travel_pct", "in_target_s", "began_s"), np.nan)
    sao2, fio2 = trace.sao2_pct[start:], trace.set_fio2[start:]
    low, high = trace.spo2_pct >= 90.0, trace.spo2_pct <= 95.0
    alert_s = min((at - start for at in calls if at >= start), default=np.nan)
    return {
        "below_80_s": float(np.count_nonzero(sao2 < LOW_SAO2_PCT)),
        "above_98_s": float(np.count_nonzero((sao2 > HIGH_SAO2_PCT) & on_oxygen(fio2))),
        "time_to_alert_s": float(alert_s),
        "watched_s": float(watched_s),
        "alerts": float(len(controller)),
        "travel_pct": float(100.0 * np.abs(np.diff(fio2)).sum()),
        "in_target_s": float(np.count_nonzero((low & high)[start:])),
        "began_s": float(start),
    }


__all__ = [
    "HIGH_SAO2_PCT",
    "LOW_SAO2_PCT",
    "NONE",
    "WHOLE",
    "Part",
    "PartResult",
    "TrialSettings",
    "arm_name",
    "layers",
    "number_of",
    "part_spec",
    "run_part",
]
