"""Run the plant with a given course of FiO2 and nobody at the blender.

The same infants meet the same breathing events, drift and noise as on the
bench, which this is, without staff and controllers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..models.errors import problem
from .alarms import AlarmChange
from .arms import ArmSpec
from .bench import Bench, BenchSpec, Run
from .signals import FloatArray


class OpenLoop(Bench):
    """A bench on which every lane's FiO2 is known beforehand.

    Parameters
    ----------
    spec : BenchSpec
        Infants, plant and length; its arms play no part.
    courses : ndarray, shape (duration_s, copies * infants)
        FiO2 asked of the blender (fraction); lane = copy * infants + place.
    names : sequence of str
        One for each copy.
    full : bool
        Record every signal, as the bench does; otherwise only `sao2_pct`.

    Attributes
    ----------
    sao2_pct : ndarray, shape (duration_s, lanes)
        True saturation after each tick (percent), once `run` is over.
    """

    def __init__(
        self, spec: BenchSpec, courses: FloatArray, names: Sequence[str], *, full: bool = False
    ) -> None:
        expected = (spec.duration_s, len(names) * len(spec.infants))
        if courses.shape != expected:
            raise problem("OpenLoop.courses", f"an array of shape {expected}", courses.shape)
        self._courses, self._full = courses, full
        self.sao2_pct: FloatArray = np.zeros(expected if not full else (0, expected[1]))
        arms = tuple(ArmSpec(name=name, controller=None) for name in names)
        super().__init__(replace(spec, arms=arms))

    def _start_arm(self, place: int, arm: ArmSpec) -> None:
        """Start nobody: the courses say it all."""

    def _hear(self, change: AlarmChange, escalated: bool) -> None:
        """Let nobody come: alarms are only logged."""

    def _tick(self, tick: int) -> None:
        self._command[...] = self._courses[tick]
        if self._full:
            super()._tick(tick)
            return
        self.patients.step(tick, self._command)
        np.multiply(self.patients.lungs.sao2_fraction, 100.0, out=self.sao2_pct[tick])

    def _log(self, lane: int, event: str, value: float, detail: str) -> None:
        if self._full:
            super()._log(lane, event, value, detail)


def replay(spec: BenchSpec, courses: FloatArray) -> FloatArray:
    """Give the true saturation that courses of FiO2 lead to.

    Parameters
    ----------
    spec : BenchSpec
        Infants, plant and length.
    courses : ndarray, shape (duration_s, copies, infants)
        FiO2 asked of the blender (fraction).

    Returns
    -------
    ndarray, shape (duration_s, copies, infants)
        True saturation (percent).
    """
    copies = courses.shape[1]
    flat = np.ascontiguousarray(courses).reshape(len(courses), -1)
    bench = OpenLoop(spec, flat, [str(copy) for copy in range(copies)])
    bench.run()
    return bench.sao2_pct.reshape(courses.shape)


def replay_fully(spec: BenchSpec, course: FloatArray, name: str) -> Run:
    """Run one course for each infant and keep every signal.

    Parameters
    ----------
    spec : BenchSpec
        Infants, plant and length.
    course : ndarray, shape (duration_s, infants)
        FiO2 asked of the blender (fraction).
    name : str
        Name of the arm that the run will have.

    Returns
    -------
    Run
    """
    return OpenLoop(spec, np.ascontiguousarray(course), [name], full=True).run()
