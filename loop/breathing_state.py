"""How each lane breathes now, when several things act on its breathing at once.

Each cause lays a layer on a lane and takes it off again; what the lungs see
is put together from the layers that lie there, and only when one changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..models.disturbances import Breathing
from .signals import BoolArray, FloatArray


@dataclass(frozen=True, kw_only=True)
class Layer:
    """What one cause does to breathing.

    Attributes
    ----------
    ventilation : float
        Share of normal ventilation that it leaves.
    shunt_factor : float
        Factor on the shunt.
    kind : Breathing
        What it counts as; NORMAL for a cause that is no breathing event.
    closed : bool
        Whether the airway is closed.
    """

    ventilation: float = 1.0
    shunt_factor: float = 1.0
    kind: Breathing = Breathing.NORMAL
    closed: bool = False


class BreathingState:
    """Breathing of all lanes; the arrays are changed in place.

    Parameters
    ----------
    lanes : int
        Number of lanes.

    Attributes
    ----------
    breathing : ndarray, shape (lanes,)
        Share of normal ventilation: that of the strongest layer.
    shunt_factor : ndarray, shape (lanes,)
        Product of the layers' factors.
    closed : ndarray of bool, shape (lanes,)
        Whether any layer closes the airway.
    apnoea : ndarray of int, shape (lanes,)
        Kind of the strongest layer that is a breathing event.
    since_s : ndarray, shape (lanes,)
        When that kind began.
    """

    def __init__(self, lanes: int) -> None:
        self.breathing: FloatArray = np.ones(lanes)
        self.shunt_factor: FloatArray = np.ones(lanes)
        self.closed: BoolArray = np.zeros(lanes, dtype=np.bool_)
        self.apnoea: NDArray[np.int64] = np.zeros(lanes, dtype=np.int64)
        self.since_s: FloatArray = np.zeros(lanes)
        self._layers: list[list[Layer]] = [[] for _ in range(lanes)]

    def lay(self, lanes: Sequence[int], layer: Layer, time_s: float) -> None:
        """Lay a layer on some lanes.

        Parameters
        ----------
        lanes : sequence of int
            Which lanes.
        layer : Layer
            What acts on them.
        time_s : float
            Now.
        """
        for lane in lanes:
            self._layers[lane].append(layer)
            self._combine(lane, time_s)

    def lift(self, lanes: Sequence[int], layer: Layer, time_s: float) -> None:
        """Take a layer off again.

        Parameters
        ----------
        lanes : sequence of int
            Which lanes.
        layer : Layer
            The same object or an equal one.
        time_s : float
            Now.
        """
        for lane in lanes:
            self._layers[lane].remove(layer)
            self._combine(lane, time_s)

    def _combine(self, lane: int, time_s: float) -> None:
        layers = self._layers[lane]
        events = [layer for layer in layers if layer.kind is not Breathing.NORMAL]
        strongest = min(events, key=lambda layer: layer.ventilation, default=Layer())
        if self.apnoea[lane] != strongest.kind:
            self.since_s[lane] = time_s
        self.apnoea[lane] = strongest.kind
        self.breathing[lane] = min((layer.ventilation for layer in layers), default=1.0)
        self.closed[lane] = any(layer.closed for layer in layers)
        factor = 1.0
        for layer in layers:
            factor *= layer.shunt_factor
        self.shunt_factor[lane] = factor
