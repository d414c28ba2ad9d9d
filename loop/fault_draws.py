"""Faults at random times, drawn per infant before a run, so that every arm meets the same."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ..models.settings import quantity, validate
from ..models.streams import Cause, stream
from .script import ScriptedEvent

_DAY_S = 86_400.0

#: Mean length of each kind (s) where a script gives none; assumptions. Nobody notices at once.
MEAN_S: Mapping[str, float] = {
    "probe_off_high": 300.0,
    "probe_displaced_low": 300.0,
    "frozen_reading": 300.0,
    "motion": 60.0,
    "dropout_stable": 180.0,
    "dropout_falling": 180.0,
    "dropout_recovering": 180.0,
    "post_ductal_shunt": 1800.0,
    "blender_stuck": 600.0,
    "blender_offset": 3600.0,
    "supply_lost": 120.0,
    "monitor_drift": 3600.0,
    "interface_off": 90.0,
    "circuit_leak": 600.0,
    "stale_samples": 120.0,
    "duplicated_samples": 600.0,
    "wrong_target": 1800.0,
    "slow_deterioration": 7200.0,
    "gain_change": 3600.0,
    "late_controller": 600.0,
    "silent_controller": 300.0,
    "erratic_output": 120.0,
}

_SHORTEST_S = 10


def _rate_quantity(kind: str) -> float:
    field: float = quantity(
        unit="1/d", low=0, high=500, default=0.0, doc=f"{kind.replace('_', ' ')}, at random times"
    )
    return field


@dataclass(frozen=True, kw_only=True)
class FaultSettings:
    """How often each fault happens by chance: none, unless a scenario says so.

    Strength is the default of the scripted event of the same name, length is
    exponential about a mean of this project's own.
    """

    probe_off_high_per_d: float = _rate_quantity("probe_off_high")
    probe_displaced_low_per_d: float = _rate_quantity("probe_displaced_low")
    frozen_reading_per_d: float = _rate_quantity("frozen_reading")
    motion_per_d: float = _rate_quantity("motion")
    dropout_stable_per_d: float = _rate_quantity("dropout_stable")
    dropout_falling_per_d: float = _rate_quantity("dropout_falling")
    dropout_recovering_per_d: float = _rate_quantity("dropout_recovering")
    post_ductal_shunt_per_d: float = _rate_quantity("post_ductal_shunt")
    blender_stuck_per_d: float = _rate_quantity("blender_stuck")
    blender_offset_per_d: float = _rate_quantity("blender_offset")
    supply_lost_per_d: float = _rate_quantity("supply_lost")
    monitor_drift_per_d: float = _rate_quantity("monitor_drift")
    interface_off_per_d: float = _rate_quantity("interface_off")
    circuit_leak_per_d: float = _rate_quantity("circuit_leak")
    stale_samples_per_d: float = _rate_quantity("stale_samples")
    duplicated_samples_per_d: float = _rate_quantity("duplicated_samples")
    wrong_target_per_d: float = _rate_quantity("wrong_target")
    slow_deterioration_per_d: float = _rate_quantity("slow_deterioration")
    gain_change_per_d: float = _rate_quantity("gain_change")
    late_controller_per_d: float = _rate_quantity("late_controller")
    silent_controller_per_d: float = _rate_quantity("silent_controller")
    erratic_output_per_d: float = _rate_quantity("erratic_output")

    def __post_init__(self) -> None:
        validate(self)

    def rate_per_d(self, kind: str) -> float:
        """Rate of one kind.

        Parameters
        ----------
        kind : str
            A key of `MEAN_S`.

        Returns
        -------
        float
            Per day.
        """
        return float(getattr(self, f"{kind}_per_d"))


def draw_faults(
    infant: int, seed: int, duration_s: int, settings: FaultSettings
) -> list[ScriptedEvent]:
    """Draw the faults of one infant for a run.

    Parameters
    ----------
    infant : int
        The infant's own number.
    seed : int
        Seed of the run.
    duration_s : int
        Length of the run; nothing starts later. A longer run begins alike.
    settings : FaultSettings
        How often.

    Returns
    -------
    list of ScriptedEvent
        By onset. Events of one kind do not overlap each other.
    """
    found: list[ScriptedEvent] = []
    streams = stream(seed, infant, Cause.FAULTS).spawn(len(MEAN_S))
    for generator, (kind, mean_s) in zip(streams, MEAN_S.items(), strict=True):
        rate_per_s = settings.rate_per_d(kind) / _DAY_S
        free_s = 0.0
        while rate_per_s > 0.0:
            onset_s = round(free_s + float(generator.exponential()) / rate_per_s)
            if onset_s >= duration_s:
                break
            lasts_s = _SHORTEST_S + round(float(generator.exponential()) * mean_s)
            found.append(
                ScriptedEvent(at_s=onset_s, event=kind, duration_s=lasts_s, infants=(infant,))
            )
            free_s = onset_s + lasts_s + 1.0
    return sorted(found, key=lambda item: (item.at_s, item.event))


__all__ = ["MEAN_S", "FaultSettings", "draw_faults"]
