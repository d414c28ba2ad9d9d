"""Scripted events of breathing and of the lung."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..models.disturbances import Breathing
from .action import Action, Start, Undo
from .breathing_state import Layer
from .patients import Patients


def _breathing(kind: Breathing, *, closed: bool = False) -> Start:
    def start(
        patients: Patients, lanes: Sequence[int], value: float, _: Mapping[str, Any], now: float
    ) -> Undo:
        ventilation = value if kind is Breathing.HYPOVENTILATION else 0.0
        layer = Layer(ventilation=ventilation, kind=kind, closed=closed)
        patients.state.lay(lanes, layer, now)
        return lambda end: patients.state.lift(lanes, layer, end)

    return start


def _shunt(
    patients: Patients, lanes: Sequence[int], value: float, _: Mapping[str, Any], now: float
) -> Undo:
    layer = Layer(shunt_factor=value)
    patients.state.lay(lanes, layer, now)
    return lambda end: patients.state.lift(lanes, layer, end)


BREATHING_ACTIONS = (
    Action(
        name="central_apnoea",
        doc="no breath, airway open",
        start=_breathing(Breathing.CENTRAL),
        needs_duration=True,
    ),
    Action(
        name="obstructive_apnoea",
        doc="no breath reaches the lung, airway closed",
        start=_breathing(Breathing.OBSTRUCTIVE, closed=True),
        needs_duration=True,
    ),
    Action(
        name="hypoventilation",
        doc="weak breathing; value: share of normal ventilation that is left",
        start=_breathing(Breathing.HYPOVENTILATION),
        unit="fraction",
        low=0.0,
        high=1.0,
        default=0.4,
        needs_duration=True,
    ),
    Action(
        name="shunt_change",
        doc="the lung gets worse or better; value: factor on the true shunt",
        start=_shunt,
        low=0.0,
        high=20.0,
        default=3.0,
    ),
)
