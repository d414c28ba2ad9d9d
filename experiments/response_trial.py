"""Try the response of controllers on the infants of a scenario.

Three steps, on every infant: the target moves; the need for oxygen rises by the
same FiO2 in all; the shunt rises by the same factor in all. Then the margins:
from the linearised loop where there is one, and by trial for every controller.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..loop.arms import ArmSpec
from ..loop.controller import Controller
from ..loop.registry import load_controller
from ..loop.signals import FloatArray, Settings
from ..models.errors import problem
from ..models.settings import quantity, validate
from .compare import arm_spec, scenario_infants
from .response import step_measures
from .response_linear import (
    LinearController,
    Response,
    linear_plant,
    sampled_every,
)
from .response_loop import Display, LoopTrace, Stimulus, run_loop
from .response_margins import margins
from .response_oscillation import delay_to_oscillation_s, gain_factor_to_oscillation
from .response_parts import linear_laws, plant_table
from .response_plant import InfantPlant, at_rest
from .scenario_settings import Scenario

#: Seconds before the step that say where the loop was.
_BEFORE_S = 300


@dataclass(frozen=True, kw_only=True)
class ResponseSettings:
    """What the loop is tried with.

    Attributes
    ----------
    rounded : bool
        Whether the steps are seen through whole percents and blender steps.
    by_trial : bool
        Whether margins are also found by trial, which takes most of the time.
    """

    target_step_pct: float = quantity(
        unit="points", low=-10, high=5, default=2.0, doc="step of the target"
    )
    need_step_fio2: float = quantity(
        unit="fraction", low=0.005, high=0.3, default=0.05, doc="step of the need for oxygen"
    )
    shunt_factor: float = quantity(
        unit="-", low=1.01, high=5, default=1.5, doc="factor of the step in shunt"
    )
    step_at_s: int = quantity(unit="s", low=1, high=7200, default=900, doc="when the step comes")
    after_s: int = quantity(
        unit="s", low=60, high=14400, default=1800, doc="how long the loop is watched after it"
    )
    rounded: bool = True
    by_trial: bool = True

    def __post_init__(self) -> None:
        validate(self)
        if self.target_step_pct == 0.0:
            raise problem("ResponseSettings.target_step_pct", "a step that is not 0", 0.0)


@dataclass(frozen=True, kw_only=True)
class ResponseResult:
    """What was found.

    Attributes
    ----------
    scenario : Scenario
        Where infants, target, circuit and oximeter come from.
    settings : ResponseSettings
        What was tried.
    controllers : tuple of str
        Names, in order.
    nominal : int
        Number of the nominal infant: its gain is nearest to the median.
    left_out : int
        Infants without room for a loop.
    plants : pandas.DataFrame
        A row for each infant: gains, dead time, lag.
    measures : pandas.DataFrame
        A row for each controller, stimulus and infant.
    margins : pandas.DataFrame
        A row for each controller, region and infant.
    traces : mapping of (str, str) to LoopTrace
        By controller and stimulus.
    loops : mapping of str to ndarray
        Response of the nominal linear loop at `omega`, by controller and region.
    omega : ndarray
        rad/s.
    """

    scenario: Scenario
    settings: ResponseSettings
    controllers: tuple[str, ...]
    nominal: int
    left_out: int
    plants: pd.DataFrame
    measures: pd.DataFrame
    margins: pd.DataFrame
    traces: Mapping[tuple[str, str], LoopTrace]
    loops: Mapping[str, NDArray[np.complex128]]
    omega: FloatArray


def stimuli(settings: ResponseSettings) -> dict[str, Stimulus]:
    """Give the three steps by name.

    Parameters
    ----------
    settings : ResponseSettings
        Their sizes.

    Returns
    -------
    dict of str to Stimulus
        target, need, shunt.
    """
    at_s = settings.step_at_s
    return {
        "target": Stimulus(at_s=at_s, target_pct=settings.target_step_pct),
        "need": Stimulus(at_s=at_s, need_fio2=settings.need_step_fio2),
        "shunt": Stimulus(at_s=at_s, shunt_factor=settings.shunt_factor),
    }


def try_response(
    scenario: Scenario,
    arms: Sequence[ArmSpec] = (),
    settings: ResponseSettings | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> ResponseResult:
    """Try every controller.

    Parameters
    ----------
    scenario : Scenario
        Gives infants, target, circuit and oximeter.
    arms : sequence of ArmSpec, optional
        Controllers; those of the scenario if left out.
    settings : ResponseSettings, optional
        What they are tried with.
    progress : callable, optional
        Called with the number of parts done and to do.

    Returns
    -------
    ResponseResult

    Raises
    ------
    TestbedError
        If no controller is named, or no infant has room for a loop.
    """
    chosen = settings or ResponseSettings()
    tried = list(arms) or [arm_spec(arm) for arm in scenario.arms if arm.kind == "controller"]
    if not tried:
        raise problem("response", "a controller", "none", "Name one with --controller.")
    trial = _Trial(scenario, chosen)
    parts = 5 * len(tried)
    for number, arm in enumerate(tried):
        works: list[Callable[[], None]] = [*trial.steps(arm), partial(trial.margins, arm)]
        for part, work in enumerate(works):
            work()
            if progress:
                progress(5 * number + part + (2 if part == 3 else 1), parts)
    return trial.result(tuple(arm.name for arm in tried))


class _Trial:
    """One cohort at rest, and what has been found on it so far."""

    def __init__(self, scenario: Scenario, settings: ResponseSettings) -> None:
        self._scenario, self._settings = scenario, settings
        target, gas = scenario.target, scenario.gas
        self._told = Settings(
            target_low_pct=target.low_pct,
            target_high_pct=target.high_pct,
            fio2_min=gas.fio2_min,
            fio2_max=gas.fio2_max,
        )
        everyone = scenario_infants(scenario)[0]
        self._infants = infants = at_rest(everyone, self._told.target_mid_pct)
        if not len(infants):
            hint = "All of them are near room air or pure oxygen there."
            raise problem("response", "an infant with room for a loop", "none", hint)
        self._left_out = len(everyone) - len(infants)
        circuit = self._plant(quantised=False).circuit
        self._plants = [
            linear_plant(infants, place, circuit, scenario.oximeter)
            for place in range(len(infants))
        ]
        self._table = plant_table(infants, self._plants)
        gains = self._table["gain"].to_numpy()
        self._nominal = int(np.argmin(np.abs(gains - np.median(gains))))
        self._rows: list[dict[str, object]] = []
        self._margin_rows: list[dict[str, object]] = []
        self._traces: dict[tuple[str, str], LoopTrace] = {}
        self._loops: dict[str, NDArray[np.complex128]] = {}
        self._omega = np.geomspace(1e-3, math.pi, 1200)

    def steps(self, arm: ArmSpec) -> list[Callable[[], None]]:
        return [
            partial(self._step, arm, name, stimulus)
            for name, stimulus in stimuli(self._settings).items()
        ]

    def _step(self, arm: ArmSpec, name: str, stimulus: Stimulus) -> None:
        settings = self._settings
        trace = run_loop(
            self._plant(quantised=settings.rounded),
            _controller(arm),
            self._told,
            settings.step_at_s + settings.after_s,
            stimulus,
            Display(whole_percent=settings.rounded),
        )
        self._traces[arm.name, name] = trace
        at_s, reference = settings.step_at_s, float(trace.target_pct[-1])
        for place, number in enumerate(self._infants.infant.tolist()):
            course = trace.measured_pct[:, place]
            before = float(course[max(at_s - _BEFORE_S, 0) : at_s].mean())
            found = step_measures(course[at_s:], before, reference, target_moved=name == "target")
            head = {"controller": arm.name, "stimulus": name, "infant": number}
            self._rows.append({**head, **found})

    def margins(self, arm: ArmSpec) -> None:
        make = partial(_controller, arm)
        pair = partial(self._pair, arm)
        by_trial = {}
        if self._settings.by_trial:
            by_trial = {
                "gain_factor_by_trial": gain_factor_to_oscillation(pair, self._told),
                "added_delay_by_trial_s": delay_to_oscillation_s(pair, self._told),
            }
        rest = float(np.median(self._infants.fio2_need))
        period_s = make().period_s
        for region, law in linear_laws(make, self._told, rest).items():
            for place, number in enumerate(self._infants.infant.tolist()):
                row: dict[str, object] = {
                    "controller": arm.name,
                    "region": region,
                    "infant": number,
                    "law": law if isinstance(law, str) else law.origin,
                }
                if not isinstance(law, str):
                    row |= self._linear(arm.name, region, place, law, period_s)
                row |= {key: float(values[place]) for key, values in by_trial.items()}
                self._margin_rows.append(row)

    def _linear(
        self, name: str, region: str, place: int, law: LinearController, period_s: int
    ) -> dict[str, object]:
        loop = series(law.response, sampled_every(self._plants[place].at, period_s))
        found = margins(loop, math.pi / period_s, integrators=law.integrators)
        if place == self._nominal:
            # Above half its sampling frequency a slower controller has no response of its own.
            seen = np.minimum(self._omega, (1.0 - 1e-9) * math.pi / period_s)
            known = np.where(self._omega <= math.pi / period_s, loop(seen), np.nan)
            self._loops[f"{name}, {region}"] = known
        return {
            "gain_margin": found.gain,
            "phase_margin_deg": found.phase_deg,
            "delay_margin_s": found.delay_s,
            "peak_sensitivity": found.peak_sensitivity,
            "crossover_rad_s": found.crossover_rad_s,
            "stable": found.stable,
        }

    def _plant(self, *, quantised: bool, copies: int = 1) -> InfantPlant:
        scenario = self._scenario
        return InfantPlant(
            self._infants,
            scenario.gas,
            scenario.oximeter,
            quantised_fio2=quantised,
            copies=copies,
        )

    def _pair(self, arm: ArmSpec, copies: int) -> tuple[InfantPlant, Controller]:
        return self._plant(quantised=False, copies=copies), _controller(arm)

    def result(self, controllers: tuple[str, ...]) -> ResponseResult:
        return ResponseResult(
            scenario=self._scenario,
            settings=self._settings,
            controllers=controllers,
            nominal=int(self._infants.infant[self._nominal]),
            left_out=self._left_out,
            plants=self._table,
            measures=pd.DataFrame(self._rows),
            margins=pd.DataFrame(self._margin_rows, columns=MARGIN_COLUMNS),
            traces=self._traces,
            loops=self._loops,
            omega=self._omega,
        )


MARGIN_COLUMNS = [
    "controller",
    "region",
    "infant",
    "law",
    "gain_margin",
    "phase_margin_deg",
    "delay_margin_s",
    "peak_sensitivity",
    "crossover_rad_s",
    "stable",
    "gain_factor_by_trial",
    "added_delay_by_trial_s",
]


def series(controller: Response, plant: Response) -> Response:
    """Put a controller and a plant one after the other.

    Parameters
    ----------
    controller, plant : callable
        Frequency responses.

    Returns
    -------
    callable
    """
    return lambda omega: np.asarray(controller(omega) * plant(omega))


def _controller(arm: ArmSpec) -> Controller:
    return load_controller(str(arm.controller), arm.options)


__all__ = [
    "ResponseResult",
    "ResponseSettings",
    "series",
    "stimuli",
    "try_response",
]
