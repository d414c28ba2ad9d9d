"""Read a bedside recording: time, SpO2 and FiO2 from a CSV file, brought to 1 Hz.

Nothing is guessed. A column is found by a known heading or not at all; percent
and fraction are told apart where only one of them is possible, and refused
where both are. The file is read in pieces, so that its size does not matter;
of several samples in one second the last is kept.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..models.errors import TestbedError, nearest, problem
from ..models.infants import FloatArray

#: Headings that are understood, without regard to capitals, blanks and underscores.
HEADINGS = {
    "time": ("time", "time_s", "seconds", "t_s", "timestamp", "datetime", "date_time"),
    "spo2": ("spo2", "spo2_pct", "spo2_percent", "spo2%", "spo2(%)", "spo2[%]", "spo2_fraction"),
    "fio2": (
        "fio2", "fio2_pct", "fio2_percent", "fio2%", "fio2(%)", "fio2[%]", "fio2_fraction",
        "set_fio2", "set_fio2_pct",
    ),
}  # fmt: skip

#: Longest stretch that is read (s), and most lines of a file.
LONGEST_S = 24 * 3600
MOST_ROWS = 20_000_000

#: Shortest stretch that is of use (s), and longest wait between two FiO2s.
SHORTEST_S = 600
LONGEST_HOLD_S = 3600

_PIECE_ROWS = 200_000
_MISSING = ["", "NA", "N/A", "NaN", "nan", "null", "-", "--", "---"]


@dataclass(frozen=True, kw_only=True)
class BedsideRecording:
    """A recording at 1 Hz.

    Attributes
    ----------
    spo2_pct : ndarray, shape (seconds,)
        SpO2 (percent); NaN in a second without a sample.
    fio2 : ndarray, shape (seconds,)
        FiO2 (fraction), held from one sample to the next.
    rows : int
        Lines with numbers in the file.
    interval_s : float
        Usual time from one SpO2 to the next.
    name : str
        Name of the file.
    start_s : int
        When the arrays begin: seconds after the first line of the file, which may have no FiO2 yet.
    """

    spo2_pct: FloatArray
    fio2: FloatArray
    rows: int
    interval_s: float
    name: str
    start_s: int = 0

    def __len__(self) -> int:
        return len(self.fio2)


def read_recording(
    path: Path | str,
    *,
    longest_s: int = LONGEST_S,
    most_rows: int = MOST_ROWS,
    piece_rows: int = _PIECE_ROWS,
) -> BedsideRecording:
    """Read a recording.

    Parameters
    ----------
    path : Path or str
        CSV file in UTF-8 with a heading; time in seconds or as ISO 8601.
    longest_s, most_rows : int
        A longer recording, or a file of more lines, is refused.
    piece_rows : int
        Lines that are held at once.

    Returns
    -------
    BedsideRecording

    Raises
    ------
    TestbedError
        If the file cannot be read, a column is missing, time does not go
        forwards, a value is impossible, or units are mixed or not clear.
    """
    path = Path(path)
    columns = _columns(path)
    kept: dict[int, tuple[float, float]] = {}
    clock = _Clock(path, columns["time"], longest_s)
    units = {name: _Unit(path, name, columns[name]) for name in ("spo2", "fio2")}
    rows = 0
    for piece in _pieces(path, columns, piece_rows):
        first = rows + 2  # the heading is line 1
        rows += len(piece)
        if rows > most_rows:
            raise problem(str(path), f"at most {most_rows} lines", "more", "Cut out a stretch.")
        second = clock.seconds(piece[columns["time"]], first)
        values = [units[name].add(piece[columns[name]], first) for name in ("spo2", "fio2")]
        _keep(kept, second, *values)
    if rows == 0:
        raise problem(str(path), "lines with numbers below the heading", "none")
    return _gridded(path, kept, rows, *(units[name].factor() for name in ("spo2", "fio2")))


def _plain(heading: str) -> str:
    return re.sub(r"_(?=[(\[%])", "", re.sub(r"[\s_]+", "_", heading.strip().lower()))


def _columns(path: Path) -> dict[str, str]:
    """Find the heading of each column."""
    try:
        with path.open(encoding="utf-8-sig") as file:
            line = file.readline(100_000)
    except OSError as error:
        raise problem(str(path), "a recording that can be read", error.strerror) from error
    except UnicodeDecodeError as error:
        raise problem(str(path), "a text file in UTF-8", error.reason) from error
    if not line.strip():
        raise problem(str(path), "a line with the names of the columns", "an empty file")
    headings = [cell.strip().strip('"') for cell in line.rstrip("\r\n").split(",")]
    found = {}
    for name, spellings in HEADINGS.items():
        fitting = [heading for heading in headings if _plain(heading) in spellings]
        if not fitting:
            raise problem(f"{path}, line 1", f"a column {name}", headings, nearest(name, spellings))
        if len(fitting) > 1:
            raise problem(f"{path}, line 1", f"one column for {name}", fitting, "Drop the others.")
        found[name] = fitting[0]
    return found


def _pieces(path: Path, columns: dict[str, str], piece_rows: int) -> Iterator[pd.DataFrame]:
    """Read the three columns as text, some lines at a time."""
    try:
        with pd.read_csv(
            path,
            usecols=lambda heading: str(heading).strip() in columns.values(),
            dtype=str,
            chunksize=piece_rows,
            keep_default_na=False,
            encoding="utf-8-sig",
            index_col=False,
            skip_blank_lines=False,
        ) as reader:
            for piece in reader:
                piece.columns = piece.columns.str.strip()
                if len(piece):
                    yield piece
    except UnicodeDecodeError as error:
        raise problem(str(path), "a text file in UTF-8", error.reason) from error
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise problem(str(path), "cells parted by commas", str(error).strip()) from error


class _Clock:
    """Turns the cells of time into whole seconds since the first, always forwards."""

    def __init__(self, path: Path, heading: str, longest_s: int) -> None:
        self._path, self._heading, self._longest_s = path, heading, longest_s
        self._start: float | None = None
        self._last = -math.inf
        self._iso: bool | None = None

    def seconds(self, cells: pd.Series[str], first_line: int) -> NDArray[np.int64]:
        text = cells.fillna("").str.strip()
        if self._iso is None:
            self._iso = not _is_number(text.iloc[0])
        exact = self._parsed(text, first_line)
        before = np.concatenate(([self._last], exact[:-1]))
        wrong = np.flatnonzero(~(exact > before))
        if wrong.size:
            line = first_line + int(wrong[0])
            word = (
                "the same time again" if exact[wrong[0]] == before[wrong[0]] else "an earlier one"
            )
            raise problem(
                f"{self._path}, line {line}, column {self._heading}",
                "a time after that of the line before",
                text.iloc[int(wrong[0])],
                f"It is {word}. Sort the file, and split it where a clock was set back.",
            )
        self._last = float(exact[-1])
        self._start = float(exact[0]) if self._start is None else self._start
        if self._last - self._start >= self._longest_s:
            raise problem(
                str(self._path),
                f"a recording of at most {self._longest_s / 3600:g} h",
                "a longer one",
                "Cut out the stretch that is of interest.",
            )
        return np.asarray(np.floor(exact - self._start + 1e-9), dtype=np.int64)

    def _parsed(self, text: pd.Series[str], first_line: int) -> FloatArray:
        if self._iso:
            moments = pd.to_datetime(text, format="ISO8601", errors="coerce", utc=True)
            bad = moments.isna().to_numpy()
            exact = (moments - pd.Timestamp(0, tz="UTC")).dt.total_seconds().to_numpy(dtype=float)
        else:
            exact = pd.to_numeric(text, errors="coerce").to_numpy(dtype=float)
            bad = ~np.isfinite(exact)
        if bad.any():
            place = int(np.argmax(bad))
            expected = "a time in ISO 8601, as above" if self._iso else "a time in seconds"
            raise problem(
                f"{self._path}, line {first_line + place}, column {self._heading}",
                expected,
                text.iloc[place],
            )
        return np.asarray(exact)


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


class _Unit:
    """Reads the cells of one signal and finds out whether they are percent or fractions."""

    def __init__(self, path: Path, name: str, heading: str) -> None:
        self._path, self._name, self._heading = path, name, heading
        plain = _plain(heading)
        self._said = "fraction" if "fraction" in plain else ""
        if re.search(r"pct|percent|%", plain):
            self._said = "percent"
        self._fraction_line = self._percent_line = 0

    def add(self, cells: pd.Series[str], first_line: int) -> FloatArray:
        text = cells.fillna("").str.strip()
        missing = text.isin(_MISSING).to_numpy()
        values = pd.to_numeric(text.where(~missing), errors="coerce").to_numpy(dtype=float)
        low = 0.21 if self._name == "fio2" else 0.0
        fraction = (values >= low - 1e-9) & (values <= 1.0) & (values > 0.0)
        percent = (values >= 100.0 * low - 1e-9) & (values > 1.0) & (values <= 100.0)
        if self._name == "spo2":  # 1 % is shown by no infant and 1.0 is a fraction
            percent &= values >= 10.0
        bad = ~missing & ~fraction & ~percent
        if bad.any():
            place = int(np.argmax(bad))
            least = "21" if self._name == "fio2" else "10"
            raise problem(
                self._where(first_line + place),
                f"{least} to 100 (percent) or the same as fractions, or an empty cell",
                text.iloc[place],
                "A lost reading is an empty cell, never 0.",
            )
        if not self._fraction_line and fraction.any():
            self._fraction_line = first_line + int(np.argmax(fraction))
        if not self._percent_line and percent.any():
            self._percent_line = first_line + int(np.argmax(percent))
        self._refuse_mixed()
        return np.where(missing, np.nan, values)

    def _where(self, line: int) -> str:
        return f"{self._path}, line {line}, column {self._heading}"

    def _refuse_mixed(self) -> None:
        lines = {"fraction": self._fraction_line, "percent": self._percent_line}
        if all(lines.values()):
            raise problem(
                self._where(max(lines.values())),
                f"one unit in the whole column, as in line {min(lines.values())}",
                "percent and fractions mixed",
            )
        other = {"fraction": "percent", "percent": "fraction"}.get(self._said, "")
        if other and lines[other]:
            raise problem(self._where(lines[other]), f"{self._said}, as headed", other)

    def factor(self) -> float:
        """Give what turns the values into percent."""
        if not self._fraction_line and not self._percent_line:
            raise problem(f"{self._path}, column {self._heading}", "at least one value", "none")
        return 100.0 if self._fraction_line else 1.0


def _keep(
    kept: dict[int, tuple[float, float]],
    second: NDArray[np.int64],
    spo2: FloatArray,
    fio2: FloatArray,
) -> None:
    """Keep the last sample of each second, signal by signal."""
    for name, values in ((0, spo2), (1, fio2)):
        known = np.flatnonzero(np.isfinite(values))
        # Of equal seconds, `unique` on the reversed order finds the last.
        seconds, places = np.unique(second[known][::-1], return_index=True)
        for at, value in zip(seconds.tolist(), values[known][::-1][places].tolist(), strict=True):
            pair = kept.get(at, (math.nan, math.nan))
            kept[at] = (value, pair[1]) if name == 0 else (pair[0], value)


def _gridded(
    path: Path,
    kept: dict[int, tuple[float, float]],
    rows: int,
    spo2_factor: float,
    fio2_factor: float,
) -> BedsideRecording:
    """Lay the samples out at 1 Hz, from the first FiO2 to the last sample."""
    seconds = np.array(sorted(kept), dtype=np.int64)
    pairs = np.array([kept[at] for at in seconds.tolist()])
    with_fio2 = np.flatnonzero(np.isfinite(pairs[:, 1]))
    begin = int(seconds[with_fio2[0]])
    length = int(seconds[-1]) - begin + 1
    if length < SHORTEST_S:
        raise problem(
            str(path),
            f"at least {SHORTEST_S // 60} min with SpO2 and FiO2",
            f"{length / 60:.1f} min",
        )
    spo2, fio2 = np.full(length, np.nan), np.full(length, np.nan)
    inside = seconds >= begin
    spo2[seconds[inside] - begin] = spo2_factor * pairs[inside, 0]
    fio2[seconds[inside] - begin] = fio2_factor / 100.0 * pairs[inside, 1]
    known = np.flatnonzero(np.isfinite(fio2))
    latest = known[np.searchsorted(known, np.arange(length), side="right") - 1]
    waits = np.diff(np.append(known, length))
    if waits.max() > LONGEST_HOLD_S:
        at = int(known[int(np.argmax(waits))]) + begin
        raise TestbedError(
            f"{path}: no FiO2 for {waits.max() / 60:.0f} min from {at} s on; it is held for "
            f"{LONGEST_HOLD_S // 60} min at most. Cut out a stretch with FiO2."
        )
    shown = np.flatnonzero(np.isfinite(spo2))
    if len(shown) < 30:
        raise problem(str(path), "at least 30 readings of SpO2", len(shown))
    return BedsideRecording(
        spo2_pct=spo2,
        fio2=fio2[latest],
        rows=rows,
        interval_s=float(np.median(np.diff(shown))),
        name=path.name,
        start_s=begin,
    )
