"""Bedside staff of one arm: rounds, alarms and oxygen changed by hand.

Each nursing group has one nurse, a SimPy resource; whoever needs the nurse
waits in order of priority, onset and infant. All draws come from the infant's
own streams, so that one group's luck never depends on another's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from dataclasses import dataclass

import numpy as np
import simpy
from simpy.resources.resource import PriorityRequest, PriorityResource

from ..models.streams import Cause, stream
from .alarms import Alarm, AlarmChange
from .phases import At, Phase, request_key, request_rank
from .rounding import ON_OXYGEN_FIO2
from .signals import BoolArray, FloatArray
from .staff_settings import StaffSettings

Process = Generator[simpy.Event, None, None]

#: Below this SpO2 a step up is larger (published bedside rule: small steps
#: unless SpO2 < 70; severe hypoxaemia is commonly called below 80).
SEVERE_PCT = 80.0

#: Steps at one visit, one look after each; after that the nurse moves on.
STEPS_A_VISIT = 4

#: Priorities behind the alarms' own (0 to 2).
COME_BACK_PRIORITY = 3
ROUND_PRIORITY = 4

#: Spread of delays and steps around their medians (SD of the logarithm).
DELAY_SPREAD = 0.6
HANDS_ON_SPREAD = 0.3
STEP_SPREAD = 0.4


@dataclass(frozen=True, kw_only=True)
class Bedside:
    """What staff can see and touch; all arrays have the shape ``(lanes,)``.

    Attributes
    ----------
    spo2_pct : ndarray
        Displayed SpO2 (percent), NaN where there is no reading.
    set_fio2 : ndarray
        FiO2 to which the blender is set (fraction).
    command_fio2 : ndarray
        FiO2 asked of the blender; staff write it.
    alarms : ndarray of bool, shape (len(Alarm), lanes)
        Alarms that sound now.
    target_low_pct, target_high_pct : float
        Ends of the target range.
    fio2_min, fio2_max : float
        Limits of the blender (fraction).
    """

    spo2_pct: FloatArray
    set_fio2: FloatArray
    command_fio2: FloatArray
    alarms: BoolArray
    target_low_pct: float
    target_high_pct: float
    fio2_min: float
    fio2_max: float


class Luck:
    """An infant's own draws for staff in one arm.

    Parameters
    ----------
    seed : int
        Seed of the run.
    infant : int
        The infant's own number.
    """

    def __init__(self, seed: int, infant: int) -> None:
        self.rounds = stream(seed, infant, Cause.STAFF_ROUNDS)
        self.alarms = stream(seed, infant, Cause.STAFF_ALARMS)
        self.steps = stream(seed, infant, Cause.STAFF_STEPS)


def around(rng: np.random.Generator, median: float, spread: float) -> float:
    """Draw a log-normal value around its median.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of the draw.
    median : float
        Median of the distribution.
    spread : float
        SD of the logarithm.

    Returns
    -------
    float
    """
    return median * math.exp(spread * float(rng.standard_normal()))


class Staff:
    """The staff of one arm.

    Parameters
    ----------
    env : simpy.Environment
        The clock.
    settings : StaffSettings
        How they work.
    bedside : Bedside
        What they see and touch.
    lanes : dict of int to int
        The infant's own number of each lane of this arm.
    groups : dict of int to int
        Nursing group of each lane of this arm.
    seed : int
        Seed of the run.
    log : callable
        Takes lane, event name, value, detail.
    """

    def __init__(
        self,
        env: simpy.Environment,
        settings: StaffSettings,
        bedside: Bedside,
        lanes: dict[int, int],
        groups: dict[int, int],
        seed: int,
        log: Callable[[int, str, float, str], None],
    ) -> None:
        self._env, self._settings, self._bedside, self._log = env, settings, bedside, log
        self._infant = lanes
        nurses = {group: PriorityResource(env, capacity=1) for group in groups.values()}
        self._nurse = {lane: nurses[group] for lane, group in groups.items()}
        self._luck = {lane: Luck(seed, infant) for lane, infant in lanes.items()}
        self._expected: set[tuple[int, Alarm]] = set()
        for lane in lanes:
            env.process(self._rounds(lane))

    def hear(self, change: AlarmChange) -> None:
        """Take notice of an alarm that has begun.

        Parameters
        ----------
        change : AlarmChange
            The alarm; one that ended, or that somebody is already about to
            answer, changes nothing.
        """
        key = (change.lane, change.alarm)
        if change.began and key not in self._expected:
            self._expected.add(key)
            self._env.process(self._answer(change))

    def _wait(self, seconds: float) -> At:
        return At(self._env, max(1, round(seconds)), Phase.STAFF)

    def _rounds(self, lane: int) -> Process:
        interval_s = 60.0 * self._settings.round_interval_min
        luck = self._luck[lane].rounds
        yield self._wait(interval_s * float(luck.random()))
        while True:
            onset_s = int(self._env.now)
            yield from self._visit(lane, ROUND_PRIORITY, onset_s, "round", self._look_round)
            yield self._wait(interval_s * (0.8 + 0.4 * float(luck.random())))

    def _answer(self, change: AlarmChange) -> Process:
        lane, alarm = change.lane, change.alarm
        yield self._wait(self._response_s(lane, alarm))
        if not self._bedside.alarms[alarm, lane]:
            self._log(lane, "alarm_unseen", self._env.now - change.onset_s, alarm.name.lower())
            self._expected.discard((lane, alarm))
            return
        look = self._titrate if alarm is not Alarm.SIGNAL_LOST else self._mend_probe
        yield from self._visit(lane, int(alarm), change.onset_s, alarm.name.lower(), look)
        self._expected.discard((lane, alarm))

    def _response_s(self, lane: int, alarm: Alarm) -> float:
        """Mixture: a nurse at the cot already, one who comes soon, one who comes late."""
        settings, luck = self._settings, self._luck[lane].alarms
        kind, size = float(luck.random()), float(luck.standard_normal())
        if kind < settings.at_cot_share:
            return 1.0
        if alarm is Alarm.SPO2_HIGH:
            median_s = settings.high_delay_s
        elif kind < settings.at_cot_share + (1.0 - settings.at_cot_share) * settings.prompt_share:
            median_s = settings.prompt_delay_s
        else:
            median_s = settings.late_delay_s
        return median_s * math.exp(DELAY_SPREAD * size)

    def _visit(
        self,
        lane: int,
        priority: int,
        onset_s: int,
        reason: str,
        look: Callable[[int, str], Process],
    ) -> Process:
        """Wait for the nurse, do what the visit is for, and let the nurse go."""
        key = request_key(priority, onset_s, self._infant[lane])
        yield At(self._env, 0, request_rank(key))
        request = PriorityRequest(self._nurse[lane], priority=key)  # type: ignore[arg-type]
        yield request
        came_s = int(self._env.now)
        self._log(lane, "visit_start", float(came_s - onset_s), reason)
        yield from look(lane, reason)
        self._log(lane, "visit_end", float(self._env.now - came_s), reason)
        yield At(self._env, 0, Phase.RELEASE)
        self._nurse[lane].release(request)

    def _look_round(self, lane: int, reason: str) -> Process:
        yield self._wait(self._settings.round_duration_s)
        self._step_once(lane, reason)

    def _mend_probe(self, lane: int, reason: str) -> Process:
        yield self._wait(around(self._luck[lane].steps, self._settings.hands_on_s, HANDS_ON_SPREAD))

    def _titrate(self, lane: int, reason: str) -> Process:
        """Look, step, and look again; after a rescue somebody may come back."""
        before = float(self._bedside.set_fio2[lane])
        luck = self._luck[lane].steps
        yield self._wait(around(luck, self._settings.hands_on_s, HANDS_ON_SPREAD))
        stepped = 0
        while stepped < STEPS_A_VISIT and self._step_once(lane, reason):
            stepped += 1
            if self._bedside.spo2_pct[lane] > self._bedside.target_high_pct:
                break  # after a step down the next look is a cycle away
            yield self._wait(self._settings.watch_s / 3)
        forgotten = float(luck.random()) < self._settings.forget_share
        if stepped and not forgotten:
            self._env.process(self._come_back(lane, before))

    def _come_back(self, lane: int, before: float) -> Process:
        """Reduce, cycle by cycle, what a rescue has left, or what is still too much."""
        bedside = self._bedside
        while True:
            yield self._wait(self._settings.watch_s)
            spo2 = bedside.spo2_pct[lane]
            raised = bedside.set_fio2[lane] > before + 0.005
            comfortable = spo2 >= bedside.target_high_pct - 1.0
            if not (spo2 > bedside.target_high_pct or (raised and comfortable)):
                return
            yield from self._visit(
                lane, COME_BACK_PRIORITY, int(self._env.now), "come_back", self._reduce
            )
            if float(self._luck[lane].steps.random()) < self._settings.forget_share:
                return

    def _reduce(self, lane: int, reason: str) -> Process:
        yield self._wait(around(self._luck[lane].steps, self._settings.hands_on_s, HANDS_ON_SPREAD))
        if self._bedside.spo2_pct[lane] >= self._bedside.target_high_pct - 1.0:
            self._turn(lane, -self._settings.step_down_pct, reason)

    def _step_once(self, lane: int, reason: str) -> bool:
        """Change FiO2 once if the display asks for it; say whether it did."""
        bedside, settings = self._bedside, self._settings
        spo2 = bedside.spo2_pct[lane]
        if spo2 < bedside.target_low_pct:
            severe = settings.severe_factor if spo2 < SEVERE_PCT else 1.0
            return self._turn(lane, settings.step_up_pct * severe, reason)
        if spo2 > bedside.target_high_pct and bedside.set_fio2[lane] > ON_OXYGEN_FIO2:
            return self._turn(lane, -settings.step_down_pct, reason)
        return False

    def _turn(self, lane: int, median_step_pct: float, reason: str) -> bool:
        bedside = self._bedside
        size = max(1, round(around(self._luck[lane].steps, abs(median_step_pct), STEP_SPREAD)))
        asked = bedside.set_fio2[lane] + math.copysign(size, median_step_pct) / 100.0
        value = float(min(max(asked, bedside.fio2_min), bedside.fio2_max))
        if abs(value - bedside.set_fio2[lane]) < 0.005:
            return False
        bedside.command_fio2[lane] = value
        self._log(lane, "fio2_by_hand", value, reason)
        return True
