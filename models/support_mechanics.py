"""What the settings of a support mode amount to: pressure, breaths, triggering, gas.

Everything here is worked out once, when a mode is set; `support_effects` then
needs additions, multiplications and divisions only. Nothing is fitted to how
deep infants desaturate on a mode. Values without source are assumptions.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from .support import (
    Conventional,
    HighFlow,
    LowFlow,
    NasalCpap,
    NasalIppv,
    NasalOscillation,
    Oscillation,
    SupportSettings,
    SynchronisedNasalIppv,
)
from .support_pressure import NASAL_LOSS_PER_LEAK, NASAL_LOSS_PER_MOUTH, TIDAL_ML_KG

#: Pressure lost beside a tube, as `NASAL_LOSS_PER_LEAK` beside prongs; assumption.
TUBE_LOSS_PER_LEAK = 0.3
#: No leak takes more of the pressure than this; assumption.
MOST_LOST = 0.95

#: Breathing without help: rate 72-80 per min (Early Hum Dev 1995;41:61, medians), inspiratory
#: share of a breath 0.42 (I:E 0.67-0.77, same source).
BREATHS_PER_MIN, INSPIRATORY_SHARE = 75.0, 0.42

#: Chest volume of a nasal pressure peak as a share of a spontaneous breath: 0.27 (Owen, ADC FN
#: 2011;96:F422), taken to hold at PIP 20, PEEP 6, inspiratory time 0.4, rise time 0.1.
NASAL_PEAK_SHARE = 0.27
#: The same of a tube breath: 5 mL/kg (common practice, no source) at 18 over 5, 0.35 s.
TUBE_BREATH_SHARE = 5.0 / TIDAL_ML_KG
#: Time constant with which a breath fills the lung (s); assumption.
FILL_S = 0.15
#: Share of the time above PEEP by which nasal peaks raise lung volume; assumption.
NASAL_MEAN_SHARE = NASAL_PEAK_SHARE

#: Oscillation clears CO2 as tidal volume squared times frequency (memory): 2 mL/kg at 10 Hz are
#: full ventilation through a tube (memory); through the nose half the volume (assumption), both at
#: the default amplitude and I:E. Tidal volume goes with amplitude and inspiratory time.
NASAL_OSCILLATION_SHARE = 0.25
TUBE_OSCILLATION_SHARE = 1.0

#: Pharyngeal pressure of a high-flow cannula: 0.7 + 1.1 F, F in L/min/kg (memory), up to a limit
#: (assumption); a low-flow cannula has the slope only.
CANNULA_OFFSET_CMH2O, CANNULA_CMH2O_KG = 0.7, 1.1
CANNULA_LIMIT_CMH2O = 8.0

#: A trigger sees leak as flow: this share of it, and it wanders by this much (L/min); assumptions.
LEAK_SEEN = {"single_limb": 1.0, "dual_limb": 0.5}
LEAK_WANDERS_L_MIN = 0.5
#: Breaths that a wandering leak triggers come at most at this rate (1/min); assumption.
MOST_AUTO_PER_MIN = 60.0


@dataclass(frozen=True, kw_only=True)
class ModeNumbers:
    """A mode in numbers that hold for every infant; each becomes an array over lanes.

    Attributes
    ----------
    mean_cmh2o : float
        Mean pressure in the circuit; NaN where the mode holds none.
    held_cmh2o : float
        Pressure that works on lung volume, before what is lost (cmH2O).
    per_flow_cmh2o_kg : float
        Pressure of a cannula for an infant of 1 kg (cmH2O), divided by weight (kg).
    loss_per_leak, loss_per_mouth : float
        Share of pressure lost at a leak of 1 and with the mouth open.
    breaths, breaths_weak : float
        Ventilation by untriggered breaths in apnoea and in weak breathing (share of normal).
    oscillation : float
        Ventilation by oscillation (share of normal).
    triggered : float
        Ventilation added while every breath is triggered (share of normal).
    backup, auto : float
        Ventilation by backup breaths, and by breaths that leak triggers (share of normal).
    backup_from_s : float
        Time without breath until backup breaths begin (s).
    trigger_l_min : float
        Flow that starts a breath (L/min); 0 where no flow is needed.
    leak_seen : float
        Share of the leak that hides a breath from the trigger.
    tube : float
        1 with a tracheal tube, 0 without.
    sealed : float
        1 where air enters beside the interface through an open mouth only, 0 for a cannula.
    """

    mean_cmh2o: float
    held_cmh2o: float
    per_flow_cmh2o_kg: float = 0.0
    loss_per_leak: float = NASAL_LOSS_PER_LEAK
    loss_per_mouth: float = NASAL_LOSS_PER_MOUTH
    breaths: float = 0.0
    breaths_weak: float = 0.0
    oscillation: float = 0.0
    triggered: float = 0.0
    backup: float = 0.0
    auto: float = 0.0
    backup_from_s: float = 0.0
    trigger_l_min: float = 0.0
    leak_seen: float = 1.0
    tube: float = 0.0
    sealed: float = 1.0


def breath_size(peak_cmh2o: float, base_cmh2o: float, time_s: float, rise_s: float) -> float:
    """Give the size of a machine's breath, from the pressure-time area while the lung fills.

    Parameters
    ----------
    peak_cmh2o, base_cmh2o : float
        Pressures at the end of the breath and between breaths.
    time_s, rise_s : float
        Inspiratory time, and the part of it until the peak is reached.

    Returns
    -------
    float
        Pressure step (cmH2O) times the share of filling, ``1 - exp(-(Ti - rise/2) / 0.15 s)``.
    """
    return (peak_cmh2o - base_cmh2o) * (1.0 - math.exp(-(time_s - 0.5 * rise_s) / FILL_S))


NASAL_SIZE = breath_size(20.0, 6.0, 0.4, 0.1)
TUBE_SIZE = breath_size(18.0, 5.0, 0.35, 0.1)


def mean_pressure(
    peak_cmh2o: float, base_cmh2o: float, time_s: float, rise_s: float, rate_per_min: float
) -> float:
    """Give the mean pressure of breaths with a straight rise.

    Parameters
    ----------
    peak_cmh2o, base_cmh2o : float
        Pressures at the end of a breath and between breaths.
    time_s, rise_s : float
        Inspiratory time, and the part of it until the peak is reached.
    rate_per_min : float
        Breaths a minute.

    Returns
    -------
    float
        Mean pressure (cmH2O).
    """
    duty = min((time_s - 0.5 * rise_s) * rate_per_min / 60.0, 1.0)
    return base_cmh2o + (peak_cmh2o - base_cmh2o) * duty


def oscillation_share(settings: NasalOscillation) -> float:
    """Give the ventilation by oscillation, by the law of tidal volume squared times frequency.

    With a tidal volume in proportion to amplitude and to inspiratory time, which is
    ``inspiratory_share / frequency``, it goes with amplitude squared over frequency.

    Parameters
    ----------
    settings : NasalOscillation
        Nasal, or invasive as its child class.

    Returns
    -------
    float
        Share of normal alveolar ventilation, at most 1.
    """
    usual = type(settings)()
    size = settings.amplitude_cmh2o / usual.amplitude_cmh2o
    size *= settings.inspiratory_share / usual.inspiratory_share
    tube = isinstance(settings, Oscillation)
    most = TUBE_OSCILLATION_SHARE if tube else NASAL_OSCILLATION_SHARE
    return min(most * size * size * usual.frequency_hz / settings.frequency_hz, 1.0)


def mode_numbers(settings: SupportSettings) -> ModeNumbers:
    """Work out what a mode's settings amount to.

    Parameters
    ----------
    settings : SupportSettings
        Settings of any mode.

    Returns
    -------
    ModeNumbers
    """
    return _NUMBERS[type(settings)](settings)


def _cpap(settings: NasalCpap) -> ModeNumbers:
    size = breath_size(
        settings.backup_pip_cmh2o,
        settings.pressure_cmh2o,
        settings.inspiratory_time_s,
        settings.rise_time_s,
    )
    each = NASAL_PEAK_SHARE * max(size, 0.0) / NASAL_SIZE * settings.open_airway_share
    return ModeNumbers(
        mean_cmh2o=settings.pressure_cmh2o,
        held_cmh2o=settings.pressure_cmh2o,
        backup=each * settings.backup_rate_per_min / BREATHS_PER_MIN,
        backup_from_s=settings.apnoea_time_s,
    )


def _breath(
    settings: NasalIppv | SynchronisedNasalIppv | Conventional,
) -> tuple[float, float, float, float]:
    return (
        settings.pip_cmh2o,
        settings.peep_cmh2o,
        settings.inspiratory_time_s,
        settings.rise_time_s,
    )


def _nippv(settings: NasalIppv) -> ModeNumbers:
    mean = mean_pressure(*_breath(settings), settings.rate_per_min)
    each = NASAL_PEAK_SHARE * breath_size(*_breath(settings)) / NASAL_SIZE
    per_rate = each * settings.rate_per_min / BREATHS_PER_MIN
    return ModeNumbers(
        mean_cmh2o=mean,
        held_cmh2o=settings.peep_cmh2o + NASAL_MEAN_SHARE * (mean - settings.peep_cmh2o),
        breaths=per_rate * settings.open_airway_share,
        breaths_weak=per_rate * INSPIRATORY_SHARE,  # peaks that meet a breath by chance
    )


def _snippv(settings: SynchronisedNasalIppv) -> ModeNumbers:
    mean = mean_pressure(*_breath(settings), BREATHS_PER_MIN)
    each = NASAL_PEAK_SHARE * breath_size(*_breath(settings)) / NASAL_SIZE
    untriggered = each * settings.open_airway_share / BREATHS_PER_MIN
    return ModeNumbers(
        mean_cmh2o=mean,
        held_cmh2o=settings.peep_cmh2o + NASAL_MEAN_SHARE * (mean - settings.peep_cmh2o),
        triggered=each,
        backup=untriggered * settings.backup_rate_per_min,
        auto=untriggered * MOST_AUTO_PER_MIN,
        backup_from_s=settings.apnoea_time_s,
        trigger_l_min=settings.trigger_l_min,
        leak_seen=LEAK_SEEN[settings.circuit],
    )


def _oscillation(settings: NasalOscillation) -> ModeNumbers:
    return ModeNumbers(
        mean_cmh2o=settings.mean_pressure_cmh2o,
        held_cmh2o=settings.mean_pressure_cmh2o,
        oscillation=oscillation_share(settings),
    )


def _high_flow(settings: HighFlow) -> ModeNumbers:
    slope = CANNULA_CMH2O_KG * settings.flow_l_min
    return _cannula(held_cmh2o=CANNULA_OFFSET_CMH2O, per_flow_cmh2o_kg=slope)


def _low_flow(settings: LowFlow) -> ModeNumbers:
    return _cannula(held_cmh2o=0.0, per_flow_cmh2o_kg=CANNULA_CMH2O_KG * settings.flow_l_min)


def _cannula(**pressure: float) -> ModeNumbers:
    """Leave out the loss by leak: the published pressure of a cannula has it in."""
    return ModeNumbers(mean_cmh2o=math.nan, loss_per_leak=0.0, sealed=0.0, **pressure)


def _tube(numbers: ModeNumbers) -> ModeNumbers:
    return replace(numbers, loss_per_leak=TUBE_LOSS_PER_LEAK, loss_per_mouth=0.0, tube=1.0)


def _conventional(settings: Conventional) -> ModeNumbers:
    mean = mean_pressure(*_breath(settings), settings.rate_per_min)
    each = TUBE_BREATH_SHARE * breath_size(*_breath(settings)) / TUBE_SIZE
    mandatory = each * settings.rate_per_min / BREATHS_PER_MIN
    return _tube(
        ModeNumbers(
            mean_cmh2o=mean,
            held_cmh2o=mean,
            breaths=mandatory,
            breaths_weak=mandatory,
            triggered=each,
            trigger_l_min=settings.trigger_l_min,
            leak_seen=LEAK_SEEN[settings.circuit],
        )
    )


_NUMBERS: dict[type[SupportSettings], Callable[[Any], ModeNumbers]] = {
    NasalCpap: _cpap,
    NasalIppv: _nippv,
    SynchronisedNasalIppv: _snippv,
    NasalOscillation: _oscillation,
    HighFlow: _high_flow,
    LowFlow: _low_flow,
    Conventional: _conventional,
    Oscillation: lambda settings: _tube(_oscillation(settings)),
}
