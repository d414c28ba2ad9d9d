"""What measured arterial saturations say about the bias of the probe in a recording.

SpO2 and FiO2 can hardly tell it. A blood sample, measured by co-oximetry, can:
the probe should have shown that saturation a few seconds later.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..models.cohort_values import DISTRIBUTIONS
from ..models.errors import problem
from .replay_reader import BedsideRecording

#: SD of a probe's bias before anything was measured (points).
BIAS_SD_PCT = DISTRIBUTIONS["settled"]["spo2_bias_pct"].spread

#: The probe shows what was in the artery during this time after the sample (s): circulation,
#: averaging and some readings more; assumption.
SHOWN_WITHIN_S = 30
#: SD of a laboratory's saturation (points), of a mean of the readings over that time, and of
#: one reading while the saturation is steady; the last is that of the published noise
#: (Electronics 2022;11(9):1314), the others are assumptions.
LABORATORY_SD_PCT = 0.5
MEAN_READING_SD_PCT = 0.75
READING_SD_PCT = 1.1
#: A larger difference is no bias of a probe: the sample, or the clock, is wrong (points).
LARGEST_PCT = 10.0


@dataclass(frozen=True, kw_only=True)
class ArterialSample:
    """One arterial saturation measured in blood.

    Attributes
    ----------
    time_s : float
        When it was taken: seconds after the first line of the file, whether or not that has FiO2.
    sao2_pct : float
        What was measured (percent).
    """

    time_s: float
    sao2_pct: float

    def __post_init__(self) -> None:
        if not 50.0 <= self.sao2_pct <= 100.0:
            raise problem("arterial sample", "an SaO2 from 50 to 100 %", self.sao2_pct)
        if not (math.isfinite(self.time_s) and self.time_s >= 0.0):
            expected = "a time in s from the first line of the recording on"
            raise problem("arterial sample", expected, self.time_s)


@dataclass(frozen=True, kw_only=True)
class ProbeBias:
    """What is known of SpO2 minus SaO2 of the probe.

    Attributes
    ----------
    mean_pct, sd_pct : float
        Mean and SD (points).
    samples : int
        How many arterial samples it rests on.
    """

    mean_pct: float = 0.0
    sd_pct: float = BIAS_SD_PCT
    samples: int = 0


#: Before anything was measured.
UNKNOWN_BIAS = ProbeBias()


def read_sample(text: str) -> ArterialSample:
    """Read a sample as it is given on the command line.

    Parameters
    ----------
    text : str
        Such as ``1800=92.5``: seconds after the first line, SaO2 in percent.

    Returns
    -------
    ArterialSample

    Raises
    ------
    TestbedError
        If it is no such pair, or impossible.
    """
    time, sign, value = text.partition("=")
    try:
        pair = float(time), float(value)
    except ValueError:
        sign = ""
    if not sign:
        example = "Example: 1800=92.5 for half an hour after the first line."
        raise problem("--sao2", "TIME_S=PCT, two numbers", text, example)
    return ArterialSample(time_s=pair[0], sao2_pct=pair[1])


def probe_bias(recording: BedsideRecording, samples: Sequence[ArterialSample]) -> ProbeBias:
    """Combine what probes have in general with what was measured.

    Parameters
    ----------
    recording : BedsideRecording
        The recording.
    samples : sequence of ArterialSample
        Measured during it.

    Returns
    -------
    ProbeBias
        Of normal distributions; a sample counts less where the readings moved.

    Raises
    ------
    TestbedError
        If a sample lies outside the recording or where it has no reading, or is too far
        from what was shown.
    """
    weight, total = 1.0 / BIAS_SD_PCT**2, 0.0
    for sample in samples:
        difference, sd = _difference(recording, sample)
        weight += 1.0 / (sd * sd)
        total += difference / (sd * sd)
    if not samples:
        return UNKNOWN_BIAS
    return ProbeBias(mean_pct=total / weight, sd_pct=weight**-0.5, samples=len(samples))


def _difference(recording: BedsideRecording, sample: ArterialSample) -> tuple[float, float]:
    """Give shown minus measured saturation, and its SD (points)."""
    where = f"arterial sample at {sample.time_s:g} s"
    begin, end = recording.start_s, recording.start_s + len(recording)
    if not begin <= sample.time_s < end:
        expected = (
            f"a time with SpO2 and FiO2: from {begin} s to before the recording ends ({end} s)"
        )
        raise problem(where, expected, f"{sample.time_s:g} s")
    first = int(sample.time_s) - begin
    # A slow recorder may have nothing in so short a time; then it is as long as two readings.
    within = max(SHOWN_WITHIN_S, math.ceil(2.0 * recording.interval_s))
    near = recording.spo2_pct[first : first + within + 1]
    shown = near[np.isfinite(near)]
    if not shown.size:
        raise problem(where, f"a reading of SpO2 in the {within} s after it", "none")
    difference = float(shown.mean()) - sample.sao2_pct
    if abs(difference) > LARGEST_PCT:
        raise problem(
            where,
            f"an SaO2 within {LARGEST_PCT:g} points of the SpO2 shown ({shown.mean():.1f} %)",
            f"{sample.sao2_pct:g} %",
            "Was it taken at another time, or from a vein?",
        )
    # What readings vary beyond their noise is the saturation's own movement.
    moved = max(float(shown.var()) - READING_SD_PCT**2, 0.0)
    # Few readings, those of a slow recorder, do not average the noise as well as many do.
    mean_sd = max(MEAN_READING_SD_PCT, READING_SD_PCT / math.sqrt(shown.size))
    return difference, math.sqrt(LABORATORY_SD_PCT**2 + mean_sd**2 + moved)


__all__ = [
    "BIAS_SD_PCT",
    "UNKNOWN_BIAS",
    "ArterialSample",
    "ProbeBias",
    "probe_bias",
    "read_sample",
]
