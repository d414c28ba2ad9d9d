"""What a scenario holds: everything that a comparison needs to know.

Unit, range, default and meaning of a setting stand beside its field, here or
in the part of the testbed that the setting belongs to, and nowhere else.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from ..loop.alarms import AlarmSettings
from ..loop.fault_draws import FaultSettings
from ..loop.oracle import ORACLE
from ..loop.safeguards.settings import SafeguardSettings, changed
from ..loop.script import ScriptedEvent
from ..loop.staff_settings import StaffSettings
from ..models.activities import ActivitySettings
from ..models.artefacts import ArtefactSettings
from ..models.cohort import CohortSettings
from ..models.disturbances import DisturbanceSettings
from ..models.errors import nearest, problem
from ..models.gas_delivery import GasSettings
from ..models.oximeter import OximeterSettings
from ..models.periodic_breathing import PeriodicSettings
from ..models.settings import quantity, validate
from ..models.support import MODES, NasalCpap, SupportSettings
from .settings_reader import Place, refuse

ARM_KINDS = ("manual", "controller")

#: Names stand in file names, tables and on the command line.
NAME_PATTERN = re.compile(r"[a-z0-9_-]+")


@dataclass(frozen=True, kw_only=True)
class RunSettings:
    """How long a run lasts, and how much of its beginning is not counted."""

    duration_h: float = quantity(
        unit="h", low=0.05, high=336, default=12.0, doc="simulated time, warm-up included"
    )
    warmup_h: float = quantity(
        unit="h", low=0, high=335, default=1.0, doc="time at the beginning that no outcome counts"
    )

    def __post_init__(self) -> None:
        validate(self)
        if self.warmup_s >= self.duration_s:
            raise problem(
                "RunSettings.warmup_h",
                f"less than duration_h ({self.duration_h:g} h)",
                self.warmup_h,
                "Lengthen the run or shorten the warm-up.",
            )

    @property
    def duration_s(self) -> int:
        """Simulated time in whole seconds."""
        return math.floor(self.duration_h * 3600 + 0.5)

    @property
    def warmup_s(self) -> int:
        """Warm-up in whole seconds."""
        return math.floor(self.warmup_h * 3600 + 0.5)


@dataclass(frozen=True, kw_only=True)
class TargetSettings:
    """The SpO2 range that every arm aims at; both ends lie inside it."""

    low_pct: float = quantity(unit="%", low=60, high=99, doc="low end of the SpO2 target range")
    high_pct: float = quantity(unit="%", low=61, high=100, doc="high end of the SpO2 target range")

    def __post_init__(self) -> None:
        validate(self)
        if self.low_pct >= self.high_pct:
            raise problem(
                "TargetSettings.low_pct",
                f"less than high_pct ({self.high_pct:g} %)",
                self.low_pct,
                "Are the two ends swapped?",
            )


@dataclass(frozen=True, kw_only=True)
class CohortSource(CohortSettings):
    """Which infants: drawn as described, or read from a cohort file.

    With a cohort file, the file alone decides; the other keys have no effect,
    may not be given beside it and are not written.
    """

    csv: str = quantity(
        unit="-", default="", doc="cohort file in place of drawn infants; empty draws them"
    )

    @property
    def csv_path(self) -> Path | None:
        """Path of the cohort file; None where infants are drawn."""
        return Path(self.csv) if self.csv else None

    @property
    def unused_keys(self) -> tuple[str, ...]:
        """Names of the fields that have no effect, because the file decides."""
        return tuple(item.name for item in fields(CohortSettings)) if self.csv else ()


@dataclass(frozen=True, kw_only=True)
class ArmSettings:
    """One way of adjusting oxygen, which all infants go through."""

    name: str = quantity(unit="-", doc="name of the arm in tables and figures")
    kind: str = quantity(
        unit="-", choices=ARM_KINDS, doc="manual (bedside staff alone) or controller"
    )
    controller: str = quantity(
        unit="-", default="", doc="name of a controller, or file.py:ClassName"
    )
    options: Mapping[str, Any] = field(
        default_factory=dict,
        metadata=quantity(unit="-", doc="what the controller is built with").metadata,
    )
    safeguards: Mapping[str, Any] = field(
        default_factory=dict,
        metadata=quantity(
            unit="-", doc="keys of [safeguards] that differ in this arm; enabled = false: none"
        ).metadata,
    )

    def __post_init__(self) -> None:
        validate(self)
        _check_name("ArmSettings.name", self.name)
        if self.name == ORACLE:
            hint = "So is the offline optimum called; see report.oracle."
            raise problem("ArmSettings.name", "another name", self.name, hint)
        if self.kind == "controller" and not self.controller:
            raise problem(
                "ArmSettings.controller", "a name or file.py:ClassName", "", "Or kind = 'manual'."
            )
        if self.kind == "manual" and self.controller:
            hint = "Write kind = 'controller', or leave the controller out."
            expected = "no controller in a manual arm"
            raise problem("ArmSettings.controller", expected, self.controller, hint)
        if self.kind == "manual" and self.options:
            hint = "Staff are described under [staff]."
            expected = "no options in a manual arm"
            raise problem("ArmSettings.options", expected, dict(self.options), hint)
        if self.kind == "manual" and self.safeguards:
            expected = "no safeguards in a manual arm"
            raise problem("ArmSettings.safeguards", expected, dict(self.safeguards))
        if "enabled" in self.safeguards and not isinstance(self.safeguards["enabled"], bool):
            where = "ArmSettings.safeguards.enabled"
            raise problem(where, "true or false", self.safeguards["enabled"])
        changed(SafeguardSettings(), self.safeguards)  # refuses what is no key or out of range

    def layer(self, settings: SafeguardSettings) -> SafeguardSettings | None:
        """Give the safeguards of this arm.

        Parameters
        ----------
        settings : SafeguardSettings
            Those of the scenario.

        Returns
        -------
        SafeguardSettings or None
            None where nobody adjusts oxygen by machine: by hand, and with the
            fixed controller unless the arm has keys of its own.
        """
        if self.kind == "manual" or (self.controller == "fixed" and not self.safeguards):
            return None
        return changed(settings, self.safeguards)


@dataclass(frozen=True, kw_only=True)
class ReportSettings:
    """What is kept and how it is summarised; changes no infant's course."""

    trace_infants: tuple[int, ...] = quantity(
        unit="-", default=(), doc="numbers of the infants whose course is kept and drawn"
    )
    worst_infants: int = quantity(
        unit="-", low=0, high=10, default=2, doc="how many of those who fared worst are drawn too"
    )
    oracle: bool = quantity(
        unit="-",
        default=False,
        doc="search the offline optimum, too: a bound; 4 to 15 s of one core per infant-hour",
    )
    resamples: int = quantity(
        unit="-", low=100, high=100_000, default=2000, doc="bootstrap resamples for the intervals"
    )

    def __post_init__(self) -> None:
        validate(self)
        if len(set(self.trace_infants)) != len(self.trace_infants):
            expected = "each infant once"
            raise problem("ReportSettings.trace_infants", expected, list(self.trace_infants))


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """Everything that a comparison needs to know."""

    name: str = quantity(unit="-", doc="short name: a-z, 0-9, _ and -")
    title: str = quantity(unit="-", doc="title of the report")
    question: str = quantity(unit="-", doc="what is asked, in a sentence or two")
    seed: int = quantity(
        unit="-", low=0, doc="seed of all random draws; the same seed repeats a run"
    )
    run: RunSettings = quantity(
        unit="-", default=RunSettings(), doc="How long, and from when outcomes count."
    )
    target: TargetSettings = quantity(
        unit="-", doc="SpO2 target range for all arms; both ends are inside."
    )
    cohort: CohortSource = quantity(unit="-", default=CohortSource(), doc="Which infants.")
    gas: GasSettings = quantity(
        unit="-", default=GasSettings(), doc="From the blender to the infant."
    )
    support: SupportSettings = field(
        default=NasalCpap(),
        metadata={
            **quantity(unit="-", doc="Mode of breathing support.").metadata,
            "variants": MODES,
            "variant_key": "mode",
        },
    )
    oximeter: OximeterSettings = quantity(
        unit="-", default=OximeterSettings(), doc="From the blood to the display."
    )
    disturbances: DisturbanceSettings = quantity(
        unit="-", default=DisturbanceSettings(), doc="What disturbs the infants."
    )
    activities: ActivitySettings = quantity(
        unit="-", default=ActivitySettings(), doc="Care, feeds, crying, transfusions."
    )
    periodic: PeriodicSettings = quantity(
        unit="-", default=PeriodicSettings(), doc="Periodic breathing."
    )
    artefacts: ArtefactSettings = quantity(
        unit="-", default=ArtefactSettings(), doc="What happens to the oximeter's probe."
    )
    alarms: AlarmSettings = quantity(
        unit="-", default=AlarmSettings(), doc="SpO2 alarms, relative to the target range."
    )
    staff: StaffSettings = quantity(
        unit="-", default=StaffSettings(), doc="Bedside staff, in every arm."
    )
    safeguards: SafeguardSettings = quantity(
        unit="-", default=SafeguardSettings(), doc="The layer around every controller."
    )
    faults: FaultSettings = quantity(
        unit="-", default=FaultSettings(), doc="Faults at random times; none by default."
    )
    report: ReportSettings = quantity(
        unit="-", default=ReportSettings(), doc="What is kept and how it is summarised."
    )
    script: tuple[ScriptedEvent, ...] = quantity(
        unit="-", default=(), doc="One event at a given time."
    )
    arms: tuple[ArmSettings, ...] = quantity(
        unit="-", doc="One arm of the comparison; every infant goes through each."
    )

    def __post_init__(self) -> None:
        validate(self)
        values = {item.name: getattr(self, item.name) for item in fields(self)}
        refuse(contradictions(values, Place("Scenario")))


