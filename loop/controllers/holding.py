"""What the built-in controllers share: the hold, the return, the integral.

Every built-in holds FiO2 while there is no usable reading, stays within the
limits of the reading and learns from `track` what became of its request.
"""

from __future__ import annotations

import numpy as np

from ...models.errors import problem
from ..signals import BoolArray, FloatArray, Reading


class Holding:
    """The FiO2 that each lane has, and who gave it.

    Parameters
    ----------
    owner : str
        Name of the controller's class, for messages.
    lanes : int
        Length of the arrays to come.

    Attributes
    ----------
    applied : ndarray, shape (lanes,)
        Last request after limits, or what `track` said instead (fraction).
    in_loop : ndarray of bool, shape (lanes,)
        False where somebody else has held the FiO2 since the last usable
        reading.
    started : bool
        Whether a reading has been seen since `reset`.
    """

    def __init__(self, owner: str = "", lanes: int = 0) -> None:
        self._owner = owner
        self.started = False
        self.applied: FloatArray = np.zeros(lanes)
        self.in_loop: BoolArray = np.ones(lanes, dtype=np.bool_)
        self._offset: FloatArray = np.zeros(lanes)

    def begin(self, reading: Reading) -> bool:
        """Check the lanes, and take over the FiO2 that is set at the first reading.

        Parameters
        ----------
        reading : Reading
            The reading of this call.

        Returns
        -------
        bool
            True at the first reading after `reset`.

        Raises
        ------
        TestbedError
            If the reading has not the lanes announced to `reset`.
        """
        lanes = len(self.applied)
        if len(reading.spo2_pct) != lanes:
            raise problem(f"{self._owner}.act", f"{lanes} lanes", len(reading.spo2_pct))
        first = not self.started
        if first:
            known = np.isfinite(reading.set_fio2)
            self.applied[:] = np.where(known, reading.set_fio2, reading.fio2_min)
            self.started = True
        return first

    def finish(
        self, wanted: FloatArray, usable: BoolArray, reading: Reading, fade: float = 0.0
    ) -> FloatArray:
        """Hold where there is nothing to go by, limit, and remember.

        Parameters
        ----------
        wanted : ndarray, shape (lanes,)
            FiO2 that the law asks for (fraction).
        usable : ndarray of bool, shape (lanes,)
            Where there is a reading.
        reading : Reading
            The reading of this call; gives the limits.
        fade : float
            Share of the offset of a bumpless return that is left after a
            call; 0 for a law that returns without a bump by itself.

        Returns
        -------
        ndarray, shape (lanes,)
            The request.
        """
        if fade > 0.0:
            returns = usable & ~self.in_loop
            np.copyto(self._offset, self.applied - wanted, where=returns)
            wanted = wanted + self._offset
            self._offset *= fade
        request = np.where(usable, wanted, self.applied)
        np.maximum(request, reading.fio2_min, out=request)
        np.minimum(request, reading.fio2_max, out=request)
        self.applied[:] = request
        self.in_loop |= usable
        return request

    def track(self, applied_fio2: FloatArray, active: BoolArray) -> None:
        """Learn what became of the last request; the last of several calls counts.

        Parameters
        ----------
        applied_fio2 : ndarray, shape (lanes,)
            FiO2 after limits and safeguards (fraction).
        active : ndarray of bool, shape (lanes,)
            False where the controller was out of the loop.
        """
        np.copyto(self.applied, applied_fio2, where=np.isfinite(applied_fio2))
        self.in_loop &= active


