"""A guard for the search: no candidate may swing on the most responsive infants.

A cohort drawn for a search holds few infants who respond strongly, and a gain
that pays on the others would leave those in a lasting swing. So each candidate
also runs on linear plants at the responsive end.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from ..loop.controller import make_reading
from ..loop.registry import load_controller
from ..loop.signals import FloatArray, Reading, Settings

#: Lags of the plants (s) and their dead time: circuit, circulation, averaging.
LAGS_S = (20.0, 40.0, 60.0)
DEAD_TIME_S = 20

#: The infant is shifted by this (points of SpO2); then the loop has until the
#: window at the end to come to rest, and may still swing by `SWING_PCT` there.
SHIFT_PCT, SHIFT_AT_S = -4.0, 60
LENGTH_S, WINDOW_S, SWING_PCT = 1800, 300, 0.5

#: FiO2 from which the plants start; limits are far off, for only the loop counts.
_START, _LOW, _HIGH = 0.6, 0.0, 1.2


def comes_to_rest(
    controller: str, options: Mapping[str, float], settings: Settings, response: float
) -> bool:
    """Say whether a loop comes to rest on first-order plants with dead time.

    Without noise, without whole percents.

    Parameters
    ----------
    controller : str
        A built-in name or ``file.py:ClassName``.
    options : mapping
        Keyword arguments of the controller.
    settings : Settings
        Target range; its FiO2 limits play no part.
    response : float
        Points of SpO2 per point of FiO2, of each plant.

    Returns
    -------
    bool
        True if SpO2 swings by no more than `SWING_PCT` in the last minutes on
        every plant.
    """
    one = load_controller(controller, options)
    lanes = len(LAGS_S)
    one.reset(lanes, settings)
    keep = np.array([math.exp(-1.0 / lag) for lag in LAGS_S])
    waiting = [np.zeros(lanes) for _ in range(DEAD_TIME_S)]
    state, fio2 = np.zeros(lanes), np.full(lanes, _START)
    lowest, highest = np.full(lanes, np.inf), np.full(lanes, -np.inf)
    for second in range(LENGTH_S):
        state = keep * state + (1.0 - keep) * (100.0 * response) * waiting.pop(0)
        shift = SHIFT_PCT if second >= SHIFT_AT_S else 0.0
        spo2 = np.minimum(np.maximum(settings.target_mid_pct + state + shift, 1.0), 100.0)
        if second % one.period_s == 0:
            fio2 = _asked(one.act(_reading(second, spo2, fio2, settings)))
        waiting.append(fio2 - _START)
        if second >= LENGTH_S - WINDOW_S:
            lowest, highest = np.minimum(lowest, spo2), np.maximum(highest, spo2)
    return bool(((highest - lowest) <= SWING_PCT).all())


def _reading(second: int, spo2: FloatArray, fio2: FloatArray, settings: Settings) -> Reading:
    return make_reading(
        len(spo2),
        time_s=second,
        spo2_pct=spo2,
        set_fio2=fio2,
        fio2_min=_LOW,
        fio2_max=_HIGH,
        target_low_pct=settings.target_low_pct,
        target_high_pct=settings.target_high_pct,
    )


def _asked(request: FloatArray) -> FloatArray:
    return np.minimum(np.maximum(request, _LOW), _HIGH)
