"""A small comparison with invented numbers, for the figures and the report."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from oxytestbed.experiments.ranking import rank_arms
from oxytestbed.experiments.result import ComparisonResult
from oxytestbed.experiments.statistics import paired_differences, summarise
from oxytestbed.experiments.time_aligned import group_courses
from oxytestbed.experiments.time_aligned_figures import course_table
from oxytestbed.experiments.warmup import warmup_rows
from oxytestbed.experiments.worst_infants import worst_infants
from oxytestbed.loop.counted import counted
from oxytestbed.loop.event_log import EventRecord
from oxytestbed.loop.event_outcomes import EVENT_OUTCOMES, event_outcomes
from oxytestbed.loop.outcomes import OUTCOMES, outcomes_of
from oxytestbed.loop.trace import Trace
from oxytestbed.models.cohort import CohortSettings, draw_infants

LOW_PCT, HIGH_PCT = 90.0, 95.0
NAMES = [*OUTCOMES, *EVENT_OUTCOMES]
ARMS = ("manual", "fixed", "pi")


def _toy_signals(infants: int, seconds: int, seed: int) -> dict[str, NDArray[np.float64]]:
    """Make up signals of shape (seconds, arms, infants) that look like a bedside."""
    rng = np.random.default_rng(seed)
    shape = (seconds, len(ARMS), infants)
    signals = {name: np.empty(shape) for name in ("sao2", "fio2", "apnoea")}
    need = rng.uniform(0.23, 0.4, infants)
    sao2, fio2 = np.full(shape[1:], 92.0), np.tile(need, (len(ARMS), 1))
    drift, left = np.zeros(infants), np.zeros(infants, dtype=int)
    kind = np.zeros(infants, dtype=int)
    for tick in range(seconds):
        drift += -drift / 1500 + 0.0016 * rng.standard_normal(infants)
        begins = (left == 0) & (rng.random(infants) < 1 / 900)
        left = np.where(begins, rng.integers(10, 45, infants), np.maximum(left - 1, 0))
        kind = np.where(begins, rng.integers(1, 5, infants), np.where(left > 0, kind, 0))
        rest = 100 - 7.5 * np.exp(-80 * (fio2 - need * (1 + drift)) / 7.5)
        sao2 += np.where(left > 0, -0.75, np.clip((rest - sao2) / 30, -0.5, 2.5))
        np.clip(sao2, 45, 99.6, out=sao2)
        _toy_control(fio2, sao2, tick)
        signals["sao2"][tick], signals["fio2"][tick] = sao2, fio2
        signals["apnoea"][tick] = kind
    return signals


def _toy_control(fio2: NDArray[np.float64], sao2: NDArray[np.float64], tick: int) -> None:
    if tick % 240 == 0:
        fio2[0] += np.where(sao2[0] < 88, 0.08, np.where(sao2[0] > 97, -0.02, 0))
    if tick % 20 == 0:
        fio2[2] += 0.0009 * (92.5 - sao2[2])
    np.clip(fio2, 0.21, 1.0, out=fio2)


def _toy_trace(
    signals: dict[str, NDArray[np.float64]], arm: int, place: int, warmup_s: int
) -> Trace:
    sao2, fio2 = signals["sao2"][:, arm, place], signals["fio2"][:, arm, place]
    seconds = len(sao2)
    shown = np.floor(np.convolve(sao2, np.ones(8) / 8)[:seconds] + 0.5)
    shown[:8] = np.nan
    for start in range(seconds // 5 + 300 * place, seconds, seconds // 3):
        shown[start : start + 150] = np.nan
    return Trace(
        spo2_pct=shown,
        sao2_pct=sao2.copy(),
        pao2_mmhg=0.7 * sao2,
        set_fio2=np.floor(100 * fio2 + 0.5) / 100,
        inspired_fio2=fio2.copy(),
        heart_rate_bpm=np.full(seconds, 150.0),
        apnoea=signals["apnoea"][:, arm, place].astype(np.int64),
        warmup_s=warmup_s,
    )


def _frame(trace: Trace) -> pd.DataFrame:
    columns = {name: values for name, values in vars(trace).items() if name != "warmup_s"}
    return pd.DataFrame({"time_s": np.arange(len(trace)), **columns})


def _histogram(traces: list[tuple[str, Trace]]) -> pd.DataFrame:
    rows = []
    for arm in ARMS:
        counts = np.zeros((2, 101))
        for name, trace in traces:
            if name == arm:
                spo2 = trace.spo2_pct[trace.warmup_s :]
                given = ~np.isnan(spo2)
                on_oxygen = given & (trace.set_fio2[trace.warmup_s :] > 0.215)
                counts[0] += np.bincount(spo2[on_oxygen].astype(int), minlength=101)
                counts[1] += np.bincount(spo2[given].astype(int), minlength=101)
        columns = {"seconds_on_oxygen": counts[0], "seconds_all": counts[1]}
        rows.append(pd.DataFrame({"arm": arm, "spo2_pct": np.arange(101), **columns}))
    return pd.concat(rows, ignore_index=True)


def _events(seconds: int) -> pd.DataFrame:
    rows: list[tuple[int, int, str, str, float, str]] = []
    for start in range(900, seconds - 200, 1100):
        rows.append((start, 0, "manual", "alarm_start", 84.0, "spo2_low"))
        rows.append((start + 40, 0, "manual", "visit_start", 40.0, "alarm"))
        rows.append((start + 62, 0, "manual", "fio2_by_hand", 0.35, "low"))
        rows.append((start + 90, 0, "manual", "alarm_end", 90.0, "spo2_low"))
        rows.append((start + 150, 0, "manual", "visit_end", 110.0, "alarm"))
    return pd.DataFrame(rows, columns=list(EventRecord._fields))


def _settings_rows() -> pd.DataFrame:
    rows = [
        ("seed", "7", "-", "seed of every random stream", "set"),
        ("run.duration_h", "3", "h", "length of the run", "set"),
        ("alarms.low_delay_s", "15", "s", "time beyond the low limit before the alarm", "default"),
    ]
    return pd.DataFrame(rows, columns=["key", "value", "unit", "meaning", "source"])


def _warmups(lanes: list[tuple[str, int, Trace]]) -> pd.DataFrame:
    rows = [
        {"infant": place, "arm": arm, "group": place // 2, "error": ""} | row
        for arm, place, trace in lanes
        for row in warmup_rows(counted(trace, LOW_PCT, HIGH_PCT, true_signal=False))
    ]
    return pd.DataFrame(rows)


def _courses(lanes: list[tuple[str, int, Trace]], infants: int) -> pd.DataFrame:
    groups = [
        [[trace for _, at, trace in lanes if at == place] for place in range(first, first + 2)]
        for first in range(0, infants, 2)
    ]
    return course_table([group_courses(groups, ARMS, "manual")])


def toy_comparison(infants: int = 8, hours: float = 3.0, seed: int = 7) -> ComparisonResult:
    """Make a comparison of invented infants; `hours` includes half an hour of warm-up."""
    seconds, warmup_s = round(3600 * hours), 1800
    signals = _toy_signals(infants, seconds, seed)
    drawn = draw_infants(seed, CohortSettings(infants=infants), 92.5).infants
    lanes = [
        (arm, place, _toy_trace(signals, number, place, warmup_s))
        for number, arm in enumerate(ARMS)
        for place in range(infants)
    ]
    events = _events(seconds)
    records = [EventRecord(*row) for row in events.itertuples(index=False)]
    counted = event_outcomes(records, warmup_s, seconds)
    rows: list[dict[str, Any]] = [
        {"infant": place, "arm": arm, "group": place // 2, "error": ""}
        | outcomes_of(trace, LOW_PCT, HIGH_PCT)
        | counted.get((place, arm), dict.fromkeys(EVENT_OUTCOMES, 0.0))
        for arm, place, trace in lanes
    ]
    outcomes = pd.DataFrame(rows)
    scenario = SimpleNamespace(
        name="toy",
        title="Invented night <b>& co</b>",
        question="Does a controller keep more infants in range than staff do?",
        seed=seed,
        target=SimpleNamespace(low_pct=LOW_PCT, high_pct=HIGH_PCT),
        run=SimpleNamespace(duration_h=hours, warmup_h=warmup_s / 3600),
    )
    return ComparisonResult(
        scenario=scenario,
        cohort=pd.DataFrame(vars(drawn)),
        outcomes=outcomes,
        summary=summarise(outcomes, NAMES),
        paired=paired_differences(outcomes, "manual", NAMES, seed=seed, resamples=200),
        histogram=_histogram([(arm, trace) for arm, _, trace in lanes]),
        traces={(place, arm): _frame(trace) for arm, place, trace in lanes if place == 0},
        events=events,
        scenario_table=_settings_rows(),
        ranking=rank_arms(outcomes, seed=seed, resamples=200),
        courses=_courses(lanes, infants),
        warmups=_warmups(lanes),
        worst=worst_infants(outcomes, "manual", 2),
        manifest={
            "seed": seed,
            "started": "2000-01-01T00:00:00",
            "wall_time_s": 1.23456,
            "command": "oxytestbed compare toy --seed 7",
            "versions": {"numpy": np.__version__, "oxytestbed": "0"},
        },
    )


@pytest.fixture(scope="session")
def comparison() -> ComparisonResult:
    return toy_comparison()
