"""What breathing support does to each lane: lung volume, shunt, flow, ventilation, dilution.

It acts by mechanism only. Pressure that reaches the airway sets lung volume,
and with it shunt and the ventilation of the poor part; too much of it lowers
blood flow. Breaths and oscillation ventilate in apnoea where the airway is
open. An infant who breathes quietly keeps its PaCO2, so nothing is added then.
At the reference, nasal CPAP at 6 cmH2O with the default leak, every factor is
exactly 1: there an infant has the lung volume and shunt that were drawn.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from .disturbances import BoolArray, Breathing, IntArray
from .errors import problem
from .gas_delivery import AIR_FIO2
from .infants import FloatArray, Infants
from .lung_parameters import LungParameters
from .settings import check_field
from .support import SupportSettings
from .support_circuit import PEAK_FLOW_L_MIN_KG, air_share
from .support_mechanics import (
    BREATHS_PER_MIN,
    CANNULA_LIMIT_CMH2O,
    LEAK_WANDERS_L_MIN,
    MOST_LOST,
    ModeNumbers,
    mode_numbers,
)
from .support_pressure import flow_factor, shunt_factor, volume_factor

#: Breathing below this share of normal counts as stopped.
STOPPED = 0.05
#: Weak breaths differ: from half to one and a half times their mean size; assumption.
SMALLEST_BREATH, LARGEST_BREATH = 0.5, 1.5
#: No support gives the poor part more than this share of ventilation.
HIGHEST_SHARE = 0.97
#: Share of shunt that a sigh opens per cmH2O above the airway pressure, at most this much,
#: and the time in which it closes again (s); assumptions.
SIGH_OPENS_PER_CMH2O, SIGH_OPENS_MOST, SIGH_FADES_S = 0.02, 0.4, 300.0
#: What is left of a sigh below this is nothing, so that it ends.
_SIGH_OVER = 1e-4
#: Chest volume of a breath given by hand, as a share of a spontaneous one; assumption.
HAND_BREATH_SHARE = 0.8
_TINY = 1e-12


class Support:
    """Breathing support of all lanes; lane = arm * infants + place.

    Parameters
    ----------
    infants : Infants
        The infants of one arm; weight counts.
    arms : int
        Number of arms.
    settings : SupportSettings
        Mode of every lane at the start.

    Attributes
    ----------
    settings : list of SupportSettings
        Mode of each lane.
    volume_factor : ndarray, shape (lanes,)
        Resting lung volume over that at the reference.
    shunt_factor : ndarray, shape (lanes,)
        Factor on true shunt.
    poor_factor : ndarray, shape (lanes,)
        Factor on the ventilation share of the poorly ventilated part.
    flow_factor : ndarray, shape (lanes,)
        Factor on cardiac output, at most 1.
    air_share : ndarray, shape (lanes,)
        Share of inspired gas that is room air drawn in beside the interface.
    airway_cmh2o : ndarray, shape (lanes,)
        Mean pressure that reaches the airway.
    set_cmh2o, measured_cmh2o : ndarray, shape (lanes,)
        Mean pressure as set, and as measured at the interface: lower with a leak above
        the default, 0 with the interface off; NaN where the mode holds no pressure.
    apnoea_rate_factor : ndarray, shape (lanes,)
        The settings' factor on the rate of apnoeas.
    triggered_share, auto_share : ndarray, shape (lanes,)
        Share of breaths that start a breath of the machine (0 if unsynchronised), and share of
        missing breaths that a wandering leak starts.
    e_out : ndarray, shape (lanes,)
        Share of normal alveolar ventilation, after `effective`.
    closed_out : ndarray of bool, shape (lanes,)
        Closed airway, after `effective`: never with a tube.
    version : int
        Rises whenever a factor changed.
    """

    def __init__(self, infants: Infants, arms: int, settings: SupportSettings) -> None:
        lanes = arms * len(infants)
        weight_kg = np.tile(infants.weight_kg, arms)
        self._per_kg = 1.0 / weight_kg
        self._peak_flow_l_min = PEAK_FLOW_L_MIN_KG * weight_kg
        self._n = {item.name: np.zeros(lanes) for item in fields(ModeNumbers)}
        self.settings = [settings] * lanes
        self.version = 0
        self._every: IntArray = np.arange(lanes)
        self._on = np.ones(lanes)
        self._leak, self._mouth, self._usual_lost = (np.zeros(lanes) for _ in range(3))
        self._gas_flow_l_min, self.apnoea_rate_factor = np.zeros(lanes), np.ones(lanes)
        self._opened, self._sigh_cmh2o, self._sigh_left_s = (np.zeros(lanes) for _ in range(3))
        self._inflation, self.e_out = np.zeros(lanes), np.ones(lanes)
        self.closed_out: BoolArray = np.zeros(lanes, dtype=np.bool_)
        self.triggered_share = np.zeros(lanes)
        self._a, self._b, self._c = (np.zeros(lanes) for _ in range(3))
        self._yes, self._no = (np.zeros(lanes, dtype=np.bool_) for _ in range(2))
        self._sighing = self._inflating = False
        self.apply(settings)

    def apply(self, settings: SupportSettings, lanes: IntArray | None = None) -> None:
        """Change mode or settings; lungs then move to their new volume by themselves.

        Parameters
        ----------
        settings : SupportSettings
            New settings; leak and mouth go back to them too.
        lanes : ndarray of int, optional
            Which lanes; all if left out.
        """
        lanes = self._every if lanes is None else np.asarray(lanes)
        for lane in lanes.tolist():
            self.settings[lane] = settings
        numbers = mode_numbers(settings)
        for name, values in self._n.items():
            values[lanes] = getattr(numbers, name)
        self._gas_flow_l_min[lanes] = settings.flow_l_min
        self.apnoea_rate_factor[lanes] = settings.apnoea_rate_factor
        self._leak[lanes] = settings.leak_fraction
        self._mouth[lanes] = settings.mouth_open_share
        usual = type(settings)()  # sizes of breaths hold at the default leak
        self._usual_lost[lanes] = usual.leak_fraction * numbers.loss_per_leak
        self._refresh()

    def set_leak(
        self,
        lanes: IntArray,
        *,
        leak_fraction: float | None = None,
        mouth_open: float | None = None,
    ) -> None:
        """Let a leak or an open mouth come or go, with the settings left as they are.

        Parameters
        ----------
        lanes : ndarray of int
            Which lanes.
        leak_fraction : float, optional
            Share of the flow lost beside the interface.
        mouth_open : float, optional
            How far the mouth is open (fraction).
        """
        described = {item.name: item.metadata for item in fields(SupportSettings)}
        if leak_fraction is not None:
            leak = described["leak_fraction"]
            check_field("Support.set_leak: leak_fraction", leak_fraction, leak)
            self._leak[lanes] = leak_fraction
        if mouth_open is not None:
            check_field("Support.set_leak: mouth_open", mouth_open, described["mouth_open_share"])
            self._mouth[lanes] = mouth_open
        self._refresh()

    def set_interface(self, lanes: IntArray, on: bool) -> None:
        """Take the interface off or put it back.

        Parameters
        ----------
        lanes : ndarray of int
            Which lanes.
        on : bool
            Whether it is on; off means no pressure, no breaths, and room air.
        """
        self._on[lanes] = 1.0 if on else 0.0
        self._refresh()

    @property
    def interface_off(self) -> BoolArray:
        """Lanes whose interface is off."""
        return np.asarray(self._on == 0.0)

    def sigh(self, lanes: IntArray, pressure_cmh2o: float, hold_s: int) -> None:
        """Give a recruiting breath: a held pressure that opens some of the shunt.

        Parameters
        ----------
        lanes : ndarray of int
            Which lanes.
        pressure_cmh2o : float
            Pressure in the airway, up to 40 cmH2O.
        hold_s : int
            How long it is held (s), from 1 to 60; the lung's target volume is raised as long.
            A closed airway, or an interface that is off, lets none of it in.
        """
        if not 0 < pressure_cmh2o <= 40:
            raise problem("Support.sigh: pressure_cmh2o", "above 0, to 40 cmH2O", pressure_cmh2o)
        if not 1 <= hold_s <= 60:
            raise problem("Support.sigh: hold_s", "from 1 to 60 s", hold_s)
        reaches = self._on[lanes] * ~self.closed_out[lanes]
        above = np.maximum(pressure_cmh2o - self.airway_cmh2o[lanes], 0.0)
        opens = np.minimum(above * SIGH_OPENS_PER_CMH2O, SIGH_OPENS_MOST) * reaches
        self._opened[lanes] = np.maximum(self._opened[lanes], opens)
        self._sigh_cmh2o[lanes] = pressure_cmh2o * reaches
        self._sigh_left_s[lanes] = hold_s
        self._sighing = True
        self._refresh()

    def give_breath(self, lanes: IntArray, volume_share: float = HAND_BREATH_SHARE) -> None:
        """Give one breath by hand, which ventilates in the second that follows.

        Parameters
        ----------
        lanes : ndarray of int
            Which lanes.
        volume_share : float
            Chest volume as a share of a spontaneous breath, up to 3.
        """
        if not 0 <= volume_share <= 3:
            raise problem("Support.give_breath: volume_share", "from 0 to 3", volume_share)
        self._inflation[lanes] = volume_share * 60.0 / BREATHS_PER_MIN * self._on[lanes]
        self._inflating = True

    def effective(
        self,
        apnoea_kind: IntArray,
        elapsed_s: FloatArray,
        breathing: FloatArray,
        closed: BoolArray,
    ) -> None:
        """Write `e_out` and `closed_out`; called once a tick, since sighs fade by it.

        Parameters
        ----------
        apnoea_kind : ndarray of int, shape (lanes,)
            A `Breathing`.
        elapsed_s : ndarray, shape (lanes,)
            Seconds since the breathing event began.
        breathing : ndarray, shape (lanes,)
            The infant's own ventilation, as a share of normal.
        closed : ndarray of bool, shape (lanes,)
            Whether the upper airway is closed.
        """
        np.copyto(self.e_out, breathing)
        np.copyto(self.closed_out, closed)
        if not self._passive:
            self._assist(apnoea_kind, elapsed_s, breathing, closed)
        if self._inflating:
            self._inflation *= ~self.closed_out
            self.e_out += self._inflation
            self._inflation[...] = 0.0
            self._inflating = False
        if self._sighing:
            self._fade()

    def _assist(
        self, kind: IntArray, elapsed_s: FloatArray, breathing: FloatArray, closed: BoolArray
    ) -> None:
        """Add what machine and tube do, where the airway is open."""
        machine, work = self._machine(kind, elapsed_s, breathing), self._b
        np.add(machine, breathing, out=machine)
        np.minimum(machine, 1.0, out=machine)
        # Where a tube keeps the airway open, the infant's effort moves gas as in quiet breathing.
        np.multiply(closed, self._n["tube"], out=work)
        np.maximum(machine, work, out=machine)
        np.equal(self._n["tube"], 0.0, out=self._yes)
        np.logical_and(self._yes, closed, out=self.closed_out)
        np.logical_not(self.closed_out, out=self._yes)
        np.maximum(machine, breathing, out=self.e_out, where=self._yes)

    def _machine(self, kind: IntArray, elapsed_s: FloatArray, breathing: FloatArray) -> FloatArray:
        """Ventilation that the machine adds to the infant's own."""
        n, out, work, late = self._n, self._a, self._b, self._c
        self._trigger(breathing)
        np.greater_equal(elapsed_s, n["backup_from_s"], out=self._yes)
        np.multiply(n["backup"], self._yes, out=late)
        np.multiply(late, self._not_auto, out=late)
        np.add(self._auto_gain, late, out=work)
        np.subtract(1.0, self._heard, out=out)
        np.multiply(out, work, out=out)
        np.multiply(n["triggered"], self._heard, out=work)
        np.add(out, work, out=out)
        np.less(breathing, STOPPED, out=self._yes)
        np.copyto(work, n["breaths_weak"])
        np.copyto(work, n["breaths"], where=self._yes)
        np.maximum(out, work, out=out)
        np.multiply(out, self._kept, out=out)
        np.add(out, self._oscillation, out=out)
        # Quiet breathing is helped by nothing: support then takes over work, PaCO2 is kept.
        np.not_equal(kind, int(Breathing.NORMAL), out=self._no)
        np.multiply(out, self._no, out=out)
        np.multiply(out, self._on, out=out)
        return out

    def _trigger(self, breathing: FloatArray) -> None:
        """Share of breaths whose flow passes the trigger, of sizes spread evenly about a mean."""
        heard, work = self._heard, self._b
        np.multiply(self._seen_flow_l_min, breathing, out=work)
        np.multiply(work, LARGEST_BREATH, out=heard)
        np.subtract(heard, self._n["trigger_l_min"], out=heard)
        np.multiply(work, LARGEST_BREATH - SMALLEST_BREATH, out=work)
        np.maximum(work, _TINY, out=work)
        np.divide(heard, work, out=heard)
        np.minimum(heard, 1.0, out=heard)
        np.maximum(heard, 0.0, out=heard)
        np.multiply(heard, self._has_trigger, out=self.triggered_share)

    def _lost_share(self) -> FloatArray:
        lost = self._leak * self._n["loss_per_leak"] + self._mouth * self._n["loss_per_mouth"]
        return np.asarray(np.minimum(lost, MOST_LOST))

    def _refresh(self) -> None:
        """Work out what holds until settings, leak, interface or a sigh change."""
        n, on = self._n, self._on
        lost = self._lost_share()
        held = n["held_cmh2o"] + np.minimum(
            n["per_flow_cmh2o_kg"] * self._per_kg, CANNULA_LIMIT_CMH2O
        )
        self.airway_cmh2o = held * (1.0 - lost) * on
        self.set_cmh2o = n["mean_cmh2o"].copy()
        more_lost = lost - self._usual_lost
        self.measured_cmh2o = np.maximum(n["mean_cmh2o"] * (1.0 - more_lost), 0.0) * on
        self._kept = (1.0 - lost) / (1.0 - self._usual_lost)
        self._oscillation = n["oscillation"] * self._kept * self._kept
        hidden = self._leak * n["leak_seen"]
        self._seen_flow_l_min = self._peak_flow_l_min * (1.0 - hidden) * on
        self._has_trigger = np.where(n["trigger_l_min"] > 0.0, 1.0, 0.0) * on
        self._heard = np.zeros(len(on))
        wander = LEAK_WANDERS_L_MIN * hidden / np.maximum(n["trigger_l_min"], _TINY) - 1.0
        self.auto_share = np.minimum(np.maximum(wander, 0.0), 1.0) * self._has_trigger
        self._auto_gain = n["auto"] * self.auto_share
        self._not_auto = 1.0 - self.auto_share  # a breath that leak started hides the apnoea
        left = self._gas_flow_l_min * (1.0 - self._leak)
        way_in = np.where(n["sealed"] > 0.0, self._mouth, 1.0) * (1.0 - n["tube"])
        self.air_share = np.where(on > 0.0, air_share(left, self._peak_flow_l_min, way_in), 1.0)
        # Where nothing ever ventilates but the infant, a tick has nothing to work out.
        acts = [n[name].any() for name in ("breaths", "backup", "triggered", "oscillation", "tube")]
        self._passive = not any(acts)
        self._set_factors()

    def _set_factors(self) -> None:
        pressure = self.airway_cmh2o
        rest = volume_factor(pressure)
        held = self._sigh_left_s > 0.0
        raised = volume_factor(np.maximum(self._sigh_cmh2o, pressure))
        self.volume_factor = np.where(held, raised, rest)
        self.shunt_factor = shunt_factor(pressure) * (1.0 - self._opened)
        # The poor part gets more of the ventilation as the lung opens; assumption.
        self.poor_factor = rest
        self.flow_factor = flow_factor(pressure)
        self.version += 1

    def _fade(self) -> None:
        self._sigh_left_s -= 1.0
        np.maximum(self._sigh_left_s, 0.0, out=self._sigh_left_s)
        self._opened *= 1.0 - 1.0 / SIGH_FADES_S
        np.copyto(self._opened, 0.0, where=self._opened < _SIGH_OVER)
        self._sighing = bool((self._opened > 0.0).any() or (self._sigh_left_s > 0.0).any())
        self._set_factors()

    def mix(self, fio2: FloatArray, out: FloatArray) -> None:
        """Dilute the circuit's gas with the room air that an infant draws in.

        Parameters
        ----------
        fio2 : ndarray, shape (lanes,)
            FiO2 that the circuit brings (fraction).
        out : ndarray, shape (lanes,)
            FiO2 that is inspired (fraction); exactly `fio2` where no air comes in.
        """
        np.subtract(fio2, AIR_FIO2, out=self._a)
        np.multiply(self._a, self.air_share, out=self._a)
        np.subtract(fio2, self._a, out=out)

    def supported(self, parameters: LungParameters) -> LungParameters:
        """Give the lungs of the lanes on their present support, at rest.

        Parameters
        ----------
        parameters : LungParameters
            Lungs at the reference.

        Returns
        -------
        LungParameters
            The same bits at the reference; total ventilation is unchanged.
        """
        well, poor = parameters.ventilation_ml_s
        most = np.maximum(HIGHEST_SHARE * (well + poor), poor)
        more = np.minimum(poor * self.poor_factor, most)
        return replace(
            parameters,
            volume_ml=parameters.volume_ml * self.volume_factor,
            shunt=np.minimum(parameters.shunt * self.shunt_factor, 0.85),
            flow_ml_s=parameters.flow_ml_s * self.flow_factor,
            ventilation_ml_s=np.stack([well - (more - poor), more]),
        )
