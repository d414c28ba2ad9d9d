"""Breathing events and bradycardia against published figures."""

import csv
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from oxytestbed.models.breathing_chain import STATE_LIFE_S
from oxytestbed.models.disturbances import (
    ALWAYS_MARK,
    Breathing,
    DisturbanceSettings,
    draw_breathing,
)
from oxytestbed.models.heart import BRADYCARDIA_BPM, HeartRate
from oxytestbed.models.infants import Infants

DATA = Path(__file__).parent / "data" / "breathing_published.csv"

with DATA.open(newline="") as file:
    PUBLISHED = {row["key"]: float(row["value"]) for row in csv.DictReader(file)}


AGELESS = DisturbanceSettings(age_effect=0.0)


def some_infants(count: int) -> Infants:
    """Infants in the middle of every range, apart from published rates."""
    values = {"heart_rate_bpm": 150.0, "apnoea_rate_per_h": PUBLISHED["apnoea_rate"]}
    columns = {"infant": np.arange(count), "stratum": np.full(count, "settled")}
    for item in fields(Infants):
        if item.name not in columns:
            middle = 0.5 * (item.metadata["low"] + item.metadata["high"])
            columns[item.name] = np.full(count, values.get(item.name, middle))
    return Infants(**columns)


def test_hidden_chain_has_published_number_of_states_and_lives() -> None:
    """Clark, Physiol Meas 2016: 4 states, lives from about 10 s to 12 h."""
    assert len(STATE_LIFE_S) == PUBLISHED["state_count"]
    assert min(STATE_LIFE_S) == pytest.approx(PUBLISHED["state_life_shortest"])
    assert max(STATE_LIFE_S) == pytest.approx(PUBLISHED["state_life_longest"])


def test_published_rate_of_apnoeas_comes_out_of_the_chain() -> None:
    """Gizzi 2015. An infant's rate over 4 days has an SD of a fifth of it: 3 % for 60 infants."""
    infants = some_infants(60)
    count = 0
    for place in range(len(infants)):
        events = draw_breathing(infants, place, 1, 4 * 86400, AGELESS)
        apnoea = (events.kind != Breathing.HYPOVENTILATION) & (events.duration_s >= 10)
        count += np.count_nonzero(apnoea & (events.mark < ALWAYS_MARK))
    assert count / (60 * 96) == pytest.approx(PUBLISHED["apnoea_rate"], rel=0.09)


def test_most_apnoeas_are_short_and_few_are_very_long() -> None:
    """From memory: most last 10-20 s, some to 40-60 s, longer ones are rare."""
    infants = some_infants(1)
    events = draw_breathing(infants, 0, 1, 60 * 86400, AGELESS)
    lasting = events.duration_s[
        (events.kind != Breathing.HYPOVENTILATION) & (events.duration_s >= 10)
    ]
    assert 0.6 < np.mean(lasting <= 20) < 0.9
    assert 0.005 < np.mean(lasting > 40) < 0.1
    assert np.mean(lasting > 60) < 0.02


def test_bradycardia_goes_with_deeper_falls_of_saturation() -> None:
    """Upton 1991: median fall 5 %, with bradycardia 9.9 %. Here only that it is deeper."""
    assert PUBLISHED["bradycardia"] == BRADYCARDIA_BPM
    infants = some_infants(400)
    fall = np.linspace(0.02, 0.30, 400)[np.random.default_rng(1).permutation(400)]
    heart = HeartRate(infants, 1, 1)
    lowest = np.full(400, np.inf)
    for tick in range(60):
        depth = min(max(tick - 5, 0) / 20, 1.0) if tick < 30 else max(1 - (tick - 30) / 10, 0.0)
        heart.step(tick, np.full(400, tick < 25), 0.93 - fall * depth)
        np.minimum(lowest, heart.rate_bpm, out=lowest)
    slow = lowest < BRADYCARDIA_BPM
    assert 0.02 < slow.mean() < 0.4
    published = PUBLISHED["saturation_fall_bradycardia"] / PUBLISHED["saturation_fall"]
    assert published > 1
    assert np.median(fall[slow]) > 1.3 * np.median(fall[~slow])
