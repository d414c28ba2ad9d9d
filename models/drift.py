"""Slow drift of shunt and of the ventilation of the poor lung part, over minutes and hours.

Each is a factor ``exp(x - variance / 2)`` with mean 1, where `x` is the sum of
two Ornstein-Uhlenbeck processes. They are drawn at knots, exactly, and the
factor runs straight from one knot to the next, so that nothing jumps from one
second to the next and a tick costs a few operations.
"""

from __future__ import annotations

import math

import numpy as np

from .disturbances import DisturbanceSettings
from .errors import problem
from .infants import FloatArray, Infants
from .streams import BLOCK_TICKS, Cause, stream

#: Correlation times of the fast and the slow part (s), and the share of the
#: variance in each; assumption: as much changes over minutes as over hours.
CORRELATION_S = (360.0, 7200.0)
VARIANCE_SHARE = (0.5, 0.5)

#: Seconds between two knots; a whole number of them makes a block of ticks.
#: Small beside the fast part, so that straight lines cost it 1 % of variance.
KNOT_S = 10
KNOTS = BLOCK_TICKS // KNOT_S

_PARTS = len(CORRELATION_S)


class Drift:
    """Factors on shunt and on the poor part's ventilation, tick by tick.

    Parameters
    ----------
    infants : Infants
        The group; `drift_shunt_sd` and `drift_ventilation_sd` are the SDs of
        the logarithm of the factors.
    seed : int
        Seed of the run.
    settings : DisturbanceSettings
        `drift_scale` is a factor on both SDs.
    """

    def __init__(self, infants: Infants, seed: int, settings: DisturbanceSettings) -> None:
        self._tick = 0
        self._block = 0
        self._walks = (
            _Walk(infants, seed, Cause.SHUNT_DRIFT, infants.drift_shunt_sd * settings.drift_scale),
            _Walk(
                infants,
                seed,
                Cause.VENTILATION_DRIFT,
                infants.drift_ventilation_sd * settings.drift_scale,
            ),
        )

    def row(self, tick: int) -> tuple[FloatArray, FloatArray]:
        """Give the factors of one tick.

        Parameters
        ----------
        tick : int
            Seconds since the start of the run; never less than at the last call.

        Returns
        -------
        shunt_factor, ventilation_factor : ndarray, shape (infants,)
            Factors on shunt and on the poor part's ventilation, above 0 and
            without an upper limit; valid until the next call.

        Raises
        ------
        TestbedError
            If `tick` goes backwards.
        """
        if tick < self._tick:
            raise problem("Drift.row: tick", f"a tick from {self._tick} onwards", tick)
        self._tick = tick
        while self._block < tick // BLOCK_TICKS:
            self._block += 1
            for walk in self._walks:
                walk.next_block()
        knot, past = divmod(tick % BLOCK_TICKS, KNOT_S)
        shunt, ventilation = self._walks
        return shunt.between(knot, past / KNOT_S), ventilation.between(knot, past / KNOT_S)


class _Walk:
    """One drifting factor of all infants: the knots of the current block."""

    def __init__(self, infants: Infants, seed: int, cause: Cause, sd: FloatArray) -> None:
        count = len(infants)
        self._streams = [stream(seed, number, cause) for number in infants.infant.tolist()]
        shares = np.array([[math.sqrt(share)] for share in VARIANCE_SHARE])
        self._part_sd = shares * sd
        self._half_variance = 0.5 * sd * sd
        self._keep = np.array([[math.exp(-KNOT_S / lasts)] for lasts in CORRELATION_S])
        self._new = np.array([[math.sqrt(1.0 - keep * keep)] for keep in self._keep[:, 0].tolist()])
        self._unit = np.stack([rng.standard_normal(_PARTS) for rng in self._streams], axis=1)
        self._draws = np.zeros((count, KNOTS, _PARTS))
        self._log = np.zeros((count, KNOTS + 1))
        self._knots = np.zeros((KNOTS + 1, count))
        self._out = np.zeros(count)
        self._log[:, KNOTS] = self._log_factor()
        self.next_block()

    def next_block(self) -> None:
        """Draw the next knots; the last of the block before is the first of this one."""
        for place, rng in enumerate(self._streams):
            rng.standard_normal(out=self._draws[place])
        fresh = np.ascontiguousarray(self._draws.transpose(1, 2, 0))
        fresh *= self._new
        self._log[:, 0] = self._log[:, KNOTS]
        for knot in range(KNOTS):
            self._unit *= self._keep
            self._unit += fresh[knot]
            self._log[:, knot + 1] = self._log_factor()
        for place in range(len(self._streams)):
            self._knots[:, place] = np.exp(self._log[place])  # per infant: same bits in any group

    def between(self, knot: int, weight: float) -> FloatArray:
        """Give the factors on the straight line from a knot to the next."""
        start = self._knots[knot]
        np.subtract(self._knots[knot + 1], start, out=self._out)
        np.multiply(self._out, weight, out=self._out)
        self._out += start
        return self._out

    def _log_factor(self) -> FloatArray:
        """Give the logarithm of the factor at the current knot."""
        fast, slow = self._unit[0] * self._part_sd[0], self._unit[1] * self._part_sd[1]
        return np.asarray(fast + slow - self._half_variance)
