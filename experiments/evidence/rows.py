"""Published figures as rows, and simulated ones put beside them."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from ...models.errors import nearest, problem
from .grading import FLAGS, SETS, SPREADS, Grade, grade

FloatArray = NDArray[np.float64]

#: What becomes of a row.
STATUSES = {
    "simulated": "an experiment here gives a figure to put beside it",
    "not yet": "the part of the model that it is about is not built yet",
    "cannot": "the model has nothing to say about it",
}

SECTIONS: dict[str, str] = {
    "care": "Care by hand",
    "staff": "What staff do",
    "load": "Breathing events and desaturation",
    "response": "Response to inspired oxygen",
    "averaging": "Averaging time of the oximeter",
    "support": "Support modes",
    "oximeter": "Oximeter: bias, lost signal, PaO2 behind a reading",
    "lung": "Apnoea and the fall of saturation",
    "shunt": "Shunt and ventilation-perfusion, as a clinician fits them",
    "cohort": "The drawn infants",
    "delivery": "Gas delivery",
    "blood": "Fetal haemoglobin and P50",
    "exponents": "Number of desaturations by averaging time",
    "noise": "Displayed noise",
    "blood_tables": "Blood and gas equations, value by value",
}


@dataclass(frozen=True, kw_only=True)
class Published:
    """One published figure.

    Attributes
    ----------
    id : str
        Its name here.
    section : str
        A key of `SECTIONS`.
    quantity, population : str
        What was measured, in whom.
    value, low, high : float
        Figure and ends in `unit`, as `grading.SPREADS` says; NaN where not given.
    spread : str
        A key of `grading.SPREADS`.
    unit : str
        Unit as people read it.
    source : str
        Where it was published.
    flag : str
        read, memory or derived.
    set : str
        calibration, validation or other.
    status : str
        A key of `STATUSES`.
    how : str
        How it is simulated, or why it is not.
    """

    id: str
    section: str
    quantity: str
    population: str
    value: float
    low: float
    high: float
    spread: str
    unit: str
    source: str
    flag: str
    set: str
    status: str
    how: str

    def __post_init__(self) -> None:
        choices: dict[str, Iterable[str]] = {
            "section": SECTIONS, "spread": SPREADS, "flag": FLAGS, "set": SETS, "status": STATUSES,
        }  # fmt: skip
        for name, valid in choices.items():
            came = getattr(self, name)
            if came not in valid:
                hint = nearest(came, valid)
                raise problem(f"published figure {self.id}, {name}", "a known word", came, hint)


@dataclass(frozen=True, kw_only=True)
class Simulated:
    """What an experiment gives for one row.

    Attributes
    ----------
    value : float
        The figure to be graded, mostly a median over infants; NaN for none.
    low, high : float
        Quartiles over infants; NaN where there are none.
    count : int
        Infants, events or samples behind it.
    note : str
        What else a reader must know.
    """

    value: float
    low: float = math.nan
    high: float = math.nan
    count: int = 0
    note: str = ""


Found = Mapping[str, Simulated]


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """A published figure, the simulated one, the grade, and why it missed.

    Attributes
    ----------
    published : Published
        The row.
    simulated : Simulated or None
        None where there is no figure.
    grade : Grade or None
        None where there is nothing to grade.
    explanation : str
        Why it did not pass; empty where none has been written.
    """

    published: Published
    simulated: Simulated | None
    grade: Grade | None
    explanation: str = ""


def spread_over(values: Iterable[float] | FloatArray, note: str = "") -> Simulated:
    """Summarise values over infants: median and quartiles.

    Parameters
    ----------
    values : iterable of float
        One value for each infant or event; NaN is left out.
    note : str
        What else a reader must know.

    Returns
    -------
    Simulated
        With NaN for everything where no value is left.
    """
    array = np.asarray(list(values), dtype=np.float64)
    array = array[np.isfinite(array)]
    if not len(array):
        return Simulated(value=math.nan, note=note)
    low, middle, high = (float(q) for q in np.quantile(array, (0.25, 0.5, 0.75)))
    return Simulated(value=middle, low=low, high=high, count=len(array), note=note)


def figure(value: float, count: int = 0, note: str = "") -> Simulated:
    """Give a figure without a spread.

    Parameters
    ----------
    value : float
        The figure.
    count : int
        What stands behind it.
    note : str
        What else a reader must know.

    Returns
    -------
    Simulated
    """
    return Simulated(value=float(value), count=count, note=note)


def read_published() -> list[Published]:
    """Read every published figure that comes with the testbed.

    Returns
    -------
    list of Published
        In the order of the file.

    Raises
    ------
    TestbedError
        If a word of the file is not known or an id comes twice.
    """
    rows = [
        Published(
            value=_number(row.pop("value")),
            low=_number(row.pop("low")),
            high=_number(row.pop("high")),
            **row,
        )
        for row in _table("published.csv")
    ]
    names = [row.id for row in rows]
    doubles = sorted({name for name in names if names.count(name) > 1})
    if doubles:
        raise problem("published.csv", "each id once", doubles)
    return rows


def read_explanations() -> dict[str, str]:
    """Read why rows do not pass.

    Returns
    -------
    dict of str to str
        A sentence by id.
    """
    return {row["id"]: row["explanation"] for row in _table("explanations.csv")}


def put_beside(
    published: Iterable[Published], found: Found, explanations: Mapping[str, str]
) -> list[Evidence]:
    """Grade every row; none is dropped, whatever came out.

    Parameters
    ----------
    published : iterable of Published
        The rows.
    found : mapping of str to Simulated
        Figures by id.
    explanations : mapping of str to str
        Sentences by id, shown with rows that do not pass.

    Returns
    -------
    list of Evidence
        One for each row, in the same order.

    Raises
    ------
    TestbedError
        If a figure was found for an id that no row has, or for a row that
        says it is not simulated.
    """
    rows = list(published)
    valid = {row.id for row in rows if row.status == "simulated"}
    for name in found:
        if name not in valid:
            raise problem("simulated figure", "the id of a simulated row", name)
    return [_beside(row, found.get(row.id), explanations.get(row.id, "")) for row in rows]


def _beside(row: Published, simulated: Simulated | None, explanation: str) -> Evidence:
    if simulated is None:
        return Evidence(published=row, simulated=None, grade=None)
    given = grade(row.spread, row.value, row.low, row.high, simulated.value)
    shown = "" if given is Grade.PASS else explanation
    return Evidence(published=row, simulated=simulated, grade=given, explanation=shown)


def _table(name: str) -> list[dict[str, str]]:
    text = (files("oxytestbed.experiments.evidence") / name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def _number(text: str) -> float:
    return float(text) if text else math.nan
