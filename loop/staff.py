"""Bedside staff of one arm: rounds, procedures, alarms and oxygen changed by hand.

Each nursing group has one nurse, a SimPy resource; whoever needs the nurse
waits in order of priority, onset and infant. All draws come from the infant's
own streams, so that one group's luck never depends on another's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Mapping, Sequence
from functools import partial

import simpy
from simpy.resources.resource import PriorityRequest, PriorityResource

from ..models.activities import ActivitySettings
from .alarms import Alarm, AlarmChange
from .phases import At, Course, Phase, request_key, request_rank
from .rounding import ON_OXYGEN_FIO2
from .signals import Mode
from .staff_day import Away, Duty, Procedure, Workload, first_infants, is_night
from .staff_hand import Bedside, Luck, Titrator, around
from .staff_settings import StaffSettings, stretched

Process = Generator[simpy.Event, None, None]
Look = Callable[[int, str], Process]

#: Steps at one visit, one look after each; after that the nurse moves on.
STEPS_A_VISIT = 4
#: A nurse stays at the cot to watch for so long; a longer watch means coming back (s).
STAY_S = 60

#: Priorities behind the alarms' own.
PROCEDURE_PRIORITY = len(Alarm)
COME_BACK_PRIORITY = len(Alarm) + 1
ROUND_PRIORITY = len(Alarm) + 2

#: Spread of delays and of hands-on time around their medians (SD of the logarithm).
DELAY_SPREAD = 0.6
HANDS_ON_SPREAD = 0.3
#: Extra oxygen given beforehand varies little (SD of the logarithm); assumption.
PREOXYGENATE_SPREAD = 0.15

#: Alarms that are about the probe or the tubing, not about oxygen.
DEVICE_ALARMS = (
    Alarm.SIGNAL_LOST,
    Alarm.PRESSURE_LOW,
    Alarm.PRESSURE_HIGH,
    Alarm.FIO2_DEVIATION,
)
#: Reasons for a visit that are alarms.
_ALARM_NAMES = frozenset(alarm.name.lower() for alarm in Alarm)


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
    duty : Duty
        What they do about oxygen.
    procedures : mapping of int to sequence of Procedure
        Care by lane, in order of onset.
    day : ActivitySettings, optional
        Time of day at the start, and when the day shift starts.
    came : callable, optional
        Told the lane whenever somebody comes to a cot.
    """

    def __init__(
        self,
        env: simpy.Environment,
        settings: StaffSettings,
        bedside: Bedside,
        lanes: Mapping[int, int],
        groups: Mapping[int, int],
        seed: int,
        log: Callable[[int, str, float, str], None],
        *,
        duty: Duty = Duty.TITRATE,
        procedures: Mapping[int, Sequence[Procedure]] | None = None,
        day: ActivitySettings | None = None,
        came: Callable[[int], None] | None = None,
    ) -> None:
        self._day = day or ActivitySettings()
        settings = stretched(settings)
        self._env, self._settings, self._bedside, self._log = env, settings, bedside, log
        self._duty, self._came = duty, came
        self._infant = lanes
        nurses = {group: PriorityResource(env, capacity=1) for group in groups.values()}
        self._nurse = {lane: nurses[group] for lane, group in groups.items()}
        first = first_infants(list(lanes.values()), [groups[lane] for lane in lanes])
        away = {group: Away(settings, self._day, seed, infant) for group, infant in first.items()}
        self._away = {lane: away[group] for lane, group in groups.items()}
        self._luck = {lane: Luck(seed, infant) for lane, infant in lanes.items()}
        self._work = {lane: Workload(settings.usual_changes_per_h) for lane in lanes}
        self._hand = Titrator(settings, bedside, self._luck, self._note_turn)
        self._expected: set[tuple[int, Alarm]] = set()
        self._present: dict[int, tuple[str, int]] = {}  # reason and since when, by lane
        self._guests: set[int] = set()
        for lane in lanes:
            Course(self._rounds(lane))
            if procedures and procedures.get(lane):
                Course(self._procedures(lane, procedures[lane]))

    def hear(self, change: AlarmChange, escalated: bool = False) -> None:
        """Take notice of an alarm that has begun.

        Parameters
        ----------
        change : AlarmChange
            The alarm; one that ended, or that somebody is already about to
            answer, changes nothing.
        escalated : bool
            Whether nobody came for so long that others are called.
        """
        if not change.began:
            return
        if escalated:
            Course(self._help(change))
        elif (change.lane, change.alarm) not in self._expected:
            self._expected.add((change.lane, change.alarm))
            Course(self._answer(change))

    def _note_turn(self, lane: int, event: str, value: float, detail: str) -> None:
        self._work[lane].add(self._env.now)
        self._log(lane, event, value, detail)

    def _wait(self, seconds: float) -> At:
        return At(self._env, max(1, round(seconds)), Phase.STAFF)

    def _hands_on(self, lane: int) -> At:
        settings = self._settings
        return self._wait(around(self._luck[lane].steps, settings.hands_on_s, HANDS_ON_SPREAD))

    # Being called, and coming

    def _rounds(self, lane: int) -> Process:
        interval_s = 60.0 * self._settings.round_interval_min
        luck = self._luck[lane].rounds
        yield self._wait(interval_s * float(luck.random()))
        while True:
            onset_s = int(self._env.now)
            yield from self._while_away(lane)
            yield from self._visit(lane, ROUND_PRIORITY, onset_s, "round", self._look_round)
            yield self._wait(interval_s * (0.8 + 0.4 * float(luck.random())))

    def _while_away(self, lane: int) -> Process:
        """Put off what can wait until the nurse is back."""
        back_s = self._away[lane].until(int(self._env.now))
        if back_s > self._env.now:
            yield self._wait(back_s - self._env.now)

    def _procedures(self, lane: int, procedures: Sequence[Procedure]) -> Process:
        """Do the care of one infant; if the nurse is not free in time, a colleague does it."""
        for item in procedures:
            if item.onset_s <= self._env.now:
                continue
            yield self._wait(item.onset_s - self._env.now)
            end_s = item.onset_s + item.duration_s
            extra = self._duty is Duty.TITRATE and item.hands_on and self._prepares(lane)
            look = partial(self._care, end_s=end_s, extra=extra)
            yield from self._visit(lane, PROCEDURE_PRIORITY, item.onset_s, item.kind, look, end_s)

    def _prepares(self, lane: int) -> bool:
        share = self._settings.preoxygenate_share
        return float(self._luck[lane].rounds.random()) < share

    def _answer(self, change: AlarmChange) -> Process:
        lane, alarm = change.lane, change.alarm
        at_cot = lane in self._present and lane not in self._guests
        yield self._wait(1.0 if at_cot else self._response_s(lane, alarm))
        if self._bedside.alarms[alarm, lane]:
            yield from self._visit(
                lane, int(alarm), change.onset_s, alarm.name.lower(), self._look_for(alarm)
            )
        self._expected.discard((lane, alarm))

    def _help(self, change: AlarmChange) -> Process:
        """Let a colleague come, who is soon there and holds up nobody's nurse."""
        lane, alarm = change.lane, change.alarm
        yield self._wait(self._settings.prompt_delay_s)
        if self._bedside.alarms[alarm, lane] and lane not in self._present:
            yield from self._stay(lane, change.onset_s, alarm.name.lower(), self._look_for(alarm))

    def _look_for(self, alarm: Alarm) -> Look:
        if alarm in DEVICE_ALARMS or self._duty is Duty.LEAVE:
            return self._mend
        return self._titrate if self._duty is Duty.TITRATE else self._oversee

    def _response_s(self, lane: int, alarm: Alarm) -> float:
        """Mixture: a nurse at the cot already, one who comes soon, one who comes late."""
        settings, luck = self._settings, self._luck[lane].alarms
        kind, size = float(luck.random()), float(luck.standard_normal())
        slow = self._slowness(lane)
        if kind < settings.at_cot_share and slow[1]:
            return 1.0
        if alarm is Alarm.SPO2_HIGH:
            median_s = settings.high_delay_s
        elif kind < settings.at_cot_share + (1.0 - settings.at_cot_share) * settings.prompt_share:
            median_s = settings.prompt_delay_s
        else:
            median_s = settings.late_delay_s
        return median_s * slow[0] * math.exp(DELAY_SPREAD * size)

    def _slowness(self, lane: int) -> tuple[float, bool]:
        """Give the factor on delays now, and whether the own nurse is there."""
        settings, now = self._settings, int(self._env.now)
        there = self._away[lane].until(now) <= now
        factor = 1.0 if there else settings.cover_factor
        if is_night(now, self._day):
            factor *= settings.night_factor
        if self._duty is Duty.OVERSEE:
            factor *= 1.0 + settings.lull * self._work[lane].missing(now)
        return factor, there

    def _visit(
        self,
        lane: int,
        priority: int,
        onset_s: int,
        reason: str,
        look: Look,
        until_s: int | None = None,
    ) -> Process:
        """Wait for the nurse, do what the visit is for, and let the nurse go."""
        key = request_key(priority, onset_s, self._infant[lane])
        yield At(self._env, 0, request_rank(key))
        if self._can_interrupt(lane, priority):
            yield from self._interrupt(lane, onset_s, reason, look)
            return
        request = PriorityRequest(self._nurse[lane], priority=key)  # type: ignore[arg-type]
        yield request
        while lane in self._present:  # a colleague is here
            yield self._wait(1)
        if until_s is None or self._env.now < until_s:
            yield from self._stay(lane, onset_s, reason, look)
        yield At(self._env, 0, Phase.RELEASE)
        self._nurse[lane].release(request)

    def _stay(self, lane: int, onset_s: int, reason: str, look: Look) -> Process:
        self._arrive(lane, onset_s, reason)
        yield from look(lane, reason)
        while lane in self._guests:  # an alarm at this cot came in between
            yield self._wait(1)
        self._leave(lane)

    def _arrive(self, lane: int, onset_s: int, reason: str) -> None:
        now = int(self._env.now)
        self._present[lane] = (reason, now)
        self._log(lane, "visit_start", float(now - onset_s), reason)
        if self._came is not None:
            self._came(lane)

    def _leave(self, lane: int) -> None:
        reason, since_s = self._present.pop(lane)
        self._log(lane, "visit_end", float(self._env.now - since_s), reason)

    def _can_interrupt(self, lane: int, priority: int) -> bool:
        """Say whether who is at this cot can turn to its alarm at once."""
        if priority >= PROCEDURE_PRIORITY or lane not in self._present or lane in self._guests:
            return False
        return self._present[lane][0] not in _ALARM_NAMES

    def _interrupt(self, lane: int, onset_s: int, reason: str, look: Look) -> Process:
        before = self._present[lane][0]
        self._guests.add(lane)
        self._leave(lane)
        self._arrive(lane, onset_s, reason)
        yield from look(lane, reason)
        self._leave(lane)
        self._guests.discard(lane)
        self._arrive(lane, int(self._env.now), before)

    # What is done at the cot

    def _look_round(self, lane: int, reason: str) -> Process:
        yield self._wait(self._settings.round_duration_s)
        before = float(self._bedside.set_fio2[lane])
        if self._duty is Duty.TITRATE and self._hand.plan(lane, reason):
            self._perhaps_come_back(lane, before)

    def _mend(self, lane: int, reason: str) -> Process:
        yield self._hands_on(lane)

    def _care(self, lane: int, reason: str, end_s: int, extra: bool) -> Process:
        """Handle the infant, with extra oxygen before and less again after it if so planned."""
        before = float(self._bedside.set_fio2[lane])
        if extra:
            luck, settings = self._luck[lane].rounds, self._settings
            more = round(around(luck, settings.preoxygenate_pct, PREOXYGENATE_SPREAD)) / 100.0
            self._hand.set_to(lane, before + more, reason)
        if end_s > self._env.now:
            yield self._wait(end_s - self._env.now)
        if extra:
            self._hand.set_to(lane, before, reason)

    def _titrate(self, lane: int, reason: str) -> Process:
        """Look, step, and look again; after a rescue somebody may come back."""
        before = float(self._bedside.set_fio2[lane])
        yield self._hands_on(lane)
        row = self._hand.row(lane)
        if row is not None and row.after_s > STAY_S:
            Course(self._come_back(lane, before, row.after_s))
            return
        if row is not None and self._hand.watches_first(lane, row):
            yield self._wait(self._settings.air_watch_s)
        elif row is not None and row.after_s:
            yield self._wait(row.after_s)
        if (yield from self._steps(lane, reason)):
            self._perhaps_come_back(lane, before)

    def _perhaps_come_back(self, lane: int, before: float) -> None:
        forgets = float(self._luck[lane].steps.random()) < self._settings.forget_share
        if self._hand.from_air(lane) or not forgets:
            Course(self._come_back(lane, before, self._settings.watch_s))

    def _steps(self, lane: int, reason: str) -> Generator[simpy.Event, None, int]:
        """Step up and look again until the reading is no longer low."""
        stepped = 0
        while stepped < STEPS_A_VISIT:
            row = self._hand.row(lane)
            if row is None or not self._hand.act(lane, row, reason):
                break
            stepped += 1
            if row.step_pct < 0:
                break  # after a step down the next look is a cycle away
            yield self._wait(min(row.wait_s, STAY_S))
        return stepped

    def _come_back(self, lane: int, before: float, after_s: int) -> Process:
        """Reduce, cycle by cycle, what a rescue has left, or what is still too much."""
        bedside, forget = self._bedside, self._settings.forget_share
        while True:
            yield self._wait(after_s)
            raised = bedside.set_fio2[lane] > before + 0.005
            high = bedside.spo2_pct[lane] > bedside.target_high_pct
            if not (high or raised) or not self._hand.comfortable(lane):
                return
            yield from self._while_away(lane)
            look = partial(self._reduce, before=before)
            yield from self._visit(lane, COME_BACK_PRIORITY, int(self._env.now), "come_back", look)
            if float(self._luck[lane].steps.random()) < forget and not self._hand.from_air(lane):
                return
            after_s = self._settings.watch_s

    def _reduce(self, lane: int, reason: str, before: float) -> Process:
        yield self._hands_on(lane)
        row = self._hand.row(lane)
        if row is None or row.step_pct >= 0:
            if self._hand.comfortable(lane):
                self._hand.down(lane, reason)
        elif before <= ON_OXYGEN_FIO2:  # was in room air: the oxygen is no longer needed
            self._hand.set_to(lane, before, reason)
        else:
            self._hand.act(lane, row, reason)

    def _oversee(self, lane: int, reason: str) -> Process:
        """See to the infant under a controller; in a deep fall perhaps take over for a while."""
        bedside, settings = self._bedside, self._settings
        yield self._hands_on(lane)
        luck = float(self._luck[lane].overrides.random())
        low = bedside.spo2_pct[lane] < min(settings.override_below_pct, bedside.target_low_pct)
        held = bedside.mode is None or bedside.mode[lane] == Mode.MANUAL
        if not low or held or luck >= settings.override_share:
            yield self._wait(STAY_S)
            return
        assert bedside.mode is not None
        bedside.mode[lane] = Mode.MANUAL
        self._log(lane, "override_start", float(bedside.spo2_pct[lane]), reason)
        yield from self._steps(lane, reason)
        Course(self._give_back(lane, int(self._env.now)))

    def _give_back(self, lane: int, since_s: int) -> Process:
        yield self._wait(self._settings.override_hold_s)
        if self._bedside.mode is not None:
            self._bedside.mode[lane] = Mode.AUTOMATIC
        self._log(lane, "override_end", float(self._env.now - since_s), "automatic")


__all__ = ["Bedside", "Duty", "Staff"]
