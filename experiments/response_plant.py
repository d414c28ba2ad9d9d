"""Plants on which a loop's own response is tried: infants at rest, or a first-order lag.

Nothing disturbs these plants and nothing is noisy, so what is seen is the
loop's own doing. `response_loop` closes the loop around either kind.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Protocol

import numpy as np

from ..loop.arms import ArmSpec
from ..loop.bench import BenchSpec
from ..loop.breathing_state import Layer
from ..loop.open_loop import OpenLoop
from ..loop.patients import HIGHEST_SHUNT, Patients
from ..models.disturbances import DisturbanceSettings
from ..models.errors import problem
from ..models.gas_delivery import AIR_FIO2, GasSettings
from ..models.infants import FloatArray, Infants
from ..models.lung_parameters import LungParameters, lung_parameters
from ..models.oximeter import OximeterSettings
from ..models.steady import fio2_for

#: FiO2 at rest among which a loop has room to both sides (fraction).
LEAST_REST_FIO2, MOST_REST_FIO2 = 0.23, 0.90

#: The finest step that a blender of `GasSettings` can have (fraction).
FINEST_STEP = 0.001

_HALVINGS = 40


class Plant(Protocol):
    """What the loop driver asks of a plant; one lane is one infant."""

    @property
    def lanes(self) -> int:
        """Number of lanes."""
        ...

    @property
    def rest_fio2(self) -> FloatArray:
        """FiO2 at which each lane is at rest at the start (fraction)."""
        ...

    @property
    def measured_pct(self) -> FloatArray:
        """What an oximeter would show if it did not round (percent)."""
        ...

    def step(self, tick: int, fio2: FloatArray) -> None:
        """Advance by one second with an FiO2 for each lane (fraction)."""
        ...

    def load(self, tick: int, need: float) -> None:
        """Raise the FiO2 that each lane needs by `need` (fraction), to stay."""
        ...


class FirstOrderPlant:
    """A first-order lag with dead time, sampled with a zero-order hold.

    Parameters
    ----------
    gain : float
        SpO2 points per FiO2 point.
    lag_s : float
        Time constant; infinite for an integrator, whose gain is then that of
        its slope: points per second and FiO2 point.
    dead_time_s : int
        Whole seconds from FiO2 to the first change.
    rest_pct : float
        SpO2 at rest.
    rest_fio2 : float
        FiO2 at rest (fraction).
    lanes : int
        Number of lanes, all alike.

    Attributes
    ----------
    measured_pct : ndarray, shape (lanes,)
        SpO2 now.
    rest_fio2 : ndarray, shape (lanes,)
        FiO2 at rest (fraction).
    """

    def __init__(
        self,
        *,
        gain: float,
        lag_s: float,
        dead_time_s: int,
        rest_pct: float = 93.0,
        rest_fio2: float = 0.5,
        lanes: int = 1,
    ) -> None:
        if not lag_s > 0 or dead_time_s < 0:
            raise problem("FirstOrderPlant", "lag_s > 0 and dead_time_s >= 0", (lag_s, dead_time_s))
        self.lanes = lanes
        self.rest_fio2 = np.full(lanes, rest_fio2)
        self.measured_pct = np.full(lanes, rest_pct)
        self._rest_pct, self._need = rest_pct, 0.0
        self._state = np.zeros(lanes)
        self._keep = math.exp(-1.0 / lag_s)
        moved = gain if math.isinf(lag_s) else gain * (1.0 - self._keep)
        self._take = 100.0 * moved
        self._waiting = np.zeros((dead_time_s + 1, lanes))

    def step(self, tick: int, fio2: FloatArray) -> None:
        """Advance by one second.

        Parameters
        ----------
        tick : int
            Time now (s).
        fio2 : ndarray, shape (lanes,)
            FiO2 (fraction).
        """
        depth = len(self._waiting)
        self._waiting[tick % depth] = fio2 - self.rest_fio2
        arrived = self._waiting[(tick + 1) % depth]  # the oldest, as old as the dead time
        self._state = self._keep * self._state + self._take * (arrived - self._need)
        self.measured_pct = self._rest_pct + self._state

    def load(self, tick: int, need: float) -> None:
        """Raise the need, behind the dead time.

        Parameters
        ----------
        tick : int
            Time now (s).
        need : float
            FiO2 needed more (fraction).
        """
        self._need = need


class InfantPlant:
    """Infants at rest at one saturation, without events, drift, noise or probe bias.

    They are on the bench's default support, at which their need for oxygen was drawn.

    Parameters
    ----------
    infants : Infants
        As `at_rest` gives them.
    gas, oximeter : GasSettings, OximeterSettings
        Circuit and averaging; errors and noise are taken out.
    quantised_fio2 : bool
        Whether the blender turns in its steps; without, what rounding takes
        away is given back as an error of the blender.
    copies : int
        How often all infants are there; lane = copy * infants + place.

    Attributes
    ----------
    patients : Patients
        The plant of the bench.
    rest_fio2 : ndarray, shape (lanes,)
        FiO2 at rest (fraction).
    """

    def __init__(
        self,
        infants: Infants,
        gas: GasSettings | None = None,
        oximeter: OximeterSettings | None = None,
        *,
        quantised_fio2: bool = True,
        copies: int = 1,
    ) -> None:
        given = gas or GasSettings()
        step = given.blender_step if quantised_fio2 else FINEST_STEP
        quiet = replace(given, blender_step=step, blender_error_sd=0.0, monitor_error_sd=0.0)
        silent = replace(
            oximeter or OximeterSettings(), noise_scale=0.0, dropout_rate_per_h=0.0, bias_scale=0.0
        )
        self.patients = _resting_patients(infants, quiet, silent, copies)
        self.rest_fio2 = np.tile(infants.fio2_need.astype(np.float64), copies)
        self._infants, self._quantised = infants, quantised_fio2
        self._steps = round(1.0 / step)

    @property
    def circuit(self) -> GasSettings:
        """Blender and circuit that the infants are on."""
        return self.patients.gas.settings

    @property
    def lanes(self) -> int:
        """Number of infants."""
        return self.patients.lanes

    @property
    def measured_pct(self) -> FloatArray:
        """The oximeter's average before it is rounded (percent)."""
        # The display keeps no unrounded value; the exact running sum behind it does.
        oximeter = self.patients.oximeter
        total = oximeter._sum[: self.lanes]
        return np.asarray(total / (len(oximeter._window) * _ONE_PCT))

    def step(self, tick: int, fio2: FloatArray) -> None:
        """Advance by one second.

        Parameters
        ----------
        tick : int
            Time now (s).
        fio2 : ndarray, shape (lanes,)
            FiO2 (fraction).
        """
        if not self._quantised:
            inside = np.minimum(np.maximum(fio2, AIR_FIO2), 1.0)
            rounded = np.floor(inside * self._steps + 0.5 + 1e-9) / self._steps
            self.patients.gas.blender_error[...] = inside - rounded
        self.patients.step(tick, fio2)

    def load(self, tick: int, need: float) -> None:
        """Raise the shunt of each infant so far that it needs so much more FiO2.

        Parameters
        ----------
        tick : int
            Time now (s).
        need : float
            FiO2 needed more (fraction).
        """
        factors = shunt_factor_for(self._infants, self._infants.fio2_need + need)
        self.raise_shunt(tick, np.tile(factors, self.patients.arms))

    def raise_shunt(self, tick: int, factor: FloatArray) -> None:
        """Multiply the shunt of each infant, to stay.

        Parameters
        ----------
        tick : int
            Time now (s).
        factor : ndarray, shape (lanes,)
            Factor on the shunt at rest.
        """
        for lane, value in enumerate(factor.tolist()):
            self.patients.state.lay([lane], Layer(shunt_factor=value), tick)


