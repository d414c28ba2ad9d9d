"""Scripted changes of the breathing support: its mode, single breaths, recruiting breaths."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ..models.errors import problem
from ..models.support import SupportSettings, settings_for
from .action import Action, Undo, nothing_to_undo
from .patients import Patients

#: How long a recruiting breath is held unless the script says otherwise (s); assumption.
SIGH_HOLD_S = 5


def _new_settings(settings: Mapping[str, Any], mode: str) -> SupportSettings:
    return settings_for(str(settings.get("mode", mode)), settings, "ScriptedEvent.settings")


def _check_support(settings: Mapping[str, Any]) -> None:
    if "mode" in settings:  # without one, the mode is known only when it happens
        _new_settings(settings, "")


def _check_hold(settings: Mapping[str, Any]) -> None:
    unknown = set(settings) - {"hold_s"}
    if unknown:
        expected = "hold_s alone, for recruiting_breath"
        raise problem("ScriptedEvent.settings", expected, sorted(unknown))


def _change_support(
    patients: Patients, _: Sequence[int], value: float, settings: Mapping[str, Any], now: float
) -> Undo:
    before = patients.support_settings
    patients.change_support(_new_settings(settings, before.mode))
    return lambda end: patients.change_support(before)


def _sigh(
    patients: Patients, lanes: Sequence[int], value: float, settings: Mapping[str, Any], now: float
) -> Undo:
    hold_s = int(settings.get("hold_s", SIGH_HOLD_S))
    patients.support.sigh(np.asarray(lanes), value, hold_s)
    return nothing_to_undo


def _give_breath(
    patients: Patients, lanes: Sequence[int], value: float, _: Mapping[str, Any], now: float
) -> Undo:
    patients.support.give_breath(np.asarray(lanes), value)
    return nothing_to_undo


SUPPORT_ACTIONS = (
    Action(
        name="support",
        doc="another mode or other settings, under settings = { mode = ..., ... }",
        start=_change_support,
        check=_check_support,
        all_lanes=True,
    ),
    Action(
        name="recruiting_breath",
        doc="a held inflation that opens some of the shunt; value: its pressure",
        start=_sigh,
        check=_check_hold,
        unit="cmH2O",
        low=1.0,
        high=40.0,
        default=25.0,
    ),
    Action(
        name="breath_by_hand",
        doc="one inflation by hand; value: its volume as a share of a spontaneous breath",
        start=_give_breath,
        unit="-",
        low=0.0,
        high=3.0,
        default=0.8,
    ),
)
