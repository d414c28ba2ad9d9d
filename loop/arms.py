"""The arms of a run: who holds the FiO2 of which lanes."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import simpy
from numpy.typing import NDArray

from .controller import Controller, checked_request
from .link_faults import Link
from .patients import Patients
from .phases import At, Phase
from .registry import cause_of, load_controller
from .safeguards.feedback import Shown
from .safeguards.layer import SafeguardLayer
from .safeguards.settings import SafeguardSettings
from .signals import BoolArray, FloatArray, Mode, Reading, Settings

#: A request that limits changed by more than this was altered (fraction).
ALTERED_FIO2 = 1e-9

#: A request outside these is no FiO2 (a percentage, for one) and is not used.
REQUEST_RANGE = (-1.0, 2.0)


@dataclass(frozen=True, kw_only=True)
class ArmSpec:
    """One arm, in words that can be sent to another process.

    Attributes
    ----------
    name : str
        Name of the arm in tables and figures.
    controller : str or None
        A built-in name, an entry point or ``file.py:ClassName``; None stands
        for adjustment by hand.
    options : mapping
        Keyword arguments of the controller.
    safeguards : SafeguardSettings or None
        The layer around the controller; None for a bare controller.
    overseen : bool
        Whether staff may take over from the controller.
    """

    name: str
    controller: str | None
    options: Mapping[str, Any] = field(default_factory=dict)
    safeguards: SafeguardSettings | None = None
    overseen: bool = True

    @property
    def hands_off(self) -> bool:
        """Whether staff leave the oxygen alone, too.

        The fixed arm shows what happens when nobody changes the oxygen, so its
        staff answer alarms without touching it; under any other controller they
        may take over, unless the arm is not overseen.
        """
        return self.controller == "fixed" or not self.overseen


def frozen(values: NDArray[Any]) -> NDArray[Any]:
    """Copy an array and make the copy read-only.

    Parameters
    ----------
    values : ndarray
        Any array.

    Returns
    -------
    ndarray
    """
    copy = values.copy()
    copy.flags.writeable = False
    return copy


class ControllerArm:
    """The lanes of one controller, its safeguards, and the process that calls it.

    A controller that raises, or whose answer cannot be read, is taken out of
    the loop and `error` says why: its lanes hold and, with safeguards, fall
    back. One that has a method `close` is closed at the end.

    Parameters
    ----------
    spec : ArmSpec
        Names the controller and its safeguards.
    patients : Patients
        Where the signals come from.
    lanes : slice
        The arm's lanes.
    command_fio2 : ndarray, shape (all lanes,)
        Commands to the blenders; only `lanes` of it are written.
    mode : ndarray of int, shape (all lanes,)
        Who holds the FiO2 of each lane, a `Mode`; staff may hold it for a while.
    settings : Settings
        Target and limits.
    log : callable
        Takes lane, event name, value, detail.
    alarm : ndarray of bool, shape (all lanes,), optional
        Where an alarm of the controller sounds; only `lanes` of it are written.
    """

    def __init__(
        self,
        spec: ArmSpec,
        patients: Patients,
        lanes: slice,
        command_fio2: FloatArray,
        mode: NDArray[np.int64],
        settings: Settings,
        log: Callable[[int, str, float, str], None],
        alarm: BoolArray | None = None,
    ) -> None:
        self.error = ""
        self._patients, self._lanes, self._log = patients, lanes, log
        self._command = command_fio2[lanes]
        self._settings = settings
        self._first = lanes.start
        self._count = count = lanes.stop - lanes.start
        self._silent = np.zeros(count, dtype=np.bool_)
        self._given: BoolArray = np.ones(count, dtype=np.bool_)
        self._request: FloatArray = self._command.copy()
        self._on_time = np.zeros(count)
        constant = {
            "target_low_pct": settings.target_low_pct,
            "target_high_pct": settings.target_high_pct,
            "fio2_min": settings.fio2_min,
            "fio2_max": settings.fio2_max,
        }
        self._constant = {name: frozen(np.full(count, v)) for name, v in constant.items()}
        self._mode = mode[lanes]
        self._link = Link(patients.link, lanes)
        self._displays = self._make_displays()
        self._layer = self._make_layer(
            spec, np.zeros(count, np.bool_) if alarm is None else alarm[lanes]
        )
        self.controller: Controller = load_controller(str(spec.controller), spec.options)
        self._period_s = int(self.controller.period_s)  # as checked; a later change has no effect
        self._track = getattr(self.controller, "track", None)
        self._guarded(lambda: self.controller.reset(count, settings))

    def _make_layer(self, spec: ArmSpec, alarm: BoolArray) -> SafeguardLayer | None:
        if spec.safeguards is None:
            return None
        return SafeguardLayer(
            spec.safeguards, self._settings, self._command, self._mode, alarm, self._log_here
        )

    def _log_here(self, place: int, event: str, value: float, detail: str) -> None:
        self._log(self._first + place, event, value, detail)

    def run(self, env: simpy.Environment) -> Generator[simpy.Event, None, None]:
        """Look at the signals once a second; call the controller in each of its periods.

        Parameters
        ----------
        env : simpy.Environment
            The clock.

        Yields
        ------
        simpy.Event
        """
        yield At(env, 0, Phase.CONTROLLER)
        while not self.error or self._layer is not None:
            self._tick(int(env.now))
            yield At(env, 1, Phase.CONTROLLER)

    def change_safeguards(self, settings: SafeguardSettings) -> None:
        """Switch safeguards on or off, or change thresholds, between two ticks.

        Parameters
        ----------
        settings : SafeguardSettings
            What holds from now on. A bare controller stays bare.
        """
        if self._layer is not None:
            self._layer = self._layer.changed(settings)

    def close(self) -> None:
        """Let a controller that has a `close` give back what it holds."""
        close = getattr(self.controller, "close", None)
        if callable(close):
            self._guarded(close)

    def _guarded(self, call: Callable[[], None]) -> None:
        try:
            call()
        except (Exception, SystemExit) as error:  # a user's code may do anything; the rest goes on
            self.error = self.error or cause_of(error)
            self._given = np.zeros(self._count, dtype=np.bool_)
            for lane in range(self._first, self._first + self._count):
                self._log(lane, "controller_failed", float("nan"), self.error)

    def _shown(self) -> Shown:
        return self._link.receive(self._displays)

    def _make_displays(self) -> Shown:
        """Look at this arm's part of the arrays that the devices overwrite at each tick."""
        lanes, oximeter, gas = self._lanes, self._patients.oximeter, self._patients.gas
        return Shown(
            spo2_pct=oximeter.spo2_pct[lanes],
            valid=oximeter.valid[lanes],
            signal_quality=oximeter.signal_quality[lanes],
            pulse_rate_bpm=oximeter.pulse_rate_bpm[lanes],
            heart_rate_bpm=self._patients.heart.rate_bpm[lanes],
            set_fio2=gas.set_fio2[lanes],
            applied_fio2=gas.applied_fio2[lanes],
            delivered_fio2=gas.delivered_fio2[lanes],
            age_s=self._on_time,
            late_s=self._on_time,
            on_time=True,
        )

    def _reading(self, tick: int, shown: Shown) -> Reading:
        layer, spo2, pulse, valid = self._layer, shown.spo2_pct, shown.pulse_rate_bpm, shown.valid
        if layer is not None:
            valid = valid & layer.usable
            spo2, pulse = np.where(valid, spo2, np.nan), np.where(valid, pulse, np.nan)
        constant = self._constant
        shift_pct = self._link.target_shift_pct()
        if shift_pct is not None:
            ends = {
                name: constant[name] + shift_pct for name in ("target_low_pct", "target_high_pct")
            }
            constant = constant | {name: frozen(np.minimum(v, 100.0)) for name, v in ends.items()}
        return Reading(
            time_s=tick,
            spo2_pct=frozen(spo2),
            valid=frozen(valid),
            signal_quality=frozen(shown.signal_quality),
            pulse_rate_bpm=frozen(pulse),
            heart_rate_bpm=frozen(shown.heart_rate_bpm),
            set_fio2=frozen(shown.set_fio2),
            applied_fio2=frozen(shown.applied_fio2),
            delivered_fio2=frozen(shown.delivered_fio2),
            mode=frozen(self._mode if layer is None else layer.seen_mode),
            **constant,
        )

    def _tick(self, tick: int) -> None:
        """Go through one second: safeguards, the controller if it is due, safeguards."""
        self._link.take_over(self._command, self._mode)
        shown, layer = self._shown(), self._layer
        if layer is not None:
            layer.before(shown)
        due = tick % self._period_s == 0 and not self.error
        if due and layer is not None and self._period_s > 1 and tick:
            self._guarded(self._tell)  # a rate limit may have gone on since the last answer
        if due and not self.error:
            self._guarded(lambda: self._act(self._reading(tick, shown)))
        if self.error and layer is None:
            return
        request, given = self._link.answer(tick, self._request), self._given
        if request is not self._request:  # no answer may come; one that is kept is a number
            given = given & np.isfinite(request)
        if layer is not None:
            layer.after(shown, request, given)
        elif due:
            self._limit(request, given)
        if due and not self.error:
            self._guarded(self._tell)

    def _act(self, reading: Reading) -> None:
        asked = self.controller.act(reading)
        request = checked_request(asked, self._count, self.controller.name, finite=False)
        given = (request >= REQUEST_RANGE[0]) & (request <= REQUEST_RANGE[1])
        if self._layer is None:
            given = np.isfinite(request)
        if np.count_nonzero(given) < self._count:
            self._note_silence(given)
        np.copyto(self._request, request, where=given)
        self._given = given

    def _limit(self, request: FloatArray, given: BoolArray) -> None:
        """Bring requests inside the limits; who gave none, or is in other hands, holds."""
        active = given & (self._mode != Mode.MANUAL)
        limited = np.minimum(np.maximum(request, self._settings.fio2_min), self._settings.fio2_max)
        np.copyto(limited, self._command, where=~active)
        self._command[...] = limited

    def _tell(self) -> None:
        """Tell the controller what became of its request, where anything did."""
        layer = self._layer
        if self._track is None or (layer is not None and not layer.settings.anti_windup):
            return
        active = self._given
        if layer is None or (layer.respects_staff and not layer.all_automatic):
            active = active & (self._mode != Mode.MANUAL)
        if layer is not None and not layer.all_automatic:
            active = active & ~layer.holds
        altered = np.abs(self._command - self._request) > ALTERED_FIO2
        if np.count_nonzero(altered) or np.count_nonzero(active) < self._count:
            self._track(frozen(self._command), frozen(active))

    def _note_silence(self, given: NDArray[np.bool_]) -> None:
        for place in np.flatnonzero(~given & ~self._silent).tolist():
            self._log(self._first + place, "controller_no_value", float("nan"), "held")
        self._silent |= ~given
