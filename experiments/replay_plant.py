"""Candidate infants on a given course of FiO2 and a given course of disturbance.

The disturbance of a bedside recording is not known, so one number a moment
stands for all of it: positive makes things worse. Up to an onset, different in
each candidate, it acts on the shunt and on the ventilation of the poorly
ventilated lung part, as slow drift does; what goes beyond takes away breathing,
as apnoea and hypoventilation do, and at last shunt surges. Long courses are cut
into windows that are simulated side by side, each with a lead in which it
forgets where it started.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..loop.patients import HIGHEST_SHARE, HIGHEST_SHUNT
from ..models.gas_delivery import GasDelivery, GasSettings
from ..models.infants import FloatArray, Infants
from ..models.lung_parameters import LungParameters, lung_parameters
from ..models.lungs import Lungs
from ..models.steady import steady_state

#: The disturbance is a straight line between knots this far apart (s).
KNOT_S = 10

#: Length of a window and of its lead (s); the lead is several time constants.
WINDOW_S, LEAD_S = 600, 240

#: Disturbance stays between these; beyond, saturation hardly moves any more.
LOWEST, HIGHEST = -4.0, 6.0

#: This far beyond the onset little breathing is left (an eighth); from there on the
#: logarithm of the shunt grows by so much for each unit, as when an infant splints.
#: Without it no candidate fell as fast as the worst recorded falls.
SURGE_AFTER, SURGE = 2.0, 0.8

#: Averaging of the display that is assumed (s).
AVERAGING_S = 8

#: One step a second: a slow disturbance needs no shorter ones, and it costs a third.
_STEPS_S = (1.0,)


@dataclass(frozen=True, kw_only=True)
class Manner:
    """How a disturbance acts in each lane.

    Attributes
    ----------
    shunt_share : ndarray, shape (lanes,)
        Share that acts on the logarithm of the shunt; the rest acts on that of
        the poor part's ventilation.
    onset : ndarray, shape (lanes,)
        Disturbance beyond which it takes away breathing instead.
    """

    shunt_share: FloatArray
    onset: FloatArray

    def take(self, places: NDArray[np.int64]) -> Manner:
        """Choose lanes by their places.

        Parameters
        ----------
        places : ndarray of int
            Places of the chosen ones.

        Returns
        -------
        Manner
        """
        return Manner(shunt_share=self.shunt_share[places], onset=self.onset[places])


@dataclass(frozen=True, kw_only=True)
class Candidates:
    """Infants that a recording may have come from.

    Attributes
    ----------
    infants : Infants
        Their parameters, arrays of shape ``(candidates,)``.
    manner : Manner
        How the disturbance acts on each.
    """

    infants: Infants
    manner: Manner

    def __len__(self) -> int:
        return len(self.infants)

    def take(self, places: NDArray[np.int64]) -> Candidates:
        """Choose candidates by their places, each once.

        Parameters
        ----------
        places : ndarray of int
            Places of the chosen ones.

        Returns
        -------
        Candidates
        """
        return Candidates(infants=self.infants.take(places), manner=self.manner.take(places))


def repeated(candidates: Candidates, places: NDArray[np.int64]) -> Candidates:
    """Take candidates any number of times, each time under a number of its own.

    Parameters
    ----------
    candidates : Candidates
        The infants.
    places : ndarray of int
        Places to take, with repetitions.

    Returns
    -------
    Candidates
        Numbered from 0.
    """
    columns = {name: values[places] for name, values in vars(candidates.infants).items()}
    columns["infant"] = np.arange(len(places), dtype=np.int64)
    return Candidates(infants=Infants(**columns), manner=candidates.manner.take(places))


def factors(disturbance: FloatArray, manner: Manner) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Turn a disturbance into what the lungs are given.

    Parameters
    ----------
    disturbance : ndarray, shape (..., lanes)
        Disturbance; 0 is none.
    manner : Manner
        How it acts in each lane.

    Returns
    -------
    tuple of ndarray, shape (..., lanes)
        Factor on the shunt, factor on the ventilation of the poor part, share
        of normal breathing.
    """
    uneven = np.minimum(disturbance, manner.onset)
    breathing = np.exp(uneven - disturbance)
    surge = np.maximum(disturbance - manner.onset - SURGE_AFTER, 0.0)
    return (
        np.exp(manner.shunt_share * uneven + SURGE * surge),
        np.exp((manner.shunt_share - 1.0) * uneven),
        breathing,
    )


