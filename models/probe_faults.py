"""What is wrong with an oximeter's reading at the moment, in each lane, and what that does.

While nothing is wrong in any lane this costs one test of a flag, and the
reading keeps its bits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from .artefacts import MotionNoise
from .disturbances import BoolArray, IntArray
from .errors import nearest, problem
from .infants import FloatArray, Infants

# All sizes here are assumptions, held by one published figure: false hypoxaemia of a moving
# sensor is rare (PMC9892170: 1 %, SD 2 %, of hypoxaemia). So motion mostly shifts the reading a
# little, and now and then pulls it far down.
#: What a standard normal deviate adds to the saturation in full motion, before averaging: SD
#: (points), and points of fall for each unit by which the deviate exceeds the start of a pull.
MOTION_SD_PCT = 0.5
PULL_STARTS = 2.0
PULL_PCT = 15.0
#: The signal is lost where a standard normal deviate exceeds the first less the second x motion.
LOSS_LEVEL = 3.0
LOSS_PER_MOTION = 1.5
#: Signal quality lost in full motion and in the lowest perfusion (fraction of it).
QUALITY_LOST = 0.6
#: First-order lag that the lowest perfusion adds (s).
LOW_PERFUSION_LAG_S = 10.0
#: A reading that is shown has at least this quality (fraction); 0 means lost.
LOWEST_QUALITY = 0.05

#: Each fault's value while nothing is wrong, and its range.
INERT: dict[str, float] = {
    "forced_pct": math.nan,
    "forced_bpm": math.nan,
    "offset_pct": 0.0,
    "frozen": 0.0,
    "lost": 0.0,
    "motion": 0.0,
    "handling": 0.0,
    "low_perfusion": 0.0,
}
_RANGES = dict.fromkeys(INERT, (0.0, 1.0)) | {
    "forced_pct": (1.0, 100.0),
    "forced_bpm": (20.0, 300.0),
    "offset_pct": (-50.0, 50.0),
}


class ProbeFaults:
    """What is wrong with each lane's reading at the moment.

    Lanes are ordered arm by arm. Arrays are changed by `set` only.

    Parameters
    ----------
    infants : Infants
        The infants of every arm; only their numbers are used.
    arms : int
        Number of arms; motion does the same in all.
    seed : int
        Seed of the run.

    Attributes
    ----------
    forced_pct : ndarray, shape (lanes,)
        False value that a misplaced probe sees (percent); NaN for none.
    forced_bpm : ndarray, shape (lanes,)
        False pulse rate of a probe that sees no pulse (1/min); NaN for none.
    offset_pct : ndarray, shape (lanes,)
        Points added to what the probe sees.
    frozen, lost : ndarray of bool, shape (lanes,)
        Display repeats what it last showed, as valid; or shows nothing.
    motion : ndarray, shape (lanes,)
        The stronger of motion by itself and in handling, 0 to 1.
    low_perfusion : ndarray, shape (lanes,)
        0 for good perfusion to 1 for the lowest.
    active : bool
        Whether anything is wrong in any lane.
    """

    def __init__(self, infants: Infants, arms: int, seed: int) -> None:
        lanes = arms * len(infants)
        self._values = {name: np.full(lanes, value) for name, value in INERT.items()}
        self.forced_pct: FloatArray = self._values["forced_pct"]
        self.forced_bpm: FloatArray = self._values["forced_bpm"]
        self.offset_pct: FloatArray = self._values["offset_pct"]
        self.low_perfusion: FloatArray = self._values["low_perfusion"]
        self.motion: FloatArray = np.zeros(lanes)
        self.frozen: BoolArray = np.zeros(lanes, dtype=np.bool_)
        self.lost: BoolArray = np.zeros(lanes, dtype=np.bool_)
        self.active = False
        self._on = dict.fromkeys(INERT, False)
        self._numbers, self._seed = infants.infant, seed
        self._noise: MotionNoise | None = None
        self._row = 0
        self._work, self._slow, self._gain = np.zeros(lanes), np.zeros(lanes), np.ones(lanes)
        self._mask = np.zeros(lanes, dtype=np.bool_)
        self._moving, self._forced, self._poor = (np.zeros(lanes, np.bool_) for _ in range(3))
        self._pulse_forced = np.zeros(lanes, dtype=np.bool_)
        self._held_pct, self._held_bpm = np.zeros(lanes), np.zeros(lanes)
        self._held_quality = np.zeros(lanes)
        self._fresh = np.zeros(lanes, dtype=np.bool_)
        # Those who move, how much, and whose noise they get: found anew when any of it changes.
        self._who_moves: IntArray = np.zeros(0, dtype=np.int64)
        self._whose_noise, self._how_much = self._who_moves, np.zeros(0)

    def set(self, lanes: int | slice | Sequence[int], name: str, value: float) -> None:
        """Set a fault from the next tick on.

        Parameters
        ----------
        lanes : int, slice or sequence of int
            Lanes that have it.
        name : str
            A key of `INERT`; "handling" is motion that others cause.
        value : float
            Its value; that of `INERT` ends it.

        Raises
        ------
        TestbedError
            If there is no such fault, or the value is outside its range.
        """
        if name not in INERT:
            raise problem("ProbeFaults.set: name", "a fault", name, nearest(name, INERT))
        low, high = _RANGES[name]
        inert = math.isnan(value) and math.isnan(INERT[name])
        if not (inert or low <= value <= high):
            raise problem(f"ProbeFaults.set: {name}", f"a value from {low:g} to {high:g}", value)
        values = self._values[name]
        values[lanes] = value
        unset = np.isnan(values) if math.isnan(INERT[name]) else values == 0.0
        self._on[name] = not bool(unset.all())
        self.active = any(self._on.values())
        self._work_out(name)

    def _work_out(self, name: str) -> None:
        """Work out what follows from the faults of one name."""
        if name in ("motion", "handling"):
            np.maximum(self._values["motion"], self._values["handling"], out=self.motion)
            np.greater(self.motion, 0.0, out=self._moving)
            (self._who_moves,) = self._moving.nonzero()
            self._how_much = self.motion[self._who_moves]
            self._whose_noise = self._who_moves % len(self._numbers)
        elif name == "frozen":
            np.greater(self._values["frozen"], 0.5, out=self.frozen)
        elif name == "lost":
            np.greater(self._values["lost"], 0.5, out=self.lost)
        elif name == "low_perfusion":
            was_poor = self._poor.copy()
            np.greater(self.low_perfusion, 0.0, out=self._poor)
            self._fresh |= self._poor & ~was_poor
            np.divide(1.0, 1.0 + LOW_PERFUSION_LAG_S * self.low_perfusion, out=self._gain)
        elif name == "forced_pct":
            np.equal(self.forced_pct, self.forced_pct, out=self._forced)
        elif name == "forced_bpm":
            np.isfinite(self.forced_bpm, out=self._pulse_forced)

    def distort(self, tick: int, saturation: FloatArray) -> None:
        """Change what the probe sees, before averaging, in place.

        Parameters
        ----------
        tick : int
            The second now.
        saturation : ndarray, shape (lanes,)
            Saturation at the probe (fraction).
        """
        if self._on["low_perfusion"]:
            self._lag(saturation)
        if self._on["motion"] or self._on["handling"]:
            self._row = self._reach(tick)
            self._shift(saturation)
        if self._on["offset_pct"]:
            np.multiply(self.offset_pct, 0.01, out=self._work)
            saturation += self._work

    def _shift(self, saturation: FloatArray) -> None:
        """Shift the reading of those who move; the others, most as a rule, cost nothing."""
        wander = self._noise_rows().wander[self._row][self._whose_noise]
        pull = np.maximum(wander - PULL_STARTS, 0.0) * (0.01 * PULL_PCT)
        saturation[self._who_moves] += (wander * (0.01 * MOTION_SD_PCT) - pull) * self._how_much

    def force(self, sample: FloatArray, parts: float) -> None:
        """Put the false value of a misplaced probe in the place of its sample.

        Parameters
        ----------
        sample : ndarray, shape (lanes,)
            Saturation with bias, in parts of a percent; changed in place.
        parts : float
            Parts in a percent.
        """
        if self._on["forced_pct"]:
            np.multiply(self.forced_pct, parts, out=self._work)
            np.copyto(sample, self._work, where=self._forced)

    def spoil(
        self, spo2_pct: FloatArray, pulse_bpm: FloatArray, quality: FloatArray, valid: BoolArray
    ) -> None:
        """Change what is shown, in place: less quality, lost or frozen display.

        Parameters
        ----------
        spo2_pct, pulse_bpm : ndarray, shape (lanes,)
            Displayed saturation (percent) and pulse rate (1/min); NaN where not `valid`.
        quality : ndarray, shape (lanes,)
            Signal quality, 0 to 1.
        valid : ndarray of bool, shape (lanes,)
            Whether a reading is shown.
        """
        if self._on["motion"] or self._on["handling"]:
            _lose_quality(self._who_moves, self._how_much, quality, valid)
            loss = self._noise_rows().loss[self._row][self._whose_noise]
            lost = loss + self._how_much * LOSS_PER_MOTION > LOSS_LEVEL
            _blank(spo2_pct, pulse_bpm, quality, valid, self._who_moves[lost])
        if self._on["low_perfusion"]:
            who = self._poor.nonzero()[0]
            _lose_quality(who, self.low_perfusion[who], quality, valid)
        if self._on["forced_bpm"]:
            np.logical_and(self._pulse_forced, valid, out=self._mask)
            np.copyto(pulse_bpm, self.forced_bpm, where=self._mask)
        if self._on["frozen"]:
            np.copyto(spo2_pct, self._held_pct, where=self.frozen)
            np.copyto(pulse_bpm, self._held_bpm, where=self.frozen)
            np.copyto(quality, self._held_quality, where=self.frozen)
            np.logical_or(valid, self.frozen, out=valid)
        if self._on["lost"]:
            _blank(spo2_pct, pulse_bpm, quality, valid, self.lost)

    def hold(self, spo2_pct: FloatArray, pulse_bpm: FloatArray, quality: FloatArray) -> None:
        """Keep the last valid display of every lane that is not frozen.

        Called ahead of freezing; a lane that is frozen already keeps what it holds.

        Parameters
        ----------
        spo2_pct, pulse_bpm, quality : ndarray, shape (lanes,)
            What a frozen display repeats; no NaN.
        """
        np.logical_not(self.frozen, out=self._mask)
        np.copyto(self._held_pct, spo2_pct, where=self._mask)
        np.copyto(self._held_bpm, pulse_bpm, where=self._mask)
        np.copyto(self._held_quality, quality, where=self._mask)

    def _lag(self, saturation: FloatArray) -> None:
        """Let the saturation at a poorly perfused probe follow late."""
        # A lane starts from its own value, whenever others began.
        np.copyto(self._slow, saturation, where=self._fresh)
        self._fresh.fill(False)
        np.subtract(saturation, self._slow, out=self._work)
        self._work *= self._gain
        self._slow += self._work
        np.copyto(saturation, self._slow, where=self._poor)

    def _noise_rows(self) -> MotionNoise:
        if self._noise is None:
            self._noise = MotionNoise(self._numbers, self._seed)
        return self._noise

    def _reach(self, tick: int) -> int:
        return self._noise_rows().reach(tick)


def _lose_quality(who: IntArray, level: FloatArray, quality: FloatArray, valid: BoolArray) -> None:
    """Take quality away in proportion to a level, but not all where a reading is shown."""
    shown = valid[who]
    who, level = who[shown], level[shown]
    quality[who] = np.maximum((level * -QUALITY_LOST + 1.0) * quality[who], LOWEST_QUALITY)


def _blank(
    spo2_pct: FloatArray,
    pulse_bpm: FloatArray,
    quality: FloatArray,
    valid: BoolArray,
    where: BoolArray | IntArray,
) -> None:
    """Show nothing in some lanes."""
    spo2_pct[where] = np.nan
    pulse_bpm[where] = np.nan
    quality[where] = 0.0
    valid[where] = False
