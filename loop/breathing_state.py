"""How each lane breathes now, when several things act on its breathing at once.

Each cause lays a layer on a lane and takes it off again; what the lungs see
is put together from the layers that lie there, and only when one changes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..models.disturbances import Breathing
from .signals import BoolArray, FloatArray

#: A member of an enumeration is looked up slowly where it is needed often.
_NORMAL = Breathing.NORMAL
_APNOEAS = (Breathing.CENTRAL, Breathing.OBSTRUCTIVE, Breathing.MIXED)


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
        Product of the factors of layers that are no apnoea.
    closing_factor : ndarray, shape (lanes,)
        The same of apnoeas, in which lung units close; support may hold them open.
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
        self.closing_factor: FloatArray = np.ones(lanes)
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
        # One pass: this runs at each beginning and end of each event of each lane.
        kind, strongest, least, closed = _NORMAL, math.inf, math.inf, False
        factor, closing = 1.0, 1.0
        for layer in self._layers[lane]:
            ventilation = layer.ventilation
            if layer.kind is not _NORMAL and ventilation < strongest:
                kind, strongest = layer.kind, ventilation
            least = min(least, ventilation)
            closed = closed or layer.closed
            if layer.kind in _APNOEAS:
                closing *= layer.shunt_factor
            else:
                factor *= layer.shunt_factor
        number = int(kind)  # an array takes a member of an enumeration ten times as slowly
        if self.apnoea[lane] != number:
            self.since_s[lane] = time_s
        self.apnoea[lane] = number
        self.breathing[lane] = 1.0 if least == math.inf else least
        self.closed[lane] = closed
        self.shunt_factor[lane] = factor
        self.closing_factor[lane] = closing
