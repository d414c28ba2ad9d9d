"""What one comparison gives back: every table, trace and setting, under fixed names.

The files, the text on the terminal and the HTML report are all renderings of
this one object, so that they cannot disagree.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from ..models.errors import nearest, problem
from .chunk import MANUAL_ARM

COLUMNS: dict[str, tuple[str, ...]] = {
    "cohort": ("infant",),
    "outcomes": ("infant", "arm", "group", "error"),
    "summary": ("arm", "outcome", "median", "q1", "q3", "mean", "infants", "left_out"),
    "paired": (
        "arm",
        "baseline",
        "outcome",
        "median_difference",
        "mean_difference",
        "median_low",
        "median_high",
        "mean_low",
        "mean_high",
        "infants",
        "groups",
    ),
    "histogram": ("arm", "spo2_pct", "seconds_on_oxygen", "seconds_all"),
    "events": ("time_s", "infant", "arm", "event", "value", "detail"),
    "scenario_table": ("key", "value", "unit", "meaning", "source"),
}

TRACE_COLUMNS = (
    "time_s",
    "spo2_pct",
    "sao2_pct",
    "pao2_mmhg",
    "set_fio2",
    "inspired_fio2",
    "heart_rate_bpm",
    "apnoea",
)


def error_text(value: object) -> str:
    """Read one entry of the `error` column.

    Parameters
    ----------
    value : object
        Text, or an empty text, None or NaN where nothing failed.

    Returns
    -------
    str
        The error, or an empty text.
    """
    return value.strip() if isinstance(value, str) else ""


@dataclass(frozen=True, kw_only=True)
class ComparisonResult:
    """All that a comparison of arms on one cohort produced.

    Attributes
    ----------
    scenario : Scenario
        The resolved scenario: name, title, question, seed, target and the rest.
    cohort : pandas.DataFrame
        One row per infant; columns are the fields of `models.infants.Infants`.
    outcomes : pandas.DataFrame
        One row per infant and arm: infant, arm, group, error and a column per
        outcome. Where an arm failed, `error` holds the message.
    summary : pandas.DataFrame
        One row per arm and outcome: median, quartiles and mean over infants,
        how many infants count and how many were left out.
    paired : pandas.DataFrame
        One row per arm and outcome: differences to the baseline arm within
        infants, with intervals for their median and their mean.
    histogram : pandas.DataFrame
        Seconds at each displayed SpO2 (0 to 100 %) by arm, after the warm-up,
        summed over infants.
    traces : mapping of (int, str) to pandas.DataFrame
        1 Hz traces of the chosen infants, keyed by infant and arm.
    events : pandas.DataFrame
        Alarms, faults and acts at the bedside of the chosen infants.
    scenario_table : pandas.DataFrame
        Every setting with its unit, its meaning and who set it.
    manifest : mapping
        Versions, seed, wall time, start and command of the run.
    ranking : pandas.DataFrame
        Place of each arm by each key outcome, with intervals.
    courses : pandas.DataFrame
        Mean course of SpO2 and FiO2 around apnoeas that all arms share.
    warmups : pandas.DataFrame
        Key outcomes of each infant and arm counted with other warm-ups.
    worst : pandas.DataFrame
        The infants who lost most time in target, and in which arm.
    """

    scenario: Any
    cohort: pd.DataFrame
    outcomes: pd.DataFrame
    summary: pd.DataFrame
    paired: pd.DataFrame
    histogram: pd.DataFrame
    traces: Mapping[tuple[int, str], pd.DataFrame]
    events: pd.DataFrame
    scenario_table: pd.DataFrame
    manifest: Mapping[str, Any] = field(default_factory=dict)
    ranking: pd.DataFrame = field(default_factory=pd.DataFrame)
    courses: pd.DataFrame = field(default_factory=pd.DataFrame)
    warmups: pd.DataFrame = field(default_factory=pd.DataFrame)
    worst: pd.DataFrame = field(default_factory=pd.DataFrame)

    def __post_init__(self) -> None:
        for table, needed in COLUMNS.items():
            _require(f"ComparisonResult.{table}", getattr(self, table), needed)
        for key, trace in self.traces.items():
            _require(f"ComparisonResult.traces[{key!r}]", trace, TRACE_COLUMNS)

    @property
    def arms(self) -> tuple[str, ...]:
        """Names of all arms, in the order of the outcomes table."""
        return tuple(dict.fromkeys(self.outcomes["arm"].astype(str)))

    @property
    def failures(self) -> dict[str, str]:
        """The first error of each arm that has one."""
        found: dict[str, str] = {}
        for arm, value in zip(self.outcomes["arm"], self.outcomes["error"], strict=True):
            text = error_text(value)
            if text:
                found.setdefault(str(arm), text)
        return found

    @property
    def finished_arms(self) -> tuple[str, ...]:
        """Names of the arms in which at least one infant has results."""
        good = [error_text(value) == "" for value in self.outcomes["error"]]
        return tuple(dict.fromkeys(self.outcomes.loc[good, "arm"].astype(str)))

    @property
    def baseline(self) -> str:
        """The arm that the paired table compares with."""
        if len(self.paired):
            return str(self.paired["baseline"].iloc[0])
        arms = self.finished_arms
        return MANUAL_ARM if MANUAL_ARM in arms or not arms else arms[0]

    @property
    def trace_infants(self) -> tuple[int, ...]:
        """Numbers of the infants that have traces, in ascending order."""
        return tuple(sorted({infant for infant, _ in self.traces}))

    def to_frame(self) -> pd.DataFrame:
        """Give every outcome in long form.

        Returns
        -------
        pandas.DataFrame
            A row per infant, arm and outcome: infant, arm, group, error,
            outcome, value; a copy.
        """
        keys = ["infant", "arm", "group", "error"]
        return self.outcomes.melt(id_vars=keys, var_name="outcome", value_name="value")

    def save(self, folder: Path | str) -> Path:
        """Write tables, traces, figures and the report into a new folder.

        Parameters
        ----------
        folder : Path or str
            Where; it must not exist yet.

        Returns
        -------
        Path
            The report.

        Raises
        ------
        TestbedError
            If the folder exists or cannot be made.
        """
        from .result_folder import save  # which needs this class

        return save(self, folder)

    def trace(self, infant: int, arm: str) -> pd.DataFrame:
        """Give the trace of one infant in one arm.

        Parameters
        ----------
        infant : int
            The infant's own number.
        arm : str
            Name of the arm.

        Returns
        -------
        pandas.DataFrame
            Columns as in `TRACE_COLUMNS`.

        Raises
        ------
        TestbedError
            If no such trace was kept.
        """
        if (infant, arm) not in self.traces:
            known = [f"{number}/{name}" for number, name in self.traces]
            asked = f"{infant}/{arm}"
            raise problem("trace", "an infant and arm with a trace", asked, nearest(asked, known))
        return self.traces[infant, arm]


def _require(where: str, table: pd.DataFrame, needed: tuple[str, ...]) -> None:
    missing = [name for name in needed if name not in table.columns]
    if missing:
        hint = "Missing: " + ", ".join(missing) + "."
        raise problem(where, "columns " + ", ".join(needed), list(table.columns), hint)


__all__ = ["COLUMNS", "MANUAL_ARM", "TRACE_COLUMNS", "ComparisonResult", "error_text"]
