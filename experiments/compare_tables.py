"""What chunks give back, gathered into the tables of a comparison."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields

import numpy as np
import pandas as pd

from ..loop.event_log import EventRecord
from ..loop.trace import Trace
from ..models.infants import Infants
from .chunk import SPO2_VALUES, ChunkResult
from .warmup import WARMUP_OUTCOMES


def cohort_table(infants: Infants) -> pd.DataFrame:
    """Turn a cohort into a table with a row per infant.

    Parameters
    ----------
    infants : Infants
        The cohort.

    Returns
    -------
    pandas.DataFrame
        A column per field of `Infants`.
    """
    return pd.DataFrame({item.name: getattr(infants, item.name) for item in fields(infants)})


def outcome_table(
    results: Sequence[ChunkResult], arms: Sequence[str], infants: Infants
) -> pd.DataFrame:
    """Gather the outcomes of all chunks.

    Parameters
    ----------
    results : sequence of ChunkResult
        Of all chunks.
    arms : sequence of str
        Names of the arms, in order.
    infants : Infants
        The cohort, in order.

    Returns
    -------
    pandas.DataFrame
        A row per arm and infant, in that order whatever the chunks were.
    """
    place = {number: place for place, number in enumerate(infants.infant.tolist())}
    rows = [row for part in results for row in part.rows]
    rows.sort(key=lambda row: (arms.index(row["arm"]), place[row["infant"]]))
    return pd.DataFrame(rows)


def histogram_table(results: Sequence[ChunkResult], arms: Sequence[str]) -> pd.DataFrame:
    """Add up how long each arm spent at each displayed SpO2.

    Parameters
    ----------
    results : sequence of ChunkResult
        Of all chunks.
    arms : sequence of str
        Names of the arms, in order.

    Returns
    -------
    pandas.DataFrame
        Seconds by arm and SpO2, on oxygen and in all.
    """
    tables = []
    for arm in arms:
        counts = np.zeros((2, SPO2_VALUES), dtype=np.int64)
        for part in results:
            if arm in part.histogram:
                counts += part.histogram[arm]
        tables.append(
            pd.DataFrame(
                {
                    "arm": arm,
                    "spo2_pct": np.arange(SPO2_VALUES),
                    "seconds_on_oxygen": counts[0],
                    "seconds_all": counts[1],
                }
            )
        )
    return pd.concat(tables, ignore_index=True)


def event_table(results: Sequence[ChunkResult]) -> pd.DataFrame:
    """Gather the events of all chunks.

    Parameters
    ----------
    results : sequence of ChunkResult
        Of all chunks.

    Returns
    -------
    pandas.DataFrame
        Ordered by infant, arm and time.
    """
    events = [event for part in results for event in part.events]
    return in_order(pd.DataFrame(events, columns=EventRecord._fields))


def in_order(events: pd.DataFrame) -> pd.DataFrame:
    """Put events in the order of the table.

    Parameters
    ----------
    events : pandas.DataFrame
        Columns as in `EventRecord`.

    Returns
    -------
    pandas.DataFrame
    """
    return events.sort_values(["infant", "arm", "time_s"], kind="stable", ignore_index=True)


def trace_frame(trace: Trace) -> pd.DataFrame:
    """Turn a trace into a table with a row a second.

    Parameters
    ----------
    trace : Trace
        One infant in one arm.

    Returns
    -------
    pandas.DataFrame
        Columns as in `result.TRACE_COLUMNS`.
    """
    return pd.DataFrame(
        {
            "time_s": np.arange(len(trace)),
            "spo2_pct": trace.spo2_pct,
            "sao2_pct": trace.sao2_pct,
            "pao2_mmhg": trace.pao2_mmhg,
            "set_fio2": trace.set_fio2,
            "inspired_fio2": trace.inspired_fio2,
            "heart_rate_bpm": trace.heart_rate_bpm,
            "apnoea": trace.apnoea,
        }
    )


def warmup_table(results: Sequence[ChunkResult], arms: Sequence[str]) -> pd.DataFrame:
    """Gather the key outcomes counted with other warm-ups.

    Parameters
    ----------
    results : sequence of ChunkResult
        Of all chunks.
    arms : sequence of str
        Names of the arms, in order.

    Returns
    -------
    pandas.DataFrame
        Ordered by warm-up, arm and infant.
    """
    rows = [row for part in results for row in part.warmups]
    rows.sort(key=lambda row: (row["warmup_s"], arms.index(row["arm"]), row["infant"]))
    return pd.DataFrame(
        rows, columns=["infant", "arm", "group", "error", "warmup_s", *WARMUP_OUTCOMES]
    )


__all__ = [
    "cohort_table",
    "event_table",
    "histogram_table",
    "outcome_table",
    "trace_frame",
    "warmup_table",
]
