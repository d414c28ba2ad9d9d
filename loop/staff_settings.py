"""How bedside staff work, as data: times, shares and the titration protocol."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ..models.errors import problem
from ..models.settings import quantity, validate
from . import staff_values as fitted
from .staff_titration import TitrationRow

#: The protocol that is used where a scenario has none of its own: steps of 5 up and
#: 3 down (medians, Acta Paediatr 2012, PMID 22040264); at a high reading one cycle of
#: 3 min is watched, then reduced, and so on by cycle (UK regional neonatal guideline).
#: That severe hypoxaemia (below 80 %) gets a larger step and readings from 98 % a sooner
#: one, and the wait after a step up, are assumptions.
TITRATION = (
    TitrationRow(
        relative_to="display",
        spo2_from_pct=0.0,
        spo2_to_pct=79.0,
        step_pct=fitted.STEP_UP_SEVERE_PCT,
        wait_s=60,
    ),
    TitrationRow(
        relative_to="target_low",
        spo2_from_pct=-100.0,
        spo2_to_pct=-1.0,
        step_pct=fitted.STEP_UP_PCT,
        wait_s=60,
    ),
    TitrationRow(
        relative_to="display",
        spo2_from_pct=98.0,
        spo2_to_pct=100.0,
        after_s=60,
        step_pct=fitted.STEP_DOWN_FROM_98_PCT,
        wait_s=120,
    ),
    TitrationRow(
        relative_to="target_high",
        spo2_from_pct=1.0,
        spo2_to_pct=100.0,
        after_s=180,
        step_pct=fitted.STEP_DOWN_PCT,
        wait_s=180,
    ),
)


@dataclass(frozen=True, kw_only=True)
class StaffSettings:
    """A nursing group's staff and the way they adjust oxygen by hand.

    Fitted values and their provenance are in `staff_values`. Those without a source are
    this project's assumptions.
    """

    infants_per_nurse: int = quantity(
        unit="-", low=1, high=8, default=2, doc="infants that share one nurse (a nursing group)"
    )
    round_interval_min: float = quantity(
        unit="min",
        low=5,
        high=480,
        default=fitted.ROUND_INTERVAL_MIN,
        doc="time between planned visits to an infant",
    )
    round_duration_s: int = quantity(
        unit="s", low=5, high=3600, default=120, doc="time that a planned visit takes"
    )
    at_cot_share: float = quantity(
        unit="fraction",
        low=0,
        high=1,
        default=fitted.AT_COT_SHARE,
        doc="alarms met by a nurse already at the cot",
    )
    prompt_share: float = quantity(
        unit="fraction",
        low=0,
        high=1,
        default=fitted.PROMPT_SHARE,
        doc="other alarms that are answered soon",
    )
    prompt_delay_s: float = quantity(
        unit="s", low=1, high=1800, default=45, doc="median delay of an alarm answered soon"
    )
    late_delay_s: float = quantity(
        unit="s",
        low=1,
        high=7200,
        default=fitted.LATE_DELAY_S,
        doc="median delay of an alarm answered late",
    )
    high_delay_s: float = quantity(
        unit="s",
        low=1,
        high=7200,
        default=fitted.HIGH_DELAY_S,
        doc="median delay of answering a high alarm",
    )
    hands_on_s: float = quantity(
        unit="s",
        low=1,
        high=600,
        default=20.5,
        doc="median time from looking to acting (Martin, Acta Paediatr 2023;112:1413)",
    )
    watch_s: int = quantity(
        unit="s", low=10, high=1800, default=180, doc="time until somebody comes back after a step"
    )
    forget_share: float = quantity(
        unit="fraction",
        low=0,
        high=1,
        default=fitted.FORGET_SHARE,
        doc="rescues after which nobody comes back",
    )
    tolerate_high_share: float = quantity(
        unit="fraction",
        low=0,
        high=1,
        default=fitted.TOLERATE_HIGH_SHARE,
        doc="looks at a high reading that change nothing, where the protocol goes by the target",
    )
    wean_share: float = quantity(
        unit="fraction",
        low=0,
        high=1,
        default=fitted.WEAN_SHARE,
        doc="planned looks at a reading in the top of the target that lead to a step down",
    )
    air_from_pct: float = quantity(
        unit="FiO2 %",
        low=21,
        high=40,
        default=25,
        doc="room-air rule: at most so much oxygen is turned off at a reading above the target",
    )
    air_until_pct: float = quantity(
        unit="%",
        low=50,
        high=100,
        default=82,
        doc="room-air rule: from this reading on, an infant in room air is watched first",
    )
    air_watch_s: int = quantity(
        unit="s",
        low=0,
        high=600,
        default=180,
        doc="room-air rule: so long, to see whether it recovers without oxygen",
    )
    stretch: float = quantity(
        unit="-",
        low=0,
        high=3,
        default=1.0,
        doc="attention falls with this power of infants per nurse (2 is usual); 0: not at all",
    )
    titration: tuple[TitrationRow, ...] = quantity(
        unit="-", default=TITRATION, doc="the protocol; the first row that fits the reading counts"
    )
    handover_min: float = quantity(
        unit="min", low=0, high=120, default=30, doc="hand-over at each change of shift"
    )
    breaks_per_shift: int = quantity(unit="-", low=0, high=6, default=2, doc="breaks of a nurse")
    break_min: float = quantity(unit="min", low=1, high=120, default=30, doc="length of a break")
    cover_factor: float = quantity(
        unit="-", low=1, high=10, default=1.5, doc="factor on delays while another nurse covers"
    )
    night_factor: float = quantity(
        unit="-", low=0.2, high=5, default=1.0, doc="factor on delays at night"
    )
    procedures: bool = quantity(
        unit="-", default=True, doc="hands-on care and feeds occupy the nurse"
    )
    feed_attention_s: int = quantity(
        unit="s", low=0, high=3600, default=180, doc="time at the cot for a tube feed"
    )
    preoxygenate_share: float = quantity(
        unit="fraction",
        low=0,
        high=1,
        default=fitted.PREOXYGENATE_SHARE,
        doc="hands-on care with extra oxygen given",
    )
    preoxygenate_pct: float = quantity(
        unit="FiO2 %",
        low=1,
        high=65,
        default=fitted.PREOXYGENATE_PCT,
        doc="median extra oxygen around such care",
    )
    override_below_pct: float = quantity(
        unit="%", low=0, high=100, default=80, doc="reading below which staff may take over"
    )
    override_share: float = quantity(
        unit="fraction", low=0, high=1, default=0.25, doc="such alarms at which they take over"
    )
    override_hold_s: int = quantity(
        unit="s", low=10, high=7200, default=180, doc="time before control is given back"
    )
    lull: float = quantity(
        unit="-",
        low=0,
        high=5,
        default=0.0,
        doc="automatic arms: delays grow by this share as work by hand falls to none; 0: freed",
    )
    usual_changes_per_h: float = quantity(
        unit="1/h", low=0.1, high=20, default=2.5, doc="changes by hand that count as usual work"
    )

    def __post_init__(self) -> None:
        validate(self)
        if self.prompt_delay_s > self.late_delay_s:
            raise problem(
                "StaffSettings.prompt_delay_s", "at most late_delay_s", self.prompt_delay_s
            )
        busy_min = 2 * self.handover_min + self.breaks_per_shift * self.break_min
        if busy_min > 360:
            raise problem(
                "StaffSettings.break_min", "breaks and hand-over of at most 360 min", busy_min
            )


#: Infants per nurse at which the fitted values hold.
USUAL_INFANTS_PER_NURSE = 2


def stretched(settings: StaffSettings) -> StaffSettings:
    """Spread a nurse's attention over more infants than usual, or over fewer.

    Waiting for a nurse who is elsewhere comes on top of this: what is stretched is
    how often the nurse looks, how soon the nurse thinks of what is not urgent, and
    how much is forgotten (assumption; that more infants per nurse go with less time in
    range is from Sink, ADC FN 2011;96:F93).

    Parameters
    ----------
    settings : StaffSettings
        As fitted, at two infants per nurse.

    Returns
    -------
    StaffSettings
        The same at the usual number of infants.
    """
    factor = (settings.infants_per_nurse / USUAL_INFANTS_PER_NURSE) ** settings.stretch
    if factor == 1.0:
        return settings
    longest_s = 7200.0
    return replace(
        settings,
        round_interval_min=min(max(settings.round_interval_min * factor, 5.0), 480.0),
        at_cot_share=min(settings.at_cot_share / factor, 1.0),
        prompt_share=min(settings.prompt_share / factor, 1.0),
        late_delay_s=min(max(settings.late_delay_s * factor, settings.prompt_delay_s), longest_s),
        high_delay_s=min(max(settings.high_delay_s * factor, 1.0), longest_s),
        watch_s=min(max(round(settings.watch_s * factor), 10), 1800),
        forget_share=1.0 - (1.0 - settings.forget_share) ** factor,
    )
