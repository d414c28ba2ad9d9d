"""Write a cohort to a CSV file and read one back, the user's own included.

One row per infant and one column per field of `Infants`, under the same name,
in any order. Nothing is filled in by default, with one exception: where
`ventilation_share_poor` has no column or an empty cell, it is solved so that
the infant rests at `spo2_rest_pct` on `fio2_need`.
"""

from __future__ import annotations

import csv
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..models.errors import nearest, problem
from ..models.infants import Infants
from ..models.lung_parameters import lung_parameters
from ..models.settings import check_field
from ..models.steady import ventilation_share_for

#: The one column that may be left out or empty.
SOLVED_COLUMN = "ventilation_share_poor"

_FIELDS = {item.name: item for item in fields(Infants)}

_Row = dict[str, int | float | str]


def infants_frame(infants: Infants) -> pd.DataFrame:
    """Lay infants out as a table with the columns of a cohort file.

    Parameters
    ----------
    infants : Infants
        The infants.

    Returns
    -------
    pandas.DataFrame
        One row per infant, one column per field of `Infants`.
    """
    return pd.DataFrame({name: getattr(infants, name).tolist() for name in _FIELDS})


def write_infants(infants: Infants, path: str | Path) -> None:
    """Write infants to a CSV file that `read_infants` gives back bit for bit.

    Parameters
    ----------
    infants : Infants
        The infants to write.
    path : str or Path
        The file; an existing one is replaced.
    """
    columns = [getattr(infants, name).tolist() for name in _FIELDS]
    with Path(path).open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(_FIELDS)
        for row in zip(*columns, strict=True):
            # The shortest text from which the same float is read.
            writer.writerow([repr(cell) if isinstance(cell, float) else cell for cell in row])


def read_infants(path: str | Path) -> Infants:
    """Read infants from a CSV file.

    Parameters
    ----------
    path : str or Path
        UTF-8 file with commas between cells and points in decimals. Blank
        lines are passed over.

    Returns
    -------
    Infants
        In the order of the rows.

    Raises
    ------
    TestbedError
        If the file cannot be read, a column is missing, unknown or doubled, a
        cell is no number or out of range, two rows share a number, there is no
        row, or a share of ventilation cannot be solved. The message names file,
        line and column.
    """
    rows = _lines(Path(path))
    if not rows:
        raise problem(str(path), "a line with the names of the columns", "an empty file")
    header = _header(path, *rows[0])
    if len(rows) == 1:
        raise problem(str(path), "at least one infant below the names of the columns", "none")
    lines = [line for line, _ in rows[1:]]
    values = [_row(path, line, header, cells) for line, cells in rows[1:]]
    _refuse_doubles(path, lines, values)
    return _solved(path, lines, _stacked(values))


def _lines(path: Path) -> list[tuple[int, list[str]]]:
    """Split the file into cells; each row with its line number."""
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.reader(file, strict=True)
            rows = [(reader.line_num, [cell.strip() for cell in row]) for row in reader]
    except OSError as error:
        raise problem(str(path), "a cohort file that can be read", error.strerror) from error
    except UnicodeDecodeError as error:
        raise problem(str(path), "a text file in UTF-8", error.reason) from error
    except csv.Error as error:
        raise problem(
            f"{path}, line {reader.line_num}", "cells parted by commas", str(error)
        ) from (error)
    return [(line, cells) for line, cells in rows if any(cells)]


def _header(path: str | Path, line: int, names: list[str]) -> list[str]:
    """Check the names of the columns."""
    where = f"{path}, line {line}"
    for name in names:
        if name not in _FIELDS:
            raise problem(where, "the name of a column", name, nearest(name, _FIELDS))
        if names.count(name) > 1:
            raise problem(f"{where}, column {name}", "each column once", "the same name twice")
    for name in _FIELDS:
        if name not in names and name != SOLVED_COLUMN:
            hint = f"A cohort file has the columns {', '.join(_FIELDS)}."
            raise problem(where, f"a column {name}", "none of that name", hint)
    return names


def _row(path: str | Path, line: int, header: list[str], cells: list[str]) -> _Row:
    """Read one row; NaN stands for a share of ventilation yet to be solved."""
    if len(cells) != len(header):
        raise problem(f"{path}, line {line}", f"{len(header)} cells", f"{len(cells)} cells")
    row: _Row = {SOLVED_COLUMN: float("nan")}
    for name, text in zip(header, cells, strict=True):
        if name == SOLVED_COLUMN and not text:
            continue
        row[name] = _cell(f"{path}, line {line}, column {name}", name, text)
    return row


def _cell(where: str, name: str, text: str) -> int | float | str:
    """Read one cell and check it against the range of its field."""
    value: int | float | str = text
    if name == "infant":
        value = _number(where, text, whole=True)
    elif name != "stratum":
        value = _number(where, text, whole=False)
    check_field(where, value, _FIELDS[name].metadata)
    return value


def _number(where: str, text: str, *, whole: bool) -> int | float:
    """Turn text into a number."""
    try:
        return int(text) if whole else float(text)
    except ValueError as error:
        expected = "a whole number" if whole else "a number with a decimal point"
        raise problem(where, expected, text) from error


def _refuse_doubles(path: str | Path, lines: list[int], values: list[_Row]) -> None:
    """Refuse two infants of one number: they would share their random streams."""
    seen: dict[object, int] = {}
    for line, row in zip(lines, values, strict=True):
        number = row["infant"]
        if number in seen:
            expected = f"a number not used before (line {seen[number]} has it)"
            raise problem(f"{path}, line {line}, column infant", expected, number)
        seen[number] = line


def _stacked(values: list[_Row]) -> dict[str, list[int | float | str]]:
    """Turn rows into columns."""
    return {name: [row[name] for row in values] for name in _FIELDS}


def _solved(
    path: str | Path, lines: list[int], columns: dict[str, list[int | float | str]]
) -> Infants:
    """Build the infants and solve the shares of ventilation that were not given."""
    given = np.array(columns[SOLVED_COLUMN], dtype=np.float64)
    missing = np.isnan(given)
    kinds = {"infant": np.int64, "stratum": np.str_}
    arrays: dict[str, Any] = {
        name: np.array(cells, dtype=kinds.get(name, np.float64)) for name, cells in columns.items()
    }
    arrays[SOLVED_COLUMN] = np.where(missing, 0.0, given)
    infants = Infants(**arrays)
    if not missing.any():
        return infants
    # Solved over all rows: the share that stands in a row plays no part in it.
    wanted = np.minimum(infants.spo2_rest_pct / 100.0, np.nextafter(1.0, 0.0))
    solved = ventilation_share_for(lung_parameters(infants), infants.fio2_need, wanted)
    unsolved = np.flatnonzero(missing & np.isnan(solved))
    if unsolved.size:
        place = int(unsolved[0])
        raise problem(
            f"{path}, line {lines[place]}, column {SOLVED_COLUMN}",
            f"an infant whose SaO2 can be {infants.spo2_rest_pct[place]:g} %"
            f" on FiO2 {infants.fio2_need[place]:g}",
            "no share of ventilation that gives it",
            "Change fio2_need, spo2_rest_pct, shunt_fraction or perfusion_share_poor.",
        )
    return replace(infants, ventilation_share_poor=np.where(missing, solved, given))
