"""The layer around one controller: all safeguards, in one fixed order, once a second.

Before `act`: signal gate, flat line, rate of change, pulse check, stale-data
watchdog; what they doubt makes the lane hold, and after a while fall back.
After it: hold and fallback, limit on high FiO2 without response,
set-versus-delivered check, bounds, rate limit, manual override, the limits of
the blender, and the alert for masked deterioration.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ...models.operands import number, whole
from ..signals import BoolArray, FloatArray, Mode, Settings
from .baseline import Baseline, BaselineAlert
from .feedback import FlatLine, PulseCheck, RateOfChange, Shown, SignalGate, StaleWatchdog
from .output import (
    Bounds,
    DeliveryCheck,
    Fallback,
    HighOxygenLimit,
    ManualOverride,
    RateLimit,
)
from .settings import SafeguardSettings

#: A request that limits lower by more than this is declared in the log (fraction).
LEAST_LIMIT = 1e-6

_HOLD, _FALLBACK, _MANUAL = (whole(mode) for mode in (Mode.HOLD, Mode.FALLBACK, Mode.MANUAL))
_LEAST_LIMIT = number(LEAST_LIMIT)

#: Called with (lane of the arm, event name, value, detail).
Log = Callable[[int, str, float, str], None]


class _OnFeedback(Protocol):
    def step(self, shown: Shown) -> BoolArray: ...


_ON_FEEDBACK: dict[str, Callable[[int, SafeguardSettings], _OnFeedback]] = {
    "signal_gate": SignalGate,
    "flat_line": FlatLine,
    "rate_of_change": RateOfChange,
    "pulse_check": PulseCheck,
    "stale_watchdog": StaleWatchdog,
}


class SafeguardLayer:
    """The safeguards of all lanes of one arm.

    Parameters
    ----------
    settings : SafeguardSettings
        Which are on, and thresholds.
    told : Settings
        Target and FiO2 limits as staff entered them.
    command_fio2 : ndarray, shape (lanes,)
        Commands to the blenders; written by `after`.
    mode : ndarray of int, shape (lanes,)
        A `Mode` for each lane; staff write MANUAL, the layer the others.
    alarm : ndarray of bool, shape (lanes,)
        Written: where an alarm of the controller sounds.
    log : callable
        Takes lane of the arm, event name, value, detail.

    Attributes
    ----------
    usable : ndarray of bool, shape (lanes,)
        Whose reading the controller may see.
    all_automatic : bool
        Whether neither staff nor a hold keeps the controller out of the loop in any lane.
    """

    def __init__(
        self,
        settings: SafeguardSettings,
        told: Settings,
        command_fio2: FloatArray,
        mode: NDArray[np.int64],
        alarm: BoolArray,
        log: Log,
    ) -> None:
        lanes = len(command_fio2)
        self.settings, self._told, self._log = settings, told, log
        self._command, self._mode, self._alarm = command_fio2, mode, alarm
        self._feedback = [
            made(lanes, settings) for name, made in _ON_FEEDBACK.items() if getattr(settings, name)
        ]
        self._baseline = Baseline(settings, command_fio2)
        self._fallback = Fallback(lanes, settings)
        self._high = HighOxygenLimit(lanes, settings)
        self._delivery = DeliveryCheck(settings, command_fio2)
        self._bounds, self._rate = Bounds(lanes, settings), RateLimit(lanes, settings)
        self._override = ManualOverride(lanes, settings)
        self._rise = BaselineAlert(lanes, settings)
        self._silent: BoolArray = np.zeros(lanes, dtype=np.bool_)
        self.all_automatic = False
        self.usable: BoolArray = np.ones(lanes, dtype=np.bool_)
        self._doubt, self._manual, self._trusted = (np.zeros(lanes, np.bool_) for _ in range(3))
        self._spare: BoolArray = np.zeros(lanes, dtype=np.bool_)
        self._lowest, self._highest = np.full(lanes, told.fio2_min), np.full(lanes, told.fio2_max)
        self._wanted, self._last, self._asked = (np.zeros(lanes) for _ in range(3))
        self._capped, self._capped_now = (np.zeros(lanes, dtype=np.bool_) for _ in range(2))
        self._now = np.zeros(lanes, dtype=np.int64)
        self._automatic: NDArray[np.int64] = np.full(lanes, int(Mode.AUTOMATIC), dtype=np.int64)
        self._automatic.flags.writeable = False
        self._alerts = self._alert_sources()
        self._alerting = {name: np.zeros(lanes, dtype=np.bool_) for name in self._alerts}
        self._sounds = dict.fromkeys(self._alerts, False)
        self._changed = np.zeros(lanes, dtype=np.bool_)

    def _alert_sources(self) -> dict[str, BoolArray]:
        """Name what calls staff, and the array that says where."""
        sources = {
            "fallback": self._fallback.active,
            "high_oxygen_limit": self._high.active,
            "delivery_check": self._delivery.active,
            "baseline_alert": self._rise.active,
        }
        return {name: active for name, active in sources.items() if getattr(self.settings, name)}

    @property
    def baseline_fio2(self) -> FloatArray:
        """The baseline of each lane (fraction)."""
        return self._baseline.fio2

    @property
    def holds(self) -> BoolArray:
        """Where the controller is out of the loop, for want of a reading or an answer."""
        return self._fallback.holds

    @property
    def seen_mode(self) -> NDArray[np.int64]:
        """Mode as the controller sees it: always automatic without `visible_mode`."""
        return self._mode if self.settings.visible_mode else self._automatic

    @property
    def respects_staff(self) -> bool:
        """Whether the controller keeps away from lanes that staff hold."""
        return self.settings.manual_override

    def changed(self, settings: SafeguardSettings) -> SafeguardLayer:
        """Make the layer that follows this one when settings change in mid-run.

        Parameters
        ----------
        settings : SafeguardSettings
            What holds from now on, with the baseline's time constant as it was.

        Returns
        -------
        SafeguardLayer
            Goes on from the same baseline; what was in doubt, and alerts, begin anew.
        """
        other = SafeguardLayer(
            settings, self._told, self._command, self._mode, self._alarm, self._log
        )
        other._baseline = self._baseline
        return other

    def before(self, shown: Shown) -> None:
        """Look at the feedback variable, and settle the mode of each lane.

        Parameters
        ----------
        shown : Shown
            What is displayed now.
        """
        doubt, spare = self._doubt, self._spare
        doubt[...] = False
        for guard in self._feedback:
            np.logical_or(doubt, guard.step(shown), spare)
            doubt, spare = spare, doubt
        np.logical_not(doubt, self.usable)
        np.logical_or(doubt, self._silent, spare)
        self._fallback.step(spare)
        self._settle_mode()
        if self._fallback.idle:
            self._trusted.fill(True)
        else:
            np.logical_not(self._fallback.holds, self._trusted)
            self._trusted |= self._manual
        self._baseline.step(shown.set_fio2, self._trusted)

    def _settle_mode(self) -> None:
        mode, now, fallback = self._mode, self._now, self._fallback
        self.all_automatic = fallback.idle and not np.count_nonzero(mode)
        if self.all_automatic:  # and stays so
            self._manual.fill(False)
            return
        np.equal(mode, _MANUAL, self._manual)
        now.fill(int(Mode.AUTOMATIC))
        np.copyto(now, _HOLD, where=fallback.holds)
        np.copyto(now, _FALLBACK, where=fallback.active)
        np.copyto(now, _MANUAL, where=self._manual)
        np.not_equal(now, mode, self._changed)
        if np.count_nonzero(self._changed):
            for lane in np.flatnonzero(self._changed).tolist():
                word = Mode(int(now[lane])).name.lower()
                self._log(lane, "mode_change", float(now[lane]), word)
            mode[...] = now

    def after(self, shown: Shown, request: FloatArray, given: BoolArray) -> None:
        """Turn a request into a command.

        Parameters
        ----------
        shown : Shown
            What is displayed now.
        request : ndarray, shape (lanes,)
            What the controller last asked for (fraction).
        given : ndarray of bool, shape (lanes,)
            False where it gave nothing that can be used.
        """
        settings, wanted, last = self.settings, self._wanted, self._last
        last[...] = self._command
        np.logical_not(given, out=self._silent)
        wanted[...] = request
        np.copyto(wanted, last, where=self._silent)
        if not self._fallback.idle:
            np.copyto(wanted, last, where=self._fallback.holds)
            np.copyto(wanted, self._baseline.fio2, where=self._fallback.active)
        asked = self._asked
        asked[...] = wanted
        if settings.high_oxygen_limit:
            self._high.step(shown, self._told.target_low_pct, self._baseline.fio2, wanted)
        if settings.delivery_check:
            self._delivery.step(shown, last, wanted)
        if settings.bounds:
            self._bounds.step(self._baseline.fio2, wanted)
        self._note_limits(asked, wanted)
        if settings.rate_limit:
            self._rate.step(last, wanted)
        if settings.manual_override:
            self._override.step(self._manual, last, wanted)
        np.maximum(wanted, self._lowest, out=asked)
        np.minimum(asked, self._highest, out=self._command)
        if settings.baseline_alert:
            self._rise.step(shown.set_fio2, self._baseline.fio2)
        self._call(shown)

    def _note_limits(self, asked: FloatArray, wanted: FloatArray) -> None:
        """Declare, in the log, where FiO2 is kept from rising as far as was asked."""
        np.subtract(asked, _LEAST_LIMIT, asked)
        np.greater(asked, wanted, self._capped_now)
        np.not_equal(self._capped_now, self._capped, self._changed)
        if np.count_nonzero(self._changed):
            for lane in np.flatnonzero(self._changed).tolist():
                event = "limit_start" if self._capped_now[lane] else "limit_end"
                self._log(lane, event, float(wanted[lane]), "fio2_high")
            self._capped[...] = self._capped_now

    def _call(self, shown: Shown) -> None:
        """Raise the alarm where any safeguard calls staff, and note when that begins or ends."""
        self._alarm[...] = False
        for name, active in self._alerts.items():
            on = bool(np.count_nonzero(active))
            if not on and not self._sounds[name]:
                continue
            self._sounds[name] = on
            if self.settings.visible_mode:
                self._alarm |= active
            before = self._alerting[name]
            np.not_equal(active, before, out=self._changed)
            if np.count_nonzero(self._changed):
                for lane in np.flatnonzero(self._changed).tolist():
                    event = "alert_start" if active[lane] else "alert_end"
                    self._log(lane, event, float(shown.spo2_pct[lane]), name)
                before[...] = active


__all__ = ["SafeguardLayer"]