def _resting_patients(
    infants: Infants, gas: GasSettings, oximeter: OximeterSettings, copies: int
) -> Patients:
    """Take the plant out of a bench whose clock never runs, so that no event ever comes."""
    spec = BenchSpec(
        infants=infants,
        groups=np.arange(len(infants), dtype=np.int64),
        arms=(ArmSpec(name="rest", controller=None),),
        seed=0,
        duration_s=1,
        warmup_s=0,
        target_low_pct=90.0,  # nobody aims at it
        target_high_pct=95.0,
        gas=gas,
        oximeter=oximeter,
        disturbances=DisturbanceSettings(drift_scale=0.0, apnoea_rate_scale=0.0),
    )
    courses = np.zeros((1, copies * len(infants)))
    return OpenLoop(spec, courses, [str(copy) for copy in range(copies)]).patients


#: What the oximeter's sums count one percent as; see `models.oximeter`.
_ONE_PCT = float(2**20)


def at_rest(infants: Infants, sao2_pct: float) -> Infants:
    """Bring infants to rest at a saturation, and leave out those who have no room there.

    Parameters
    ----------
    infants : Infants
        A cohort.
    sao2_pct : float
        True saturation wanted (percent).

    Returns
    -------
    Infants
        Those whom an FiO2 from 0.23 to 0.90 holds there, with that FiO2 as
        their need; an infant near room air or pure oxygen has no loop to try.
    """
    fio2 = fio2_for(lung_parameters(infants), np.full(len(infants), sao2_pct / 100.0))
    fits = np.isfinite(fio2) & (fio2 >= LEAST_REST_FIO2) & (fio2 <= MOST_REST_FIO2)
    places = np.flatnonzero(fits)
    rested = np.full(len(places), float(sao2_pct))
    return replace(infants.take(places), fio2_need=fio2[places], spo2_rest_pct=rested)


def shunt_factor_for(infants: Infants, fio2: FloatArray) -> FloatArray:
    """Find the factor on shunt that makes each infant need an FiO2 at its resting saturation.

    Parameters
    ----------
    infants : Infants
        At rest.
    fio2 : ndarray, shape (infants,)
        FiO2 to be needed, not below the present need (fraction).

    Returns
    -------
    ndarray, shape (infants,)
        From 1 upwards, by halving; as far as the highest shunt that a plant allows.
    """
    parameters = lung_parameters(infants)
    wanted = infants.spo2_rest_pct / 100.0
    low, high = np.ones(len(infants)), HIGHEST_SHUNT / parameters.shunt
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        need = fio2_for(_with_shunt(parameters, middle), wanted)
        too_much = ~np.isfinite(need) | (need > fio2)
        high = np.where(too_much, middle, high)
        low = np.where(too_much, low, middle)
    return low


def _with_shunt(parameters: LungParameters, factor: FloatArray) -> LungParameters:
    return replace(parameters, shunt=parameters.shunt * factor)


__all__ = [
    "FirstOrderPlant",
    "InfantPlant",
    "Plant",
    "at_rest",
    "shunt_factor_for",
]
