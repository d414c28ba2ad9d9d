"""From the commanded FiO2 to the gas that the infant breathes: blender, circuit, monitor.

The blender turns in whole steps and is slightly wrong; the circuit delays and
mixes; the monitor near the infant lags behind and has an error of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .errors import nearest, problem
from .infants import FloatArray, Infants
from .operands import number
from .settings import quantity, validate
from .streams import Cause, stream

#: FiO2 of air (fraction). No blender goes below it.
AIR_FIO2 = 0.21

#: Equilibration time of a CPAP circuit, in vitro: 9.8 s + 2.09 V/F, a least-squares fit to four
#: published points (ADC FN 2021;106:205); the dead time in it is that of a nasal CPAP circuit
#: with electromechanical blender (Tejkl 2019, Clinician & Technology 49:77).
EQUILIBRATION_OFFSET_S = 9.8
EQUILIBRATION_SLOPE = 2.09
PUBLISHED_DEAD_TIME_S = 5.5

#: A first-order system has come to 95 % after three time constants, which is read here as
#: "equilibrated".
TIME_CONSTANTS_TO_EQUILIBRIUM = 3.0

#: Faults of the gas supply that can be set for each lane.
FAULTS = ("stuck", "supply_lost")

#: Far below any blender step, far above the rounding of a double: 0.285 is half way.
_HALF_STEP_TOLERANCE = 1e-9
_ROUNDS = number(0.5 + _HALF_STEP_TOLERANCE)


#: No circuit is slower than this (s).
LONGEST_DEAD_TIME_S = 120


@dataclass(frozen=True, kw_only=True)
class GasSettings:
    """Circuit, blender and monitor of every infant in a run."""

    circuit_volume_ml: float = quantity(
        unit="mL", low=10, high=3000, default=500.0, doc="circuit and humidifier"
    )
    flow_l_min: float = quantity(
        unit="L/min", low=0.5, high=60, default=8.0, doc="gas flow through the circuit"
    )
    dead_time_s: float = quantity(
        unit="s",
        low=0,
        high=LONGEST_DEAD_TIME_S,
        default=PUBLISHED_DEAD_TIME_S,
        doc="from the blender's turn to the first change at the infant",
    )
    fio2_min: float = quantity(
        unit="fraction", low=AIR_FIO2, high=1, default=AIR_FIO2, doc="lowest FiO2 that can be set"
    )
    fio2_max: float = quantity(
        unit="fraction", low=AIR_FIO2, high=1, default=1.0, doc="highest FiO2 that can be set"
    )
    blender_step: float = quantity(
        unit="fraction", low=0.001, high=0.1, default=0.01, doc="smallest step of the blender"
    )
    blender_error_sd: float = quantity(
        unit="fraction",
        low=0,
        high=0.1,
        default=0.005,
        doc="SD over infants of the blender's constant error",
    )
    monitor_time_constant_s: float = quantity(
        unit="s", low=0, high=120, default=4.0, doc="lag of the delivered-FiO2 monitor"
    )
    monitor_error_sd: float = quantity(
        unit="fraction",
        low=0,
        high=0.1,
        default=0.005,
        doc="SD over infants of the monitor's constant error",
    )

    def __post_init__(self) -> None:
        validate(self)
        if self.fio2_max < self.fio2_min:
            raise problem(
                "GasSettings.fio2_max", f"at least fio2_min ({self.fio2_min:g})", self.fio2_max
            )
        steps = 1.0 / self.blender_step
        if abs(steps - round(steps)) > 1e-6:
            raise problem(
                "GasSettings.blender_step",
                "a step that divides 1 into whole steps",
                self.blender_step,
                "Take 0.01, 0.005 or 0.02, for example.",
            )
        lowest, highest = blender_positions(self)
        if highest < lowest:
            raise problem(
                "GasSettings.blender_step",
                f"a blender step between fio2_min ({self.fio2_min:g}) and "
                f"fio2_max ({self.fio2_max:g})",
                self.blender_step,
            )


def blender_positions(settings: GasSettings) -> tuple[int, int]:
    """Find the lowest and highest blender step inside the limits.

    Parameters
    ----------
    settings : GasSettings
        Limits and step.

    Returns
    -------
    tuple of int
        FiO2 limits, rounded inwards, in whole blender steps.
    """
    steps = round(1.0 / settings.blender_step)
    lowest = math.ceil(settings.fio2_min * steps - _HALF_STEP_TOLERANCE)
    highest = math.floor(settings.fio2_max * steps + _HALF_STEP_TOLERANCE)
    return lowest, highest


def wash_in_time_constant_s(settings: GasSettings) -> float:
    """Time constant with which a new gas mixture fills the circuit.

    Parameters
    ----------
    settings : GasSettings
        Circuit volume and flow.

    Returns
    -------
    float
        Time constant (s): ``1.43 + 0.697 V/F``, with `V/F` in seconds, so that the published dead
        time and three time constants make the published equilibration time
        ``9.8 + 2.09 V/F``. It does not depend on `dead_time_s`.

    Notes
    -----
    Equilibration times: ADC FN 2021;106:205 (in vitro CPAP); own least squares on its four points.
    Dead time: Tejkl 2019, Clinician & Technology 49:77. That paper's own time constants (2-3 s)
    are shorter than those that follow from the circuits of the first.
    """
    flow_ml_s = settings.flow_l_min * 1000.0 / 60.0
    equilibration_s = (
        EQUILIBRATION_OFFSET_S + EQUILIBRATION_SLOPE * settings.circuit_volume_ml / flow_ml_s
    )
    return (equilibration_s - PUBLISHED_DEAD_TIME_S) / TIME_CONSTANTS_TO_EQUILIBRIUM


class GasDelivery:
    """Blender, circuit and FiO2 monitor of all lanes, one step a second.

    The arrays are overwritten at each step. Lanes are arm-major: lane = arm x infants + place.

    Parameters
    ----------
    infants : Infants
        The infants of every arm; only their numbers are used.
    arms : int
        How many arms each infant is in.
    settings : GasSettings
        Circuit, blender and monitor.
    seed : int
        Seed of the run.
    initial_fio2 : ndarray, shape (lanes,)
        FiO2 (fraction) to which the blender has been set for long; rounded to a step.

    Attributes
    ----------
    set_fio2 : ndarray, shape (lanes,)
        FiO2 to which the blender is set (fraction): whole steps, inside the limits.
    applied_fio2 : ndarray, shape (lanes,)
        FiO2 that leaves the blender (fraction): with its error, from 0.21 to 1.
    inspired_fio2 : ndarray, shape (lanes,)
        FiO2 at the infant (fraction): after transport delay and wash-in.
    delivered_fio2 : ndarray, shape (lanes,)
        What the monitor near the infant shows (fraction): with its own lag and error.
    blender_error, monitor_error : ndarray, shape (lanes,)
        Constant error (fraction) of each lane's device, the same in every arm.
    stuck, supply_lost : ndarray of bool, shape (lanes,)
        Faults of each lane, changed by `set_fault`: what leaves the blender stays as it is, or
        is air; `set_fio2` follows the command all the same.
    """

    def __init__(
        self,
        infants: Infants,
        arms: int,
        settings: GasSettings,
        seed: int,
        initial_fio2: FloatArray,
    ) -> None:
        lanes = arms * len(infants)
        if np.shape(initial_fio2) != (lanes,):
            raise problem("GasDelivery.initial_fio2", f"an array of shape ({lanes},)", initial_fio2)
        if not np.isfinite(initial_fio2).all():
            raise problem("GasDelivery.initial_fio2", "finite fractions", initial_fio2)
        self.settings = settings
        self.blender_error, self.monitor_error = _device_errors(infants, arms, settings, seed)
        self.stuck = np.zeros(lanes, dtype=np.bool_)
        self.supply_lost = np.zeros(lanes, dtype=np.bool_)
        self._faulty = False
        self._blended_fio2 = np.empty(lanes)
        self.set_fio2 = np.empty(lanes)
        self.applied_fio2 = np.empty(lanes)
        self._steps = number(round(1.0 / settings.blender_step))
        lowest, highest = blender_positions(settings)
        self._lowest, self._highest = np.full(lanes, float(lowest)), np.full(lanes, float(highest))
        self._air, self._pure = np.full(lanes, AIR_FIO2), np.ones(lanes)
        self._work, self._spare = np.empty(lanes), np.empty(lanes)
        self._is_number = np.empty(lanes, dtype=np.bool_)
        self._turn_blender(initial_fio2)
        self.inspired_fio2 = self.applied_fio2.copy()
        self._monitor = self.applied_fio2.copy()
        self.delivered_fio2 = np.minimum(self._monitor + self.monitor_error, 1.0)
        # Rows of the last seconds' applied FiO2, for the longest dead time there can be.
        self._ring = np.repeat(self.applied_fio2[np.newaxis, :], LONGEST_DEAD_TIME_S + 2, axis=0)
        self._row = 0
        self.change_circuit(settings)
        lag_s = settings.monitor_time_constant_s
        self._monitor_gain = number(1.0 - math.exp(-1.0 / lag_s) if lag_s > 0 else 1.0)

    def change_circuit(self, settings: GasSettings) -> None:
        """Connect all lanes to another circuit, from the next tick on.

        Parameters
        ----------
        settings : GasSettings
            Its circuit volume, flow and dead time count; the gas on its way stays.
        """
        self._whole_s = math.floor(settings.dead_time_s)
        self._fraction = number(settings.dead_time_s - self._whole_s)
        self._wash_in = number(1.0 - math.exp(-1.0 / wash_in_time_constant_s(settings)))

    def step(self, command_fio2: FloatArray) -> None:
        """Advance one second.

        Parameters
        ----------
        command_fio2 : ndarray, shape (lanes,)
            Commanded FiO2 (fraction); brought inside the limits and rounded half-up to a
            blender step. Where it is NaN, the blender stays as it was set.
        """
        self._turn_blender(command_fio2)
        if self._faulty:
            np.copyto(self._blended_fio2, self.applied_fio2, where=~self.stuck)
            np.copyto(self.applied_fio2, self._blended_fio2)
            np.copyto(self.applied_fio2, AIR_FIO2, where=self.supply_lost)
        self._move_gas()
        work, spare = self._work, self._spare
        np.subtract(self.inspired_fio2, self._monitor, work)
        np.multiply(work, self._monitor_gain, spare)
        np.add(self._monitor, spare, self._monitor)
        np.add(self._monitor, self.monitor_error, work)
        np.minimum(work, self._pure, out=self.delivered_fio2)

    def set_fault(self, lanes: int | slice | Sequence[int], name: str, value: bool) -> None:
        """Begin or end a fault of the gas supply, from the next tick on.

        Parameters
        ----------
        lanes : int, slice or sequence of int
            Lanes that have it.
        name : str
            stuck (the blender follows its setting no more) or supply_lost (no oxygen, air only).
        value : bool
            True to begin, False to end it.

        Raises
        ------
        TestbedError
            If there is no such fault.
        """
        if name not in FAULTS:
            raise problem("GasDelivery.set_fault: name", "a fault", name, nearest(name, FAULTS))
        if not self._faulty:
            np.copyto(self._blended_fio2, self.applied_fio2)
        faults = self.stuck if name == "stuck" else self.supply_lost
        faults[lanes] = value
        self._faulty = bool(self.stuck.any() or self.supply_lost.any())

    def _turn_blender(self, command_fio2: FloatArray) -> None:
        """Round the command to a step (0.29 / 0.01 is 28.99... in binary: hence the tolerance)."""
        work, spare = self._work, self._spare
        np.multiply(command_fio2, self._steps, spare)
        np.add(spare, _ROUNDS, work)
        np.floor(work, spare)
        np.maximum(spare, self._lowest, out=work)
        np.minimum(work, self._highest, out=spare)
        # Whole over whole number gives the double nearest to the decimal (57 * 0.01 is not 0.57).
        np.divide(spare, self._steps, work)
        np.equal(work, work, out=self._is_number)
        np.copyto(self.set_fio2, work, where=self._is_number)
        np.add(self.set_fio2, self.blender_error, work)
        np.maximum(work, self._air, out=spare)
        np.minimum(spare, self._pure, out=self.applied_fio2)

    def _move_gas(self) -> None:
        """Delay by the dead time, then mix: exact for an input that is held over the second."""
        ring, depth = self._ring, len(self._ring)
        ring[self._row] = self.applied_fio2
        newer = ring[(self._row - self._whole_s) % depth]
        older = ring[(self._row - self._whole_s - 1) % depth]
        self._row = (self._row + 1) % depth
        work, spare = self._work, self._spare
        np.subtract(older, newer, work)
        np.multiply(work, self._fraction, spare)
        np.add(spare, newer, work)
        np.subtract(work, self.inspired_fio2, spare)
        np.multiply(spare, self._wash_in, work)
        np.add(self.inspired_fio2, work, self.inspired_fio2)


def _device_errors(
    infants: Infants, arms: int, settings: GasSettings, seed: int
) -> tuple[FloatArray, FloatArray]:
    """Draw the constant errors of each infant's blender and monitor, the same in every arm."""
    marks = np.array(
        [stream(seed, number, Cause.BLENDER).standard_normal(2) for number in infants.infant]
    ).reshape(len(infants), 2)
    blender = np.tile(marks[:, 0] * settings.blender_error_sd, arms)
    monitor = np.tile(marks[:, 1] * settings.monitor_error_sd, arms)
    return blender, monitor
