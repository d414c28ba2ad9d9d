"""The drawn inputs of one infant for the slow twin, a value for each tick.

They come from the same functions and streams as the bench's; a twin of the
random numbers would test nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..loop.bench import BenchSpec
from ..models import heart as reflex
from ..models.disturbances import BreathingEvents, draw_breathing
from ..models.drift import Drift
from ..models.infants import Infants
from ..models.oximeter_noise import OximeterNoise, displayed_noise_scale
from ..models.streams import BLOCK_TICKS, Cause, stream
from .reference_plant import ProbeNoise


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """One infant's drawn inputs; sequences have a value for each tick.

    Attributes
    ----------
    events : BreathingEvents
        Candidate breathing events.
    shunt_drift, ventilation_drift : sequence of float
        Factors on shunt and on the poor part's ventilation.
    noise : ProbeNoise
        Noise and lost signal of the oximeter.
    heart_fall : float
        Relative fall of the heart rate when the reflex is full.
    heart_variation_bpm : sequence of float
        What the variability adds to the heart rate.
    """

    events: BreathingEvents
    shunt_drift: Sequence[float]
    ventilation_drift: Sequence[float]
    noise: ProbeNoise
    heart_fall: float
    heart_variation_bpm: Sequence[float]


def draw(spec: BenchSpec, infant: Infants) -> Drawn:
    """Draw whatever comes from outside one infant's own state.

    Parameters
    ----------
    spec : BenchSpec
        The run.
    infant : Infants
        A group of this infant alone.

    Returns
    -------
    Drawn
    """
    ticks = range(spec.duration_s)
    drift = Drift(infant, spec.seed, spec.disturbances)
    rows = [[float(factor[0]) for factor in drift.row(tick)] for tick in ticks]
    fall, variation_bpm = _draw_heart(spec, infant)
    return Drawn(
        events=draw_breathing(infant, 0, spec.seed, spec.duration_s, spec.disturbances),
        shunt_drift=[row[0] for row in rows],
        ventilation_drift=[row[1] for row in rows],
        noise=_draw_noise(spec, infant),
        heart_fall=fall,
        heart_variation_bpm=variation_bpm,
    )


def _draw_heart(spec: BenchSpec, infant: Infants) -> tuple[float, list[float]]:
    rng = stream(spec.seed, int(infant.infant[0]), Cause.HEART_RATE)
    uniform, unit = rng.random(), rng.standard_normal()
    sd_bpm = reflex.VARIABILITY_SD * float(infant.heart_rate_bpm[0])
    keep = math.exp(-1.0 / reflex.VARIABILITY_S)
    variation_bpm = []
    for fresh in rng.standard_normal(spec.duration_s).tolist():
        unit = keep * unit + math.sqrt(1.0 - keep * keep) * fresh
        variation_bpm.append(sd_bpm * unit)
    span = reflex.FALL_MOST - reflex.FALL_LEAST
    return reflex.FALL_LEAST + span * uniform * uniform, variation_bpm


def _draw_noise(spec: BenchSpec, infant: Infants) -> ProbeNoise:
    settings = spec.oximeter
    noise = OximeterNoise(
        infant.infant,
        spec.seed,
        correlation_time_s=float(settings.averaging_s),
        noise_scale=displayed_noise_scale(settings.averaging_s, settings.noise_scale),
        dropout_rate_per_h=settings.dropout_rate_per_h,
        prolonged_dropout_share=settings.prolonged_dropout_share,
        duration_s=spec.duration_s,
    )
    names = ("deep_pct", "low_pct", "high_pct", "quality_pct")
    columns: dict[str, list[int]] = {name: [] for name in names}
    for first_tick in range(0, spec.duration_s, BLOCK_TICKS):
        noise.draw(first_tick)
        for name in names:
            columns[name] += getattr(noise, name)[:, 0].tolist()
    return ProbeNoise(**columns)
