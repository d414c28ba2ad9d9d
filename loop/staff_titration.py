"""Which way and how far staff turn the oxygen: a titration protocol as a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..models.errors import problem
from ..models.settings import quantity, validate


@dataclass(frozen=True, kw_only=True)
class TitrationRow:
    """One row of a titration protocol: a range of readings and what to do in it."""

    relative_to: str = quantity(
        unit="-",
        choices=("display", "target_low", "target_high"),
        doc="from where the range counts: the reading itself, or an end of the target",
    )
    spo2_from_pct: float = quantity(unit="%", low=-100, high=100, doc="lowest reading of the row")
    spo2_to_pct: float = quantity(unit="%", low=-100, high=100, doc="highest reading of the row")
    after_s: int = quantity(
        unit="s", low=0, high=3600, default=0, doc="watched for this long before the first step"
    )
    step_pct: float = quantity(
        unit="FiO2 %", low=-65, high=65, doc="median step; below 0 it goes down"
    )
    wait_s: int = quantity(
        unit="s", low=5, high=3600, default=60, doc="time to the next look after a step"
    )

    def __post_init__(self) -> None:
        validate(self)
        if self.spo2_from_pct > self.spo2_to_pct:
            raise problem(
                "TitrationRow.spo2_from_pct", "at most spo2_to_pct (%)", self.spo2_from_pct
            )


def find_row(
    rows: Sequence[TitrationRow], spo2_pct: float, low_pct: float, high_pct: float
) -> TitrationRow | None:
    """Find the first row of a protocol that a reading falls into.

    Parameters
    ----------
    rows : sequence of TitrationRow
        The protocol, the most urgent row first.
    spo2_pct : float
        Displayed SpO2 (percent); NaN falls into no row.
    low_pct, high_pct : float
        Ends of the target range (percent).

    Returns
    -------
    TitrationRow or None
    """
    origin = {"display": 0.0, "target_low": low_pct, "target_high": high_pct}
    for row in rows:
        if row.spo2_from_pct <= spo2_pct - origin[row.relative_to] <= row.spo2_to_pct:
            return row
    return None
