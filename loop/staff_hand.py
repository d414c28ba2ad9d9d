"""The hand on the blender: what staff see at a cot, and how they turn the oxygen."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..models.streams import Cause, stream
from .rounding import ON_OXYGEN_FIO2
from .signals import BoolArray, FloatArray
from .staff_settings import StaffSettings
from .staff_titration import TitrationRow, find_row

#: Spread of steps around their median (SD of the logarithm): the published
#: steps range from 1 to 65 points (Acta Paediatr 2012, PMID 22040264).
STEP_SPREAD = 0.4

#: The top of the target range reaches this far below its high end (points).
TOP_PCT = 1.0

#: Smaller changes are none (fraction).
LEAST_CHANGE = 0.005


@dataclass(frozen=True, kw_only=True)
class Bedside:
    """What staff can see and touch; all arrays have the shape ``(lanes,)``.

    Attributes
    ----------
    spo2_pct : ndarray
        Displayed SpO2 (percent), NaN where there is no reading.
    set_fio2 : ndarray
        FiO2 to which the blender is set (fraction).
    command_fio2 : ndarray
        FiO2 asked of the blender; staff write it.
    alarms : ndarray of bool, shape (len(Alarm), lanes)
        Alarms that sound now.
    target_low_pct, target_high_pct : float
        Ends of the target range.
    fio2_min, fio2_max : float
        Limits of the blender (fraction).
    mode : ndarray of int, optional
        Who holds the FiO2 of each lane, a `signals.Mode`; staff of automatic
        arms write it.
    """

    spo2_pct: FloatArray
    set_fio2: FloatArray
    command_fio2: FloatArray
    alarms: BoolArray
    target_low_pct: float
    target_high_pct: float
    fio2_min: float
    fio2_max: float
    mode: NDArray[np.int64] | None = None


class Luck:
    """An infant's own draws for staff in one arm.

    Parameters
    ----------
    seed : int
        Seed of the run.
    infant : int
        The infant's own number.
    """

    def __init__(self, seed: int, infant: int) -> None:
        self.rounds = stream(seed, infant, Cause.STAFF_ROUNDS)
        self.alarms = stream(seed, infant, Cause.STAFF_ALARMS)
        self.steps = stream(seed, infant, Cause.STAFF_STEPS)
        self.overrides = stream(seed, infant, Cause.STAFF_OVERRIDES)


def around(rng: np.random.Generator, median: float, spread: float) -> float:
    """Draw a log-normal value around its median.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of the draw.
    median : float
        Median of the distribution.
    spread : float
        SD of the logarithm.

    Returns
    -------
    float
    """
    return median * math.exp(spread * float(rng.standard_normal()))


class Titrator:
    """The hand on the blender, in one arm.

    Parameters
    ----------
    settings : StaffSettings
        The protocol, the room-air rules and how often high readings are let be.
    bedside : Bedside
        What staff see and touch.
    luck : dict of int to Luck
        Draws by lane.
    log : callable
        Takes lane, event name, value, detail.
    """

    def __init__(
        self,
        settings: StaffSettings,
        bedside: Bedside,
        luck: dict[int, Luck],
        log: Callable[[int, str, float, str], None],
    ) -> None:
        self._settings = settings
        self._air_from = settings.air_from_pct / 100.0 + 1e-9
        self._from_air: set[int] = set()  # cots that were in room air until a rescue
        self._bedside, self._luck, self._log = bedside, luck, log

    def row(self, lane: int) -> TitrationRow | None:
        """Find the row that applies at a cot now.

        Parameters
        ----------
        lane : int
            The cot.

        Returns
        -------
        TitrationRow or None
            None where the reading asks for nothing or is missing, and where it
            asks for less oxygen than room air.
        """
        bedside = self._bedside
        low, high = bedside.target_low_pct, bedside.target_high_pct
        row = find_row(self._settings.titration, float(bedside.spo2_pct[lane]), low, high)
        if row is not None and row.step_pct < 0 and self._in_air(lane):
            return None
        return row

    def watches_first(self, lane: int, row: TitrationRow) -> bool:
        """Say whether an infant gets time to recover in room air before any oxygen.

        Parameters
        ----------
        lane : int
            The cot.
        row : TitrationRow
            The row that applies.

        Returns
        -------
        bool
            For an infant in room air whose low reading is not very low.
        """
        mild = self._bedside.spo2_pct[lane] >= self._settings.air_until_pct
        return bool(row.step_pct > 0 and self._in_air(lane) and mild)

    def from_air(self, lane: int) -> bool:
        """Say whether an infant on oxygen was in room air until a rescue.

        Parameters
        ----------
        lane : int
            The cot.

        Returns
        -------
        bool
            Staff then know that it needs no oxygen: they neither let high readings be nor
            forget to come back (assumption).
        """
        return lane in self._from_air

    def _in_air(self, lane: int) -> bool:
        return bool(self._bedside.set_fio2[lane] <= ON_OXYGEN_FIO2)

    def act(self, lane: int, row: TitrationRow | None, reason: str) -> bool:
        """Do what a row says, unless a high reading is let be.

        Parameters
        ----------
        lane : int
            The cot.
        row : TitrationRow or None
            The row; None does nothing.
        reason : str
            Why, for the log.

        Returns
        -------
        bool
            Whether the oxygen was turned.
        """
        if row is None:
            return False
        down, settings = row.step_pct < 0, self._settings
        if down and self._bedside.set_fio2[lane] <= self._air_from:
            return self.set_to(lane, self._bedside.fio2_min, reason)
        by_target = down and row.relative_to != "display"
        let_be = by_target and float(self._luck[lane].steps.random()) < settings.tolerate_high_share
        if let_be and not self.from_air(lane):
            return False
        return self.turn(lane, row.step_pct, reason)

    def plan(self, lane: int, reason: str) -> bool:
        """Look without being called: do what the row says, and wean in the top of the target.

        Parameters
        ----------
        lane : int
            The cot.
        reason : str
            Why, for the log.

        Returns
        -------
        bool
            Whether the oxygen was turned.
        """
        row = self.row(lane)
        if row is not None:
            return self.act(lane, row, reason)
        wean = float(self._luck[lane].steps.random()) < self._settings.wean_share
        return wean and self.comfortable(lane) and self.down(lane, reason)

    def comfortable(self, lane: int) -> bool:
        """Say whether less oxygen is worth a try: on oxygen, and at the top of the target or above.

        Parameters
        ----------
        lane : int
            The cot.

        Returns
        -------
        bool
        """
        bedside = self._bedside
        high = bedside.spo2_pct[lane] >= bedside.target_high_pct - TOP_PCT
        return bool(high and not self._in_air(lane))

    def down(self, lane: int, reason: str) -> bool:
        """Take back some oxygen, by the step that the protocol has for high readings.

        Parameters
        ----------
        lane : int
            The cot.
        reason : str
            Why, for the log.

        Returns
        -------
        bool
            Whether the oxygen was turned.
        """
        steps = [row.step_pct for row in self._settings.titration if row.step_pct < 0]
        return bool(steps) and self.turn(lane, max(steps), reason)

    def turn(self, lane: int, median_step_pct: float, reason: str) -> bool:
        """Turn the oxygen by about so much, in whole percents and within the limits.

        Parameters
        ----------
        lane : int
            The cot.
        median_step_pct : float
            Median step (points of FiO2, signed).
        reason : str
            Why, for the log.

        Returns
        -------
        bool
            Whether the oxygen was turned.
        """
        bedside = self._bedside
        size = max(1, round(around(self._luck[lane].steps, abs(median_step_pct), STEP_SPREAD)))
        asked = float(bedside.set_fio2[lane]) + math.copysign(size, median_step_pct) / 100.0
        return self.set_to(lane, asked, reason)

    def set_to(self, lane: int, fio2: float, reason: str) -> bool:
        """Set the oxygen.

        Parameters
        ----------
        lane : int
            The cot.
        fio2 : float
            FiO2 (fraction); brought within the limits.
        reason : str
            Why, for the log.

        Returns
        -------
        bool
            Whether that changed anything.
        """
        bedside = self._bedside
        value = min(max(fio2, bedside.fio2_min), bedside.fio2_max)
        if abs(value - float(bedside.set_fio2[lane])) < LEAST_CHANGE:
            return False
        if value <= ON_OXYGEN_FIO2:
            self._from_air.discard(lane)
        elif self._in_air(lane):
            self._from_air.add(lane)
        bedside.command_fio2[lane] = value
        self._log(lane, "fio2_by_hand", value, reason)
        return True
