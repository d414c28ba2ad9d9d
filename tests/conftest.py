"""A few small infants, a bench to put them on, and controllers that misbehave."""

from dataclasses import dataclass, fields

import numpy as np
import pytest

from oxytestbed.experiments.scenario import scenario_from_table
from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.bench import Bench, BenchSpec
from oxytestbed.loop.staff_settings import StaffSettings
from oxytestbed.loop.trace import Trace
from oxytestbed.models.cohort import CohortSettings, draw_infants

SEED = 11

MANUAL = ArmSpec(name="manual", controller=None)
FIXED = ArmSpec(name="fixed", controller="fixed")
PI = ArmSpec(name="pi", controller="pi")

#: Staff who come soon and often, so that a short run has all kinds of visits.
BUSY_STAFF = StaffSettings(
    round_interval_min=6,
    round_duration_s=40,
    at_cot_share=0.4,
    prompt_share=0.5,
    prompt_delay_s=20,
    late_delay_s=60,
    high_delay_s=60,
    watch_s=45,
    forget_share=0.3,
)

MISBEHAVING = '''
"""Controllers that break the contract, and some that do not."""

import os
import signal
import sys

import numpy as np


class Good:
    name = "good"
    period_s = 1

    def __init__(self, period_s=1):
        self.period_s = period_s

    def reset(self, lanes, settings):
        self.lanes = lanes

    def act(self, reading):
        up = np.where(reading.spo2_pct < reading.target_low_pct, 0.02, 0.0)
        down = np.where(reading.spo2_pct > reading.target_high_pct, 0.01, 0.0)
        return reading.set_fio2 + up - down


class RaisesInReset(Good):
    def reset(self, lanes, settings):
        raise RuntimeError("no reset today")


class RaisesAtFiveMinutes(Good):
    def act(self, reading):
        if reading.time_s >= 300:
            raise ZeroDivisionError("five minutes are over")
        return super().act(reading)


class Exits(Good):
    def act(self, reading):
        sys.exit(0)


class WrongShape(Good):
    def act(self, reading):
        return super().act(reading)[:-1]


class NanInLaneOne(Good):
    def act(self, reading):
        request = super().act(reading)
        if reading.time_s >= 60:
            request[1] = np.nan
        return request


class OutOfRange(Good):
    def act(self, reading):
        return np.full(self.lanes, 7.0 if reading.time_s < 60 else -3.0)


class KillsItsProcess(Good):
    """Only where it is alone with one infant."""

    def act(self, reading):
        if self.lanes == 1 and reading.time_s >= 30:
            os.kill(os.getpid(), signal.SIGKILL)
        return super().act(reading)


class KillsItsProcessOnce(Good):
    """Where it is first at half a minute, of all that share a marker."""

    def __init__(self, marker):
        super().__init__()
        self.marker = marker

    def act(self, reading):
        if reading.time_s == 30:
            try:
                file = os.open(self.marker, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
            except FileExistsError:
                return super().act(reading)
            os.write(file, str(os.getpid()).encode())
            os.kill(os.getpid(), signal.SIGKILL)
        return super().act(reading)
'''


@dataclass
class LaneRecord:
    """All that one infant left in one arm."""

    signals: dict
    events: list
    state: np.ndarray

    def __eq__(self, other):
        same = self.events == other.events and np.array_equal(self.state, other.state)
        return same and all(
            np.array_equal(values, other.signals[name], equal_nan=True)
            for name, values in self.signals.items()
        )

    def begins_like(self, other):
        """Say whether this is the beginning of a longer record."""
        end = len(self.signals["spo2_pct"])
        early = [event for event in other.events if event[0] < end]
        return self.events == early and all(
            np.array_equal(values, other.signals[name][:end], equal_nan=True)
            for name, values in self.signals.items()
        )


@pytest.fixture(scope="session")
def six_infants():
    """Infants who desaturate often, with numbers unlike any reading."""
    drawn = draw_infants(SEED, CohortSettings(infants=6, stratum="unstable"), 93.0, first=1000)
    return drawn.infants


@pytest.fixture(scope="session")
def make_spec(six_infants):
    """Build a `BenchSpec`: six infants, two a nurse, three arms, ten minutes."""

    def made(places=range(6), groups=None, **changes):
        chosen = np.array(list(places))
        values = {
            "infants": six_infants.take(chosen),
            "groups": chosen // 2 if groups is None else np.array(groups),
            "arms": (MANUAL, FIXED, PI),
            "seed": SEED,
            "duration_s": 600,
            "warmup_s": 60,
            "target_low_pct": 91.0,
            "target_high_pct": 95.0,
            "staff": BUSY_STAFF,
        }
        return BenchSpec(**{**values, **changes})

    return made


@pytest.fixture(scope="session")
def lane_records():
    """Run a spec; give what each (infant, arm) left, and the run."""

    def simulated(spec):
        bench = Bench(spec)
        run = bench.run()
        records = {}
        for number, arm in enumerate(spec.arms):
            for place, infant in enumerate(spec.infants.infant.tolist()):
                trace = run.trace(place, arm.name)
                records[infant, arm.name] = LaneRecord(
                    signals={
                        item.name: getattr(trace, item.name)
                        for item in fields(Trace)
                        if item.name != "warmup_s"
                    },
                    events=[
                        (event.time_s, event.event, repr(event.value), event.detail)
                        for event in run.events
                        if (event.infant, event.arm) == (infant, arm.name)
                    ],
                    state=bench.patients.lungs.state[:, number * len(spec.infants) + place].copy(),
                )
        return records, run

    return simulated


@pytest.fixture(scope="session")
def misbehaving(tmp_path_factory):
    """Build an `ArmSpec` for a controller of a user's file."""
    path = tmp_path_factory.mktemp("controllers") / "misbehaving.py"
    path.write_text(MISBEHAVING, encoding="utf-8")

    def arm(name, **options):
        return ArmSpec(name=name.lower(), controller=f"{path}:{name}", options=options)

    return arm


@pytest.fixture(scope="session")
def tiny_scenario():
    """Build a scenario of four infants, a quarter of an hour and three arms."""

    def made(*more_arms, **changes):
        table = {
            "name": "tiny",
            "title": "Tiny",
            "question": "Does it run?",
            "seed": SEED,
            "run": {"duration_h": 0.25, "warmup_h": 0.05},
            "target": {"low_pct": 91, "high_pct": 95},
            "cohort": {"infants": 4, "stratum": "unstable"},
            "report": {"trace_infants": [0], "resamples": 100, "worst_infants": 0},
            "arms": [
                {"name": "manual", "kind": "manual"},
                {"name": "fixed", "kind": "controller", "controller": "fixed"},
                {"name": "pi", "kind": "controller", "controller": "pi"},
                *(
                    {"name": arm.name, "kind": "controller", "controller": arm.controller}
                    for arm in more_arms
                ),
            ],
        }
        return scenario_from_table({**table, **changes}, "tiny")

    return made


@pytest.fixture(scope="session")
def kills_once(misbehaving):
    """Build an `ArmSpec` whose controller kills its process, but only one of all with a marker."""
    return lambda marker: misbehaving("KillsItsProcessOnce", marker=str(marker))
