"""Close a loop around a plant, give it a stimulus, and see whether it keeps oscillating.

One driver for infants and for a first-order plant. It hands a controller what
the bench does, with the same limits and the same `track`, but without a clock.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..loop.controller import Controller, checked_request, make_reading
from ..loop.rounding import whole_percent
from ..loop.signals import BoolArray, FloatArray, Settings
from ..models.errors import problem
from .response_plant import Plant

#: A request that limits changed by more than this was altered (fraction).
_ALTERED_FIO2 = 1e-9

#: Sustained: at least this large from peak to peak (points of SpO2), and after
#: a third of the record still this share of what it was.
LEAST_SWING_PCT = 0.5
KEPT_SHARE = 0.9

#: At least so many changes of side in the last third, which are two periods.
_LEAST_CROSSINGS = 4

#: A change of side counts beyond this share of the peak-to-peak swing.
_HYSTERESIS = 0.1

#: Gain factors among which is searched, and how often that range is halved.
FACTORS = (1.0 / 16.0, 16.0)
FACTOR_HALVINGS = 10
#: Most delay that is added (s), and how often that range is halved.
MOST_ADDED_S = 256
DELAY_HALVINGS = 8

#: When the pulse comes that sets a loop swinging, how long and how deep it is,
#: and how long the loop is then watched.
PULSE_AT_S, PULSE_S, PULSE_PCT = 60, 30, -5.0
WATCHED_S = 3600


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
    added_delay_s: FloatArray | int = 0,
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
    return np.minimum(np.maximum(shown, 1.0), 100.0)


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
        limited = np.minimum(np.maximum(asked, settings.fio2_min), settings.fio2_max)
        altered = np.abs(limited - asked) > _ALTERED_FIO2
        if self._track is not None and altered.any():
            self._track(limited.copy(), np.ones(self._lanes, dtype=np.bool_))
        return limited

    def close(self) -> None:
        """Let a controller that has a `close` give back what it holds."""
        close = getattr(self._controller, "close", None)
        if callable(close):
            close()


def crossings(course: FloatArray) -> FloatArray:
    """Find the samples at which a course changes to the other side of its middle.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        Any signal.

    Returns
    -------
    ndarray, shape (changes,)
        Places of the first sample on the new side; what stays within a tenth
        of the swing around the middle is on neither.
    """
    middle, swing = 0.5 * (course.max() + course.min()), course.max() - course.min()
    if swing <= 0.0:
        return np.empty(0)
    far = np.flatnonzero(np.abs(course - middle) > _HYSTERESIS * swing)
    side = course[far] > middle
    return far[1:][side[1:] != side[:-1]].astype(np.float64)


def sustained(course: FloatArray) -> bool:
    """Tell whether a course keeps oscillating.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        Saturation from the end of the stimulus on (points).

    Returns
    -------
    bool
        True if in its last third it swings by half a point or more from peak
        to peak, by at least nine tenths of the swing in the middle third, and
        changes sides four times or more.
    """
    third = len(course) // 3
    middle, last = course[third : 2 * third], course[2 * third :]
    swing = float(np.ptp(last))
    kept = swing >= LEAST_SWING_PCT and swing >= KEPT_SHARE * float(np.ptp(middle))
    return kept and len(crossings(last)) >= _LEAST_CROSSINGS


def period_s(course: FloatArray) -> float:
    """Give the period of the oscillation in the last third of a course.

    Parameters
    ----------
    course : ndarray, shape (samples,)
        A sample a second.

    Returns
    -------
    float
        Mean time from one change of sides to the next but one (s); NaN for
        fewer than three changes.
    """
    places = crossings(course[2 * (len(course) // 3) :])
    if len(places) < 3:
        return float("nan")
    whole = places[: 2 * ((len(places) - 1) // 2) + 1]
    return 2.0 * float(whole[-1] - whole[0]) / (len(whole) - 1)


Maker = Callable[[], tuple[Plant, Controller]]


def gain_factor_to_oscillation(make: Maker, settings: Settings) -> FloatArray:
    """Find by halving how many times the plant's gain brings a loop to oscillate for good.

    The loop is knocked by a reading 5 points low for half a minute, without
    rounding, and watched for an hour. More gain is taken to mean more swing.

    Parameters
    ----------
    make : callable
        Gives a plant at rest and a controller, both new.
    settings : Settings
        Target and limits.

    Returns
    -------
    ndarray, shape (lanes,)
        Factor, to 1 %; below 1 where the loop swings as it is, infinite where
        it does not even at 16 times, 0 where it does at a sixteenth.
    """
    low, high = (np.log(value) for value in FACTORS)
    lanes = make()[0].lanes
    least, most = np.full(lanes, low), np.full(lanes, high)
    for _ in range(FACTOR_HALVINGS):
        tried = 0.5 * (least + most)
        swings = _swings(make, settings, np.exp(tried), np.zeros(lanes, dtype=np.int64))
        most = np.where(swings, tried, most)
        least = np.where(swings, least, tried)
    found = np.exp(0.5 * (least + most))
    return np.where(most >= high, np.inf, np.where(least <= low, 0.0, found))


def delay_to_oscillation_s(make: Maker, settings: Settings) -> FloatArray:
    """Find by halving how much more delay brings a loop to oscillate for good.

    Parameters
    ----------
    make : callable
        Gives a plant at rest and a controller, both new.
    settings : Settings
        Target and limits.

    Returns
    -------
    ndarray, shape (lanes,)
        Least whole seconds that do; 0 where the loop swings as it is,
        infinite where 255 s do not.
    """
    lanes = make()[0].lanes
    least = np.full(lanes, -1, dtype=np.int64)
    most = np.full(lanes, MOST_ADDED_S - 1, dtype=np.int64)
    beyond = ~_swings(make, settings, np.ones(lanes), most)
    for _ in range(DELAY_HALVINGS):
        tried = (least + most) // 2
        swings = _swings(make, settings, np.ones(lanes), np.maximum(tried, 0))
        most = np.where(swings, tried, most)
        least = np.where(swings, least, tried)
    return np.where(beyond, np.inf, np.maximum(most, 0).astype(np.float64))


def _swings(make: Maker, settings: Settings, factor: FloatArray, late: FloatArray) -> BoolArray:
    plant, controller = make()
    stimulus = Stimulus(at_s=PULSE_AT_S, pulse_pct=PULSE_PCT, pulse_s=PULSE_S)
    trace = run_loop(
        plant,
        controller,
        settings,
        PULSE_AT_S + PULSE_S + WATCHED_S,
        stimulus,
        Display(whole_percent=False),
        gain_factor=factor,
        added_delay_s=late,
    )
    after = trace.measured_pct[PULSE_AT_S + PULSE_S :]
    return np.array([sustained(after[:, lane]) for lane in range(plant.lanes)], dtype=np.bool_)


__all__ = [
    "Asker",
    "Display",
    "LoopTrace",
    "Stimulus",
    "crossings",
    "delay_to_oscillation_s",
    "gain_factor_to_oscillation",
    "period_s",
    "run_loop",
    "sustained",
]
