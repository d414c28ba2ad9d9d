"""What a search for the worst case may choose: an infant and what befalls it.

A candidate is a point of the unit cube. Every point is a possible infant: one
that was drawn from the published distributions, changed a little, with the
share of ventilation solved again so that it needs what it needed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ..loop.script import ScriptedEvent
from ..models.infants import Infants
from ..models.lung_parameters import lung_parameters
from ..models.steady import ventilation_share_for

FloatArray = NDArray[np.float64]

#: Faults that may be chosen, besides none.
FAULT_MENU = (
    "none",
    "signal_lost",
    "probe_off_high",
    "probe_displaced_low",
    "frozen_reading",
    "motion",
    "stale_samples",
    "blender_stuck",
    "supply_lost",
    "interface_off",
    "circuit_leak",
    "late_controller",
    "erratic_output",
    "wrong_target",
    "gain_change",
)

#: Each dimension and its ends; the infant and the fault are chosen by number.
RANGES: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "infant": (0.0, 1.0),
        "frc_factor": (0.75, 1.25),
        "hb_factor": (0.8, 1.2),
        "flow_factor": (0.85, 1.2),
        "delay_factor": (0.7, 1.5),
        "apnoea_s": (8.0, 45.0),
        "interval_s": (60.0, 300.0),
        "apnoeas": (0.0, 6.0),
        "fault": (0.0, 1.0),
        "fault_after_s": (0.0, 420.0),
        "fault_s": (30.0, 600.0),
    }
)

DIMENSIONS = tuple(RANGES)

_FACTORS = {
    "frc_ml_kg": "frc_factor",
    "hb_g_dl": "hb_factor",
    "cardiac_output_ml_min_kg": "flow_factor",
    "circulation_delay_s": "delay_factor",
}


@dataclass(frozen=True, kw_only=True)
class Candidates:
    """Some points of the search as infants with a script.

    Attributes
    ----------
    infants : Infants
        One for each point.
    script : tuple of ScriptedEvent
        What befalls each of them.
    unchanged : int
        How many infants stayed as drawn, since the change made them impossible.
    """

    infants: Infants
    script: tuple[ScriptedEvent, ...]
    unchanged: int


def read_point(point: FloatArray) -> dict[str, float]:
    """Turn a point of the cube into numbers with units.

    Parameters
    ----------
    point : ndarray, shape (dimensions,)
        From 0 to 1 each.

    Returns
    -------
    dict of str to float
        By dimension.
    """
    return {
        name: low + (high - low) * float(part)
        for part, (name, (low, high)) in zip(point, RANGES.items(), strict=True)
    }


def fault_of(point: FloatArray) -> str:
    """Name the fault of a point.

    Parameters
    ----------
    point : ndarray, shape (dimensions,)
        From 0 to 1 each.

    Returns
    -------
    str
        Of `FAULT_MENU`.
    """
    part = float(point[DIMENSIONS.index("fault")])
    return FAULT_MENU[min(int(part * len(FAULT_MENU)), len(FAULT_MENU) - 1)]


def make_candidates(
    points: FloatArray, drawn: Infants, numbers: Sequence[int], begin_s: int
) -> Candidates:
    """Turn points into infants and a script.

    Parameters
    ----------
    points : ndarray, shape (points, dimensions)
        From 0 to 1 each.
    drawn : Infants
        The infants to choose from.
    numbers : sequence of int
        Own number of each new infant.
    begin_s : int
        When things begin to happen (s).

    Returns
    -------
    Candidates
    """
    told = [read_point(point) for point in points]
    places = np.array([min(int(t["infant"] * len(drawn)), len(drawn) - 1) for t in told])
    columns = {item.name: getattr(drawn, item.name)[places].copy() for item in fields(Infants)}
    columns["infant"] = np.array(numbers, dtype=np.int64)
    plain = Infants(**columns)
    described = {item.name: item.metadata for item in fields(Infants)}
    changed = dict(columns)
    for name, factor in _FACTORS.items():
        scaled = columns[name] * np.array([t[factor] for t in told])
        low, high = described[name]["low"], described[name]["high"]
        changed[name] = np.minimum(np.maximum(scaled, low), high)
    share = ventilation_share_for(
        lung_parameters(replace(plain, **{k: changed[k] for k in _FACTORS})),
        plain.fio2_need,
        plain.spo2_rest_pct / 100.0,
    )
    possible = np.isfinite(share)
    for name in _FACTORS:
        changed[name] = np.where(possible, changed[name], columns[name])
    changed["ventilation_share_poor"] = np.where(possible, share, columns["ventilation_share_poor"])
    script = [
        event
        for point, t, number in zip(points, told, numbers, strict=True)
        for event in _script(t, fault_of(point), number, begin_s)
    ]
    return Candidates(
        infants=Infants(**changed), script=tuple(script), unchanged=int((~possible).sum())
    )


def _script(told: dict[str, float], fault: str, number: int, begin_s: int) -> list[ScriptedEvent]:
    who = (number,)
    events = []
    interval_s = max(round(told["interval_s"]), round(told["apnoea_s"]) + 5)
    for count in range(round(told["apnoeas"])):
        events.append(
            ScriptedEvent(
                at_s=begin_s + count * interval_s,
                event="central_apnoea",
                duration_s=round(told["apnoea_s"]),
                infants=who,
            )
        )
    if fault != "none":
        events.append(
            ScriptedEvent(
                at_s=begin_s + round(told["fault_after_s"]),
                event=fault,
                duration_s=round(told["fault_s"]),
                infants=who,
            )
        )
    return events


__all__ = [
    "DIMENSIONS",
    "FAULT_MENU",
    "RANGES",
    "Candidates",
    "fault_of",
    "make_candidates",
    "read_point",
]