def contradictions(values: Mapping[str, Any], place: Place) -> list[str]:
    """Find what is wrong between the parts of a scenario.

    Parameters
    ----------
    values : mapping
        Fields of a `Scenario`; those that could not be read may be left out.
    place : Place
        Where the scenario stands, for the messages.

    Returns
    -------
    list of str
        One message for each contradiction.
    """
    found: list[str] = []
    if "name" in values and not NAME_PATTERN.fullmatch(values["name"]):
        found.append(str(_bad_name(str(place.at("name")), values["name"])))
    if "arms" in values:
        names = [arm.name for arm in values["arms"]]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            expected = "a different name for each arm"
            found.append(str(problem(str(place.at("arms")), expected, ", ".join(twice))))
        if not names:
            hint = "Add a table under [[arms]]."
            found.append(str(problem(str(place.at("arms")), "at least one arm", [], hint)))
    if "arms" in values:
        found += _script_problems(values.get("script", ()), values["arms"], place.at("script"))
    if "cohort" in values and "report" in values and not values["cohort"].csv:
        chosen, infants = values["report"].trace_infants, range(values["cohort"].infants)
        found += _outside(chosen, infants, str(place.at("report").at("trace_infants")))
        found += _outside_script(values.get("script", ()), infants, place.at("script"))
    return found


