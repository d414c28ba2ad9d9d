"""What controllers would have ordered at each moment of a recording.

Open loop: the orders do not reach the infant. Each controller sees the
recorded SpO2 and FiO2. Whenever the recorded FiO2 changes it is told so, as it
is when somebody else has turned the oxygen and hands back; from there it goes
on by itself, so orders drift away where a deviation lasts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..loop.arms import ArmSpec, frozen
from ..loop.controller import checked_request
from ..loop.registry import load_controller
from ..loop.signals import FloatArray, Mode, Reading, Settings
from .replay_reader import BedsideRecording
from .replay_whatif import lost

#: Heart and pulse rate that a controller is shown; the recording has none (1/min).
USUAL_RATE_BPM = 150.0


@dataclass(frozen=True, kw_only=True)
class Orders:
    """What one controller would have ordered.

    Attributes
    ----------
    name : str
        Name of the controller.
    fio2 : ndarray, shape (seconds,)
        Orders (fraction), held for a period; NaN from a failure on.
    error : str
        Why it failed; empty if it did not.
    """

    name: str
    fio2: FloatArray
    error: str = ""


def open_loop_orders(recording: BedsideRecording, arm: ArmSpec, settings: Settings) -> Orders:
    """Show a recording to a controller.

    Parameters
    ----------
    recording : BedsideRecording
        The recording.
    arm : ArmSpec
        The controller; its safeguards play no part.
    settings : Settings
        Target range and limits of FiO2.

    Returns
    -------
    Orders
    """
    orders = np.full(len(recording), np.nan)
    error = ""
    try:
        _ask(recording, arm, settings, orders)
    except (Exception, SystemExit) as failure:  # a user's code may do anything; the rest goes on
        error = f"{type(failure).__name__}: {failure}"
    return Orders(name=arm.name, fio2=orders, error=error)


def _ask(recording: BedsideRecording, arm: ArmSpec, settings: Settings, orders: FloatArray) -> None:
    controller = load_controller(str(arm.controller), arm.options)
    controller.reset(1, settings)
    track = getattr(controller, "track", None)
    close = getattr(controller, "close", None)
    period = int(controller.period_s)
    shown, gone = held_readings(recording), lost(recording)
    told = float("nan")
    nobody = frozen(np.zeros(1, dtype=np.bool_))
    try:
        for second in range(0, len(recording), period):
            value = float("nan") if gone[second] else float(shown[second])
            fio2 = frozen(recording.fio2[second : second + 1])
            asked = controller.act(_reading(second, value, fio2, settings))
            request = checked_request(asked, 1, controller.name)
            limited = min(max(float(request[0]), settings.fio2_min), settings.fio2_max)
            orders[second : second + period] = limited
            if track is not None and float(fio2[0]) != told:
                told = float(fio2[0])
                track(fio2, nobody)
    finally:
        if callable(close):
            close()


def held_readings(recording: BedsideRecording) -> FloatArray:
    """Hold each reading until the next, as a display does.

    Parameters
    ----------
    recording : BedsideRecording
        The recording.

    Returns
    -------
    ndarray, shape (seconds,)
        SpO2 (percent); NaN before the first reading.
    """
    known = np.flatnonzero(np.isfinite(recording.spo2_pct))
    place = np.searchsorted(known, np.arange(len(recording)), side="right") - 1
    held = recording.spo2_pct[known[np.maximum(place, 0)]]
    return np.where(place < 0, np.nan, held)


def _reading(second: int, spo2_pct: float, fio2: FloatArray, settings: Settings) -> Reading:
    valid = np.isfinite(spo2_pct)

    def one(value: float) -> FloatArray:
        return frozen(np.array([value], dtype=np.float64))

    return Reading(
        time_s=second,
        spo2_pct=one(spo2_pct),
        valid=frozen(np.array([valid], dtype=np.bool_)),
        signal_quality=one(1.0 if valid else 0.0),
        pulse_rate_bpm=one(USUAL_RATE_BPM if valid else float("nan")),
        heart_rate_bpm=one(USUAL_RATE_BPM),
        set_fio2=fio2,
        applied_fio2=fio2,
        delivered_fio2=fio2,
        target_low_pct=one(settings.target_low_pct),
        target_high_pct=one(settings.target_high_pct),
        fio2_min=one(settings.fio2_min),
        fio2_max=one(settings.fio2_max),
        mode=frozen(np.array([int(Mode.AUTOMATIC)], dtype=np.int64)),
    )
