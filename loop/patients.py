"""The plant: gas delivery, infants and oximeters of all lanes, put together.

Lane = arm * infants + place. Whatever comes from outside an infant's own
state (drift, noise, lost signal) is drawn once per infant and spread over
the arms, so an infant meets the same in each.
"""

from __future__ import annotations

import numpy as np

from ..models.activities import ActivitySettings
from ..models.activity_state import ActivityState
from ..models.chemoreflex import Chemoreflex
from ..models.disturbances import DisturbanceSettings
from ..models.drift import Drift
from ..models.gas_delivery import AIR_FIO2, GasDelivery, GasSettings
from ..models.heart import HeartRate
from ..models.infants import Infants
from ..models.lung_parameters import LungParameters, lung_parameters
from ..models.lungs import Lungs
from ..models.oximeter import Oximeter, OximeterSettings
from ..models.post_ductal import PostDuctal
from ..models.steady import fio2_for, steady_state
from ..models.support import SupportSettings
from ..models.support_circuit import gas_settings
from ..models.support_effects import STOPPED, Support
from ..models.support_pressure import closing_left
from .breathing_state import BreathingState
from .link_faults import LinkFaults
from .signals import BoolArray, FloatArray

#: No drift or event takes the true shunt beyond this, nor gives the poorly
#: ventilated part more than this share of ventilation.
HIGHEST_SHUNT = 0.85
HIGHEST_SHARE = 0.97

#: Blood is changed this often while a transfusion runs (s).
TRANSFUSION_STEP_S = 60


def starting_fio2(
    need: FloatArray,
    reference: LungParameters,
    supported: LungParameters,
    air_share: FloatArray,
) -> FloatArray:
    """Say on which FiO2 an infant starts when its support is not the reference.

    Parameters
    ----------
    need : ndarray, shape (lanes,)
        FiO2 need at the reference, nasal CPAP with default settings.
    reference, supported : LungParameters
        The lungs there, and on the support of the run.
    air_share : ndarray, shape (lanes,)
        Share of a breath that is room air drawn in beside the support.

    Returns
    -------
    ndarray, shape (lanes,)
        FiO2 of the blender that gives the same resting saturation; `need`
        itself, bit for bit, where support changes nothing, and 1 where no FiO2
        suffices.
    """
    sao2 = steady_state(reference, need).sao2_fraction
    solved = fio2_for(supported, sao2)
    kept = np.maximum(1.0 - air_share, 1e-6)
    blended = AIR_FIO2 + (np.where(np.isnan(solved), 1.0, solved) - AIR_FIO2) / kept
    same = (supported.volume_ml == reference.volume_ml).all(axis=0) & (air_share == 0.0)
    return np.where(same, need, np.minimum(blended, 1.0))