def disturbed(
    parameters: LungParameters,
    shunt_factor: FloatArray,
    poor_factor: FloatArray,
    breathing: FloatArray,
) -> LungParameters:
    """Apply factors to lungs, within the limits that the patients of a run have.

    Parameters
    ----------
    parameters : LungParameters
        Lungs at rest.
    shunt_factor, poor_factor : ndarray, shape (lanes,)
        Factors on shunt and on the poor part's ventilation.
    breathing : ndarray, shape (lanes,)
        Share of normal breathing.

    Returns
    -------
    LungParameters
    """
    total = parameters.ventilation_ml_s[0] + parameters.ventilation_ml_s[1]
    poor = np.minimum(parameters.ventilation_ml_s[1] * poor_factor, HIGHEST_SHARE * total)
    return replace(
        parameters,
        shunt=np.minimum(parameters.shunt * shunt_factor, HIGHEST_SHUNT),
        ventilation_ml_s=breathing * np.stack([total - poor, poor]),
    )


def inspired_course(set_fio2: FloatArray) -> FloatArray:
    """Carry the set FiO2 through a usual circuit.

    Parameters
    ----------
    set_fio2 : ndarray, shape (seconds,)
        FiO2 that was set (fraction).

    Returns
    -------
    ndarray, shape (seconds,)
        FiO2 at the infant (fraction).
    """
    settings = GasSettings(blender_step=0.001, blender_error_sd=0.0, monitor_error_sd=0.0)
    gas = GasDelivery(_NOBODY, 1, settings, 0, set_fio2[:1])
    out = np.empty_like(set_fio2)
    for second in range(len(set_fio2)):
        gas.step(set_fio2[second : second + 1])
        out[second] = gas.inspired_fio2[0]
    return out


class _OneNumber:
    """All that the gas delivery asks of infants: their numbers."""

    infant = np.zeros(1, dtype=np.int64)

    def __len__(self) -> int:
        return 1


_NOBODY: Infants = _OneNumber()  # type: ignore[assignment]


def at_seconds(knots: FloatArray, seconds: int) -> FloatArray:
    """Draw straight lines between knots, which stand in the middle of their intervals.

    Parameters
    ----------
    knots : ndarray, shape (knots, lanes)
        Values at the knots.
    seconds : int
        Length of the course; at most ``KNOT_S * knots``.

    Returns
    -------
    ndarray, shape (seconds, lanes)
    """
    place = (np.arange(seconds) + 0.5) / KNOT_S - 0.5
    place = np.clip(place, 0.0, len(knots) - 1.0)
    first = np.minimum(place.astype(np.int64), max(len(knots) - 2, 0))
    weight = (place - first)[:, np.newaxis]
    last = np.minimum(first + 1, len(knots) - 1)
    return np.asarray(knots[first] * (1.0 - weight) + knots[last] * weight)


