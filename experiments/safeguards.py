"""What each safeguard is worth: every hazard with the layer whole, without one, without any.

Within a hazard all arms meet the same infants, noise and events, so that a
difference is what the safeguard did. In the quiet night it is what it costs.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from ..loop.event_log import EventRecord
from ..loop.registry import load_controller
from ..loop.requirements import REQUIREMENTS
from ..loop.safeguards.settings import SAFEGUARDS, SafeguardSettings
from ..loop.trace import Trace
from ..models.cohort import CohortSettings, draw_infants
from ..models.errors import problem
from ..models.settings import quantity, validate
from .hazards import HAZARDS, QUIET, find_hazard
from .safeguard_runs import (
    NONE,
    WHOLE,
    Part,
    PartResult,
    TrialSettings,
    arm_name,
    run_part,
)
from .workers import default_workers

#: A controller that has no safeguards of its own, so that the layer's are seen.
BARE_CONTROLLER = "pi_no_gate"

#: A safeguard clearly matters in a hazard from here on: seconds of harm, or of delay.
CLEAR_HARM_S, CLEAR_DELAY_S = 60.0, 20.0

#: Called with parts done and parts to do.
Progress = Callable[[int, int], None]


@dataclass(frozen=True, kw_only=True)
class SafeguardTrial:
    """What is tried.

    Attributes
    ----------
    options : mapping
        What the controller is built with.
    layer : SafeguardSettings
        The whole layer.
    trial : TrialSettings
        Lengths and target.
    """

    controller: str = quantity(
        unit="-", default=BARE_CONTROLLER, doc="the controller that the safeguards stand around"
    )
    options: Mapping[str, Any] = field(default_factory=dict)
    infants: int = quantity(unit="-", low=1, high=200, default=6, doc="infants in every hazard")
    seed: int = quantity(unit="-", low=0, default=5, doc="seed of all random draws")
    hazards: tuple[str, ...] = quantity(
        unit="-", default=tuple(HAZARDS), doc="hazards; the quiet night is always among them"
    )
    layer: SafeguardSettings = field(default_factory=SafeguardSettings)
    trial: TrialSettings = field(default_factory=TrialSettings)

    def __post_init__(self) -> None:
        validate(self)
        for name in self.hazards:
            find_hazard(name)
        if len(set(self.hazards)) != len(self.hazards):
            raise problem("SafeguardTrial.hazards", "each hazard once", self.hazards)


@dataclass(frozen=True, kw_only=True)
class SafeguardResult:
    """What was found.

    Attributes
    ----------
    trial : SafeguardTrial
        What was tried.
    rows : pandas.DataFrame
        A row for each hazard, arm and infant: harm, alerts, time to alert.
    verdicts : pandas.DataFrame
        A row for each hazard, arm, infant and requirement that applied.
    traces : mapping
        By (hazard, arm, infant), of the infant that is shown.
    errors : mapping of str to str
        Arms that failed, with the reason.
    """

    trial: SafeguardTrial
    rows: pd.DataFrame
    verdicts: pd.DataFrame
    traces: Mapping[tuple[str, str, int], tuple[Trace, list[EventRecord]]]
    errors: Mapping[str, str]


def try_safeguards(
    trial: SafeguardTrial, *, workers: int | None = None, progress: Progress | None = None
) -> SafeguardResult:
    """Run every hazard in every arm.

    Parameters
    ----------
    trial : SafeguardTrial
        What to try.
    workers : int, optional
        Number of processes; all cores if left out. No number depends on it.
    progress : callable, optional
        Called with parts done and parts to do.

    Returns
    -------
    SafeguardResult

    Raises
    ------
    TestbedError
        If the controller cannot be loaded.
    """
    load_controller(trial.controller, trial.options)
    count = workers or default_workers()
    parts = _parts(trial, count)
    results = _run(parts, count, progress)
    order = {name: place for place, name in enumerate([*HAZARDS])}
    rows = pd.DataFrame([row for part in results for row in part.rows])
    if len(rows):
        rows["place"] = rows["hazard"].map(order)
        rows = rows.sort_values(["place", "infant"], kind="stable", ignore_index=True)
        rows = rows.drop(columns="place")
    columns = ["hazard", "arm", "infant", "requirement", "cases", "violations", "worst_margin"]
    verdicts = pd.DataFrame(
        [row for part in results for row in part.verdicts], columns=[*columns, "at_s"]
    )
    return SafeguardResult(
        trial=trial,
        rows=rows,
        verdicts=verdicts,
        traces={key: kept for part in results for key, kept in part.traces.items()},
        errors={arm: error for part in results for arm, error in part.errors.items()},
    )


def _parts(trial: SafeguardTrial, workers: int) -> list[Part]:
    """Cut the work: the hazards by infants, and the quiet night."""
    target = 0.5 * (trial.trial.low_pct + trial.trial.high_pct)
    settings = CohortSettings(infants=trial.infants, stratum="unstable")
    infants = draw_infants(trial.seed, settings, target).infants
    made = partial(
        Part,
        controller=trial.controller,
        options=dict(trial.options),
        layer=trial.layer,
        trial=trial.trial,
        seed=trial.seed,
        keep=(int(infants.infant[0]),),
    )
    real = tuple(name for name in HAZARDS if name in trial.hazards and name != QUIET)
    shares = np.array_split(np.arange(trial.infants), min(workers, trial.infants))
    parts = [made(infants=infants.take(share), hazards=real) for share in shares if real]
    return [*parts, made(infants=infants, hazards=(QUIET,))]


def _run(parts: Sequence[Part], workers: int, progress: Progress | None) -> list[PartResult]:
    results: list[PartResult] = []
    if workers <= 1:
        for part in parts:
            results.append(run_part(part))
            if progress:
                progress(len(results), len(parts))
        return results
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(workers, len(parts)), mp_context=context) as pool:
        for result in pool.map(run_part, parts):
            results.append(result)
            if progress:
                progress(len(results), len(parts))
    return results


def effects(result: SafeguardResult) -> pd.DataFrame:
    """Say what taking a safeguard away does, within the same infants.

    Parameters
    ----------
    result : SafeguardResult
        What was found.

    Returns
    -------
    pandas.DataFrame
        A row for each hazard and arm but the whole layer: means over infants
        of the differences to the whole layer in seconds below 80 %, above 98 % on oxygen, their
        sum (with lowest and highest infant), and time to alert, where no alert
        counts as one at the end.
    """
    rows = result.rows.dropna(subset=["began_s"]).copy()
    rows["harm_s"] = rows["below_80_s"] + rows["above_98_s"]
    left_s = rows["watched_s"] + result.trial.trial.settle_s - rows["began_s"]
    rows["alert_by_s"] = rows["time_to_alert_s"].fillna(left_s)
    columns = ["below_80_s", "above_98_s", "harm_s", "alert_by_s", "alerts", "travel_pct"]
    found = []
    for hazard, group in rows.groupby("hazard", sort=False):
        wide = group.pivot(index="infant", columns="arm", values=columns)
        for arm in [name for name in group["arm"].unique() if name != WHOLE]:
            row: dict[str, object] = {"hazard": hazard, "arm": arm}
            for name in columns:
                pair = wide[name][[WHOLE, arm]].dropna()
                gain = pair[arm] - pair[WHOLE]
                row[name] = float(gain.mean()) if len(gain) else float("nan")
                if name == "harm_s":
                    row["harm_low_s"], row["harm_high_s"] = float(gain.min()), float(gain.max())
                    row["whole_harm_s"] = float(pair[WHOLE].mean())
                    row["infants"] = len(gain)
            found.append(row)
    return pd.DataFrame(found)


def worth(result: SafeguardResult) -> pd.DataFrame:
    """Find, for each safeguard, where it avoids most harm and where it calls soonest.

    Parameters
    ----------
    result : SafeguardResult
        What was found.

    Returns
    -------
    pandas.DataFrame
        A row for each safeguard: the hazard with most harm avoided (s), the
        one with the earliest call gained (s), the one in which it did most
        harm itself, and whether it clearly matters anywhere.
    """
    table = effects(result)
    table = table[table["hazard"] != QUIET]
    rows = []
    for name in SAFEGUARDS:
        mine = table[table["arm"] == arm_name(name)].set_index("hazard")
        if mine.empty:
            continue
        harm, delay = mine["harm_s"].fillna(0.0), mine["alert_by_s"].fillna(0.0)
        rows.append(
            {
                "safeguard": name,
                "harm_hazard": harm.idxmax(),
                "harm_avoided_s": float(harm.max()),
                "alert_hazard": delay.idxmax(),
                "alert_sooner_s": float(delay.max()),
                "worst_hazard": harm.idxmin(),
                "harm_done_s": float(-harm.min()),
                "matters": bool(harm.max() >= CLEAR_HARM_S or delay.max() >= CLEAR_DELAY_S),
            }
        )
    return pd.DataFrame(rows)


def quiet_costs(result: SafeguardResult) -> pd.DataFrame:
    """Say what each safeguard costs when nothing goes wrong.

    Parameters
    ----------
    result : SafeguardResult
        What was found.

    Returns
    -------
    pandas.DataFrame
        A row for each arm: false alerts per 24 h, time in target (percent),
        seconds of harm per hour, FiO2 travel (percent per hour), all as means
        over infants, and the same as differences from the whole layer.
    """
    quiet = result.rows[result.rows["hazard"] == QUIET]
    hours = quiet["watched_s"] / 3600.0
    table = pd.DataFrame(
        {
            "arm": quiet["arm"],
            "false_alerts_per_24h": 24.0 * quiet["alerts"] / hours,
            "in_target_pct": 100.0 * quiet["in_target_s"] / quiet["watched_s"],
            "harm_s_per_h": (quiet["below_80_s"] + quiet["above_98_s"]) / hours,
            "fio2_travel_pct_per_h": quiet["travel_pct"] / hours,
        }
    )
    means = table.groupby("arm", sort=False).mean()
    gaps = (means.loc[WHOLE] - means).add_suffix("_cost")
    return pd.concat([means, gaps], axis=1).reset_index()


def requirement_table(result: SafeguardResult) -> pd.DataFrame:
    """Sum up which requirements were broken, and by what margin.

    Parameters
    ----------
    result : SafeguardResult
        What was found.

    Returns
    -------
    pandas.DataFrame
        A row for each requirement and arm: cases, violations, worst margin,
        and the hazard and infant with it.
    """
    rows = []
    for requirement in REQUIREMENTS:
        for arm, group in result.verdicts.groupby("arm", sort=False):
            mine = group[group["requirement"] == requirement]
            if mine.empty:
                continue
            worst = mine.iloc[int(np.argmin(mine["worst_margin"].to_numpy(dtype=float)))]
            rows.append(
                {
                    "requirement": requirement,
                    "arm": arm,
                    "cases": int(mine["cases"].sum()),
                    "violations": int(mine["violations"].sum()),
                    "worst_margin": float(worst["worst_margin"]),
                    "hazard": str(worst["hazard"]),
                    "infant": int(worst["infant"]),
                    "at_s": int(worst["at_s"]),
                }
            )
    return pd.DataFrame(rows)


__all__ = [
    "BARE_CONTROLLER",
    "CLEAR_DELAY_S",
    "CLEAR_HARM_S",
    "NONE",
    "WHOLE",
    "Progress",
    "SafeguardResult",
    "SafeguardTrial",
    "effects",
    "quiet_costs",
    "requirement_table",
    "try_safeguards",
    "worth",
]
