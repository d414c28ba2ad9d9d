"""The figures of the requirements: times, limits and steps that a safe loop has to keep."""

from __future__ import annotations

from dataclasses import dataclass

from ..models.settings import quantity, validate


@dataclass(frozen=True, kw_only=True)
class RequirementSettings:
    """What is required."""

    signal_lost_s: int = quantity(
        unit="s", low=1, high=600, default=30, doc="no valid SpO2 for longer than this"
    )
    fallback_within_s: int = quantity(
        unit="s", low=0, high=120, default=10, doc="then fallback mode and alarm within this"
    )
    low_pct: float = quantity(unit="%", low=50, high=95, default=80.0, doc="low SpO2")
    low_for_s: int = quantity(
        unit="s", low=1, high=600, default=30, doc="low for so long on end, from the crossing"
    )
    rise_by_s: int = quantity(
        unit="s", low=1, high=600, default=40, doc="FiO2 has risen by so long after the crossing"
    )
    rise: float = quantity(
        unit="fraction", low=0, high=0.79, default=0.05, doc="rise of set FiO2 that is required"
    )
    fio2_min: float = quantity(
        unit="fraction", low=0.21, high=1, default=0.21, doc="lower limit of set FiO2"
    )
    fio2_max: float = quantity(
        unit="fraction", low=0.21, high=1, default=1.0, doc="upper limit of set FiO2"
    )
    rise_per_s: float = quantity(
        unit="fraction/s", low=0.0005, high=0.79, default=0.02, doc="fastest rise of set FiO2"
    )
    step: float = quantity(
        unit="fraction", low=0.001, high=0.1, default=0.01, doc="step of the blender"
    )
    deviation: float = quantity(
        unit="fraction", low=0.01, high=0.79, default=0.10, doc="inspired beside set FiO2"
    )
    deviation_s: int = quantity(
        unit="s", low=1, high=600, default=90, doc="a technical alarm within so long"
    )
    creep: float = quantity(
        unit="fraction", low=0.01, high=0.79, default=0.20, doc="set FiO2 above its mean so far"
    )
    creep_minutes: float = quantity(
        unit="min", low=1, high=240, default=15.0, doc="staff are called by then"
    )
    hand_back_step: float = quantity(
        unit="fraction", low=0.01, high=0.79, default=0.05, doc="largest jump at hand-back in 5 s"
    )

    def __post_init__(self) -> None:
        validate(self)
