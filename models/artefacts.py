"""What spoils an oximeter's reading: motion, low perfusion, a probe that is off or misplaced.

`draw_probe_events` gives what happens to one infant's probe in a run, the same
in every arm; `MotionNoise` what motion would do to the reading at each tick.
What is wrong at the moment, and what it does, is in `probe_faults`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from scipy.signal import lfilter

from .breathing_chain import Clock, draw_onsets
from .disturbances import IntArray
from .errors import problem
from .infants import FloatArray, Infants
from .settings import quantity, validate
from .streams import BLOCK_TICKS, Cause, stream

#: How long the effect of motion hangs together (s); assumption.
MOTION_S = 8.0

_BEYOND_S = 3600
_SHORTEST_S = 5


class ProbeEventKind(IntEnum):
    """What happens to a probe by itself."""

    MOTION = 0
    LOW_PERFUSION = 1
    PROBE_OFF = 2
    PROBE_DISPLACED = 3


#: The fault that each kind sets.
FAULT_OF = {
    ProbeEventKind.MOTION: "motion",
    ProbeEventKind.LOW_PERFUSION: "low_perfusion",
    ProbeEventKind.PROBE_OFF: "lost",
    ProbeEventKind.PROBE_DISPLACED: "forced_pct",
}


@dataclass(frozen=True, kw_only=True)
class ArtefactSettings:
    """How often a probe is disturbed; all rates and lengths are assumptions."""

    motion_per_h: float = quantity(
        unit="1/h", low=0, high=30, default=8.0, doc="bouts of motion, besides handling"
    )
    motion_s: float = quantity(
        unit="s", low=5, high=60, default=45.0, doc="mean length of a bout of motion"
    )
    low_perfusion_per_d: float = quantity(
        unit="1/d", low=0, high=24, default=1.0, doc="spells of low perfusion at the probe"
    )
    low_perfusion_min: float = quantity(
        unit="min", low=1, high=30, default=15.0, doc="mean length of a spell of low perfusion"
    )
    probe_off_per_d: float = quantity(
        unit="1/d", low=0, high=24, default=1.0, doc="probe falls off, reading lost"
    )
    probe_displaced_per_d: float = quantity(
        unit="1/d", low=0, high=24, default=0.5, doc="probe slips and shows a false value"
    )
    probe_refit_min: float = quantity(
        unit="min", low=0.5, high=30, default=4.0, doc="mean time until a probe is put right"
    )
    false_low_pct: float = quantity(
        unit="%", low=1, high=100, default=75.0, doc="lowest false value of a slipped probe"
    )
    false_high_pct: float = quantity(
        unit="%",
        low=1,
        high=100,
        default=95.0,
        doc="highest false value of a slipped probe; around 85 %, from memory",
    )

    def __post_init__(self) -> None:
        validate(self)
        if self.false_high_pct < self.false_low_pct:
            raise problem(
                "ArtefactSettings.false_high_pct", "at least false_low_pct (%)", self.false_high_pct
            )


@dataclass(frozen=True, kw_only=True)
class ProbeEvents:
    """What happens to one infant's probe in a run, by onset; one kind never overlaps itself.

    Attributes
    ----------
    onset_s, duration_s : ndarray of int, shape (events,)
        Seconds since the start of the run, and length (s).
    kind : ndarray of int, shape (events,)
        A `ProbeEventKind`; `FAULT_OF` names the fault to set.
    value : ndarray, shape (events,)
        Value of that fault during the event.
    """

    onset_s: IntArray
    duration_s: IntArray
    kind: IntArray
    value: FloatArray

    def __len__(self) -> int:
        return len(self.onset_s)


def draw_probe_events(
    infants: Infants, place: int, seed: int, duration_s: int, settings: ArtefactSettings
) -> ProbeEvents:
    """Draw what happens to the probe of one infant in a run.

    Parameters
    ----------
    infants : Infants
        The group in which the infant is.
    place : int
        Its place there.
    seed : int
        Seed of the run.
    duration_s : int
        Length of the run; nothing starts later. A shorter run has the first of them.
    settings : ArtefactSettings
        Rates and lengths.

    Returns
    -------
    ProbeEvents
    """
    false_pct = (settings.false_low_pct, settings.false_high_pct)
    refit_s = 60.0 * settings.probe_refit_min
    # Rate (1/s), mean length (s), and range of the value.
    loads = {
        ProbeEventKind.MOTION: (settings.motion_per_h / 3600.0, settings.motion_s, (0.3, 1.0)),
        ProbeEventKind.LOW_PERFUSION: (
            settings.low_perfusion_per_d / 86400.0,
            60.0 * settings.low_perfusion_min,
            (0.3, 1.0),
        ),
        ProbeEventKind.PROBE_OFF: (settings.probe_off_per_d / 86400.0, refit_s, (1.0, 1.0)),
        ProbeEventKind.PROBE_DISPLACED: (
            settings.probe_displaced_per_d / 86400.0,
            refit_s,
            false_pct,
        ),
    }
    streams = stream(seed, int(infants.infant[place]), Cause.PROBE_EVENTS).spawn(len(loads))
    ends_s = np.array([0.0, duration_s + _BEYOND_S])
    clock = Clock(edges_s=ends_s, counted_s=ends_s)
    drawn = []
    for rng, (kind, (rate_per_s, mean_s, (low, high))) in zip(streams, loads.items(), strict=True):
        arrivals, lengths, values = rng.spawn(3)
        onset_s = draw_onsets(arrivals, clock, rate_per_s)
        count = len(onset_s)
        excess_s = lengths.standard_exponential(count) * max(mean_s - _SHORTEST_S, 0.0)
        lasting_s = np.rint(_SHORTEST_S + excess_s).astype(np.int64)
        before_s = np.cumsum(lasting_s + 1) - (lasting_s + 1)
        onset_s = before_s + np.maximum.accumulate(onset_s - before_s)
        value = low + (high - low) * values.random(count)
        drawn.append((onset_s, lasting_s, np.full(count, int(kind)), value))
    onset_s, lasting_s, kinds, value = (np.concatenate(part) for part in zip(*drawn, strict=True))
    order = np.lexsort((kinds, onset_s))
    order = order[onset_s[order] < duration_s]
    return ProbeEvents(
        onset_s=onset_s[order],
        duration_s=lasting_s[order],
        kind=kinds[order],
        value=value[order],
    )


class MotionNoise:
    """What motion would do at each tick, for all infants: two coloured standard deviates.

    Parameters
    ----------
    infant_numbers : ndarray of int, shape (infants,)
        The infants' own numbers.
    seed : int
        Seed of the run.

    Attributes
    ----------
    wander, loss : ndarray, shape (BLOCK_TICKS, infants)
        Deviates that shift the reading, and that lose it.
    """

    def __init__(self, infant_numbers: IntArray, seed: int) -> None:
        shape = (BLOCK_TICKS, len(infant_numbers))
        self.wander: FloatArray = np.zeros(shape)
        self.loss: FloatArray = np.zeros(shape)
        self._block = -1
        self._keep = math.exp(-1.0 / MOTION_S)
        self._fresh = math.sqrt(1.0 - self._keep * self._keep)
        self._streams = [
            stream(seed, number, Cause.MOTION).spawn(2) for number in infant_numbers.tolist()
        ]
        self._states = [
            [self._keep * rng.standard_normal(1) for rng in pair] for pair in self._streams
        ]

    def reach(self, tick: int) -> int:
        """Draw blocks up to that of a tick, in order, whenever motion began.

        Parameters
        ----------
        tick : int
            The second, never in an earlier block than at the last call.

        Returns
        -------
        int
            Row of that tick.
        """
        block, row = divmod(tick, BLOCK_TICKS)
        while self._block < block:
            self._block += 1
            for place, pair in enumerate(self._streams):
                for part, out in enumerate((self.wander, self.loss)):
                    white = pair[part].standard_normal(BLOCK_TICKS)
                    out[:, place], self._states[place][part] = lfilter(
                        [self._fresh], [1.0, -self._keep], white, zi=self._states[place][part]
                    )
        return row
