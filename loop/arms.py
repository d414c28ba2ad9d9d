"""The arms of a run: who holds the FiO2 of which lanes."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import simpy
from numpy.typing import NDArray

from .controller import Controller, checked_request
from .patients import Patients
from .phases import At, Phase
from .registry import load_controller
from .signals import FloatArray, Mode, Reading, Settings

#: A request that limits changed by more than this was altered (fraction).
ALTERED_FIO2 = 1e-9


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
    """

    name: str
    controller: str | None
    options: Mapping[str, Any] = field(default_factory=dict)

    @property
    def hands_off(self) -> bool:
        """Whether staff leave the oxygen alone, too.

        The fixed arm shows what happens when nobody changes the oxygen, so its
        staff answer alarms without touching it; under any other controller they
        may take over.
        """
        return self.controller == "fixed"


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
    """The lanes of one controller, and the process that calls it.

    A controller that raises, or whose answer cannot be read, is taken out of
    the loop: its lanes keep their last FiO2 and `error` says why. One that has
    a method `close` is closed at the end.

    Parameters
    ----------
    spec : ArmSpec
        Names the controller.
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
    ) -> None:
        self.error = ""
        self._patients, self._lanes, self._log = patients, lanes, log
        self._command = command_fio2[lanes]
        self._settings = settings
        self._first = lanes.start
        self._count = count = lanes.stop - lanes.start
        self._silent = np.zeros(count, dtype=np.bool_)
        constant = {
            "target_low_pct": settings.target_low_pct,
            "target_high_pct": settings.target_high_pct,
            "fio2_min": settings.fio2_min,
            "fio2_max": settings.fio2_max,
        }
        self._constant = {name: frozen(np.full(count, v)) for name, v in constant.items()}
        self._mode = mode[lanes]
        self.controller: Controller = load_controller(str(spec.controller), spec.options)
        self._period_s = int(self.controller.period_s)  # as checked; a later change has no effect
        self._track = getattr(self.controller, "track", None)
        self._guarded(lambda: self.controller.reset(count, settings))

    def run(self, env: simpy.Environment) -> Generator[simpy.Event, None, None]:
        """Call the controller once in each of its periods.

        Parameters
        ----------
        env : simpy.Environment
            The clock.

        Yields
        ------
        simpy.Event
        """
        yield At(env, 0, Phase.CONTROLLER)
        while not self.error:
            self._guarded(lambda: self._act(int(env.now)))
            yield At(env, self._period_s, Phase.CONTROLLER)

    def close(self) -> None:
        """Let a controller that has a `close` give back what it holds."""
        close = getattr(self.controller, "close", None)
        if callable(close):
            self._guarded(close)

    def _guarded(self, call: Callable[[], None]) -> None:
        try:
            call()
        except (Exception, SystemExit) as error:  # a user's code may do anything; the rest goes on
            self.error = self.error or f"{type(error).__name__}: {error}"
            for lane in range(self._first, self._first + self._count):
                self._log(lane, "controller_failed", float("nan"), self.error)

    def _reading(self, tick: int) -> Reading:
        lanes, oximeter, gas = self._lanes, self._patients.oximeter, self._patients.gas
        return Reading(
            time_s=tick,
            spo2_pct=frozen(oximeter.spo2_pct[lanes]),
            valid=frozen(oximeter.valid[lanes]),
            signal_quality=frozen(oximeter.signal_quality[lanes]),
            pulse_rate_bpm=frozen(oximeter.pulse_rate_bpm[lanes]),
            heart_rate_bpm=frozen(self._patients.heart.rate_bpm[lanes]),
            set_fio2=frozen(gas.set_fio2[lanes]),
            applied_fio2=frozen(gas.applied_fio2[lanes]),
            delivered_fio2=frozen(gas.delivered_fio2[lanes]),
            mode=frozen(self._mode),
            **self._constant,
        )

    def _act(self, tick: int) -> None:
        asked = self.controller.act(self._reading(tick))
        request = checked_request(asked, self._count, self.controller.name, finite=False)
        given = np.isfinite(request)
        if not given.all():
            self._note_silence(given)
        given &= self._mode != Mode.MANUAL
        limited = np.minimum(np.maximum(request, self._settings.fio2_min), self._settings.fio2_max)
        np.copyto(limited, self._command, where=~given)
        self._command[...] = limited
        if self._track is not None:
            altered = ~given | (np.abs(limited - request) > ALTERED_FIO2)
            if altered.any():
                self._track(frozen(limited), frozen(given))

    def _note_silence(self, given: NDArray[np.bool_]) -> None:
        for place in np.flatnonzero(~given & ~self._silent).tolist():
            self._log(self._first + place, "controller_no_value", float("nan"), "held")
        self._silent |= ~given