class Patients:
    """All infants of a run in all arms, with what is connected to them.

    Parameters
    ----------
    infants : Infants
        The infants of one arm.
    arms : int
        Number of arms.
    seed : int
        Seed of the run.
    duration_s : int
        Length of the run.
    gas, oximeter, disturbances, activities : settings
        How gas, oximeter, drift, breathing after a pause, care and feeds behave.
    support : SupportSettings
        Mode of breathing support at the start.

    Attributes
    ----------
    support_settings : SupportSettings
        Mode of support and its settings now; `change_support` changes them.
    state : BreathingState
        How each lane breathes; breathing events change it.
    reflex : Chemoreflex
        What pauses leave to be breathed out.
    link : LinkFaults
        What is wrong between the devices and the controllers.
    """

    def __init__(
        self,
        *,
        infants: Infants,
        arms: int,
        seed: int,
        duration_s: int,
        gas: GasSettings,
        oximeter: OximeterSettings,
        disturbances: DisturbanceSettings,
        activities: ActivitySettings,
        support: SupportSettings,
    ) -> None:
        count = len(infants)
        self.infants, self.arms, self.lanes = infants, arms, arms * count
        self._parameters = parameters = lung_parameters(infants, arms)
        self.support = Support(infants, arms, support)
        supported = self.support.supported(parameters)
        need = starting_fio2(
            np.tile(infants.fio2_need, arms), parameters, supported, self.support.air_share
        )
        limited = np.minimum(np.maximum(need, gas.fio2_min), gas.fio2_max)
        self.gas = GasDelivery(infants, arms, gas_settings(support, gas), seed, limited)
        self._breathed: FloatArray = np.empty(self.lanes)
        self.support.mix(self.gas.inspired_fio2, self._breathed)
        start = steady_state(supported, self._breathed)
        self.lungs = Lungs(supported, start)
        self._support_version = self.support.version
        self.support_settings = support
        self._gas_settings = gas
        self.heart = HeartRate(infants, arms, seed)
        self.oximeter = Oximeter(infants, arms, oximeter, seed, duration_s, start.sao2_fraction)
        self._drift = Drift(infants, seed, disturbances)
        self.state = BreathingState(self.lanes)
        self.reflex = Chemoreflex(self.lanes, disturbances.co2_response)
        self.link = LinkFaults(self.lanes)
        self.activity = ActivityState(infants, arms, activities)
        self.duct = PostDuctal(parameters)
        self._ventilated = np.ones(self.lanes)
        self._vo2 = parameters.vo2_ml_s.copy()
        self._elapsed_s: FloatArray = np.zeros(self.lanes)
        self._stopped: BoolArray = np.zeros(self.lanes, dtype=np.bool_)
        self._total_ventilation = parameters.ventilation_ml_s[0] + parameters.ventilation_ml_s[1]
        self._most_ventilation = HIGHEST_SHARE * self._total_ventilation
        self._ventilation = parameters.ventilation_ml_s.copy()
        self._shunt = parameters.shunt.copy()
        self._flow = parameters.flow_ml_s.copy()

    def step(self, tick: int, command_fio2: FloatArray) -> None:
        """Advance everything by one second.

        Parameters
        ----------
        tick : int
            Time now (s).
        command_fio2 : ndarray, shape (lanes,)
            FiO2 asked of the blender (fraction).
        """
        support, state = self.support, self.state
        np.subtract(tick, state.since_s, out=self._elapsed_s)
        own = self.reflex.drive(state.apnoea, state.breathing)
        support.effective(state.apnoea, self._elapsed_s, own, state.closed)
        self.reflex.count(support.e_out)
        if support.version != self._support_version:
            self._support_version = support.version
            np.multiply(
                self._parameters.volume_ml, support.volume_factor, out=self.lungs.resting_volume_ml
            )
        self._drift_to(tick)
        self.gas.step(command_fio2)
        support.mix(self.gas.inspired_fio2, self._breathed)
        np.less(state.breathing, STOPPED, out=self._stopped)
        self.heart.step(tick, self._stopped, self.lungs.sao2_fraction)
        np.multiply(self._parameters.flow_ml_s, self.heart.flow_factor, out=self._flow)
        self._flow *= support.flow_factor
        if self.duct.any_mixing:
            self._flow *= self.duct.flow_factor
        if tick % TRANSFUSION_STEP_S == 0:
            self._transfuse()
        share, vo2 = self._load()
        self.lungs.step(
            self._breathed,
            share,
            support.closed_out,
            self._ventilation,
            self._shunt,
            self._flow,
            vo2,
        )
        arterial, venous = self.lungs.state[2], self.lungs.state[3]
        at_probe = self.duct.saturation(arterial, venous, self.lungs.sao2_fraction)
        self.oximeter.step(tick, at_probe, self.heart.rate_bpm, self.heart.flow_factor)

    def change_support(self, settings: SupportSettings) -> None:
        """Change the mode of support or its settings in all lanes, with the circuit.

        Parameters
        ----------
        settings : SupportSettings
            What holds from the next tick on; lungs move to their new volume by themselves.
        """
        self.support_settings = settings
        self.support.apply(settings)
        self.gas.change_circuit(gas_settings(settings, self._gas_settings))

    def _load(self) -> tuple[FloatArray, FloatArray | None]:
        """Ventilation and uptake with what is done to the infants at the moment."""
        activity = self.activity
        if not activity.any_active:
            return self.support.e_out, None
        np.multiply(self.support.e_out, activity.ventilation_factor, out=self._ventilated)
        np.multiply(self._parameters.vo2_ml_s, activity.vo2_factor, out=self._vo2)
        return self._ventilated, self._vo2

    def _transfuse(self) -> None:
        if self.activity.count_transfusion(TRANSFUSION_STEP_S) is not None:
            blood = self.activity.blood()
            self.lungs.set_blood(blood.hb_g_dl, blood.p50_mmhg)
            self.duct.set_blood(self.lungs.parameters)

    def _closed_units(self) -> FloatArray:
        """Factor on shunt by apnoea, with what the support holds open."""
        closing, support = self.state.closing_factor, self.support
        left = closing_left(support.volume_factor, support.e_out - self.reflex.breathing)
        return 1.0 + (closing - 1.0) * left

    def _drift_to(self, tick: int) -> None:
        shunt_factor, ventilation_factor = self._drift.row(tick)
        self._shunt.reshape(self.arms, -1)[...] = shunt_factor
        self._shunt *= self._parameters.shunt
        self._shunt *= self.state.shunt_factor
        if self.state.closing_factor.max() > 1.0:
            self._shunt *= self._closed_units()
        if self.activity.any_active:
            self._shunt *= self.activity.shunt_factor
        self._shunt *= self.support.shunt_factor
        np.minimum(self._shunt, HIGHEST_SHUNT, out=self._shunt)
        poor = self._ventilation[1]
        poor.reshape(self.arms, -1)[...] = ventilation_factor
        poor *= self._parameters.ventilation_ml_s[1]
        poor *= self.support.poor_factor
        np.minimum(poor, self._most_ventilation, out=poor)
        np.subtract(self._total_ventilation, poor, out=self._ventilation[0])
