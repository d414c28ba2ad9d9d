"""How bedside staff work, as data: times, shares and titration steps."""

from __future__ import annotations

from dataclasses import dataclass

from ..models.errors import problem
from ..models.settings import quantity, validate


@dataclass(frozen=True, kw_only=True)
class StaffSettings:
    """A nursing group's staff and the way they adjust oxygen by hand.

    Step sizes after Acta Paediatr 2012 (PMID 22040264: up +5, down -3,
    medians); hands-on time after Martin, Acta Paediatr 2023;112:1413 (20.5 s);
    the three-minute cycle after a UK regional neonatal guideline. Shares and
    delays without a source are this project's assumptions.
    """

    infants_per_nurse: int = quantity(
        unit="-", low=1, high=8, default=2, doc="infants that share one nurse (a nursing group)"
    )
    round_interval_min: float = quantity(
        unit="min", low=5, high=480, default=60, doc="time between planned visits to an infant"
    )
    round_duration_s: int = quantity(
        unit="s", low=5, high=3600, default=120, doc="time that a planned visit takes"
    )
    at_cot_share: float = quantity(
        unit="fraction", low=0, high=1, default=0.2, doc="alarms met by a nurse already at the cot"
    )
    prompt_share: float = quantity(
        unit="fraction", low=0, high=1, default=0.2, doc="other low alarms that are answered soon"
    )
    prompt_delay_s: float = quantity(
        unit="s", low=1, high=1800, default=45, doc="median delay of an alarm answered soon"
    )
    late_delay_s: float = quantity(
        unit="s", low=1, high=7200, default=400, doc="median delay of an alarm answered late"
    )
    high_delay_s: float = quantity(
        unit="s", low=1, high=7200, default=300, doc="median delay of answering a high alarm"
    )
    hands_on_s: float = quantity(
        unit="s", low=1, high=600, default=20.5, doc="median time from looking to the first change"
    )
    watch_s: int = quantity(
        unit="s", low=10, high=1800, default=180, doc="one cycle of watching before the next step"
    )
    step_up_pct: float = quantity(
        unit="FiO2 %", low=1, high=65, default=5, doc="median step up after a low reading"
    )
    step_down_pct: float = quantity(
        unit="FiO2 %", low=1, high=65, default=3, doc="median step down after a high reading"
    )
    severe_factor: float = quantity(
        unit="-", low=1, high=10, default=1.3, doc="how much larger a step is below SpO2 80 %"
    )
    forget_share: float = quantity(
        unit="fraction", low=0, high=1, default=0.2, doc="rescues after which nobody comes back"
    )

    def __post_init__(self) -> None:
        validate(self)
        if self.prompt_delay_s > self.late_delay_s:
            raise problem(
                "StaffSettings.prompt_delay_s", "at most late_delay_s", self.prompt_delay_s
            )
