"""Search for the infant, settings and disturbance that do most harm or break a requirement.

Corner and random starts, then differential evolution (Storn and Price 1997; from
memory) of `scipy.optimize`, for each of a few settings. What is found is
saved as a scenario and a cohort file that replay it bit for bit. A search that
finds nothing proves nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from scipy.optimize import Bounds, differential_evolution
from scipy.stats import qmc

from ..loop.bench import Bench
from ..loop.event_log import EventRecord
from ..loop.registry import load_controller
from ..loop.requirement_settings import RequirementSettings
from ..loop.requirements import REQUIREMENTS, check_requirements, make_record
from ..loop.rounding import on_oxygen
from ..loop.trace import Trace
from ..models.cohort import CohortSettings, draw_infants
from ..models.errors import nearest, problem
from ..models.infants import Infants
from ..models.settings import quantity, validate
from .compare import bench_spec
from .safeguard_runs import HIGH_SAO2_PCT, LOW_SAO2_PCT
from .scenario import override, scenario_from_table
from .scenario_settings import Scenario
from .worst_cases import DIMENSIONS, FloatArray, make_candidates

#: What can be searched for, besides breaking a requirement.
HARM = "harm"

#: A requirement that did not apply counts as this margin.
_NOT_APPLIED = 1e6

#: Settings that are gone through, by dotted key.
SETTINGS: tuple[Mapping[str, object], ...] = (
    {"oximeter.averaging_s": 8},
    {"oximeter.averaging_s": 16},
    {"oximeter.averaging_s": 2},
)

#: Everything that happens by chance is off, so that what is found is in the script.
_STILL: Mapping[str, object] = {
    "run": {"duration_h": 0.5, "warmup_h": 1.0 / 6.0},
    "target": {"low_pct": 90, "high_pct": 95},
    "disturbances": {"apnoea_rate_scale": 0, "hypoventilation_rate_per_h": 0, "drift_scale": 0},
    "activities": {
        "hands_on_per_d": 0,
        "suction_per_d": 0,
        "repositioning_per_d": 0,
        "crying_per_d": 0,
        "interface_off_per_d": 0,
        "transfusion_per_d": 0,
        "feed_interval_h": 24,
        "effect_scale": 0,
    },
    "artefacts": {
        "motion_per_h": 0,
        "low_perfusion_per_d": 0,
        "probe_off_per_d": 0,
        "probe_displaced_per_d": 0,
    },
    "oximeter": {"dropout_rate_per_h": 0},
    "staff": {"infants_per_nurse": 1, "override_share": 0},
}


@dataclass(frozen=True, kw_only=True)
class WorstCaseSettings:
    """What to search for, and for how long.

    Attributes
    ----------
    options : mapping
        What the controller is built with.
    """

    controller: str = quantity(unit="-", default="pi", doc="the controller")
    options: Mapping[str, Any] = field(default_factory=dict)
    bare: bool = quantity(unit="-", default=False, doc="without safeguards")
    goal: str = quantity(
        unit="-", default=HARM, doc="harm, or the name of a requirement that is to be broken"
    )
    seed: int = quantity(unit="-", low=0, default=1, doc="seed of the search and of the infants")
    batch: int = quantity(unit="-", low=4, high=400, default=24, doc="candidates tried at once")
    generations: int = quantity(
        unit="-", low=0, high=1000, default=6, doc="generations for each of the settings"
    )
    drawn: int = quantity(
        unit="-", low=1, high=2000, default=64, doc="infants that are drawn to choose from"
    )

    def __post_init__(self) -> None:
        validate(self)
        if self.goal != HARM and self.goal not in REQUIREMENTS:
            names = [HARM, *REQUIREMENTS]
            raise problem("worst-case goal", "a goal", self.goal, nearest(self.goal, names))


@dataclass(frozen=True, kw_only=True)
class Tried:
    """One candidate and how it fared.

    Attributes
    ----------
    number : int
        The infant's own number.
    place : int
        Which of `SETTINGS`.
    point : tuple of float
        Its point of the unit cube.
    value : float
        What is minimised: minus the harm (s), or the margin of the requirement.
    harm_s : float
        Seconds of true SaO2 below 80 %, or above 98 % on oxygen.
    broken : tuple of str
        Requirements that were broken.
    """

    number: int
    place: int
    point: tuple[float, ...]
    value: float
    harm_s: float
    broken: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class WorstCase:
    """What a search found.

    Attributes
    ----------
    settings : WorstCaseSettings
        What was searched for.
    tried : tuple of Tried
        Every candidate, in order.
    worst : Tried
        The worst of them.
    scenario : Scenario
        Of the worst, without its cohort file.
    infants : Infants
        The infant of the worst, alone.
    trace : Trace
        Its record.
    events : list of EventRecord
        What happened to it.
    unchanged : int
        How many infants stayed as drawn.
    """

    settings: WorstCaseSettings
    tried: tuple[Tried, ...]
    worst: Tried
    scenario: Scenario
    infants: Infants
    trace: Trace
    events: list[EventRecord]
    unchanged: int


class _Search:
    """Tries batches of points and remembers all of them."""

    def __init__(
        self, settings: WorstCaseSettings, progress: Callable[[int, int], None] | None
    ) -> None:
        self._settings, self._progress = settings, progress
        self._drawn = draw_infants(
            settings.seed, CohortSettings(infants=settings.drawn, stratum="unstable"), 92.5
        ).infants
        self.tried: list[Tried] = []
        self.unchanged = 0
        rounds = len(SETTINGS) * (settings.generations + 2)
        self._total = rounds * settings.batch

    def scenario(self, place: int) -> Scenario:
        return override(_still_scenario(self._settings), SETTINGS[place], "worst-case")

    def candidate(self, tried: Tried) -> tuple[Scenario, Infants]:
        """Make the scenario and the infant of one candidate again."""
        scenario = self.scenario(tried.place)
        points = np.array([tried.point])
        begin_s = scenario.run.warmup_s
        made = make_candidates(points, self._drawn, [tried.number], begin_s)
        return replace(scenario, script=made.script), made.infants

    def batch(self, place: int, points: FloatArray) -> FloatArray:
        """Try some points; gives what is minimised, for each."""
        scenario = self.scenario(place)
        first = len(self.tried)
        numbers = list(range(first, first + len(points)))
        made = make_candidates(points, self._drawn, numbers, scenario.run.warmup_s)
        self.unchanged += made.unchanged
        scenario = replace(scenario, script=made.script)
        run = Bench(bench_spec(scenario, made.infants, np.arange(len(points)))).run()
        by_infant: dict[int, list[EventRecord]] = {number: [] for number in numbers}
        for event in run.events:
            by_infant[event.infant].append(event)
        values = np.empty(len(points))
        for at, number in enumerate(numbers):
            trace = run.trace(at, "tried")
            values[at] = self._judge(place, points[at], number, trace, by_infant[number])
        if self._progress:
            self._progress(min(len(self.tried), self._total), self._total)
        return values

    def _judge(
        self, place: int, point: FloatArray, number: int, trace: Trace, events: list[EventRecord]
    ) -> float:
        harm_s = harm_of(trace)
        verdicts = check_requirements(make_record(trace, events), RequirementSettings())
        value = -harm_s
        for verdict in verdicts:
            if verdict.requirement == self._settings.goal:
                value = verdict.worst_margin if verdict.cases else _NOT_APPLIED
        broken = tuple(item.requirement for item in verdicts if item.violations)
        self.tried.append(
            Tried(
                number=number,
                place=place,
                point=tuple(float(x) for x in point),
                value=value,
                harm_s=harm_s,
                broken=broken,
            )
        )
        return value


def harm_of(trace: Trace) -> float:
    """Count the seconds of harm after the warm-up.

    Parameters
    ----------
    trace : Trace
        The record.

    Returns
    -------
    float
        Seconds of true SaO2 below 80 %, or above 98 % on oxygen.
    """
    sao2 = trace.sao2_pct[trace.warmup_s :]
    oxygen = on_oxygen(trace.set_fio2[trace.warmup_s :])
    return float(np.count_nonzero((sao2 < LOW_SAO2_PCT) | ((sao2 > HIGH_SAO2_PCT) & oxygen)))


def search_worst_case(
    settings: WorstCaseSettings, progress: Callable[[int, int], None] | None = None
) -> WorstCase:
    """Search.

    Parameters
    ----------
    settings : WorstCaseSettings
        What for.
    progress : callable, optional
        Called with candidates tried and to try.

    Returns
    -------
    WorstCase

    Raises
    ------
    TestbedError
        If the controller cannot be loaded.
    """
    load_controller(settings.controller, settings.options)
    search = _Search(settings, progress)
    for place in range(len(SETTINGS)):
        _search_one(search, place, settings)
    worst = min(search.tried, key=lambda item: (item.value, item.number))
    scenario, infants = search.candidate(worst)
    run = Bench(bench_spec(scenario, infants, np.zeros(1, dtype=np.int64))).run()
    return WorstCase(
        settings=settings,
        tried=tuple(search.tried),
        worst=worst,
        scenario=scenario,
        infants=infants,
        trace=run.trace(0, "tried"),
        events=run.events,
        unchanged=search.unchanged,
    )


def _search_one(search: _Search, place: int, settings: WorstCaseSettings) -> None:
    """Corners and random points first; the best of both are the first generation."""
    size, dimensions = settings.batch, len(DIMENSIONS)
    generator = np.random.default_rng([settings.seed, place])
    corners = generator.integers(0, 2, (size, dimensions)).astype(np.float64)
    corners[:, [0, DIMENSIONS.index("fault")]] = generator.random((size, 2))
    spread = qmc.LatinHypercube(dimensions, rng=generator).random(size)
    values = np.concatenate([search.batch(place, corners), search.batch(place, spread)])
    best = np.argsort(values, kind="stable")[:size]
    if settings.generations:
        # Any: the types of SciPy know no function that takes many points at once.
        objective: Any = lambda points: search.batch(place, points.T)  # noqa: E731
        differential_evolution(
            objective,
            Bounds([0.0] * dimensions, [1.0] * dimensions),
            init=np.concatenate([corners, spread])[best],
            maxiter=settings.generations - 1,
            rng=generator,
            polish=False,
            updating="deferred",
            vectorized=True,
            tol=0.0,
        )


def _still_scenario(settings: WorstCaseSettings) -> Scenario:
    arm: dict[str, object] = {
        "name": "tried",
        "kind": "controller",
        "controller": settings.controller,
        "options": dict(settings.options),
    }
    if settings.bare:
        arm["safeguards"] = {"enabled": False}
    table = {
        "name": "worst_case",
        "title": "The worst case that was found",
        "question": "What is the worst that this controller does?",
        "seed": settings.seed,
        "cohort": {"infants": 100_000},  # none of them is drawn; the script may name any
        "report": {"resamples": 100},
        **_STILL,
        "arms": [arm],
    }
    return scenario_from_table(table, "worst-case")


__all__ = [
    "HARM",
    "SETTINGS",
    "Tried",
    "WorstCase",
    "WorstCaseSettings",
    "harm_of",
    "search_worst_case",
]
