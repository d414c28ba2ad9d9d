"""Where to search for a controller's options, on whom and for how long."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from ..models.errors import problem
from ..models.settings import quantity, validate

#: Candidates that are on the bench at the same time, on the same infants.
MEMBERS = 10


@dataclass(frozen=True, kw_only=True)
class SearchRange:
    """An option and where to search for it, on a logarithmic scale.

    Attributes
    ----------
    option : str
        Keyword argument of the controller.
    low, high : float
        Ends of the range, above 0.
    """

    option: str
    low: float
    high: float

    def __post_init__(self) -> None:
        if not 0.0 < self.low < self.high < math.inf:
            came = f"{self.low:g}:{self.high:g}"
            raise problem(f"range of {self.option}", "low:high with 0 < low < high", came)


def _ranges(**given: tuple[float, float]) -> tuple[SearchRange, ...]:
    return tuple(SearchRange(option=n, low=low, high=high) for n, (low, high) in given.items())


#: Where to search, for the built-in controllers that have something to tune.
SEARCHES: Mapping[str, tuple[SearchRange, ...]] = MappingProxyType(
    {
        "pi": _ranges(gain_per_pct=(0.001, 0.01), integral_time_s=(15, 200)),
        "pid": _ranges(
            gain_per_pct=(0.001, 0.015),
            integral_time_s=(15, 200),
            derivative_time_s=(0.5, 20),
            filter_s=(2, 30),
        ),
        "adaptive": _ranges(
            loop_gain=(0.15, 1.5), integral_time_s=(15, 200), least_response=(0.4, 1.2)
        ),
        "predictive": _ranges(
            model_gain=(0.8, 8), travel_weight=(0.05, 20), filter_s=(1, 30), lag_s=(20, 120)
        ),
        "observer": _ranges(
            model_gain=(0.8, 8), noise_pct=(0.5, 20), input_weight=(0.1, 100), lag_s=(20, 120)
        ),
    }
)


@dataclass(frozen=True, kw_only=True)
class TuneSettings:
    """On whom to search, for how long, and what moving FiO2 costs."""

    infants: int = quantity(
        unit="-", low=1, high=1000, default=6, doc="infants of each stratum in each cohort"
    )
    duration_h: float = quantity(unit="h", low=0.1, high=48, default=2.0, doc="simulated hours")
    warmup_h: float = quantity(unit="h", low=0, high=24, default=0.5, doc="hours not counted")
    seed: int = quantity(unit="-", low=0, high=2**31, default=71, doc="seed of the search")
    test_seed: int = quantity(
        unit="-", low=0, high=2**31, default=72, doc="seed of the infants that judge"
    )
    evaluations: int = quantity(
        unit="-", low=MEMBERS, high=10_000, default=60, doc="most candidates, ten at a time"
    )
    travel_weight: float = quantity(
        unit="%^2 per %/h", low=0, high=1, default=0.001, doc="price of moving FiO2"
    )
    guard_response: float = quantity(
        unit="% per %",
        low=0,
        high=20,
        default=4.0,
        doc="response to FiO2 on which no candidate may swing; 0 for no such guard",
    )
    target_low_pct: float = quantity(unit="%", low=70, high=99, default=91.0, doc="low end")
    target_high_pct: float = quantity(unit="%", low=71, high=100, default=95.0, doc="high end")

    def __post_init__(self) -> None:
        validate(self)
        if self.test_seed == self.seed:
            hint = "The infants that judge must not be those of the search."
            raise problem("TuneSettings.test_seed", "another seed than seed", self.seed, hint)
