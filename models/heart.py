"""Heart rate with its reflex fall in apnoea and hypoxia, and the blood flow that follows it.

The reflex is chemoreceptor driven: strongest while the infant does not breathe
and is short of oxygen, weak when only one of the two holds. How strong it is
differs between infants. All strengths and times here are assumptions, chosen
so that a long apnoea with deep hypoxaemia takes a sensitive infant below
`BRADYCARDIA_BPM` and a short one does not.
"""

from __future__ import annotations

import math

import numpy as np
from numpy import add, greater, multiply, subtract

from .disturbances import BoolArray
from .errors import problem
from .infants import FloatArray, Infants
from .operands import number
from .streams import BLOCK_TICKS, Cause, stream

#: A heart rate below this is bradycardia (1/min).
BRADYCARDIA_BPM = 80.0
LOWEST_BPM = 40.0

#: Apnoea acts from its 5th second and fully from its 15th.
APNOEA_STARTS_S = 5.0
APNOEA_FULL_S = 15.0
#: Hypoxia acts from this saturation and fully from the lower one (fraction).
HYPOXIA_STARTS = 0.90
HYPOXIA_FULL = 0.65
#: Reflex with apnoea only or hypoxia only, as a share of that with both.
ALONE_SHARE = 0.45
#: Largest relative fall of the rate: the least and the most sensitive infant.
FALL_LEAST = 0.15
FALL_MOST = 0.8
#: First-order lag of the rate behind the reflex, falling and recovering (s).
FALL_LAG_S = 3.0
RECOVERY_LAG_S = 7.0

#: Share of a relative fall of the rate by which cardiac output falls; a larger
#: stroke volume makes up for the rest. Assumption: newborn infants have little
#: reserve of stroke volume.
FLOW_SHARE = 0.6

#: Variability while nothing happens: SD as a fraction of the rate at rest and
#: correlation time, from memory.
VARIABILITY_SD = 0.03
VARIABILITY_S = 10.0

_ONE, _APNOEA_STARTS = number(1.0), number(APNOEA_STARTS_S)
_PER_APNOEA = number(1.0 / (APNOEA_FULL_S - APNOEA_STARTS_S))
_HYPOXIA_STARTS = number(HYPOXIA_STARTS)
_PER_HYPOXIA = number(1.0 / (HYPOXIA_STARTS - HYPOXIA_FULL))
_BOTH_SHARE, _ALONE_SHARE = number(1.0 - 2.0 * ALONE_SHARE), number(ALONE_SHARE)
_RECOVERY, _FALL = (
    number(1.0 / RECOVERY_LAG_S),
    number((1.0 / FALL_LAG_S - 1.0 / RECOVERY_LAG_S) + 1.0 / RECOVERY_LAG_S),
)
_MINUS_FLOW_SHARE = number(-FLOW_SHARE)


