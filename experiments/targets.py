"""Compare target ranges, or any other settings, on the same infants under the same arms.

Every cell of the study (a stratum of infants, a value of each factor) is a
comparison of all arms. The infants are drawn once, for the scenario's own
target, and stay the same in every cell, so cells compare within infants too.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import product
from pathlib import Path
from typing import Any

import pandas as pd

from ..loop.event_outcomes import EVENT_OUTCOMES
from ..loop.outcomes import OUTCOMES
from ..loop.registry import load_controller
from ..models.errors import problem
from ..models.infants import Infants
from .chunk import ChunkResult
from .compare import make_chunks, nursing_groups, run_manifest, scenario_infants
from .compare_tables import histogram_table, outcome_table
from .result import error_text
from .resume import store_for
from .scenario import load_scenario, override
from .scenario_settings import Scenario
from .statistics import paired_differences, summarise
from .target_factors import DEFAULT_RANGES, TARGET, Factor, cell_scenario
from .workers import Chunk, Progress, default_workers, run_chunks

STRATA = ("settled", "unstable")

#: What stands for the stratum where infants come from a file.
OWN_INFANTS = "own infants"

#: Outcomes that are summarised and shown. Limits of the first group are the
#: same in every cell; those of the second move with the target.
FIXED_LIMITS = (
    "hypoxia_burden_80_pct_s_per_h",
    "hyperoxia_burden_95_pct_s_per_h",
    "time_below_80_pct",
    "time_below_85_pct",
    "time_above_95_pct",
    "time_above_98_pct",
)
MOVING_LIMITS = (
    "time_in_target_pct",
    "hypoxia_burden_target_pct_s_per_h",
    "hyperoxia_burden_pct_s_per_h",
)
EXPOSURE = ("pao2_above_80_pct", "pao2_below_40_pct", "mean_fio2_pct")
WORK = (
    "alarms_high_priority_per_24h",
    "alarms_medium_priority_per_24h",
    "manual_changes_per_24h",
    "fio2_travel_pct_per_h",
)
SHOWN = (*FIXED_LIMITS, *MOVING_LIMITS, *EXPOSURE, *WORK)

KEYS = ("stratum", "setting", "arm")


@dataclass(frozen=True, kw_only=True)
class TargetsResult:
    """All that a study of target ranges produced.

    Attributes
    ----------
    scenario : Scenario
        The scenario that was varied; its own target is that of the draw.
    factors : tuple of Factor
        One or two.
    strata : tuple of str
        Strata of infants.
    outcomes : pandas.DataFrame
        A row per stratum, setting, arm and infant: stratum, setting, first,
        second (values of the factors), infant, arm, group, error, outcomes.
    summary : pandas.DataFrame
        A row per stratum, setting, arm and outcome: median, quartiles, mean
        and counts.
    paired : pandas.DataFrame
        A row per stratum, arm, setting and outcome: difference to the first
        setting within infants, with intervals.
    histogram : pandas.DataFrame
        Seconds at each displayed SpO2 by stratum, setting and arm.
    manifest : mapping
        Versions, seed, wall time and command.
    """

    scenario: Scenario
    factors: tuple[Factor, ...]
    strata: tuple[str, ...]
    outcomes: pd.DataFrame
    summary: pd.DataFrame
    paired: pd.DataFrame
    histogram: pd.DataFrame
    manifest: Mapping[str, Any] = field(default_factory=dict)

    @property
    def settings(self) -> tuple[str, ...]:
        """Labels of the settings, in order."""
        return tuple(dict.fromkeys(self.outcomes["setting"].astype(str)))

    @property
    def arms(self) -> tuple[str, ...]:
        """Names of the arms, in order."""
        return tuple(arm.name for arm in self.scenario.arms)

    @property
    def failures(self) -> list[tuple[str, str]]:
        """What did not finish: where, and the first error there."""
        found: dict[str, str] = {}
        for _, row in self.outcomes.iterrows():
            text = error_text(row["error"])
            if text:
                found.setdefault(", ".join(str(row[key]) for key in KEYS), text)
        return list(found.items())

    def to_frame(self) -> pd.DataFrame:
        """Give every outcome in long form.

        Returns
        -------
        pandas.DataFrame
            A row per stratum, setting, arm, infant and outcome.
        """
        keys = ["stratum", "setting", "first", "second", "infant", "arm", "group", "error"]
        return self.outcomes.melt(id_vars=keys, var_name="outcome", value_name="value")

    def save(self, folder: Path | str) -> Path:
        """Write tables, figures and the report into a new folder.

        Parameters
        ----------
        folder : Path or str
            Where; it must not exist yet.

        Returns
        -------
        Path
            The report.
        """
        from .targets_page import save_targets  # which needs this class

        return save_targets(self, Path(folder))


@dataclass(frozen=True, kw_only=True)
class _Cell:
    stratum: str
    values: tuple[str, ...]
    scenario: Scenario
    infants: Infants
    chunks: list[Chunk]

    @property
    def setting(self) -> str:
        return ", ".join(self.values)


def compare_targets(
    scenario: Scenario | str,
    *,
    factors: Sequence[Factor] = (Factor(key=TARGET, values=DEFAULT_RANGES),),
    strata: Sequence[str] = STRATA,
    workers: int | None = None,
    progress: Progress | None = None,
    command: str = "",
    keep_beside: Path | str | None = None,
) -> TargetsResult:
    """Put every arm on the same infants once for each setting.

    Parameters
    ----------
    scenario : Scenario or str
        The scenario to vary, or its name or path.
    factors : sequence of Factor, optional
        One factor, or two that are crossed; the target ranges by default.
    strata : sequence of str, optional
        Strata of infants; without effect where infants come from a file.
    workers : int, optional
        Number of processes; all cores if left out.
    progress : callable, optional
        Called with lane-seconds done and to do.
    command : str, optional
        How to make this result again, for the record.
    keep_beside : Path or str, optional
        Result folder to come; what finishes is kept beside it until the result
        is saved there.

    Returns
    -------
    TargetsResult

    Raises
    ------
    TestbedError
        If the scenario, a factor or a controller cannot be used.
    """
    base = load_scenario(scenario) if isinstance(scenario, str) else scenario
    if not 1 <= len(factors) <= 2 or len({item.key for item in factors}) != len(factors):
        raise problem("factors", "one, or two different ones", [item.key for item in factors])
    base = without_unmoved_arms(base)
    for arm in base.arms:
        if arm.kind == "controller":
            load_controller(arm.controller, arm.options)
    begun, clock = datetime.now(UTC), time.perf_counter()
    count = workers or default_workers()
    cells = list(_cells(base, factors, strata))
    chunks = [chunk for cell in cells for chunk in cell.chunks]
    store = store_for(Path(keep_beside) if keep_beside else None)
    results = iter(run_chunks(chunks, count, progress, store))
    found = [(cell, [next(results) for _ in cell.chunks]) for cell in cells]
    manifest = run_manifest(base.seed, begun, count, command)
    manifest["wall_time_s"] = round(time.perf_counter() - clock, 1)
    return _gather(base, tuple(factors), found, manifest)


def without_unmoved_arms(scenario: Scenario) -> Scenario:
    """Leave out arms with a fixed FiO2, which no target moves.

    Parameters
    ----------
    scenario : Scenario
        The scenario.

    Returns
    -------
    Scenario
        As it is where no other arm would be left.
    """
    arms = tuple(arm for arm in scenario.arms if arm.controller != "fixed")
    return replace(scenario, arms=arms) if arms else scenario


def _cells(base: Scenario, factors: Sequence[Factor], strata: Sequence[str]) -> Iterator[_Cell]:
    own = base.cohort.csv_path is not None
    for stratum in (OWN_INFANTS,) if own else tuple(strata):
        drawn = base if own else override(base, {"cohort.stratum": stratum})
        infants, _ = scenario_infants(drawn)
        groups = nursing_groups(len(infants), base.staff.infants_per_nurse)
        for values in product(*(factor.values for factor in factors)):
            made = cell_scenario(drawn, factors, values)
            quiet = override(made, {"report.trace_infants": [], "report.oracle": False})
            yield _Cell(
                stratum=stratum,
                values=values,
                scenario=quiet,
                infants=infants,
                chunks=make_chunks(quiet, infants, groups, 1),
            )


def _gather(
    base: Scenario,
    factors: tuple[Factor, ...],
    found: Sequence[tuple[_Cell, Sequence[ChunkResult]]],
    manifest: Mapping[str, Any],
) -> TargetsResult:
    arms = [arm.name for arm in base.arms]
    outcomes = pd.concat(
        [_labelled(cell, outcome_table(results, arms, cell.infants)) for cell, results in found],
        ignore_index=True,
    )
    histogram = pd.concat(
        [_labelled(cell, histogram_table(results, arms)) for cell, results in found],
        ignore_index=True,
    )
    return TargetsResult(
        scenario=base,
        factors=factors,
        strata=tuple(dict.fromkeys(cell.stratum for cell, _ in found)),
        outcomes=outcomes,
        summary=_summary(outcomes),
        paired=_paired(outcomes, base.seed, base.report.resamples),
        histogram=histogram,
        manifest=manifest,
    )


def _labelled(cell: _Cell, table: pd.DataFrame) -> pd.DataFrame:
    first, second = (*cell.values, "")[:2]
    labels = {"stratum": cell.stratum, "setting": cell.setting, "first": first, "second": second}
    for place, (name, value) in enumerate(labels.items()):
        table.insert(place, name, value)
    return table


def _summary(outcomes: pd.DataFrame) -> pd.DataFrame:
    names = [*OUTCOMES, *EVENT_OUTCOMES]
    tables = []
    for (stratum, setting), rows in outcomes.groupby(["stratum", "setting"], sort=False):
        table = summarise(rows, names)
        table.insert(0, "setting", str(setting))
        table.insert(0, "stratum", str(stratum))
        tables.append(table)
    return pd.concat(tables, ignore_index=True)


def _paired(outcomes: pd.DataFrame, seed: int, resamples: int) -> pd.DataFrame:
    """Compare each setting with the first one within infants, arm by arm."""
    tables = []
    for (stratum, arm), rows in outcomes.groupby(["stratum", "arm"], sort=False):
        turned = rows.drop(columns="arm").rename(columns={"setting": "arm"})
        first = str(turned["arm"].iloc[0])
        table = paired_differences(turned, first, SHOWN, seed=seed, resamples=resamples)
        table = table.rename(columns={"arm": "setting", "baseline": "reference"})
        table.insert(0, "arm", str(arm))
        table.insert(0, "stratum", str(stratum))
        tables.append(table)
    return pd.concat(tables, ignore_index=True)


__all__ = [
    "EXPOSURE",
    "FIXED_LIMITS",
    "KEYS",
    "MOVING_LIMITS",
    "OWN_INFANTS",
    "SHOWN",
    "STRATA",
    "WORK",
    "TargetsResult",
    "compare_targets",
    "without_unmoved_arms",
]
