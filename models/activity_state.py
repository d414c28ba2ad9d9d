"""What goes on at the moment in each lane, as arrays that the plant can multiply with."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .activities import Activities, ActivityKind, ActivitySettings
from .disturbances import BoolArray
from .errors import problem
from .haemoglobin import Transfused, transfuse
from .infants import FloatArray, Infants

#: Haemoglobin of packed red cells, from memory (g/dL).
DONOR_HB_G_DL = 20.0

#: Kind, onset, and the five numbers and two flags of an `Activities` row.
_Row = tuple[int, int, float, float, float, float, bool, bool]


class ActivityState:
    """Activities that go on in each lane.

    The arrays change only when an activity starts or stops; they are computed
    anew from all that go on in the lane, so what ends leaves no trace.
    Lanes are ordered arm by arm.

    Parameters
    ----------
    infants : Infants
        The infants of one arm.
    arms : int
        Number of arms.
    settings : ActivitySettings
        Dilution of the gas while the interface is off.

    Attributes
    ----------
    vo2_factor, ventilation_factor, shunt_factor : ndarray, shape (lanes,)
        Products over what goes on; 1 where nothing does.
    motion : ndarray, shape (lanes,)
        The strongest motion, 0 to 1.
    interface_off, stimulates : ndarray of bool, shape (lanes,)
        Whether any activity has the interface off, or wakes an infant in apnoea.
    transfused : ndarray, shape (lanes,)
        Transfusions given so far, in whole ones; `count_transfusion` raises it.
    any_active : bool
        Whether anything goes on in any lane; where not, all arrays are inert.
    """

    def __init__(self, infants: Infants, arms: int, settings: ActivitySettings) -> None:
        lanes = arms * len(infants)
        self.vo2_factor: FloatArray = np.ones(lanes)
        self.ventilation_factor: FloatArray = np.ones(lanes)
        self.shunt_factor: FloatArray = np.ones(lanes)
        self.motion: FloatArray = np.zeros(lanes)
        self.interface_off: BoolArray = np.zeros(lanes, dtype=np.bool_)
        self.stimulates: BoolArray = np.zeros(lanes, dtype=np.bool_)
        self.transfused: FloatArray = np.zeros(lanes)
        self.any_active = False
        self._transfusion_ml_kg = settings.transfusion_ml_kg
        self._per_second = 1.0 / (settings.transfusion_h * 3600.0)
        self._infants, self._arms = infants, arms
        self._rows: list[list[_Row]] = [[] for _ in range(lanes)]
        self._receiving: set[int] = set()
        self._any_off = False
        self._work = np.zeros(lanes)
        self._on: BoolArray = np.zeros(lanes, dtype=np.bool_)

    def start(self, lanes: Sequence[int], activities: Activities, number: int) -> None:
        """Let an activity begin.

        Parameters
        ----------
        lanes : sequence of int
            Lanes of the infant in which it takes place, as a rule one in each arm.
        activities : Activities
            The infant's activities.
        number : int
            Which of them.
        """
        for lane in lanes:
            self._rows[lane].append(_row(activities, number))
            self._refresh(lane)
        self._refresh_flags()

    def stop(self, lanes: Sequence[int], activities: Activities, number: int) -> None:
        """Let an activity end, at its own time or earlier.

        Parameters
        ----------
        lanes : sequence of int
            Lanes in which it ends.
        activities : Activities
            The infant's activities.
        number : int
            Which of them.

        Raises
        ------
        TestbedError
            If it does not go on in one of the lanes.
        """
        row = _row(activities, number)
        for lane in lanes:
            if row not in self._rows[lane]:
                kind = ActivityKind(row[0]).name.lower()
                raise problem("ActivityState.stop", f"{kind} going on in lane {lane}", "none")
            self._rows[lane].remove(row)
            self._refresh(lane)
        self._refresh_flags()

    def ongoing(self, lane: int) -> tuple[ActivityKind, ...]:
        """Name what goes on in a lane.

        Parameters
        ----------
        lane : int
            The lane.

        Returns
        -------
        tuple of ActivityKind
        """
        return tuple(ActivityKind(row[0]) for row in sorted(self._rows[lane]))

    def _refresh(self, lane: int) -> None:
        """Compute the lane's values anew, in an order that does not depend on the past."""
        vo2 = ventilation = shunt = 1.0
        motion, off, wakes = 0.0, False, False
        rows = sorted(self._rows[lane])
        for row in rows:
            vo2, ventilation, shunt = vo2 * row[2], ventilation * row[3], shunt * row[4]
            motion, off, wakes = max(motion, row[5]), off or row[6], wakes or row[7]
        self.vo2_factor[lane] = vo2
        self.ventilation_factor[lane] = ventilation
        self.shunt_factor[lane] = shunt
        self.motion[lane] = motion
        self.interface_off[lane] = off
        self.stimulates[lane] = wakes
        if any(row[0] == ActivityKind.TRANSFUSION for row in rows):
            self._receiving.add(lane)
        else:
            self._receiving.discard(lane)

    def _refresh_flags(self) -> None:
        self.any_active = any(self._rows)
        self._any_off = bool(self.interface_off.any())

    def count_transfusion(self, seconds: int) -> BoolArray | None:
        """Add what flowed in since the last call to `transfused`.

        Parameters
        ----------
        seconds : int
            Since the last call, such as 60.

        Returns
        -------
        ndarray of bool, shape (lanes,), or None
            Lanes whose blood has changed; None if none has.
        """
        if not self._receiving:
            return None
        changed = np.zeros(len(self.transfused), dtype=np.bool_)
        for lane in self._receiving:
            self.transfused[lane] += seconds * self._per_second
            changed[lane] = True
        return changed

    def blood(self) -> Transfused:
        """Give the blood of all lanes after what was transfused so far.

        Returns
        -------
        Transfused
            Haemoglobin, its fetal share and P50, arrays of shape ``(lanes,)``.
        """
        infants, arms = self._infants, self._arms
        return transfuse(
            hb_g_dl=np.tile(infants.hb_g_dl, arms),
            hbf_fraction=np.tile(infants.hbf_fraction, arms),
            p50_mmhg=np.tile(infants.p50_mmhg, arms),
            blood_volume_ml_kg=np.tile(infants.blood_volume_ml_kg, arms),
            given_ml_kg=self._transfusion_ml_kg * self.transfused,
            donor_hb_g_dl=np.full(len(self.transfused), DONOR_HB_G_DL),
        )


def _row(activities: Activities, number: int) -> _Row:
    """Take out one activity, in plain numbers that can be compared and sorted."""
    return (
        int(activities.kind[number]),
        int(activities.onset_s[number]),
        float(activities.vo2_factor[number]),
        float(activities.ventilation_factor[number]),
        float(activities.shunt_factor[number]),
        float(activities.motion[number]),
        bool(activities.interface_off[number]),
        bool(activities.stimulates[number]),
    )
