"""How staffing and alarms change what infants get, by hand and with a controller.

Every case puts the same infants through the same two arms; only the number of
infants per nurse, or the alarms, differ.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from ..loop.event_outcomes import EVENT_OUTCOMES
from ..loop.outcomes import OUTCOMES
from ..models.errors import problem
from ..models.settings import quantity, validate
from .compare import compare
from .result import MANUAL_ARM, ComparisonResult
from .scenario import load_scenario, override
from .scenario_settings import Scenario

#: What the study looks at, in the order of its tables.
STUDIED = (
    "time_in_target_pct",
    "time_below_80_pct",
    "time_above_98_pct",
    "episodes_above_98_180s_per_24h",
    "alarms_high_priority_per_24h",
    "alarms_medium_priority_per_24h",
    "alarms_unseen_pct",
    "manual_changes_per_24h",
    "staff_min_per_24h",
)

STAFF_PART, ALARM_PART = "staffing", "alarms"


@dataclass(frozen=True, kw_only=True)
class Case:
    """One way of staffing or of setting alarms.

    Attributes
    ----------
    part : str
        Which question it belongs to.
    name : str
        Its name in tables and figures.
    changes : mapping
        Dotted keys of the scenario and their values.
    """

    part: str
    name: str
    changes: Mapping[str, object]


#: Number of infants per nurse, then limits and delays with the scenario's own number.
CASES = (
    *(
        Case(part=STAFF_PART, name=str(number), changes={"staff.infants_per_nurse": number})
        for number in (1, 2, 3, 4)
    ),
    Case(part=ALARM_PART, name="as really set", changes={}),
    Case(
        part=ALARM_PART,
        name="upper limit always right",
        changes={"alarms.high_correct_share": 1.0, "alarms.high_off_share": 0.0},
    ),
    Case(
        part=ALARM_PART,
        name="upper alarm off",
        changes={"alarms.high_correct_share": 0.0, "alarms.high_off_share": 1.0},
    ),
    Case(
        part=ALARM_PART,
        name="low limit 3 points out",
        changes={"alarms.low_margin_pct": 3.0},
    ),
    Case(
        part=ALARM_PART,
        name="short delays",
        changes={"alarms.low_delay_s": 5, "alarms.high_delay_s": 10},
    ),
    Case(
        part=ALARM_PART,
        name="long delays",
        changes={"alarms.low_delay_s": 30, "alarms.high_delay_s": 60},
    ),
)


@dataclass(frozen=True, kw_only=True)
class StaffingSettings:
    """How large the study is."""

    scenario: str = quantity(
        unit="-", default="settled_night", doc="scenario that the cases change"
    )
    controller: str = quantity(unit="-", default="pi", doc="controller of the automatic arm")
    infants: int = quantity(unit="-", low=1, high=10_000, default=24, doc="infants in every case")
    duration_h: float = quantity(
        unit="h", low=0.1, high=240, default=12.0, doc="simulated time, with warm-up"
    )
    warmup_h: float = quantity(unit="h", low=0, high=100, default=1.0, doc="time not counted")
    seed: int = quantity(unit="-", low=0, default=4040, doc="seed of everything")

    def __post_init__(self) -> None:
        validate(self)


@dataclass(frozen=True, kw_only=True)
class StaffingResult:
    """What the study gives.

    Attributes
    ----------
    settings : StaffingSettings
        How large it was.
    table : pandas.DataFrame
        ``part``, ``case``, ``arm``, ``outcome``, ``median``, ``q1``, ``q3``, ``mean``.
    saved : pandas.DataFrame
        ``part``, ``case``, ``outcome`` and the paired difference controller minus
        manual: ``mean_difference``, ``mean_low``, ``mean_high``.
    example : ComparisonResult or None
        The comparison with three infants to a nurse, for the picture of a day.
    manifest : mapping
        Versions and how it went.
    """

    settings: StaffingSettings
    table: pd.DataFrame
    saved: pd.DataFrame
    example: ComparisonResult | None
    manifest: Mapping[str, Any] = field(default_factory=dict)


def base_scenario(settings: StaffingSettings) -> Scenario:
    """Make the scenario that the cases change.

    Parameters
    ----------
    settings : StaffingSettings
        Size of the study.

    Returns
    -------
    Scenario
        With a manual arm and the controller.
    """
    arms = [
        {"name": MANUAL_ARM, "kind": "manual"},
        {"name": "automatic", "kind": "controller", "controller": settings.controller},
    ]
    changes: dict[str, object] = {
        "arms": arms,
        "cohort.infants": settings.infants,
        "run.duration_h": settings.duration_h,
        "run.warmup_h": settings.warmup_h,
        "seed": settings.seed,
        "report.trace_infants": [],
    }
    return override(load_scenario(settings.scenario), changes, "staffing")


def staffing(
    settings: StaffingSettings,
    *,
    cases: Sequence[Case] | None = None,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> StaffingResult:
    """Run every case on the same infants.

    Parameters
    ----------
    settings : StaffingSettings
        Size of the study.
    cases : sequence of Case, optional
        What to compare; `CASES` if left out.
    workers : int, optional
        Number of processes; all cores if left out.
    progress : callable, optional
        Called with lane-seconds done and to do, over all cases.

    Returns
    -------
    StaffingResult

    Raises
    ------
    TestbedError
        If the scenario or the controller cannot be used, or there is no case.
    """
    cases = CASES if cases is None else cases
    if not cases:
        raise problem("staffing: cases", "at least one case", 0)
    base = base_scenario(settings)
    tables, saved = [], []
    example: ComparisonResult | None = None
    manifest: Mapping[str, Any] = {}
    for number, case in enumerate(cases):
        scenario = override(base, case.changes, f"case {case.name}") if case.changes else base
        result = compare(scenario, workers=workers, progress=_part_of(progress, number, len(cases)))
        manifest = result.manifest
        tables.append(_rows(result.summary, case))
        saved.append(_rows(result.paired, case))
        if scenario.staff.infants_per_nurse == 3 and example is None:
            example = result
    return StaffingResult(
        settings=settings,
        table=pd.concat(tables, ignore_index=True),
        saved=pd.concat(saved, ignore_index=True),
        example=example,
        manifest=manifest,
    )


def _part_of(
    progress: Callable[[int, int], None] | None, number: int, cases: int
) -> Callable[[int, int], None] | None:
    if progress is None:
        return None

    def report(done: int, total: int) -> None:
        progress(number * total + done, cases * total)

    return report


def _rows(table: pd.DataFrame, case: Case) -> pd.DataFrame:
    chosen = table[table["outcome"].isin(STUDIED)].copy()
    chosen.insert(0, "case", case.name)
    chosen.insert(0, "part", case.part)
    return chosen


def label_of(outcome: str) -> tuple[str, str, int]:
    """Give label, unit and decimals of an outcome.

    Parameters
    ----------
    outcome : str
        Its name.

    Returns
    -------
    tuple of (str, str, int)
    """
    item = OUTCOMES[outcome] if outcome in OUTCOMES else EVENT_OUTCOMES[outcome]
    return item.label, item.unit, item.decimals


__all__ = [
    "ALARM_PART",
    "CASES",
    "STAFF_PART",
    "STUDIED",
    "Case",
    "StaffingResult",
    "StaffingSettings",
    "base_scenario",
    "label_of",
    "staffing",
]
