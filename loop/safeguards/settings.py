"""Which safeguards stand around a controller, and their thresholds.

The words are those of IEC 60601-1-10: the *feedback variable* is the displayed
SpO2, the *reference variable* the target range, the *command variable* what
the controller asks for, the *controller output variable* the FiO2 that is set.
Thresholds without a source are assumptions of this project.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

from ...models.errors import nearest, problem
from ...models.settings import quantity, validate

#: Every safeguard in the order in which they act, and what each is for.
SAFEGUARDS: Mapping[str, str] = {
    "signal_gate": "do not act on a reading that is lost or of poor quality; hold instead",
    "flat_line": "distrust a display on which nothing moves",
    "rate_of_change": "distrust a reading that jumps faster than blood can",
    "pulse_check": "distrust a reading whose pulse differs from the electrocardiogram's heart rate",
    "stale_watchdog": "distrust readings, and answers of the controller, that are too old",
    "fallback": "after a short hold, set the baseline FiO2 and raise an alarm",
    "high_oxygen_limit": "limit the time at high FiO2 to which the reading does not respond",
    "delivery_check": "compare the FiO2 that is set with the one that is delivered",
    "bounds": "keep FiO2 within a band around the baseline",
    "rate_limit": "limit how fast FiO2 may move",
    "manual_override": "let staff take over, and hand back without a jump",
    "baseline_alert": "call staff when FiO2 stays above the baseline: masked deterioration",
    "anti_windup": "tell the controller what became of its request",
    "visible_mode": "show mode and alerts at the bedside, and the mode to the controller",
}


@dataclass(frozen=True, kw_only=True)
class SafeguardSettings:
    """The layer of safeguards: a switch for each, and its thresholds.

    The log is no switch: without it no run could be judged. Nor are the limits
    of the blender, 0.21 to 1.0 at the most: no controller gets beyond them.
    """

    signal_gate: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["signal_gate"])
    flat_line: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["flat_line"])
    rate_of_change: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["rate_of_change"])
    pulse_check: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["pulse_check"])
    stale_watchdog: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["stale_watchdog"])
    fallback: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["fallback"])
    high_oxygen_limit: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["high_oxygen_limit"])
    delivery_check: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["delivery_check"])
    bounds: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["bounds"])
    rate_limit: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["rate_limit"])
    manual_override: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["manual_override"])
    baseline_alert: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["baseline_alert"])
    anti_windup: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["anti_windup"])
    visible_mode: bool = quantity(unit="-", default=True, doc=SAFEGUARDS["visible_mode"])

    quality_min: float = quantity(
        unit="fraction", low=0, high=1, default=0.4, doc="signal gate: least signal quality"
    )
    hold_s: int = quantity(
        unit="s", low=0, high=600, default=30, doc="hold at most so long, then fallback"
    )
    return_after_s: int = quantity(
        unit="s", low=0, high=60, default=5, doc="good readings for so long end hold and fallback"
    )
    flat_after_s: int = quantity(
        unit="s", low=5, high=600, default=40, doc="flat line: SpO2, pulse and quality unchanged"
    )
    jump_points: float = quantity(
        unit="points", low=1, high=50, default=12.0, doc="rate of change: more than this is a jump"
    )
    jump_within_s: int = quantity(
        unit="s", low=1, high=30, default=4, doc="rate of change: time in which it is looked at"
    )
    jump_distrust_s: int = quantity(
        unit="s", low=1, high=300, default=25, doc="rate of change: distrusted after a jump"
    )
    pulse_difference_bpm: float = quantity(
        unit="1/min", low=5, high=100, default=25.0, doc="pulse check: largest difference"
    )
    pulse_after_s: int = quantity(
        unit="s", low=0, high=120, default=15, doc="pulse check: difference lasts longer"
    )
    stale_after_s: int = quantity(
        unit="s", low=1, high=120, default=8, doc="watchdog: readings and answers older than this"
    )
    baseline_h: float = quantity(
        unit="h", low=0.1, high=24, default=2.0, doc="time constant of the baseline, a mean of FiO2"
    )
    high_above_baseline: float = quantity(
        unit="fraction", low=0.02, high=0.79, default=0.20, doc="high FiO2: above baseline by this"
    )
    high_minutes: float = quantity(
        unit="min", low=0.5, high=60, default=3.0, doc="high FiO2 without response: at most so long"
    )
    response_points: float = quantity(
        unit="points", low=1, high=20, default=3.0, doc="rise of SpO2 that counts as a response"
    )
    limited_to_above_baseline: float = quantity(
        unit="fraction", low=0, high=0.79, default=0.02, doc="FiO2 while that limit is active"
    )
    limit_rest_minutes: float = quantity(
        unit="min", low=1, high=240, default=15.0, doc="the limit ends after this at the latest"
    )
    delivery_lag_s: float = quantity(
        unit="s", low=1, high=120, default=12.0, doc="usual lag of delivered behind set FiO2"
    )
    delivery_gap: float = quantity(
        unit="fraction", low=0.01, high=0.5, default=0.05, doc="delivered beside expected: alert"
    )
    delivery_gross_gap: float = quantity(
        unit="fraction", low=0.02, high=0.79, default=0.12, doc="gap from which FiO2 rises no more"
    )
    delivery_after_s: int = quantity(
        unit="s", low=1, high=600, default=20, doc="the gap lasts longer than this"
    )
    below_baseline: float = quantity(
        unit="fraction", low=0.01, high=0.79, default=0.10, doc="bounds: this far below baseline"
    )
    above_baseline: float = quantity(
        unit="fraction", low=0.02, high=0.79, default=0.40, doc="bounds: this far above baseline"
    )
    rise_per_s: float = quantity(
        unit="fraction/s", low=0.0005, high=0.79, default=0.02, doc="fastest rise of FiO2"
    )
    fall_per_s: float = quantity(
        unit="fraction/s", low=0.0005, high=0.79, default=0.02, doc="fastest fall of FiO2"
    )
    hand_back_s: int = quantity(
        unit="s", low=1, high=600, default=60, doc="a jump at hand-back is spread over this time"
    )
    alert_above_baseline: float = quantity(
        unit="fraction", low=0.01, high=0.79, default=0.10, doc="masked deterioration: FiO2 above"
    )
    alert_minutes: float = quantity(
        unit="min", low=0.5, high=240, default=8.0, doc="masked deterioration: for so long in sum"
    )

    def __post_init__(self) -> None:
        validate(self)
        if self.delivery_gross_gap < self.delivery_gap:
            raise problem(
                "SafeguardSettings.delivery_gross_gap",
                f"at least delivery_gap ({self.delivery_gap:g})",
                self.delivery_gross_gap,
            )

    @property
    def active(self) -> tuple[str, ...]:
        """Names of the safeguards that are on, in order."""
        return tuple(name for name in SAFEGUARDS if getattr(self, name))


def without(settings: SafeguardSettings, *names: str) -> SafeguardSettings:
    """Take safeguards away.

    Parameters
    ----------
    settings : SafeguardSettings
        The layer.
    *names : str
        Which; all of them if none is named.

    Returns
    -------
    SafeguardSettings
        With these off and the thresholds as they were.

    Raises
    ------
    TestbedError
        If there is no such safeguard.
    """
    for name in names:
        if name not in SAFEGUARDS:
            raise problem("safeguards", "a safeguard", name, nearest(name, SAFEGUARDS))
    return replace(settings, **dict.fromkeys(names or SAFEGUARDS, False))


def changed(settings: SafeguardSettings, changes: Mapping[str, object]) -> SafeguardSettings:
    """Change single switches and thresholds, as an arm of a scenario does.

    Parameters
    ----------
    settings : SafeguardSettings
        The layer of the scenario.
    changes : mapping
        New values by field; ``enabled = false`` takes all of them away first.

    Returns
    -------
    SafeguardSettings

    Raises
    ------
    TestbedError
        If a field does not exist or a value is refused.
    """
    known = [item.name for item in fields(SafeguardSettings)]
    given = dict(changes)
    base = settings if given.pop("enabled", True) else without(settings)
    for name, value in given.items():
        if name not in known:
            hint = nearest(name, [*known, "enabled"])
            raise problem("safeguards", "a key of [safeguards]", name, hint)
        if isinstance(getattr(settings, name), bool) != isinstance(value, bool):
            expected = "true or false" if isinstance(getattr(settings, name), bool) else "a number"
            raise problem(f"safeguards.{name}", expected, value)
    return replace(base, **given)  # type: ignore[arg-type]


__all__ = ["SAFEGUARDS", "SafeguardSettings", "changed", "without"]