def _script_problems(
    script: Iterable[ScriptedEvent], arms: Iterable[ArmSettings], place: Place
) -> list[str]:
    names = [arm.name for arm in arms]
    return [
        str(problem(f"{place}.arms", "arms of this scenario", arm, nearest(arm, names)))
        for item in script
        for arm in item.arms
        if arm not in names
    ]


def check_named_infants(scenario: Scenario, infants: Iterable[int]) -> None:
    """Refuse traces and scripted events of infants that the cohort does not have.

    A scenario with a drawn cohort is checked when it is made; one with a
    cohort file can only be checked once the file has been read.

    Parameters
    ----------
    scenario : Scenario
        Whose `report.trace_infants` and `script` are checked.
    infants : iterable of int
        Numbers of the infants in the cohort.

    Raises
    ------
    TestbedError
        Naming the infants that are not there.
    """
    present = sorted(infants)
    refuse(
        [
            *_outside(scenario.report.trace_infants, present, "report.trace_infants"),
            *_outside_script(scenario.script, present, "script"),
        ]
    )


def _outside_script(
    script: Iterable[ScriptedEvent], infants: Iterable[int], where: object
) -> list[str]:
    named = {number for item in script for number in item.infants}
    return _outside(sorted(named), infants, f"{where}.infants")


def _outside(chosen: Iterable[int], infants: Iterable[int], where: str) -> list[str]:
    present = infants if isinstance(infants, range) else sorted(infants)
    strangers = [number for number in chosen if number not in present]
    if not strangers:
        return []
    expected = f"infants of this cohort, {present[0]} to {present[-1]}" if present else "no infant"
    return [str(problem(where, expected, strangers))]


def _bad_name(where: str, name: object) -> Exception:
    return problem(where, "a name of a-z, 0-9, _ and - only", name)


def _check_name(where: str, name: str) -> None:
    if not NAME_PATTERN.fullmatch(name):
        raise _bad_name(where, name)


__all__ = [
    "ARM_KINDS",
    "NAME_PATTERN",
    "ArmSettings",
    "CohortSource",
    "ReportSettings",
    "RunSettings",
    "Scenario",
    "TargetSettings",
    "check_named_infants",
    "contradictions",
]