def run_lanes(
    parameters: LungParameters, manner: Manner, inspired: FloatArray, disturbance: FloatArray
) -> FloatArray:
    """Simulate lanes that start at rest on their first FiO2 and disturbance.

    Parameters
    ----------
    parameters : LungParameters
        Lungs of the lanes.
    manner : Manner
        How the disturbance acts.
    inspired : ndarray, shape (seconds, lanes)
        FiO2 at the infant (fraction).
    disturbance : ndarray, shape (seconds, lanes)
        Disturbance.

    Returns
    -------
    ndarray, shape (seconds, lanes)
        True saturation after each second (percent).
    """
    shunt_factor, poor_factor, breathing = factors(disturbance, manner)
    total = parameters.ventilation_ml_s[0] + parameters.ventilation_ml_s[1]
    most, lanes = HIGHEST_SHARE * total, parameters.lanes
    start = disturbed(parameters, shunt_factor[0], poor_factor[0], breathing[0])
    lungs = Lungs(parameters, steady_state(start, inspired[0]), _STEPS_S)
    closed = np.zeros(lanes, dtype=np.bool_)
    ventilation, shunt = np.empty((2, lanes)), np.empty(lanes)
    sao2 = np.empty_like(disturbance)
    for second in range(len(disturbance)):
        np.multiply(parameters.shunt, shunt_factor[second], out=shunt)
        np.minimum(shunt, HIGHEST_SHUNT, out=shunt)
        np.multiply(parameters.ventilation_ml_s[1], poor_factor[second], out=ventilation[1])
        np.minimum(ventilation[1], most, out=ventilation[1])
        np.subtract(total, ventilation[1], out=ventilation[0])
        lungs.step(
            inspired[second], breathing[second], closed, ventilation, shunt, parameters.flow_ml_s
        )
        sao2[second] = lungs.sao2_fraction
    sao2 *= 100.0
    return sao2


def saturation_course(
    candidates: Candidates, inspired: FloatArray, knots: FloatArray
) -> FloatArray:
    """Simulate every candidate on one course of FiO2, window beside window.

    Parameters
    ----------
    candidates : Candidates
        The infants.
    inspired : ndarray, shape (seconds,)
        FiO2 at the infant (fraction).
    knots : ndarray, shape (knots, candidates)
        Disturbance of each candidate.

    Returns
    -------
    ndarray, shape (seconds, candidates)
        True saturation (percent).
    """
    seconds, count = len(inspired), len(candidates)
    windows = -(-seconds // WINDOW_S)
    # Before the beginning, and after the end, everything stays as it is there.
    moment = np.clip(np.arange(-LEAD_S, windows * WINDOW_S), 0, seconds - 1)
    rows = moment[np.arange(LEAD_S + WINDOW_S)[:, None] + WINDOW_S * np.arange(windows)]
    course = at_seconds(knots, seconds)[rows].reshape(len(rows), windows * count)
    breathed = np.repeat(inspired[rows], count, axis=1)
    parameters = lung_parameters(candidates.infants, windows)
    manner = candidates.manner.take(np.tile(np.arange(count), windows))
    sao2 = run_lanes(parameters, manner, breathed, course)[LEAD_S:]
    sao2 = sao2.reshape(WINDOW_S, windows, count).transpose(1, 0, 2).reshape(-1, count)
    return sao2[:seconds]


def displayed(sao2_pct: FloatArray, delay_s: FloatArray, bias_pct: FloatArray) -> FloatArray:
    """Say what an oximeter without noise and rounding shows of a course.

    Parameters
    ----------
    sao2_pct : ndarray, shape (seconds, lanes)
        True saturation (percent).
    delay_s : ndarray, shape (lanes,)
        From the lung to the probe (s).
    bias_pct : ndarray, shape (lanes,)
        SpO2 minus SaO2 of the probe (points).

    Returns
    -------
    ndarray, shape (seconds, lanes)
        SpO2 after delay and averaging (percent).
    """
    seconds, lanes = sao2_pct.shape
    summed = np.cumsum(sao2_pct, axis=0)
    padded = np.concatenate([np.zeros((1, lanes)), summed])
    end = np.arange(1, seconds + 1)
    start = np.maximum(end - AVERAGING_S, 0)
    averaged = (padded[end] - padded[start]) / (end - start)[:, np.newaxis]
    whole = np.floor(delay_s).astype(np.int64)
    newer = np.maximum(np.arange(seconds)[:, np.newaxis] - whole, 0)
    older, part, lane = np.maximum(newer - 1, 0), delay_s - whole, np.arange(lanes)
    return np.asarray(
        averaged[newer, lane] * (1.0 - part) + averaged[older, lane] * part + bias_pct
    )
