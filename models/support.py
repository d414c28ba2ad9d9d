"""Settings of the breathing-support modes: units, ranges, defaults, contradictions.

Modes go by trade terms. Where a range or default has no source it is common
practice; values marked "memory" were not read. What a mode does to the infant
is told in `support_mechanics`, from these settings alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from .errors import nearest, problem
from .infants import FloatArray
from .settings import quantity, range_text, validate

#: A breath of a machine leaves at least this much time to breathe out (s); assumption.
SHORTEST_EXPIRATION_S = 0.2


@dataclass(frozen=True, kw_only=True)
class SupportSettings:
    """What every mode has: circuit, gas flow, leak, and its effect on the rate of apnoeas.

    Ranges and defaults of this class are assumptions, unless a field says otherwise.
    """

    circuit: str = quantity(
        unit="-",
        choices=("dual_limb", "single_limb"),
        default="dual_limb",
        doc="whether expired gas flows back through a limb of its own",
    )
    circuit_volume_ml: float = quantity(
        unit="mL", low=10, high=3000, default=500.0, doc="inspiratory limb and humidifier"
    )
    flow_l_min: float = quantity(
        unit="L/min", low=0.5, high=60, default=8.0, doc="gas flow through the circuit"
    )
    leak_fraction: float = quantity(
        unit="fraction", low=0, high=0.95, default=0.3, doc="share of the flow lost beside it"
    )
    mouth_open_share: float = quantity(
        unit="fraction", low=0, high=1, default=0.0, doc="how far the mouth is open"
    )
    apnoea_rate_factor: float = quantity(
        unit="-",
        low=0.05,
        high=1,
        default=1.0,
        doc="factor on the rate of apnoeas, at most 1; published against nasal CPAP: 1.03 "
        "non-synchronised and 0.49 synchronised nasal IPPV (Gizzi, ADC FN 2015;100:F17)",
    )

    def __post_init__(self) -> None:
        validate(self)
        self._refuse_contradictions()

    def _refuse_contradictions(self) -> None:
        """Refuse settings that cannot stand together; modes with breaths say which."""

    @property
    def mode(self) -> str:
        """Name of the mode, as a scenario gives it."""
        return next(name for name, owner in MODES.items() if owner is type(self))

    def _refuse_peak(self, name: str, peak_cmh2o: float, base: str, base_cmh2o: float) -> None:
        if peak_cmh2o <= base_cmh2o:
            where = f"{type(self).__name__}.{name}"
            raise problem(where, f"more than {base} ({base_cmh2o:g} cmH2O)", peak_cmh2o)

    def _refuse_times(self, rate_per_min: float, inspiratory_s: float, rise_s: float) -> None:
        owner = type(self).__name__
        if rate_per_min > 0 and inspiratory_s > 60.0 / rate_per_min - SHORTEST_EXPIRATION_S:
            longest_s = max(60.0 / rate_per_min - SHORTEST_EXPIRATION_S, 0.0)
            raise problem(
                f"{owner}.inspiratory_time_s",
                f"at most {longest_s:.3g} s at {rate_per_min:g} breaths/min",
                inspiratory_s,
                f"Breathing out takes at least {SHORTEST_EXPIRATION_S:g} s.",
            )
        if rise_s > inspiratory_s:
            expected = f"at most inspiratory_time_s ({inspiratory_s:g} s)"
            raise problem(f"{owner}.rise_time_s", expected, rise_s)


@dataclass(frozen=True, kw_only=True)
class NasalCpap(SupportSettings):
    """Nasal continuous positive airway pressure, with backup breaths as an option."""

    pressure_cmh2o: float = quantity(
        unit="cmH2O", low=0, high=15, default=6.0, doc="set pressure; 5-8 in published trials"
    )
    backup_rate_per_min: float = quantity(
        unit="1/min", low=0, high=60, default=0.0, doc="backup breaths in apnoea; starts off"
    )
    backup_pip_cmh2o: float = quantity(
        unit="cmH2O", low=5, high=40, default=20.0, doc="peak pressure of a backup breath"
    )
    inspiratory_time_s: float = quantity(
        unit="s", low=0.1, high=1.5, default=0.4, doc="of a backup breath"
    )
    rise_time_s: float = quantity(
        unit="s", low=0, high=0.5, default=0.1, doc="until a backup breath reaches its peak"
    )
    apnoea_time_s: float = quantity(
        unit="s", low=2, high=30, default=10.0, doc="without breath until backup breaths begin"
    )
    open_airway_share: float = quantity(
        unit="fraction", low=0, high=1, default=0.5, doc="backup breaths that inflate; assumption"
    )

    def _refuse_contradictions(self) -> None:
        if self.backup_rate_per_min > 0:
            self._refuse_peak(
                "backup_pip_cmh2o", self.backup_pip_cmh2o, "pressure_cmh2o", self.pressure_cmh2o
            )
        self._refuse_times(self.backup_rate_per_min, self.inspiratory_time_s, self.rise_time_s)


@dataclass(frozen=True, kw_only=True)
class NasalIppv(SupportSettings):
    """Non-synchronised nasal IPPV; PIP 15-25, PEEP 4-8, rate 20-40, Ti 0.3-0.5 (memory)."""

    peep_cmh2o: float = quantity(
        unit="cmH2O", low=0, high=15, default=6.0, doc="pressure between breaths"
    )
    pip_cmh2o: float = quantity(unit="cmH2O", low=5, high=40, default=20.0, doc="peak pressure")
    rate_per_min: float = quantity(
        unit="1/min", low=5, high=80, default=30.0, doc="pressure peaks, at their own time"
    )
    inspiratory_time_s: float = quantity(
        unit="s", low=0.1, high=1.5, default=0.4, doc="length of a pressure peak"
    )
    rise_time_s: float = quantity(
        unit="s", low=0, high=0.5, default=0.1, doc="until a peak is reached"
    )
    open_airway_share: float = quantity(
        unit="fraction",
        low=0,
        high=1,
        default=0.05,
        doc="peaks in apnoea that inflate the chest (Owen, ADC FN 2011;96:F422)",
    )

    def _refuse_contradictions(self) -> None:
        self._refuse_peak("pip_cmh2o", self.pip_cmh2o, "peep_cmh2o", self.peep_cmh2o)
        self._refuse_times(self.rate_per_min, self.inspiratory_time_s, self.rise_time_s)


@dataclass(frozen=True, kw_only=True)
class SynchronisedNasalIppv(SupportSettings):
    """Nasal IPPV that the infant triggers, with a backup rate in apnoea."""

    peep_cmh2o: float = quantity(
        unit="cmH2O", low=0, high=15, default=6.0, doc="pressure between breaths"
    )
    pip_cmh2o: float = quantity(unit="cmH2O", low=5, high=40, default=20.0, doc="peak pressure")
    inspiratory_time_s: float = quantity(
        unit="s", low=0.1, high=1.5, default=0.4, doc="length of a breath"
    )
    rise_time_s: float = quantity(
        unit="s", low=0, high=0.5, default=0.1, doc="until a breath reaches its peak"
    )
    trigger_l_min: float = quantity(
        unit="L/min", low=0.05, high=5, default=0.2, doc="inspiratory flow that starts a breath"
    )
    backup_rate_per_min: float = quantity(
        unit="1/min", low=0, high=60, default=30.0, doc="breaths while none is triggered"
    )
    apnoea_time_s: float = quantity(
        unit="s", low=2, high=30, default=6.0, doc="without trigger until backup breaths begin"
    )
    open_airway_share: float = quantity(
        unit="fraction", low=0, high=1, default=0.5, doc="backup breaths that inflate; assumption"
    )

    def _refuse_contradictions(self) -> None:
        self._refuse_peak("pip_cmh2o", self.pip_cmh2o, "peep_cmh2o", self.peep_cmh2o)
        self._refuse_times(self.backup_rate_per_min, self.inspiratory_time_s, self.rise_time_s)


@dataclass(frozen=True, kw_only=True)
class NasalOscillation(SupportSettings):
    """Nasal high-frequency oscillation; published settings: 10 Hz (8-12), 10 cmH2O (5-16)."""

    mean_pressure_cmh2o: float = quantity(
        unit="cmH2O", low=2, high=25, default=10.0, doc="mean pressure"
    )
    frequency_hz: float = quantity(unit="Hz", low=3, high=20, default=10.0, doc="cycles a second")
    amplitude_cmh2o: float = quantity(
        unit="cmH2O", low=0, high=80, default=25.0, doc="peak to peak; published 25 (25-50)"
    )
    inspiratory_share: float = quantity(
        unit="fraction", low=0.25, high=0.5, default=0.5, doc="of a cycle; 0.5 is I:E 1:1"
    )


@dataclass(frozen=True, kw_only=True)
class HighFlow(SupportSettings):
    """High-flow nasal cannula."""

    circuit: str = quantity(
        unit="-", choices=("single_limb",), default="single_limb", doc="the only one there is"
    )
    circuit_volume_ml: float = quantity(
        unit="mL", low=10, high=3000, default=432.0, doc="limb and humidifier"
    )
    flow_l_min: float = quantity(
        unit="L/min", low=1, high=20, default=5.0, doc="gas flow, warmed and humidified"
    )


@dataclass(frozen=True, kw_only=True)
class LowFlow(SupportSettings):
    """Low-flow nasal cannula."""

    circuit: str = quantity(
        unit="-", choices=("single_limb",), default="single_limb", doc="the only one there is"
    )
    circuit_volume_ml: float = quantity(unit="mL", low=5, high=100, default=20.0, doc="tubing")
    flow_l_min: float = quantity(unit="L/min", low=0.02, high=2, default=0.5, doc="gas flow")
    leak_fraction: float = quantity(
        unit="fraction", low=0, high=0.95, default=0.0, doc="share of the flow lost beside it"
    )


@dataclass(frozen=True, kw_only=True)
class Conventional(SupportSettings):
    """Invasive conventional ventilation: every breath supported, and a rate in any case."""

    circuit: str = quantity(
        unit="-", choices=("dual_limb",), default="dual_limb", doc="the only one there is"
    )
    leak_fraction: float = quantity(
        unit="fraction", low=0, high=0.95, default=0.1, doc="share lost beside the tube"
    )
    peep_cmh2o: float = quantity(
        unit="cmH2O", low=0, high=15, default=5.0, doc="pressure between breaths"
    )
    pip_cmh2o: float = quantity(unit="cmH2O", low=5, high=50, default=18.0, doc="peak pressure")
    rate_per_min: float = quantity(
        unit="1/min", low=5, high=100, default=50.0, doc="breaths without effort of the infant"
    )
    inspiratory_time_s: float = quantity(
        unit="s", low=0.1, high=1.5, default=0.35, doc="length of a breath"
    )
    rise_time_s: float = quantity(
        unit="s", low=0, high=0.5, default=0.1, doc="until a breath reaches its peak"
    )
    trigger_l_min: float = quantity(
        unit="L/min", low=0.05, high=5, default=0.2, doc="inspiratory flow that starts a breath"
    )

    def _refuse_contradictions(self) -> None:
        self._refuse_peak("pip_cmh2o", self.pip_cmh2o, "peep_cmh2o", self.peep_cmh2o)
        self._refuse_times(self.rate_per_min, self.inspiratory_time_s, self.rise_time_s)


@dataclass(frozen=True, kw_only=True)
class Oscillation(NasalOscillation):
    """Invasive high-frequency oscillation."""

    circuit: str = quantity(
        unit="-", choices=("dual_limb",), default="dual_limb", doc="the only one there is"
    )
    leak_fraction: float = quantity(
        unit="fraction", low=0, high=0.95, default=0.1, doc="share lost beside the tube"
    )


MODES: Mapping[str, type[SupportSettings]] = {
    "nasal_cpap": NasalCpap,
    "nippv": NasalIppv,
    "snippv": SynchronisedNasalIppv,
    "nhfo": NasalOscillation,
    "high_flow": HighFlow,
    "low_flow": LowFlow,
    "conventional": Conventional,
    "hfo": Oscillation,
}


def settings_for(
    mode: str, table: Mapping[str, Any] | None = None, where: str = "support"
) -> SupportSettings:
    """Make the settings of a mode from names and values.

    Parameters
    ----------
    mode : str
        A name in `MODES`.
    table : mapping, optional
        Settings that differ from the defaults; a key "mode" is passed over.
    where : str
        Name of the section, for messages.

    Returns
    -------
    SupportSettings

    Raises
    ------
    TestbedError
        If the mode or a key is unknown, or a value cannot be used.
    """
    if mode not in MODES:
        raise problem(f"{where}.mode", "a support mode", mode, nearest(str(mode), MODES))
    owner = MODES[mode]
    known = {item.name: item for item in fields(owner)}
    values: dict[str, Any] = {}
    for key, value in (table or {}).items():
        if key == "mode":
            continue
        if key not in known:
            raise problem(f"{where}.{key}", f"a setting of {mode}", key, nearest(key, known))
        words = known[key].metadata["choices"]
        if not words and (isinstance(value, bool) or not isinstance(value, (int, float))):
            raise problem(f"{where}.{key}", range_text(known[key].metadata), value)
        values[key] = value if words else float(value)
    return owner(**values)


@dataclass(frozen=True, kw_only=True)
class PressureAlarmSettings:
    """Limits of the pressure alarms and the time of the apnoea alarm; common practice, no source.

    The limits start at a margin around the set mean pressure and can be set by hand.
    """

    margin_cmh2o: float = quantity(
        unit="cmH2O", low=0.5, high=20, default=3.0, doc="between set pressure and limit"
    )
    low_cmh2o: float = quantity(
        unit="cmH2O", low=-1, high=50, default=-1.0, doc="lower limit by hand; -1 takes the margin"
    )
    high_cmh2o: float = quantity(
        unit="cmH2O", low=-1, high=80, default=-1.0, doc="upper limit by hand; -1 takes the margin"
    )
    apnoea_alarm_s: float = quantity(
        unit="s", low=5, high=60, default=20.0, doc="without breath until the apnoea alarm"
    )

    def __post_init__(self) -> None:
        validate(self)
        if 0 <= self.high_cmh2o <= self.low_cmh2o:
            expected = f"more than low_cmh2o ({self.low_cmh2o:g} cmH2O)"
            raise problem("PressureAlarmSettings.high_cmh2o", expected, self.high_cmh2o)

    def limits(self, set_cmh2o: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give the limits around set pressures.

        Parameters
        ----------
        set_cmh2o : ndarray, shape (lanes,)
            Mean pressure that follows from the settings; NaN where there is none.

        Returns
        -------
        low_cmh2o, high_cmh2o : ndarray, shape (lanes,)
            NaN where the mode holds no pressure.
        """
        low = set_cmh2o - self.margin_cmh2o if self.low_cmh2o < 0 else self.low_cmh2o
        high = set_cmh2o + self.margin_cmh2o if self.high_cmh2o < 0 else self.high_cmh2o
        held = set_cmh2o == set_cmh2o
        return np.where(held, np.maximum(low, 0.0), np.nan), np.where(held, high, np.nan)
