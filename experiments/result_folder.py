"""Write a result as a folder: all of it, or nothing.

Everything is first written into a folder beside the wanted one, which is
renamed when it is complete.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Sequence
from pathlib import Path

import pandas as pd

from ..models.errors import problem
from .figure_set import figure_set, write_figures
from .page import write_tables
from .report import render_report, report_page
from .result import ComparisonResult
from .resume import clear_partial, partial_folder
from .scenario import to_toml

#: Significant digits of numbers in the CSV files of outcomes and summaries.
DIGITS = 10

#: Tables of a result that are files of their own, with all digits.
TABLES = (
    "outcomes", "summary", "paired", "histogram", "events", "ranking", "courses", "warmups",
    "worst",
)  # fmt: skip

#: Decimals in traces: the display shows whole percents.
TRACE_DECIMALS = {
    "sao2_pct": 3,
    "pao2_mmhg": 2,
    "set_fio2": 4,
    "inspired_fio2": 4,
    "heart_rate_bpm": 1,
}


def free_folder(wanted: Path) -> Path:
    """Find a folder name that is not taken, by counting up.

    Parameters
    ----------
    wanted : Path
        The first choice.

    Returns
    -------
    Path
        `wanted`, or `wanted` with -2, -3 and so on.
    """
    folder, number = wanted, 1
    while folder.exists():
        number += 1
        folder = wanted.with_name(f"{wanted.name}-{number}")
    return folder


def refuse_taken(folder: Path) -> None:
    """Refuse a folder that exists or cannot be made, before a run and not after it.

    Parameters
    ----------
    folder : Path
        Wanted for a result.

    Raises
    ------
    TestbedError
        If it exists, or if what it would lie in is no folder or is protected.
    """
    if folder.exists():
        raise problem("result folder", "a folder that does not exist yet", str(folder))
    parent = next(item for item in folder.absolute().parents if item.exists())
    if not parent.is_dir() or not os.access(parent, os.W_OK):
        raise problem("result folder", "a place to write to", str(folder))


def save(result: ComparisonResult, folder: Path | str, *, brief: bool = False) -> Path:
    """Write tables, traces, figures and the report.

    Parameters
    ----------
    result : ComparisonResult
        What to write.
    folder : Path or str
        Where; it must not exist yet.
    brief : bool
        Leave out what is large: traces, events, strip charts and the report.

    Returns
    -------
    Path
        The report; the folder, if it is brief.

    Raises
    ------
    TestbedError
        If the folder exists or cannot be made.
    """
    wanted = Path(folder)
    if brief:
        write_whole(wanted, lambda folder: _write_brief(result, folder))
        return wanted
    write_whole(wanted, lambda folder: _write_all(result, folder))
    return wanted / "report.html"


def write_whole(wanted: Path, write: Callable[[Path], object]) -> None:
    """Write a folder that is there as a whole or not at all.

    Parameters
    ----------
    wanted : Path
        Where; it must not exist yet.
    write : callable
        Writes everything into the folder that it is given. If it fails,
        finished chunks stay, so that the same command can go on from there.

    Raises
    ------
    TestbedError
        If the folder exists or cannot be made.
    """
    refuse_taken(wanted)
    clear_partial(wanted, chunks=False)
    making = partial_folder(wanted) / "result"
    complete = False
    try:
        making.mkdir(parents=True)
        write(making)
        making.rename(wanted)
        complete = True
    except OSError as error:
        raise problem("result folder", "a place to write to", str(wanted), str(error)) from error
    finally:
        clear_partial(wanted, chunks=complete)


def _write_brief(result: ComparisonResult, folder: Path) -> None:
    _write_record(result, folder, [name for name in TABLES if name != "events"])
    entries = [entry for entry in figure_set(result) if entry.section != "strips"]
    (folder / "figures").mkdir()
    write_figures(result, folder / "figures", entries)


def _write_record(result: ComparisonResult, folder: Path, tables: Sequence[str]) -> None:
    (folder / "scenario.toml").write_text(to_toml(result.scenario), encoding="utf-8")
    manifest = json.dumps(dict(result.manifest), indent=2) + "\n"
    (folder / "manifest.json").write_text(manifest, encoding="utf-8")
    write_table(result.cohort, folder / "cohort.csv", exact=True)
    for name in tables:
        write_table(getattr(result, name), folder / f"{name}.csv")


def _write_all(result: ComparisonResult, folder: Path) -> None:
    _write_record(result, folder, TABLES)
    for (infant, arm), trace in result.traces.items():
        write_table(trace.round(TRACE_DECIMALS), folder / f"trace_{infant}_{arm}.csv")
    figures = folder / "figures"
    figures.mkdir()
    entries = figure_set(result)
    write_figures(result, figures, entries)
    write_tables(report_page(result, entries), folder / "tables")
    (folder / "report.html").write_text(render_report(result, entries), encoding="utf-8")


def write_table(table: pd.DataFrame, path: Path, *, exact: bool = False) -> None:
    """Write one table as CSV.

    Parameters
    ----------
    table : pandas.DataFrame
        What to write.
    path : Path
        Where.
    exact : bool
        Keep every digit, so that the numbers read back the same.
    """
    table.to_csv(path, index=False, float_format=None if exact else f"%.{DIGITS}g")
