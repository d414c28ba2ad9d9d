"""Gas supply, heart and oximeter of one infant in plain Python floats.

Slow twins of `models.gas_delivery`, `models.heart` and `models.oximeter`. They
draw nothing: noise and device errors are handed to them.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from ..models import heart as reflex
from ..models.gas_delivery import AIR_FIO2, GasSettings, blender_positions, wash_in_time_constant_s
from ..models.oximeter_noise import WIDER_BELOW_PCT

#: A displayed value is averaged in whole parts of 1 / PARTS percent or beat; see
#: `models.oximeter`.
PARTS = 2**20

#: Up to this displayed saturation the noise is that of a low saturation (percent).
LOW_NOISE_UP_TO_PCT = 96


class GasTwin:
    """Blender, circuit and FiO2 monitor of one infant.

    Parameters
    ----------
    settings : GasSettings
        Blender, circuit and monitor.
    blender_error, monitor_error : float
        Constant errors of this infant's devices (fraction).
    initial_fio2 : float
        FiO2 that has been set for long (fraction).

    Attributes
    ----------
    set_fio2, inspired_fio2, delivered_fio2 : float
        FiO2 at the blender, at the infant, and on the monitor (fraction).
    """

    def __init__(
        self,
        settings: GasSettings,
        blender_error: float,
        monitor_error: float,
        initial_fio2: float,
    ) -> None:
        self._blender_error, self._monitor_error = blender_error, monitor_error
        self._steps = round(1.0 / settings.blender_step)
        self._lowest, self._highest = blender_positions(settings)
        self._whole_s = math.floor(settings.dead_time_s)
        self._part_s = settings.dead_time_s - self._whole_s
        self._wash_in = 1.0 - math.exp(-1.0 / wash_in_time_constant_s(settings))
        lag_s = settings.monitor_time_constant_s
        self._monitor_gain = 1.0 - math.exp(-1.0 / lag_s) if lag_s > 0 else 1.0
        self.set_fio2 = 0.0
        applied = self._turn(initial_fio2)
        # Newest first; the last two are those between which the delay ends.
        self._applied = deque([applied] * (self._whole_s + 2), maxlen=self._whole_s + 2)
        self.inspired_fio2 = self._monitor = applied
        self.delivered_fio2 = min(applied + monitor_error, 1.0)

    def step(self, command_fio2: float) -> None:
        """Advance by one second.

        Parameters
        ----------
        command_fio2 : float
            FiO2 asked of the blender (fraction).
        """
        self._applied.appendleft(self._turn(command_fio2))
        newer, older = self._applied[self._whole_s], self._applied[self._whole_s + 1]
        delayed = newer + self._part_s * (older - newer)
        self.inspired_fio2 += self._wash_in * (delayed - self.inspired_fio2)
        self._monitor += self._monitor_gain * (self.inspired_fio2 - self._monitor)
        self.delivered_fio2 = min(self._monitor + self._monitor_error, 1.0)

    def _turn(self, command_fio2: float) -> float:
        """Set the blender to a whole step and give what leaves it."""
        step = math.floor(command_fio2 * self._steps + 0.5 + 1e-9)
        self.set_fio2 = min(max(step, self._lowest), self._highest) / self._steps
        return min(max(self.set_fio2 + self._blender_error, AIR_FIO2), 1.0)


class HeartTwin:
    """Heart rate and blood flow of one infant.

    Parameters
    ----------
    rest_bpm : float
        Heart rate at rest (1/min).
    fall : float
        Relative fall of the rate when the reflex is full.
    variation_bpm : sequence of float
        What the variability adds to the rate at each tick.

    Attributes
    ----------
    rate_bpm, flow_factor : float
        Heart rate (1/min) and factor on the cardiac output at rest.
    """

    def __init__(self, rest_bpm: float, fall: float, variation_bpm: Sequence[float]) -> None:
        self._rest_bpm, self._fall, self._variation_bpm = rest_bpm, fall, variation_bpm
        self._stopped_s = 0
        self._reflex = 0.0
        self.rate_bpm = rest_bpm
        self.flow_factor = 1.0

    def step(self, tick: int, stopped: bool, sao2_fraction: float) -> None:
        """Advance by one second.

        Parameters
        ----------
        tick : int
            Time now (s).
        stopped : bool
            Whether no breath reaches the lungs.
        sao2_fraction : float
            Arterial saturation.
        """
        self._stopped_s = self._stopped_s + 1 if stopped else 0
        apnoea_s = self._stopped_s - reflex.APNOEA_STARTS_S
        apnoea = _share(apnoea_s / (reflex.APNOEA_FULL_S - reflex.APNOEA_STARTS_S))
        missing = reflex.HYPOXIA_STARTS - sao2_fraction
        hypoxia = _share(missing / (reflex.HYPOXIA_STARTS - reflex.HYPOXIA_FULL))
        both = 1.0 - 2.0 * reflex.ALONE_SHARE
        drive = reflex.ALONE_SHARE * (apnoea + hypoxia) + both * apnoea * hypoxia
        lag_s = reflex.FALL_LAG_S if drive > self._reflex else reflex.RECOVERY_LAG_S
        self._reflex += (drive - self._reflex) / lag_s
        fallen = self._fall * self._reflex
        self.flow_factor = 1.0 - reflex.FLOW_SHARE * fallen
        rate_bpm = self._rest_bpm * (1.0 - fallen) + self._variation_bpm[tick]
        self.rate_bpm = max(rate_bpm, reflex.LOWEST_BPM)


def _share(value: float) -> float:
    """Keep a value from 0 to 1."""
    return min(max(value, 0.0), 1.0)


@dataclass(frozen=True, kw_only=True)
class ProbeNoise:
    """What one infant's oximeter adds by itself, tick by tick (whole percent).

    Attributes
    ----------
    deep_pct, low_pct, high_pct : sequence of int
        Noise at a displayed saturation below 90 %, from there to 96 %, and above.
    quality_pct : sequence of int
        Signal quality; 0 where the reading is lost.
    """

    deep_pct: Sequence[int]
    low_pct: Sequence[int]
    high_pct: Sequence[int]
    quality_pct: Sequence[int]


class OximeterTwin:
    """Oximeter of one infant.

    Parameters
    ----------
    delay_s : float
        From the lung to the probe.
    bias_pct : float
        What the probe shows too much.
    averaging_s : int
        Samples in the average.
    noise : ProbeNoise
        Noise and lost signal.
    sao2_fraction, rate_bpm : float
        Saturation and heart rate that have been constant for long.

    Attributes
    ----------
    spo2_pct : float
        Displayed SpO2 in whole percent; NaN where nothing is shown.
    pulse_rate_bpm : float
        Pulse rate in whole beats (1/min); NaN where nothing is shown.
    signal_quality : float
        The oximeter's own confidence, 0 to 1.
    """

    def __init__(
        self,
        *,
        delay_s: float,
        bias_pct: float,
        averaging_s: int,
        noise: ProbeNoise,
        sao2_fraction: float,
        rate_bpm: float,
    ) -> None:
        self._whole_s = math.floor(delay_s)
        self._part_s = delay_s - self._whole_s
        self._bias_pct, self._noise = bias_pct, noise
        depth = self._whole_s + 2
        self._sao2 = deque([sao2_fraction] * depth, maxlen=depth)
        saturation, rate = self._parts(sao2_fraction, rate_bpm)
        self._saturations = deque([saturation] * averaging_s, maxlen=averaging_s)
        self._rates = deque([rate] * averaging_s, maxlen=averaging_s)
        self.spo2_pct = float(min(max(_whole_mean(self._saturations), 1), 100))
        self.pulse_rate_bpm = float(_whole_mean(self._rates))
        self.signal_quality = 1.0

    def step(self, tick: int, sao2_fraction: float, rate_bpm: float) -> None:
        """Advance by one second.

        Parameters
        ----------
        tick : int
            Time now (s).
        sao2_fraction : float
            Saturation of the blood that leaves the lung.
        rate_bpm : float
            True heart rate (1/min).
        """
        self._sao2.appendleft(sao2_fraction)
        newer, older = self._sao2[self._whole_s], self._sao2[self._whole_s + 1]
        saturation, rate = self._parts(newer + self._part_s * (older - newer), rate_bpm)
        self._saturations.append(saturation)
        self._rates.append(rate)
        quality_pct = self._noise.quality_pct[tick]
        self.signal_quality = quality_pct / 100.0
        if quality_pct == 0:
            self.spo2_pct = self.pulse_rate_bpm = math.nan
            return
        shown = _whole_mean(self._saturations)
        shown += self._noise_at(shown)[tick]
        self.spo2_pct = float(min(max(shown, 1), 100))
        self.pulse_rate_bpm = float(_whole_mean(self._rates))

    def _noise_at(self, shown_pct: int) -> Sequence[int]:
        """Choose the noise of a displayed saturation."""
        if shown_pct < WIDER_BELOW_PCT:
            return self._noise.deep_pct
        low = shown_pct <= LOW_NOISE_UP_TO_PCT
        return self._noise.low_pct if low else self._noise.high_pct

    def _parts(self, sao2_fraction: float, rate_bpm: float) -> tuple[int, int]:
        """Put saturation with bias, and heart rate, into whole parts."""
        saturation_pct = 100.0 * sao2_fraction + self._bias_pct
        return round(saturation_pct * PARTS), round(rate_bpm * PARTS)


def _whole_mean(parts: Sequence[int]) -> int:
    """Average whole parts, exactly, and round half-up to a whole number."""
    return (2 * sum(parts) + len(parts) * PARTS) // (2 * len(parts) * PARTS)
