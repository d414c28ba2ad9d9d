"""Search for the options of a controller that do best on a small cohort of both strata.

What is minimised is stated in `objective`; what was found is then judged on
other infants, beside the defaults and manual care. The defaults of `pid`,
`predictive` and `observer` come from `oxytestbed tune NAME` as it stands
(seed 71 for the search, seed 72 for the judgement).
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import Bounds, differential_evolution
from scipy.stats import qmc

from .. import __version__
from ..loop.arms import ArmSpec
from ..loop.bench import Bench, BenchSpec
from ..loop.criterion import SECONDS_PER_H, criterion_j
from ..loop.outcomes import outcomes_of
from ..loop.registry import load_controller
from ..loop.signals import Settings
from ..models.cohort import CohortSettings, draw_infants
from ..models.errors import TestbedError, nearest, problem
from ..models.infants import STRATA, Infants
from ..models.streams import Cause, stream
from .result_folder import refuse_taken, write_table
from .tune_guard import comes_to_rest
from .tune_settings import MEMBERS, SEARCHES, SearchRange, TuneSettings

FloatArray = NDArray[np.float64]

#: Stands for the objective of a candidate that is refused or that swings.
REFUSED = 1e6

#: Outcomes in the table of before and after, beside the objective.
SHOWN = (
    "time_in_target_pct_b",
    "time_below_target_pct_b",
    "time_above_target_pct_b",
    "time_below_80_pct_b",
    "fio2_travel_pct_per_h",
)


@dataclass(frozen=True, kw_only=True)
class TuneResult:
    """What a search found.

    Attributes
    ----------
    controller : str
        Specification of the controller.
    options : dict of str to float
        The best options.
    settings : TuneSettings
        How they were searched for.
    trials : pandas.DataFrame
        Each candidate in order, with its ``objective``.
    table : pandas.DataFrame
        Rows ``manual``, ``default``, ``tuned`` on the infants that judge:
        means of the objective, of J and of some outcomes.
    """

    controller: str
    options: dict[str, float]
    settings: TuneSettings
    trials: pd.DataFrame
    table: pd.DataFrame = field(repr=False)


def tune(
    controller: str,
    ranges: Sequence[SearchRange] = (),
    settings: TuneSettings | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> TuneResult:
    """Search for the best options by differential evolution.

    The defaults are one of the first candidates, so the search can end where
    it began (Storn and Price, J Global Optim 1997;11:341; from memory).

    Parameters
    ----------
    controller : str
        A built-in name or ``file.py:ClassName``.
    ranges : sequence of SearchRange, optional
        Where to search; those of `SEARCHES` if left out.
    settings : TuneSettings, optional
        On whom and for how long.
    progress : callable, optional
        Called with candidates done and to do.

    Returns
    -------
    TuneResult

    Raises
    ------
    TestbedError
        If the controller has no such option or nothing to tune.
    """
    chosen = settings or TuneSettings()
    searched = tuple(ranges) or SEARCHES.get(controller, ())
    if not searched:
        hint = "Give a range, such as gain_per_pct=0.001:0.01. " + nearest(controller, SEARCHES)
        raise problem("tune", "a range to search", controller, hint)
    search = _Search(controller, searched, chosen, progress)
    found = search.run()
    specs = {"manual": None, "default": {}, "tuned": found}
    arms = [
        ArmSpec(
            name=name, controller=None if options is None else controller, options=options or {}
        )
        for name, options in specs.items()
    ]
    return TuneResult(
        controller=controller,
        options=found,
        settings=chosen,
        trials=pd.DataFrame(search.trials),
        table=judge(arms, chosen, chosen.test_seed),
    )


def judge(arms: Sequence[ArmSpec], settings: TuneSettings, seed: int) -> pd.DataFrame:
    """Run arms on a cohort and give the means over its infants.

    Parameters
    ----------
    arms : sequence of ArmSpec
        What to compare.
    settings : TuneSettings
        On whom and for how long.
    seed : int
        Seed of cohort and run.

    Returns
    -------
    pandas.DataFrame
        A row for each arm: ``arm``, ``objective``, ``mean_square_pct2`` (J as
        a mean), the outcomes `SHOWN`, and ``error``.
    """
    infants = both_strata(seed, settings)
    spec = BenchSpec(
        infants=infants,
        groups=np.arange(len(infants), dtype=np.int64),
        arms=tuple(arms),
        seed=seed,
        duration_s=round(settings.duration_h * SECONDS_PER_H),
        warmup_s=round(settings.warmup_h * SECONDS_PER_H),
        target_low_pct=settings.target_low_pct,
        target_high_pct=settings.target_high_pct,
    )
    run = Bench(spec).run()
    low, high = settings.target_low_pct, settings.target_high_pct
    rows = []
    for arm in arms:
        traces = [run.trace(place, arm.name) for place in range(len(infants))]
        squares = float(np.mean([criterion_j(item, low, high) for item in traces])) / SECONDS_PER_H
        values = [outcomes_of(item, low, high) for item in traces]
        means = {name: float(np.mean([value[name] for value in values])) for name in SHOWN}
        cost = objective(squares, means["fio2_travel_pct_per_h"], settings.travel_weight)
        error = run.errors.get(arm.name, "")
        head = {"arm": arm.name, "objective": math.inf if error else cost}
        rows.append({**head, "mean_square_pct2": squares, **means, "error": error})
    return pd.DataFrame(rows)


def objective(mean_square_pct2: float, travel_pct_per_h: float, travel_weight: float) -> float:
    """Say what the search minimises.

    Parameters
    ----------
    mean_square_pct2 : float
        Squared distance of the true SaO2 from the target, mean over time and
        infants; above the target on oxygen only.
    travel_pct_per_h : float
        Movements of the set FiO2, mean over infants.
    travel_weight : float
        Price of a point of movement per hour.

    Returns
    -------
    float
        Their weighted sum (squared percent).
    """
    return mean_square_pct2 + travel_weight * travel_pct_per_h


def both_strata(seed: int, settings: TuneSettings) -> Infants:
    """Draw as many infants of each stratum.

    Parameters
    ----------
    seed : int
        Seed of the cohort.
    settings : TuneSettings
        How many, and which target they rest in.

    Returns
    -------
    Infants
        Settled ones first; numbers do not repeat.
    """
    middle = 0.5 * (settings.target_low_pct + settings.target_high_pct)
    drawn = [
        draw_infants(
            seed,
            CohortSettings(infants=settings.infants, stratum=stratum),
            middle,
            first=place * settings.infants,
        ).infants
        for place, stratum in enumerate(STRATA)
    ]
    joined = {
        item.name: np.concatenate([getattr(part, item.name) for part in drawn])
        for item in fields(Infants)
    }
    return Infants(**joined)


class _Search:
    """The search itself: candidates in, objectives out, all of them remembered."""

    def __init__(
        self,
        controller: str,
        ranges: tuple[SearchRange, ...],
        settings: TuneSettings,
        progress: Callable[[int, int], None] | None,
    ) -> None:
        self._controller, self._ranges, self._settings = controller, ranges, settings
        self._progress = progress
        self._generations = settings.evaluations // MEMBERS
        self.trials: list[dict[str, Any]] = []

    def run(self) -> dict[str, float]:
        """Give the best options."""
        rng = stream(self._settings.seed, 0, Cause.TUNING)
        low = np.array([math.log(item.low) for item in self._ranges])
        high = np.array([math.log(item.high) for item in self._ranges])
        unit = qmc.LatinHypercube(len(low), rng=rng).random(MEMBERS)
        first = low + (high - low) * unit
        first[0] = np.minimum(np.maximum(self._default(), low), high)
        load_controller(self._controller, self._options(first[0]))  # refuses unknown options
        differential_evolution(
            cast(Any, self._objectives),  # its stubs do not know `vectorized`
            bounds=Bounds(low, high),
            init=first,
            maxiter=self._generations - 1,
            rng=rng,
            polish=False,
            tol=0.0,
            vectorized=True,
            updating="deferred",
        )
        best = min(self.trials, key=lambda trial: float(trial["objective"]))
        return {item.option: float(best[item.option]) for item in self._ranges}

    def _default(self) -> FloatArray:
        """Read the defaults, or take mid-range where the object does not tell."""
        made = load_controller(self._controller)
        middle = {item.option: math.sqrt(item.low * item.high) for item in self._ranges}
        values = [float(getattr(made, name, value)) for name, value in middle.items()]
        return np.array([math.log(max(value, 1e-12)) for value in values])

    def _options(self, logarithms: FloatArray) -> dict[str, float]:
        values = [float(f"{math.exp(value):.4g}") for value in logarithms.tolist()]
        return {item.option: value for item, value in zip(self._ranges, values, strict=True)}

    def _objectives(self, logarithms: FloatArray) -> FloatArray:
        candidates = [self._options(column) for column in logarithms.T]
        usable = [number for number, options in enumerate(candidates) if self._passes(options)]
        values = np.full(len(candidates), REFUSED)
        arms = [
            ArmSpec(name=str(number), controller=self._controller, options=candidates[number])
            for number in usable
        ]
        if arms:
            values[usable] = judge(arms, self._settings, self._settings.seed)["objective"]
        for options, value in zip(candidates, values.tolist(), strict=True):
            self.trials.append({**options, "objective": value})
        if self._progress:
            self._progress(len(self.trials), self._generations * MEMBERS)
        return values

    def _passes(self, options: Mapping[str, float]) -> bool:
        """Say whether the controller takes these options and does not swing."""
        chosen = self._settings
        target = Settings(
            target_low_pct=chosen.target_low_pct,
            target_high_pct=chosen.target_high_pct,
            fio2_min=0.21,
            fio2_max=1.0,
        )
        response = chosen.guard_response
        try:
            load_controller(self._controller, options)
            return not response or comes_to_rest(self._controller, options, target, response)
        except TestbedError:
            return False


def save_tuning(result: TuneResult, folder: Path | str) -> Path:
    """Write the options, the trials, the table and how they were made.

    Parameters
    ----------
    result : TuneResult
        What to write.
    folder : Path or str
        Where; it must not exist yet.

    Returns
    -------
    Path
        ``tuned.toml``, an arm ready to be put into a scenario.

    Raises
    ------
    TestbedError
        If the folder exists or cannot be made.
    """
    wanted = Path(folder)
    refuse_taken(wanted)
    wanted.mkdir(parents=True)
    write_table(result.trials, wanted / "trials.csv")
    write_table(result.table, wanted / "before_after.csv")
    manifest = {
        "oxytestbed": __version__,
        "controller": result.controller,
        "settings": asdict(result.settings),
        "options": result.options,
    }
    (wanted / "manifest.json").write_text(json.dumps(manifest, indent=2) + "\n", encoding="utf-8")
    path = wanted / "tuned.toml"
    path.write_text(_arm_toml(result), encoding="utf-8")
    return path


def _arm_toml(result: TuneResult) -> str:
    """Write an arm as a scenario takes it."""
    lines = ["[[arms]]", 'name = "tuned"', 'kind = "controller"']
    lines += [f"controller = {json.dumps(result.controller)}", "", "[arms.options]"]
    lines += [f"{name} = {value!r}" for name, value in result.options.items()]
    return "\n".join(lines) + "\n"
