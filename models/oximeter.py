"""The pulse oximeter: what it shows of the arterial saturation, how late, and when nothing.

In this order: delay from the lung to the probe, bias of the infant's probe,
averaging, rounding to whole percent, noise, lost signal. The published noise
is that of the displayed value, so it comes after the averaging. Faults (motion,
a misplaced probe, a frozen display) are in `probe_faults`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .errors import problem
from .infants import FloatArray, Infants
from .operands import number
from .oximeter_noise import (
    PROLONGED_SHARE,
    WIDER_BELOW_PCT,
    OximeterNoise,
    displayed_noise_scale,
    mean_dropout_s,
)
from .probe_faults import ProbeFaults
from .settings import quantity, validate
from .streams import BLOCK_TICKS

#: Samples are averaged as whole numbers of this part of a percent (and of a beat per minute), so
#: that the running sum is exact: it cannot drift, and depends on nothing outside its window.
_PARTS = float(2**20)
_PER_FRACTION, _PER_BEAT = number(100.0 * _PARTS), number(_PARTS)

#: Above this displayed saturation the noise is that published for SaO2 >= 97 %.
_LOW_NOISE_UP_TO_PCT = 96.5

_LOW_NOISE_UP_TO, _ROUNDS = number(_LOW_NOISE_UP_TO_PCT), number(0.5)
_WIDER_BELOW = number(float(WIDER_BELOW_PCT))
_NOUGHT, _HUNDRED, _NO_VALUE = number(0.0), number(100.0), number(np.nan)

#: At most this share of the time may be lost; at more, the episodes would have no gaps.
_MOST_LOST_SHARE = 0.9

#: Slow blood flow lengthens the circulation delay at most by this factor.
LONGEST_DELAY_FACTOR = 2.0


@dataclass(frozen=True, kw_only=True)
class OximeterSettings:
    """Oximeter of every infant in a run."""

    averaging_s: int = quantity(
        unit="s", low=1, high=16, default=8, doc="averaging time, in whole seconds"
    )
    noise_scale: float = quantity(
        unit="-", low=0, high=3, default=1.0, doc="factor on the published noise; 0 for none"
    )
    dropout_rate_per_h: float = quantity(
        unit="1/h", low=0, high=60, default=1.1, doc="lost-signal episodes (Lim 2015, on CPAP)"
    )
    prolonged_dropout_share: float = quantity(
        unit="fraction",
        low=0,
        high=1,
        default=PROLONGED_SHARE,
        doc="share of the lost-signal episodes that last 60 s or more",
    )
    bias_scale: float = quantity(
        unit="-", low=0, high=3, default=1.0, doc="factor on each infant's probe bias; 0 for none"
    )
    flow_delay_share: float = quantity(
        unit="fraction",
        low=0,
        high=1,
        default=0.0,
        doc="share of the circulation delay that lengthens as blood flow falls; 0 for none",
    )

    def __post_init__(self) -> None:
        validate(self)
        if not isinstance(self.averaging_s, int):
            raise problem("OximeterSettings.averaging_s", "whole seconds", self.averaging_s)
        lost_share = self.dropout_rate_per_h * mean_dropout_s(self.prolonged_dropout_share) / 3600.0
        if lost_share > _MOST_LOST_SHARE:
            raise problem(
                "OximeterSettings.dropout_rate_per_h",
                f"episodes that fill at most {_MOST_LOST_SHARE:.0%} of the time",
                self.dropout_rate_per_h,
                f"With this prolonged_dropout_share they would fill {lost_share:.0%}.",
            )


class Oximeter:
    """Oximeters of all lanes, one step a second.

    The arrays are overwritten at each step. Lanes are arm-major: lane = arm x infants + place.

    Parameters
    ----------
    infants : Infants
        The infants of every arm: numbers, delays, probe biases, resting heart rates.
    arms : int
        How many arms each infant is in; noise and lost signal are the same in all.
    settings : OximeterSettings
        Averaging, noise, lost signal.
    seed : int
        Seed of the run.
    duration_s : int
        Length of the run; the signal is not lost after it.
    initial_sao2_fraction : ndarray, shape (lanes,)
        SaO2 (fraction) that has been constant for long.

    Attributes
    ----------
    spo2_pct : ndarray, shape (lanes,)
        Displayed SpO2 in whole percent, 1 to 100; NaN where `valid` is False.
    valid : ndarray of bool, shape (lanes,)
        Whether a reading is shown.
    signal_quality : ndarray, shape (lanes,)
        The oximeter's own confidence, 0 to 1: less with noise, falling ahead of a lost signal, 0
        only while it is lost.
    pulse_rate_bpm : ndarray, shape (lanes,)
        Pulse rate (1/min), averaged like the saturation, in whole beats; NaN where not `valid`.
    faults : ProbeFaults
        What is wrong with the reading of each lane; changed by `set_fault`.

    Notes
    -----
    The noise is a first-order Gaussian process with the averaging time as its time constant, put
    through the published distribution (Electronics 2022;11(9):1314). With that constant the
    noise changes from second to second as much as an average over that time does when its
    newest sample replaces the oldest: correlation exp(-1/N), near 1 - 1/N. Its spread does not
    depend on the averaging time, because the publication gives one distribution for all.
    """

    def __init__(
        self,
        infants: Infants,
        arms: int,
        settings: OximeterSettings,
        seed: int,
        duration_s: int,
        initial_sao2_fraction: FloatArray,
    ) -> None:
        lanes = arms * len(infants)
        initial = np.asarray(initial_sao2_fraction, dtype=np.float64)
        if initial.shape != (lanes,) or not np.isfinite(initial).all():
            raise problem(
                "Oximeter.initial_sao2_fraction", f"finite numbers of shape ({lanes},)", initial
            )
        self.settings = settings
        self._lanes = lanes
        self._next_tick = 0
        self._noise = OximeterNoise(
            infants.infant,
            seed,
            correlation_time_s=float(settings.averaging_s),
            noise_scale=displayed_noise_scale(settings.averaging_s, settings.noise_scale),
            dropout_rate_per_h=settings.dropout_rate_per_h,
            prolonged_dropout_share=settings.prolonged_dropout_share,
            duration_s=duration_s,
        )
        self._noise.draw(0)
        self.faults = ProbeFaults(infants, arms, seed)
        self._set_up_delay(infants, arms, initial)
        self._set_up_average(infants, arms, initial)
        self._set_up_display(arms, len(infants))

    def _set_up_delay(self, infants: Infants, arms: int, initial: FloatArray) -> None:
        whole_s = np.floor(infants.circulation_delay_s)
        self._fraction = np.tile(infants.circulation_delay_s - whole_s, arms)
        back = np.tile(whole_s.astype(np.intp), arms)
        self._depth = int(back.max(initial=0)) + 1
        if self.settings.flow_delay_share > 0:
            longest_s = LONGEST_DELAY_FACTOR * float(infants.circulation_delay_s.max(initial=0.0))
            self._depth = int(longest_s) + 3
        # Each sample is written twice, `depth` rows apart, so that no index has to be wrapped.
        self._ring = np.repeat(initial[np.newaxis, :], 2 * self._depth, axis=0)
        self._flat_ring = self._ring.reshape(-1)
        self._first_index = (self._depth - back) * self._lanes + np.arange(self._lanes)
        self._lane_index = np.arange(self._lanes)
        self._index = np.empty(self._lanes, dtype=np.intp)
        self._row = 0
        self._delay_s = np.tile(infants.circulation_delay_s, arms)
        self._delay_now_s, self._whole_delay_s = self._delay_s.copy(), self._delay_s.copy()
        self._delay_part = np.zeros(self._lanes)
        self._back = np.zeros(self._lanes, dtype=np.intp)
        self._newer = initial.copy()
        self._older = initial.copy()
        self._delayed = initial.copy()

    def _set_up_average(self, infants: Infants, arms: int, initial: FloatArray) -> None:
        lanes = self._lanes
        bias_pct = np.tile(infants.spo2_bias_pct, arms) * self.settings.bias_scale
        self._bias_parts = bias_pct * _PARTS
        # Saturation in the first half, heart rate in the second: one running sum for both.
        self._sample, self._parts = np.empty(2 * lanes), np.empty(lanes)
        self._all_parts = number(self.settings.averaging_s * _PARTS)
        self._saturation_sample = self._sample[:lanes]
        self._heart_sample = self._sample[lanes:]
        self._take_sample(initial, np.tile(infants.heart_rate_bpm, arms))
        self._window = np.repeat(self._sample[np.newaxis, :], self.settings.averaging_s, axis=0)
        self._sum = self._sample * float(self.settings.averaging_s)
        self._whole = np.empty(2 * lanes)
        self._oldest = 0
        self._average()

    def _set_up_display(self, arms: int, infants: int) -> None:
        lanes = self._lanes
        self.spo2_pct = np.clip(self._whole[:lanes], 1.0, 100.0)
        self.pulse_rate_bpm = self._whole[lanes:].copy()
        self.valid = np.ones(lanes, dtype=np.bool_)
        self.signal_quality = np.ones(lanes)
        self._quality_pct = np.full(lanes, 100.0)
        self._least_pct, self._most_pct = np.ones(lanes), np.full(lanes, 100.0)
        self._lost = np.zeros(lanes, dtype=np.bool_)
        self._is_there = np.zeros(lanes, dtype=np.bool_)
        self._noise_pct, self._other_pct = np.zeros(lanes), np.zeros(lanes)
        # An infant's row goes to all arms at once through these.
        self._noise_by_arm = self._noise_pct.reshape(arms, infants)
        self._other_by_arm = self._other_pct.reshape(arms, infants)
        self._quality_by_arm = self._quality_pct.reshape(arms, infants)

    def set_fault(self, lanes: int | slice | Sequence[int], name: str, value: float) -> None:
        """Set or end a fault of the probe or the display, from the next tick on.

        Parameters
        ----------
        lanes : int, slice or sequence of int
            Lanes that have it.
        name : str
            forced_pct, forced_bpm (NaN ends these), offset_pct, frozen, lost, motion, handling
            (motion that others cause) or low_perfusion.
        value : float
            Percent, points, or 0 (none) to 1; 0 ends it.

        Raises
        ------
        TestbedError
            If there is no such fault, or the value is outside its range.
        """
        if name == "frozen":
            # A display that shows nothing freezes at the average, for it has to be valid.
            whole_pct, whole_bpm = self._whole[: self._lanes], self._whole[self._lanes :]
            self.faults.hold(
                np.where(self.valid, self.spo2_pct, np.clip(whole_pct, 1.0, 100.0)),
                np.where(self.valid, self.pulse_rate_bpm, whole_bpm),
                np.where(self.valid, self.signal_quality, 1.0),
            )
        self.faults.set(lanes, name, value)

    def step(
        self,
        tick: int,
        sao2_fraction: FloatArray,
        heart_rate_bpm: FloatArray,
        flow_factor: FloatArray | None = None,
    ) -> None:
        """Advance one second.

        Parameters
        ----------
        tick : int
            This second's number: 0 at the first call, then one more each time.
        sao2_fraction : ndarray, shape (lanes,)
            True arterial saturation where the blood leaves the lung (fraction).
        heart_rate_bpm : ndarray, shape (lanes,)
            True heart rate (1/min).
        flow_factor : ndarray, shape (lanes,), optional
            Cardiac output over that at rest, above 0; lengthens the delay if the settings say so.

        Raises
        ------
        TestbedError
            If a tick is left out or repeated, or, once a block, if NaN has come in.
        """
        row = self._find_row(tick)
        if flow_factor is not None and self.settings.flow_delay_share > 0:
            self._delay_by_flow(sao2_fraction, flow_factor)
        else:
            self._delay(sao2_fraction)
        faulty = self.faults.active
        if faulty:
            self.faults.distort(tick, self._delayed)
        self._take_sample(self._delayed, heart_rate_bpm)
        self._average()
        self._display(row)
        if faulty:
            self.faults.spoil(self.spo2_pct, self.pulse_rate_bpm, self.signal_quality, self.valid)

    def _find_row(self, tick: int) -> int:
        """Check the order of ticks and draw the next block of noise when this one is used up."""
        if tick != self._next_tick:
            raise problem(
                "Oximeter.step, tick", f"tick {self._next_tick}", tick, "Leave out no tick."
            )
        if tick > 0 and tick % BLOCK_TICKS == 0:
            if not np.isfinite(self._sum).all():
                raise problem("Oximeter.step", "finite saturations and heart rates", "NaN")
            self._noise.draw(tick)
        self._next_tick = tick + 1
        return tick % BLOCK_TICKS

    def _delay(self, sao2_fraction: FloatArray) -> None:
        """Look each lane's delay back, between two samples for the part of a second."""
        self._ring[self._row] = sao2_fraction
        self._ring[self._row + self._depth] = sao2_fraction
        np.add(self._first_index, self._row * self._lanes, out=self._index)
        self._row = (self._row + 1) % self._depth
        # With a constant delay, the older of the two is what the newer was a second ago.
        self._newer, self._older = self._older, self._newer
        # mode="clip": with the default, NumPy buffers `out`. The index never needs clipping.
        self._flat_ring.take(self._index, out=self._newer, mode="clip")
        np.subtract(self._older, self._newer, self._delayed)
        np.multiply(self._delayed, self._fraction, self._parts)
        np.add(self._parts, self._newer, self._delayed)

    def _delay_by_flow(self, sao2_fraction: FloatArray, flow_factor: FloatArray) -> None:
        """Look back by a delay that grows as the flow falls, between two samples."""
        now_s, part = self._delay_now_s, self._delay_part
        np.divide(1.0, flow_factor, out=now_s)
        np.minimum(now_s, LONGEST_DELAY_FACTOR, out=now_s)
        np.maximum(now_s, 1.0, out=now_s)
        now_s -= 1.0
        now_s *= self.settings.flow_delay_share
        now_s += 1.0
        now_s *= self._delay_s
        np.floor(now_s, out=self._whole_delay_s)
        np.subtract(now_s, self._whole_delay_s, out=part)
        np.copyto(self._back, self._whole_delay_s, casting="unsafe")
        self._ring[self._row] = sao2_fraction
        self._ring[self._row + self._depth] = sao2_fraction
        np.multiply(self._back, -self._lanes, out=self._index)
        self._index += self._lane_index
        self._index += (self._row + self._depth) * self._lanes
        self._row = (self._row + 1) % self._depth
        self._flat_ring.take(self._index, out=self._newer, mode="clip")
        self._index -= self._lanes
        self._flat_ring.take(self._index, out=self._older, mode="clip")
        np.subtract(self._older, self._newer, out=self._delayed)
        np.multiply(self._delayed, part, out=self._delayed)
        np.add(self._delayed, self._newer, out=self._delayed)

    def _take_sample(self, saturation: FloatArray, heart_rate_bpm: FloatArray) -> None:
        """Put saturation with bias, and heart rate, into whole parts."""
        np.multiply(saturation, _PER_FRACTION, self._parts)
        np.add(self._parts, self._bias_parts, self._saturation_sample)
        self.faults.force(self._saturation_sample, _PARTS)
        np.multiply(heart_rate_bpm, _PER_BEAT, self._heart_sample)
        np.rint(self._sample, out=self._sample)

    def _average(self) -> None:
        """Replace the oldest sample in the running sum and round the average half-up."""
        oldest = self._window[self._oldest]
        np.subtract(self._sum, oldest, out=self._sum)
        np.add(self._sum, self._sample, out=self._sum)
        oldest[...] = self._sample
        self._oldest = (self._oldest + 1) % len(self._window)
        np.divide(self._sum, self._all_parts, self._whole)
        np.add(self._whole, _ROUNDS, self._whole)
        np.floor(self._whole, out=self._whole)

    def _display(self, row: int) -> None:
        """Add the noise, blank what is lost."""
        whole_pct, whole_bpm = self._whole[: self._lanes], self._whole[self._lanes :]
        noise, other, there = self._noise_pct, self._other_pct, self._is_there
        self._noise_by_arm[...] = self._noise.low_pct[row]
        self._quality_by_arm[...] = self._noise.quality_pct[row]
        self._other_by_arm[...] = self._noise.high_pct[row]
        np.greater(whole_pct, _LOW_NOISE_UP_TO, there)
        np.copyto(noise, other, where=there)
        self._other_by_arm[...] = self._noise.deep_pct[row]
        np.less(whole_pct, _WIDER_BELOW, there)
        np.copyto(noise, other, where=there)
        np.add(whole_pct, noise, other)
        np.maximum(other, self._least_pct, out=noise)
        np.minimum(noise, self._most_pct, out=self.spo2_pct)
        np.greater(self._quality_pct, _NOUGHT, self.valid)
        np.divide(self._quality_pct, _HUNDRED, self.signal_quality)
        self.pulse_rate_bpm[...] = whole_bpm
        if np.count_nonzero(self.valid) < self._lanes:
            np.logical_not(self.valid, self._lost)
            np.copyto(self.spo2_pct, _NO_VALUE, where=self._lost)
            np.copyto(self.pulse_rate_bpm, _NO_VALUE, where=self._lost)