class HeartRate:
    """Heart rate and flow of each lane, tick by tick.

    Lanes are ordered arm by arm. An infant has the same variability and the
    same reflex in every arm.

    Parameters
    ----------
    infants : Infants
        The group; `heart_rate_bpm` is the rate at rest.
    arms : int
        Number of arms.
    seed : int
        Seed of the run.

    Attributes
    ----------
    rate_bpm : ndarray, shape (lanes,)
        Heart rate (1/min).
    flow_factor : ndarray, shape (lanes,)
        Factor on the cardiac output at rest, from above 0 to 1.
    """

    rate_bpm: FloatArray
    flow_factor: FloatArray

    def __init__(self, infants: Infants, arms: int, seed: int) -> None:
        count = len(infants)
        lanes = arms * count
        self._next_tick = 0
        self._streams = [
            stream(seed, number, Cause.HEART_RATE) for number in infants.infant.tolist()
        ]
        uniform = np.array([rng.random() for rng in self._streams])
        first = np.array([rng.standard_normal() for rng in self._streams])
        # The square makes strong reflexes rarer than weak ones.
        self._fall = np.tile(FALL_LEAST + (FALL_MOST - FALL_LEAST) * uniform * uniform, arms)
        self._rest_bpm = np.tile(infants.heart_rate_bpm, arms)
        self._keep = math.exp(-1.0 / VARIABILITY_S)
        self._new_bpm = VARIABILITY_SD * math.sqrt(1.0 - self._keep * self._keep)
        self._noise_bpm = VARIABILITY_SD * first * infants.heart_rate_bpm
        self._noise_scale_bpm = self._new_bpm * infants.heart_rate_bpm
        self._draws = np.zeros((count, BLOCK_TICKS))
        self._fresh_bpm = np.zeros((BLOCK_TICKS, count))
        self._stopped_s = np.zeros(lanes)
        self._apnoea, self._hypoxia, self._reflex = (np.zeros(lanes) for _ in range(3))
        self._rising = np.zeros(lanes, dtype=np.bool_)
        self._lag, self._product, self._work = (np.zeros(lanes) for _ in range(3))
        self._nought, self._one = np.zeros(lanes), np.ones(lanes)
        self._lowest_bpm = np.full(lanes, LOWEST_BPM)
        self.rate_bpm = self._rest_bpm.copy()
        self._by_arm = self.rate_bpm.reshape(arms, count)
        self.flow_factor = np.ones(lanes)

    def step(self, tick: int, breathing_stopped: BoolArray, sao2_fraction: FloatArray) -> None:
        """Advance by one second: update `rate_bpm` and `flow_factor` in place.

        Parameters
        ----------
        tick : int
            Seconds since the start of the run: 0, then one more at each call.
        breathing_stopped : ndarray of bool, shape (lanes,)
            Whether no breath reaches the lungs, as in every kind of apnoea.
        sao2_fraction : ndarray, shape (lanes,)
            Arterial saturation (fraction).

        Raises
        ------
        TestbedError
            If a tick is left out or comes twice.
        """
        if tick != self._next_tick:
            raise problem("HeartRate.step: tick", f"the next tick, {self._next_tick}", tick)
        self._next_tick = tick + 1
        self._drive(breathing_stopped, sao2_fraction)
        self._follow()
        self._vary(tick)

    def _drive(self, stopped: BoolArray, sao2: FloatArray) -> None:
        """Find how strongly apnoea and hypoxia drive the reflex, 0 to 1 each."""
        work = self._work
        add(self._stopped_s, _ONE, work)
        np.copyto(self._stopped_s, self._nought)
        np.copyto(self._stopped_s, work, where=stopped)
        subtract(self._stopped_s, _APNOEA_STARTS, work)
        multiply(work, _PER_APNOEA, self._apnoea)
        self._limit(self._apnoea)
        subtract(_HYPOXIA_STARTS, sao2, work)
        multiply(work, _PER_HYPOXIA, self._hypoxia)
        self._limit(self._hypoxia)

    def _limit(self, values: FloatArray) -> None:
        """Keep values from 0 to 1, in place."""
        np.maximum(values, self._nought, out=self._work)
        np.minimum(self._work, self._one, out=values)

    def _follow(self) -> None:
        """Let the reflex follow its drive, `0.3 (a + h) + 0.4 a h`, and set rate and flow."""
        drive, product, work, lag = self._apnoea, self._product, self._work, self._lag
        multiply(self._apnoea, self._hypoxia, work)
        multiply(work, _BOTH_SHARE, product)
        add(self._apnoea, self._hypoxia, work)
        multiply(work, _ALONE_SHARE, drive)
        add(drive, product, work)
        subtract(work, self._reflex, drive)
        greater(drive, self._nought, self._rising)
        np.copyto(lag, _RECOVERY)
        np.copyto(lag, _FALL, where=self._rising)
        multiply(drive, lag, work)
        add(self._reflex, work, self._reflex)
        fall = self._lag
        multiply(self._reflex, self._fall, fall)
        multiply(fall, _MINUS_FLOW_SHARE, work)
        add(work, _ONE, self.flow_factor)
        multiply(fall, self._rest_bpm, work)
        subtract(self._rest_bpm, work, self.rate_bpm)

    def _vary(self, tick: int) -> None:
        """Add the variability of the infant, the same in every arm."""
        place = tick % BLOCK_TICKS
        if place == 0:
            for infant, rng in enumerate(self._streams):
                rng.standard_normal(out=self._draws[infant])
            self._fresh_bpm[...] = self._draws.T
            self._fresh_bpm *= self._noise_scale_bpm
        self._noise_bpm *= self._keep
        self._noise_bpm += self._fresh_bpm[place]
        self._by_arm += self._noise_bpm
        np.maximum(self.rate_bpm, self._lowest_bpm, out=self.rate_bpm)
