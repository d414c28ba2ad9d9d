"""What a calibration run shows: outcomes by infant, and acts, alarms and rescues pooled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..loop.bench import Bench, Run
from ..loop.event_log import EventRecord
from ..loop.outcomes import outcomes_of
from ..models.infants import Infants
from .compare import bench_spec, nursing_groups, scenario_infants
from .evidence.bedside import answers, hand_changes, rescues
from .evidence.limits import limits_of
from .scenario_settings import Scenario

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Sample:
    """What one part of a run gives: outcomes by infant, and pooled lists.

    Attributes
    ----------
    outcomes : dict of str to list of float
        One value per infant.
    pooled : dict of str to list of float
        One value for each act, alarm or rescue.
    hours : float
        Counted infant-hours.
    """

    outcomes: dict[str, list[float]]
    pooled: dict[str, list[float]]
    hours: float


def sample(scenario: Scenario, part: int, parts: int) -> Sample:
    """Run some nursing groups of a scenario and take out what the targets need.

    Parameters
    ----------
    scenario : Scenario
        With one arm, adjusted by hand.
    part, parts : int
        Which of how many parts.

    Returns
    -------
    Sample
    """
    infants, _ = scenario_infants(scenario)
    groups = nursing_groups(len(infants), scenario.staff.infants_per_nurse)
    places = np.flatnonzero(groups % parts == part)
    chosen: Infants = infants.take(places)
    return _sample_of(Bench(bench_spec(scenario, chosen, groups[places])).run())


def _sample_of(run: Run) -> Sample:
    spec = run.spec
    events: dict[int, list[EventRecord]] = {i: [] for i in spec.infants.infant.tolist()}
    for event in run.events:
        events[event.infant].append(event)
    outcomes: dict[str, list[float]] = {}
    pooled: dict[str, list[float]] = {"care_large": []}
    for place, infant in enumerate(spec.infants.infant.tolist()):
        trace, own = run.trace(place, "manual"), events[infant]
        for name, value in outcomes_of(trace, spec.target_low_pct, spec.target_high_pct).items():
            outcomes.setdefault(name, []).append(value)
        changes = hand_changes(trace, own, limits_of(spec, infant))
        mates = spec.infants.infant[spec.groups == spec.groups[place]].tolist()
        group = [event for mate in mates for event in events[mate]]
        found = {
            **changes,
            **rescues(trace, changes),
            **answers(own, group, spec.warmup_s, spec.duration_s),
        }
        for name, values in found.items():
            pooled.setdefault(name, []).extend(values.tolist())
        pooled["care_large"] += _large_at_care(own, changes)
        outcomes.setdefault("changes", []).append(float(len(changes["step_pct"])))
    counted_h = (spec.duration_s - spec.warmup_s) / 3600.0
    return Sample(outcomes=outcomes, pooled=pooled, hours=counted_h)


def _large_at_care(events: Sequence[EventRecord], changes: Mapping[str, FloatArray]) -> list[float]:
    """Say for each step of 15 points or more whether it was made around a procedure."""
    care = ("handling", "suction", "repositioning")
    at_care = {e.time_s for e in events if e.event == "fio2_by_hand" and e.detail in care}
    large = changes["step_s"][np.abs(changes["step_pct"]) >= 15.0]
    return [float(int(time_s) in at_care) for time_s in large.tolist()]


def measured(samples: Sequence[Sample]) -> dict[str, float]:
    """Turn what runs gave into the figures that the targets name.

    Parameters
    ----------
    samples : sequence of Sample
        All parts of one run.

    Returns
    -------
    dict of str to float
    """
    per: dict[str, FloatArray] = {
        name: np.array([value for part in samples for value in part.outcomes[name]])
        for name in samples[0].outcomes
    }
    pool: dict[str, FloatArray] = {
        name: np.array([value for part in samples for value in part.pooled[name]])
        for name in samples[0].pooled
    }
    steps = pool["step_pct"]
    up, down = steps[steps > 0], -steps[steps < 0]
    return {
        "in_target_pct": _median(per["time_in_target_pct"]),
        "above_pct": _median(per["time_above_target_pct"]),
        "below_pct": _median(per["time_below_target_pct"]),
        "below_85_pct": _median(per["time_below_85_pct"]),
        "below_80_pct": _median(per["time_below_80_pct"]),
        "above_98_pct": _median(per["time_above_98_pct"]),
        "sd_of_in_target_points": _sd(per["time_in_target_pct"]),
        "changes_per_h": float(np.mean(per["changes"])) / samples[0].hours,
        "step_up_median_pct": _median(up),
        "step_down_median_pct": _median(down),
        "downs_per_up": len(down) / max(len(up), 1),
        "step_up_mean_pct": _mean(up),
        "step_down_mean_pct": _mean(down),
        "large_steps_at_procedures_pct": 100.0 * _mean(pool["care_large"]),
        "hands_on_s": _median(pool["hands_on_s"]),
        "answered_in_90s_pct": 100.0 * _mean(pool["answered"]),
        "nurse_in_room_pct": 100.0 * _mean(pool["there"]),
        "low_before_up_pct": 100.0 * _mean(pool["beyond_share"][steps > 0]),
        "high_before_down_pct": 100.0 * _mean(pool["beyond_share"][steps < 0]),
        "rebound_pct": 100.0 * _mean(pool["rebound"]),
        "rebound_min": _median(pool["rebound_s"]) / 60.0,
        "extra_oxygen_min": _median(pool["extra_s"]) / 60.0,
        "below_80_10s_per_day": _median(per["episodes_below_80_10s_per_24h"]),
    }


def _median(values: FloatArray) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _mean(values: FloatArray) -> float:
    known = values[~np.isnan(values)]
    return float(np.mean(known)) if len(known) else float("nan")


def _sd(values: FloatArray) -> float:
    known = values[~np.isnan(values)]
    return float(np.std(known, ddof=1)) if len(known) > 1 else float("nan")