class Integral:
    """The sum over time in a controller, with anti-windup and bumpless return.

    Anti-windup is back-calculation: a share of what limits took from the last
    request is handed back at each call (Astrom and Murray, Feedback Systems,
    chapter 11; from memory). After a time out of the loop the sum is set so
    that the request continues from the FiO2 found.

    Parameters
    ----------
    lanes : int
        Length of the arrays.
    """

    def __init__(self, lanes: int = 0) -> None:
        self._sum: FloatArray = np.zeros(lanes)
        self._unlimited: FloatArray = np.zeros(lanes)
        self._was_usable: BoolArray = np.zeros(lanes, dtype=np.bool_)

    def start(self, bias_fio2: FloatArray) -> None:
        """Begin from a FiO2.

        Parameters
        ----------
        bias_fio2 : ndarray, shape (lanes,)
            The FiO2 found (fraction).
        """
        self._sum[:] = bias_fio2
        self._unlimited[:] = bias_fio2

    def add(
        self,
        holding: Holding,
        momentary: FloatArray,
        growth: FloatArray,
        usable: BoolArray,
        share: float,
    ) -> FloatArray:
        """Advance by one call and give the unlimited request.

        Parameters
        ----------
        holding : Holding
            What was applied, and whether the controller was in the loop.
        momentary : ndarray, shape (lanes,)
            Parts without memory: proportional, derivative (fraction).
        growth : ndarray, shape (lanes,)
            What the sum grows by at this call (fraction); used where usable.
        usable : ndarray of bool, shape (lanes,)
            Where there is a reading; elsewhere the sum stands still.
        share : float
            Share of the excess handed back at a call: period over integral
            time, at most 1.

        Returns
        -------
        ndarray, shape (lanes,)
            ``momentary + sum`` (fraction).
        """
        # A request that was held for want of a reading is no windup.
        limited = np.where(self._was_usable, share * (holding.applied - self._unlimited), 0.0)
        taken_over = holding.applied - momentary - self._sum
        change = np.where(holding.in_loop, limited, taken_over) + growth
        self._sum += np.where(usable, change, np.where(self._was_usable, limited, 0.0))
        np.add(momentary, self._sum, out=self._unlimited)
        self._was_usable[:] = usable
        return self._unlimited.copy()

    def grow(self, momentary: FloatArray, growth: FloatArray, usable: BoolArray) -> FloatArray:
        """Advance by one call without anti-windup or bumpless return, to show what they are for.

        Parameters
        ----------
        momentary, growth : ndarray, shape (lanes,)
            As for `add` (fraction).
        usable : ndarray of bool, shape (lanes,)
            Where there is a reading; elsewhere the sum stands still.

        Returns
        -------
        ndarray, shape (lanes,)
            ``momentary + sum`` (fraction).
        """
        self._sum += np.where(usable, growth, 0.0)
        return momentary + self._sum


def usable_lanes(reading: Reading) -> BoolArray:
    """Say where a reading can be acted on.

    Parameters
    ----------
    reading : Reading
        What the controller sees.

    Returns
    -------
    ndarray of bool, shape (lanes,)
        Valid, with a number and with a target.
    """
    target = reading.target_low_pct + reading.target_high_pct
    return np.asarray(reading.valid & np.isfinite(reading.spo2_pct + target))


def error_from_middle(reading: Reading, usable: BoolArray) -> FloatArray:
    """Middle of the target minus displayed SpO2.

    Parameters
    ----------
    reading : Reading
        What the controller sees.
    usable : ndarray of bool, shape (lanes,)
        Where there is a reading.

    Returns
    -------
    ndarray, shape (lanes,)
        Points of SpO2, positive below the target; 0 where not usable.
    """
    error = 0.5 * (reading.target_low_pct + reading.target_high_pct) - reading.spo2_pct
    return np.where(usable, error, 0.0)


def weighted_error(error: FloatArray, reading: Reading, share_in_target: float) -> FloatArray:
    """Let the part of an error that lies inside the target count less, without a step.

    Parameters
    ----------
    error : ndarray, shape (lanes,)
        Mid-target minus SpO2 (points).
    reading : Reading
        Gives the ends of the target.
    share_in_target : float
        Share with which the part inside the target counts, 0 to 1.

    Returns
    -------
    ndarray, shape (lanes,)
        Points; 0 where there is no target.
    """
    half = 0.5 * (reading.target_high_pct - reading.target_low_pct)
    half = np.where(np.isfinite(half), half, 0.0)
    inside = np.minimum(np.maximum(error, -half), half)
    return error - (1.0 - share_in_target) * inside
