"""Run everything that the credibility report is about, in one call."""

from __future__ import annotations

import platform
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

import numpy as np
import pandas as pd

from ... import __version__
from ...models.infants import Infants
from ..compare import LIBRARIES
from ..workers import default_workers
from . import apnoea, averaging, care_rows, cohort_rows, shunt_fit, step_response
from .grading import Tally, tally
from .limits import limit_rows
from .rows import (
    Evidence,
    Found,
    Published,
    Simulated,
    put_beside,
    read_explanations,
    read_published,
)
from .runs import Lane, Size, Study, infants_of, plan, run_jobs
from .verification import Check, table_rows, verification_checks

#: Infants that are drawn, stepped and fitted; they cost little.
DRAWN = 200
#: Infants of the apnoea courses and of the halved step.
FEW = 40


@dataclass(frozen=True, kw_only=True)
class Credibility:
    """Everything that the report shows.

    Attributes
    ----------
    size : Size
        How much was simulated.
    evidence : list of Evidence
        Every published figure, in the order of the file.
    tallies : mapping of str to Tally
        Counts by set.
    checks : list of Check
        Code and calculation verification.
    settled, unstable : Infants
        Drawn infants.
    shunt, steps, worked : pandas.DataFrame
        Fits of `shunt_fit` and `step_response`.
    counts : dict
        Desaturations by averaging time.
    manifest : mapping
        Versions, seed, wall time.
    """

    size: Size
    evidence: list[Evidence]
    tallies: Mapping[str, Tally]
    checks: list[Check]
    settled: Infants
    unstable: Infants
    shunt: pd.DataFrame
    steps: pd.DataFrame
    worked: pd.DataFrame
    counts: averaging.Counts
    manifest: Mapping[str, Any]


def gather_evidence(
    size: Size,
    *,
    workers: int | None = None,
    progress: Callable[[int, int], object] | None = None,
) -> Credibility:
    """Run every experiment and put its figures beside the published ones.

    Parameters
    ----------
    size : Size
        How much to simulate.
    workers : int, optional
        Number of processes; all cores if left out. No figure depends on it.
    progress : callable, optional
        Called with runs done and to do.

    Returns
    -------
    Credibility
    """
    clock = time.perf_counter()
    count = workers or default_workers()
    rows = read_published()
    drawn = min(DRAWN, 10 * size.infants)
    settled = infants_of("settled", drawn, 92.5, size.seed)
    unstable = infants_of("unstable", drawn, 90.0, size.seed)
    studies = run_jobs(plan(size), count, progress)
    few = unstable.take(np.arange(min(FEW, drawn)))
    checks = verification_checks(few, size.seed, min(1.0, size.hours / 24.0))
    shunt = pd.concat([shunt_fit.fit_cohort(settled), shunt_fit.fit_cohort(unstable)])
    worked = step_response.worked_response(unstable)
    counts = averaging.add_counts([study.counts for study in studies if study.counts])
    found = {
        **_run_rows(studies),
        **_drawn_rows(settled, unstable, few, rows, size.seed),
        **averaging.averaging_rows(counts, rows),
        **shunt_fit.shunt_rows(
            shunt[shunt.stratum == "settled"], shunt[shunt.stratum == "unstable"]
        ),
        **step_response.worked_rows(worked, {row.id: row.value for row in rows}),
    }
    evidence = put_beside(rows, found, read_explanations())
    return Credibility(
        size=size,
        evidence=evidence,
        tallies=tally((e.published.set, e.published.flag, e.grade) for e in evidence),
        checks=checks,
        settled=settled,
        unstable=unstable,
        shunt=shunt,
        steps=step_response.responses_by_level(unstable),
        worked=worked,
        counts=counts,
        manifest=_manifest(size, count, time.perf_counter() - clock),
    )


def _run_rows(studies: Sequence[Study]) -> Found:
    runs: dict[str, list[Lane]] = {}
    for study in studies:
        runs.setdefault(study.run, []).extend(study.lanes)
    return {
        **care_rows.settled_rows(runs["settled"]),
        **care_rows.unstable_rows(runs["unstable"]),
        **care_rows.reading_rows([*runs["settled"], *runs["unstable"]]),
        **care_rows.age_rows([runs["settled"], runs["unstable"]]),
        **care_rows.side_rows(runs),
        **care_rows.mode_rows(runs),
    }


def _drawn_rows(
    settled: Infants, unstable: Infants, few: Infants, rows: Sequence[Published], seed: int
) -> dict[str, Simulated]:
    return {
        **cohort_rows.drawn_rows(settled, unstable),
        **cohort_rows.constant_rows(),
        **cohort_rows.wash_in_rows(settled),
        **cohort_rows.noise_rows(seed),
        **limit_rows(settled, seed),
        **apnoea.statements(few),
        **apnoea.recurrent(unstable),
        **apnoea.closed_forms(),
        "S19": apnoea.open_airway_factor(few),
        **table_rows(rows),
    }


def _manifest(size: Size, workers: int, seconds: float) -> dict[str, Any]:
    return {
        "oxytestbed": __version__,
        "python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
        "seed": size.seed,
        "infants": size.infants,
        "hours": size.hours,
        "wall_time_s": round(seconds, 1),
        "workers": workers,
    }


def evidence_frame(evidence: Sequence[Evidence]) -> pd.DataFrame:
    """Turn the evidence into a table for a file.

    Parameters
    ----------
    evidence : sequence of Evidence
        All rows.

    Returns
    -------
    pandas.DataFrame
        One row per published figure: the columns of ``published.csv``, the
        simulated figure with quartiles and count, grade and explanation.
    """
    table = []
    for item in evidence:
        simulated = item.simulated or Simulated(value=float("nan"))
        table.append(
            {
                **vars(item.published),
                "simulated": simulated.value,
                "simulated_low": simulated.low,
                "simulated_high": simulated.high,
                "simulated_count": simulated.count,
                "note": simulated.note,
                "grade": item.grade or "",
                "explanation": item.explanation,
            }
        )
    return pd.DataFrame(table)


__all__ = ["Credibility", "evidence_frame", "gather_evidence"]
