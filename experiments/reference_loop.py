"""The whole loop once more, as a plain SimPy programme: a process for each infant, floats, ifs.

A slow twin of `loop.bench` that serves tests and the benchmark. Drawn inputs
(breathing events, drift, noise, device errors) come from the same functions as
the bench's; all that happens from second to second is computed here anew. It
knows fixed FiO2 and PI control, no bedside staff, alarms or scripted events.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Sequence

import numpy as np
import simpy

from ..loop.bench import BenchSpec
from ..loop.controllers.fixed import FixedFiO2
from ..loop.controllers.pi import PI
from ..loop.patients import HIGHEST_SHARE, HIGHEST_SHUNT
from ..loop.registry import load_controller
from ..loop.trace import Trace
from ..models.chemoreflex import DEBT_TIME_S, LEAST_DEBT_S, MOST_BREATHING
from ..models.disturbances import (
    ALWAYS_MARK,
    HYPOXIA_FULL_PCT,
    HYPOXIA_STARTS_PCT,
    Breathing,
    BreathingEvents,
)
from ..models.errors import problem
from ..models.gas_delivery import GasDelivery
from ..models.lung_parameters import lung_parameters
from ..models.steady import steady_state
from .reference_draws import draw
from .reference_lungs import LungDrive, LungTwin
from .reference_plant import GasTwin, HeartTwin, OximeterTwin

#: Less than this share of normal ventilation counts as none.
STOPPED_BELOW = 0.05


class FixedTwin:
    """Keep one FiO2.

    Parameters
    ----------
    settings : FixedFiO2
        The controller whose twin this is.
    """

    def __init__(self, settings: FixedFiO2) -> None:
        self.period_s = settings.period_s
        self._kept = settings.fio2

    def act(self, spo2_pct: float, set_fio2: float) -> float:
        """Request the next FiO2.

        Parameters
        ----------
        spo2_pct : float
            Not used.
        set_fio2 : float
            FiO2 that is set (fraction); the first one is kept.

        Returns
        -------
        float
        """
        if self._kept is None:
            self._kept = set_fio2
        return self._kept


class PITwin:
    """Move FiO2 by the error and its sum.

    Parameters
    ----------
    settings : PI
        The controller whose twin this is.
    spec : BenchSpec
        Gives target and limits.
    """

    def __init__(self, settings: PI, spec: BenchSpec) -> None:
        self.period_s = settings.period_s
        self._gain = settings.gain_per_pct
        self._share_in_target = settings.gain_share_in_target
        self._step_share = settings.period_s / settings.integral_time_s
        self._middle_pct = 0.5 * (spec.target_low_pct + spec.target_high_pct)
        self._half_width_pct = 0.5 * (spec.target_high_pct - spec.target_low_pct)
        self._fio2_min, self._fio2_max = spec.gas.fio2_min, spec.gas.fio2_max
        self._sum = self._taken_back = self._applied = 0.0
        self._started = False

    def act(self, spo2_pct: float, set_fio2: float) -> float:
        """Request the next FiO2.

        Parameters
        ----------
        spo2_pct : float
            Displayed SpO2; NaN where nothing is shown.
        set_fio2 : float
            FiO2 that is set (fraction); the first one is where the controller starts.

        Returns
        -------
        float
        """
        if not self._started:
            self._sum = self._applied = set_fio2
            self._started = True
        taken_back, self._taken_back = self._taken_back, 0.0
        if math.isnan(spo2_pct):
            self._sum += taken_back
            return self._applied
        error = self._middle_pct - spo2_pct
        inside = min(max(error, -self._half_width_pct), self._half_width_pct)
        proportional = self._gain * (error - (1.0 - self._share_in_target) * inside)
        self._sum += taken_back + self._gain * self._step_share * error
        wanted = proportional + self._sum
        self._applied = min(max(wanted, self._fio2_min), self._fio2_max)
        self._taken_back = min(self._step_share, 1.0) * (self._applied - wanted)
        return self._applied


class BreathingTwin:
    """Let one infant's candidate events happen, tick by tick.

    Parameters
    ----------
    events : BreathingEvents
        The candidates.

    Attributes
    ----------
    ventilation : float
        Share of normal ventilation now.
    shunt_factor : float
        Factor on shunt now.
    closed : bool
        Whether the airway is closed.
    kind : int
        Kind of event, 0 for none.
    """

    def __init__(self, events: BreathingEvents) -> None:
        names = ("onset_s", "duration_s", "closed_from_s", "kind", "ventilation", "shunt_factor")
        columns = [getattr(events, name).tolist() for name in (*names, "mark")]
        self._rows: Iterator[tuple[float, ...]] = iter(zip(*columns, strict=True))
        self._next = next(self._rows, None)
        self._closes_s = self._ends_s = -1
        self._stop()

    def step(self, tick: int, sao2_fraction: float) -> None:
        """Let end and begin what does so at this tick.

        Parameters
        ----------
        tick : int
            Time now (s).
        sao2_fraction : float
            Arterial saturation, which decides whether a candidate happens.
        """
        if tick == self._ends_s:
            self._stop()
        if self._next is not None and tick == self._next[0]:
            _, lasts_s, closed_from_s, kind, ventilation, shunt_factor, mark = self._next
            self._next = next(self._rows, None)
            if mark < _most_mark(100.0 * sao2_fraction):
                self.kind, self.ventilation, self.shunt_factor = (
                    int(kind),
                    ventilation,
                    shunt_factor,
                )
                self._closes_s, self._ends_s = tick + int(closed_from_s), tick + int(lasts_s)
        if tick == self._closes_s < self._ends_s:
            self.closed = True

    def _stop(self) -> None:
        self.ventilation, self.shunt_factor = 1.0, 1.0
        self.closed, self.kind = False, int(Breathing.NORMAL)


def _most_mark(sao2_pct: float) -> float:
    """Candidates with a mark below this happen."""
    hypoxia = (HYPOXIA_STARTS_PCT - sao2_pct) / (HYPOXIA_STARTS_PCT - HYPOXIA_FULL_PCT)
    return ALWAYS_MARK + (1.0 - ALWAYS_MARK) * min(max(hypoxia, 0.0), 1.0)


class LaneTwin:
    """One infant in one arm.

    Parameters
    ----------
    spec : BenchSpec
        The run.
    place : int
        Place of the infant in it.
    arm : str
        Name of the arm.
    lungs : type
        Class of the lungs, to try another way to advance them.

    Attributes
    ----------
    samples : list of tuple
        Displayed SpO2, SaO2 (fraction), PaO2, set FiO2, inspired FiO2, heart
        rate and kind of breathing event after each tick.
    """

    def __init__(
        self, spec: BenchSpec, place: int, arm: str, lungs: type[LungTwin] = LungTwin
    ) -> None:
        infant = spec.infants.take(np.array([place]))
        self._drawn = draw(spec, infant)
        self._parameters = parameters = lung_parameters(infant)
        need = np.clip(infant.fio2_need, spec.gas.fio2_min, spec.gas.fio2_max)
        device = GasDelivery(infant, 1, spec.gas, spec.seed, need)
        errors = float(device.blender_error[0]), float(device.monitor_error[0])
        self.gas = GasTwin(spec.gas, *errors, float(need[0]))
        start = steady_state(parameters, np.array([self.gas.inspired_fio2]))
        self.lungs = lungs(parameters, start)
        rest_bpm = float(infant.heart_rate_bpm[0])
        drawn = self._drawn
        self.heart = HeartTwin(rest_bpm, drawn.heart_fall, drawn.heart_variation_bpm)
        self.oximeter = OximeterTwin(
            delay_s=float(infant.circulation_delay_s[0]),
            bias_pct=float(infant.spo2_bias_pct[0]) * spec.oximeter.bias_scale,
            averaging_s=spec.oximeter.averaging_s,
            noise=drawn.noise,
            sao2_fraction=self.lungs.sao2_fraction,
            rate_bpm=rest_bpm,
        )
        self.breathing = BreathingTwin(drawn.events)
        self._controller = _controller_twin(spec, arm)
        self._command = self.gas.set_fio2
        self._rest_shunt = float(parameters.shunt[0])
        self._rest_flow = float(parameters.flow_ml_s[0])
        self._poor = float(parameters.ventilation_ml_s[1, 0])
        self._total = float(parameters.ventilation_ml_s[0, 0]) + self._poor
        response = spec.disturbances.co2_response
        self._doubles_s = DEBT_TIME_S / response if response else math.inf
        self._debt_s, self._ventilation = 0.0, 1.0
        self.samples: list[tuple[float, ...]] = []

    def live(self, env: simpy.Environment) -> Generator[simpy.Event, None, None]:
        """Go through the run, second by second.

        Parameters
        ----------
        env : simpy.Environment
            The clock.

        Yields
        ------
        simpy.Event
        """
        while True:
            self._second(int(env.now))
            yield env.timeout(1)

    def _second(self, tick: int) -> None:
        breathing, heart, lungs = self.breathing, self.heart, self.lungs
        breathing.step(tick, lungs.sao2_fraction)
        self._breathe()
        if tick % self._controller.period_s == 0:
            self._command = self._controller.act(self.oximeter.spo2_pct, self.gas.set_fio2)
        self.gas.step(self._command)
        heart.step(tick, breathing.ventilation < STOPPED_BELOW, lungs.sao2_fraction)
        lungs.step(self._drive(tick))
        self.oximeter.step(tick, lungs.sao2_fraction, heart.rate_bpm)
        blood = (lungs.sao2_fraction, lungs.pao2_mmhg)
        fio2 = (self.gas.set_fio2, self.gas.inspired_fio2)
        sample = (self.oximeter.spo2_pct, *blood, *fio2, heart.rate_bpm, breathing.kind)
        self.samples.append(sample)

    def _breathe(self) -> None:
        """Add to quiet breathing what earlier pauses have left to be breathed out."""
        breathing = self.breathing
        quiet = breathing.kind == int(Breathing.NORMAL)
        more = self._debt_s / self._doubles_s if quiet else 0.0
        self._ventilation = breathing.ventilation + more
        debt_s = self._debt_s + (1.0 - self._ventilation)
        debt_s = min(debt_s, self._doubles_s * (MOST_BREATHING - 1.0))
        self._debt_s = debt_s if debt_s >= LEAST_DEBT_S else 0.0

    def _drive(self, tick: int) -> LungDrive:
        drawn, breathing = self._drawn, self.breathing
        shunt = self._rest_shunt * drawn.shunt_drift[tick] * breathing.shunt_factor
        poor = min(self._poor * drawn.ventilation_drift[tick], HIGHEST_SHARE * self._total)
        return LungDrive(
            inspired_fio2=self.gas.inspired_fio2,
            breathing=self._ventilation,
            closed=breathing.closed,
            ventilation_well_ml_s=self._total - poor,
            ventilation_poor_ml_s=poor,
            shunt=min(shunt, HIGHEST_SHUNT),
            flow_ml_s=self._rest_flow * self.heart.flow_factor,
        )


def _controller_twin(spec: BenchSpec, arm: str) -> FixedTwin | PITwin:
    by_name = {item.name: item for item in spec.arms}
    where, known = "reference run, arm", "an arm with the built-in fixed FiO2 or PI controller"
    if arm not in by_name or by_name[arm].controller is None:
        raise problem(where, known, arm)
    item = by_name[arm]
    controller = load_controller(str(item.controller), item.options)
    if isinstance(controller, FixedFiO2):
        return FixedTwin(controller)
    if isinstance(controller, PI):
        return PITwin(controller, spec)
    raise problem(where, known, item.controller)


class ReferenceLoop:
    """Several infants in several arms, each a SimPy process in one environment.

    Parameters
    ----------
    spec : BenchSpec
        The run.
    lanes : sequence of tuple
        Place of the infant and name of the arm, for each lane.
    lungs : type
        Class of the lungs.

    Raises
    ------
    TestbedError
        If an arm is unknown, or is not fixed FiO2 or PI control, or if the run
        has scripted events.
    """

    def __init__(
        self,
        spec: BenchSpec,
        lanes: Sequence[tuple[int, str]],
        lungs: type[LungTwin] = LungTwin,
    ) -> None:
        if spec.script:
            raise problem("reference run, script", "no scripted events", len(spec.script))
        self._spec = spec
        self._lanes = {lane: LaneTwin(spec, *lane, lungs) for lane in lanes}

    def run(self) -> dict[tuple[int, str], Trace]:
        """Run from beginning to end.

        Returns
        -------
        dict
            A `Trace` for each lane, not rounded to the bench's compact numbers.
        """
        env = simpy.Environment()
        for twin in self._lanes.values():
            env.process(twin.live(env))
        env.run(until=self._spec.duration_s)
        return {lane: self._trace(twin) for lane, twin in self._lanes.items()}

    def _trace(self, twin: LaneTwin) -> Trace:
        spo2, sao2, pao2, set_fio2, inspired, rate, kind = np.array(twin.samples).T.copy()
        return Trace(
            spo2_pct=spo2,
            sao2_pct=100.0 * sao2,
            pao2_mmhg=pao2,
            set_fio2=set_fio2,
            inspired_fio2=inspired,
            heart_rate_bpm=rate,
            apnoea=kind.astype(np.int64),
            warmup_s=self._spec.warmup_s,
        )


def reference_run(spec: BenchSpec, place: int, arm: str) -> Trace:
    """Run one infant in one arm by the slow twin.

    Parameters
    ----------
    spec : BenchSpec
        The run.
    place : int
        Place of the infant in it.
    arm : str
        Name of an arm with fixed FiO2 or PI control.

    Returns
    -------
    Trace
        At full precision.

    Raises
    ------
    TestbedError
        If the arm is unknown, or is neither fixed FiO2 nor PI control.
    """
    return ReferenceLoop(spec, [(place, arm)]).run()[place, arm]
