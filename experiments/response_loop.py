"""Close a loop around a plant and give it a stimulus.

One driver for infants and for a first-order plant. It hands a controller what
the bench does, with the same limits and the same `track`, but without a clock.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..loop.controller import Controller, checked_request, make_reading
from ..loop.rounding import whole_percent
from ..loop.signals import FloatArray, Settings
from ..models.errors import problem
from .response_plant import Plant

#: A request that limits changed by more than this was altered (fraction).
_ALTERED_FIO2 = 1e-9


@dataclass(frozen=True, kw_only=True)
class Display:
    """What lies between the measured saturation and the controller.

    Attributes
    ----------
    whole_percent : bool
        Round half-up to whole percent, as an oximeter does.
    dead_band_pct : float
        A reading this close to the middle of the target is shown as the middle.
    """

    whole_percent: bool = True
    dead_band_pct: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Stimulus:
    """What happens to a loop at rest.

    Attributes
    ----------
    at_s : int
        When.
    target_pct : float
        Both ends of the target move by so many points, to stay.
    need_fio2 : float
        The FiO2 that is needed rises by so much (fraction), to stay.
    shunt_factor : float
        The shunt is multiplied by this, to stay; only for plants of infants.
    pulse_pct, pulse_s : float, int
        The measured saturation is off by so many points for so long.
    """

    at_s: int = 60
    target_pct: float = 0.0
    need_fio2: float = 0.0
    shunt_factor: float = 1.0
    pulse_pct: float = 0.0
    pulse_s: int = 0


@dataclass(frozen=True, kw_only=True)
class LoopTrace:
    """What a loop did, a row a second.

    Attributes
    ----------
    measured_pct : ndarray, shape (seconds, lanes)
        Saturation that an oximeter would show if it did not round.
    shown_pct : ndarray, shape (seconds, lanes)
        What the controller was shown.
    fio2 : ndarray, shape (seconds, lanes)
        FiO2 asked for, within the limits (fraction).
    target_pct : ndarray, shape (seconds,)
        Middle of the target.
    """

    measured_pct: FloatArray
    shown_pct: FloatArray
    fio2: FloatArray
    target_pct: FloatArray


def run_loop(
    plant: Plant,
    controller: Controller,
    settings: Settings,
    duration_s: int,
    stimulus: Stimulus | None = None,
    display: Display | None = None,
    *,
    gain_factor: FloatArray | float = 1.0,
    added_delay_s: NDArray[np.int64] | int = 0,
) -> LoopTrace:
    """Run a controller on a plant.

    Parameters
    ----------
    plant : Plant
        At rest; it is used up.
    controller : Controller
        Is reset first and, if it has a `close`, closed at the end.
    settings : Settings
        Target and limits.
    duration_s : int
        How long.
    stimulus : Stimulus, optional
        What happens; nothing if left out.
    display : Display, optional
        How the saturation is shown; whole percent if left out.
    gain_factor : float or ndarray, shape (lanes,)
        How many times as strongly each lane answers to a change of FiO2 from rest.
    added_delay_s : int or ndarray, shape (lanes,)
        Whole seconds by which the FiO2 reaches each lane later.

    Returns
    -------
    LoopTrace
    """
    happens, shows = stimulus or Stimulus(), display or Display()
    lanes, rest = plant.lanes, plant.rest_fio2
    late = np.broadcast_to(np.asarray(added_delay_s, dtype=np.int64), (lanes,))
    ring = np.tile(rest, (int(late.max(initial=0)) + 1, 1))
    every_lane, command = np.arange(lanes), rest.copy()
    measured, shown, fio2 = (np.empty((duration_s, lanes)) for _ in range(3))
    target = np.full(duration_s, settings.target_mid_pct)
    target[happens.at_s :] += happens.target_pct
    ask = Asker(controller, settings, lanes)
    for tick in range(duration_s):
        _happen(plant, happens, tick)
        measured[tick] = plant.measured_pct
        if happens.at_s <= tick < happens.at_s + happens.pulse_s:
            measured[tick] += happens.pulse_pct
        shown[tick] = _show(measured[tick], float(target[tick]), shows)
        if tick % controller.period_s == 0:
            moved = float(target[tick]) - settings.target_mid_pct
            command = ask(tick, shown[tick], command, moved)
        fio2[tick] = command
        ring[tick % len(ring)] = command
        arrived = ring[(tick - late) % len(ring), every_lane]
        plant.step(tick, rest + gain_factor * (arrived - rest))
    ask.close()
    return LoopTrace(measured_pct=measured, shown_pct=shown, fio2=fio2, target_pct=target)


def _happen(plant: Plant, happens: Stimulus, tick: int) -> None:
    if tick != happens.at_s:
        return
    if happens.need_fio2:
        plant.load(tick, happens.need_fio2)
    if happens.shunt_factor != 1.0:
        raise_shunt = getattr(plant, "raise_shunt", None)
        if raise_shunt is None:
            raise problem("Stimulus.shunt_factor", "1 for a plant without a lung", happens)
        raise_shunt(tick, np.full(plant.lanes, happens.shunt_factor))


def _show(measured_pct: FloatArray, middle_pct: float, shows: Display) -> FloatArray:
    shown = whole_percent(measured_pct) if shows.whole_percent else measured_pct.copy()
    near = np.abs(shown - middle_pct) <= shows.dead_band_pct
    if shows.dead_band_pct > 0.0:
        np.copyto(shown, middle_pct, where=near)
    return np.asarray(np.minimum(np.maximum(shown, 1.0), 100.0))


class Asker:
    """Ask a controller as the bench does: limit what it says, and tell it of that.

    Parameters
    ----------
    controller : Controller
        Is reset.
    settings : Settings
        Target and limits.
    lanes : int
        Number of lanes.
    """

    def __init__(self, controller: Controller, settings: Settings, lanes: int) -> None:
        self._controller, self._settings, self._lanes = controller, settings, lanes
        self._track = getattr(controller, "track", None)
        controller.reset(lanes, settings)

    def __call__(
        self, tick: int, shown_pct: FloatArray, set_fio2: FloatArray, moved_pct: float = 0.0
    ) -> FloatArray:
        """Give the next FiO2 of each lane, within the limits (fraction)."""
        settings = self._settings
        reading = make_reading(
            self._lanes,
            time_s=tick,
            spo2_pct=shown_pct,
            set_fio2=set_fio2,
            target_low_pct=settings.target_low_pct + moved_pct,
            target_high_pct=settings.target_high_pct + moved_pct,
            fio2_min=settings.fio2_min,
            fio2_max=settings.fio2_max,
        )
        asked = checked_request(self._controller.act(reading), self._lanes, self._controller.name)
        limited: FloatArray = np.minimum(np.maximum(asked, settings.fio2_min), settings.fio2_max)
        altered = np.abs(limited - asked) > _ALTERED_FIO2
        if self._track is not None and altered.any():
            self._track(limited.copy(), np.ones(self._lanes, dtype=np.bool_))
        return limited

    def close(self) -> None:
        """Let a controller that has a `close` give back what it holds."""
        close = getattr(self._controller, "close", None)
        if callable(close):
            close()


__all__ = ["Asker", "Display", "LoopTrace", "Stimulus", "run_loop"]
