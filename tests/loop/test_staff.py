"""Bedside staff, first on a made-up bedside, then on the bench."""

from dataclasses import replace
from statistics import mean, median

import numpy as np
import pytest
import simpy

from oxytestbed.loop.alarms import Alarm, AlarmChange
from oxytestbed.loop.event_log import EventRecord
from oxytestbed.loop.signals import Mode
from oxytestbed.loop.staff import (
    COME_BACK_PRIORITY,
    PROCEDURE_PRIORITY,
    ROUND_PRIORITY,
    Bedside,
    Duty,
    Staff,
)
from oxytestbed.loop.staff_day import Procedure
from oxytestbed.loop.staff_settings import StaffSettings
from oxytestbed.loop.staff_titration import TitrationRow

SEVERE_PCT = 80


def protocol(up=5, down=-3, severe=10):
    """A protocol that acts at the first look."""
    rows = (("display", 0, 79, severe), ("target_low", -100, -1, up), ("target_high", 1, 100, down))
    return tuple(
        TitrationRow(relative_to=end, spo2_from_pct=low, spo2_to_pct=high, step_pct=step)
        for end, low, high, step in rows
    )


AT_ONCE = StaffSettings(
    at_cot_share=1.0,
    round_interval_min=480,
    round_duration_s=30,
    hands_on_s=20,
    watch_s=60,
    titration=protocol(),
    tolerate_high_share=0.0,
    wean_share=0.0,
    forget_share=1.0,
    air_watch_s=1,
    handover_min=0,
    breaks_per_shift=0,
)


class Ward:
    """Staff of one arm at cots whose display never moves unless a test moves it."""

    def __init__(self, lanes=3, groups=None, settings=AT_ONCE, spo2=93.0, fio2=0.5, **limits):
        duty, care = limits.pop("duty", Duty.TITRATE), limits.pop("care", None)
        self.env = simpy.Environment()
        self.spo2 = np.full(lanes, spo2, dtype=float)
        # What is asked of the blender is set at once.
        self.fio2 = np.full(lanes, fio2, dtype=float)
        self.alarms = np.zeros((len(Alarm), lanes), dtype=bool)
        self.log = []
        bedside = Bedside(
            spo2_pct=self.spo2,
            set_fio2=self.fio2,
            command_fio2=self.fio2,
            alarms=self.alarms,
            target_low_pct=91.0,
            target_high_pct=95.0,
            mode=np.full(lanes, int(Mode.AUTOMATIC)),
            **{"fio2_min": 0.21, "fio2_max": 1.0, **limits},
        )
        groups = dict.fromkeys(range(lanes), 0) if groups is None else groups
        infants = {lane: lane for lane in groups}
        self.mode = bedside.mode
        self.staff = Staff(
            self.env, settings, bedside, infants, groups, 3, self._note, duty=duty, procedures=care
        )

    def _note(self, lane, event, value, detail):
        self.log.append(EventRecord(int(self.env.now), lane, "manual", event, value, detail))

    def ring(self, lane, alarm, onset_s=None):
        self.alarms[alarm, lane] = True
        onset_s = int(self.env.now) if onset_s is None else onset_s
        self.staff.hear(AlarmChange(lane=lane, alarm=alarm, began=True, onset_s=onset_s))

    def of(self, event):
        return [item for item in self.log if item.event == event]

    def order(self):
        """Give (infant, reason) of the visits, in the order in which they began."""
        return [(item.infant, item.detail) for item in self.of("visit_start")]


LOW, LOST, HIGH = Alarm.SPO2_LOW, Alarm.SIGNAL_LOST, Alarm.SPO2_HIGH

#: Lane (which is also the infant), alarm, onset; all of them ask in the same tick.
TIES = [
    (0, HIGH, 3),
    (1, LOW, 5),
    (2, LOST, 4),
    (3, LOW, 4),
    (4, LOW, 5),
    (5, LOST, 4),
    (6, LOW, 1),
]


@pytest.mark.parametrize("order", [TIES, TIES[::-1], [TIES[i] for i in (3, 0, 6, 2, 5, 1, 4)]])
def test_a_tie_is_broken_by_priority_then_onset_then_infant(order):
    ward = Ward(lanes=7, groups={lane: 0 for lane, *_ in order})
    ward.env.run(until=10)
    for lane, alarm, onset_s in order:
        ward.ring(lane, alarm, onset_s)
    ward.env.run(until=3600)
    wanted = sorted((alarm, onset_s, lane) for lane, alarm, onset_s in TIES)
    assert ward.order() == [(lane, alarm.name.lower()) for alarm, _, lane in wanted]


def busy_until():
    """Find when the nurse leaves the first cot, which was called at second 10."""
    ward = Ward()
    ward.env.run(until=10)
    ward.ring(0, LOST)
    ward.env.run(until=600)
    return ward.of("visit_end")[0].time_s


@pytest.mark.parametrize("waiting", [(1, HIGH, 11), (1, LOST, 11), (2, LOW, 12)])
def test_who_is_more_urgent_goes_first_even_in_the_tick_in_which_the_nurse_is_free(waiting):
    free_s = busy_until()
    waits, _, since_s = waiting
    asks = 3 - waits
    ward = Ward()
    ward.env.run(until=10)
    ward.ring(0, LOST)
    ward.env.run(until=since_s)
    ward.ring(*waiting)
    ward.env.run(until=free_s - 1)
    ward.ring(asks, LOW, onset_s=11)  # answered after a second, when the nurse leaves the first
    ward.env.run(until=free_s + 600)
    starts = ward.of("visit_start")
    assert [item.infant for item in starts] == [0, asks, waits]
    assert starts[1].time_s == free_s
    assert starts[2].time_s > free_s


def test_who_waits_longest_of_the_same_urgency_goes_first():
    free_s = busy_until()
    ward = Ward()
    ward.env.run(until=10)
    ward.ring(0, LOST)
    ward.env.run(until=12)
    ward.ring(2, LOW)
    ward.env.run(until=free_s - 1)
    ward.ring(1, LOW)
    ward.env.run(until=free_s + 600)
    assert [infant for infant, _ in ward.order()] == [0, 2, 1]


def test_alarms_go_before_coming_back_and_rounds():
    assert max(Alarm) < PROCEDURE_PRIORITY < COME_BACK_PRIORITY < ROUND_PRIORITY


def test_groups_have_nurses_of_their_own():
    ward = Ward(lanes=2, groups={0: 0, 1: 1})
    ward.ring(0, LOW)
    ward.ring(1, LOW)
    ward.env.run(until=5)
    assert [item.time_s for item in ward.of("visit_start")] == [1] * 2


def test_one_group_never_hears_of_the_other():
    alone, company = (
        Ward(lanes=4, groups={0: 0, 1: 0}),
        Ward(lanes=4, groups=dict(zip(range(4), (0, 0, 1, 1), strict=True))),
    )
    for ward in (alone, company):
        for lane in (0, 1) if ward is alone else (3, 1, 2, 0):
            ward.spo2[lane] = 85.0
            ward.ring(lane, LOW)
        ward.env.run(until=3000)
    assert sorted(alone.log) == sorted(item for item in company.log if item.infant < 2)


def test_an_alarm_that_is_being_answered_calls_nobody_else():
    ward = Ward()
    ward.ring(0, LOW)
    ward.ring(0, LOW)
    ward.env.run(until=600)
    assert len(ward.order()) == 1
    ward.ring(0, LOW)
    ward.env.run(until=1200)
    assert ward.order() == [(0, "spo2_low")] * 2


def test_an_alarm_that_ended_calls_nobody():
    ward = Ward()
    ward.staff.hear(AlarmChange(lane=0, alarm=LOW, began=False, onset_s=0))
    ward.env.run(until=600)
    assert ward.log == []


def test_nobody_goes_to_an_alarm_that_is_over():
    ward = Ward()
    ward.env.run(until=10)
    ward.ring(0, LOW)
    ward.alarms[LOW, 0] = False
    ward.env.run(until=600)
    assert ward.log == []


def first_steps(spo2, lanes=300, fio2=0.5, **changes):
    """Let staff come to many cots; give the first step of each, in percent of FiO2."""
    settings = replace(AT_ONCE, titration=protocol(**changes))
    groups = {lane: lane for lane in range(lanes)}
    ward = Ward(lanes, groups, settings, spo2=spo2, fio2=fio2)
    for lane in range(lanes):
        ward.ring(lane, LOW if spo2 < 91 else HIGH)
    ward.env.run(until=600)
    first = {}
    for item in ward.of("fio2_by_hand"):
        first.setdefault(item.infant, 100.0 * (item.value - fio2))
    return list(first.values())


@pytest.mark.parametrize(
    ("spo2", "changes", "wanted_pct"),
    [
        (85, {"up": 5}, 5),
        (85, {"up": 8}, 8),
        (SEVERE_PCT, {"up": 5, "severe": 10}, 5),
        (SEVERE_PCT - 1, {"up": 5, "severe": 10}, 10),
        (98, {"down": -3}, -3),
        (98, {"down": -6}, -6),
    ],
)
def test_the_median_step_is_that_of_the_settings(spo2, changes, wanted_pct):
    """Whole percents are taken, so the median may be one beside it."""
    steps = first_steps(spo2, **changes)
    assert len(steps) == 300
    assert abs(median(steps) - wanted_pct) <= 1.0
    assert all(np.sign(step) == np.sign(wanted_pct) for step in steps)
    assert len({round(step) for step in steps}) > 3  # not all alike
    np.testing.assert_allclose(steps, np.rint(steps), atol=1e-9)


@pytest.mark.parametrize("spo2", [91, 93, 95, np.nan])
def test_nobody_turns_in_the_target_or_without_a_reading(spo2):
    ward = Ward(settings=replace(AT_ONCE, round_interval_min=5), spo2=spo2)
    for alarm in Alarm:
        ward.ring(0, alarm)
    ward.env.run(until=7200)
    assert len(ward.of("visit_end")) > 20 and ward.of("fio2_by_hand") == []


def test_room_air_is_never_turned_down():
    ward = Ward(settings=replace(AT_ONCE, round_interval_min=5), spo2=99, fio2=0.21)
    ward.ring(0, HIGH)
    ward.env.run(until=7200)
    assert ward.of("fio2_by_hand") == []


@pytest.mark.parametrize(("spo2", "limit"), [(99, 0.21), (99, 0.30), (60, 0.55), (60, 1.0)])
def test_fio2_goes_to_the_limit_and_never_beyond(spo2, limit):
    limits = {"fio2_min": limit} if spo2 > 90 else {"fio2_max": limit}
    settings = replace(AT_ONCE, round_interval_min=5)
    ward = Ward(settings=settings, spo2=spo2, **limits)
    ward.env.run(until=20_000)
    values = [item.value for item in ward.of("fio2_by_hand")]
    assert min(values) == limit if spo2 > 90 else max(values) == limit
    assert all((value >= limit) if spo2 > 90 else (value <= limit) for value in values)
    assert ward.fio2[0] == pytest.approx(limit, abs=1e-12)


def test_a_lost_signal_is_mended_without_touching_the_oxygen():
    ward = Ward(spo2=np.nan)
    ward.ring(0, LOST)
    ward.env.run(until=600)
    assert ward.order() == [(0, "signal_lost")] and ward.of("fio2_by_hand") == []


def test_rounds_come_at_their_interval():
    settings = replace(AT_ONCE, round_interval_min=20, round_duration_s=30)
    ward = Ward(lanes=8, groups={lane: lane for lane in range(8)}, settings=settings)
    ward.env.run(until=40 * 1200)
    gaps = []
    for lane in range(8):
        starts = [item.time_s for item in ward.of("visit_start") if item.infant == lane]
        ends = [item.time_s for item in ward.of("visit_end") if item.infant == lane]
        assert starts[0] <= 1200
        gaps += [later - end for end, later in zip(ends, starts[1:], strict=False)]
    assert all(0.8 * 1200 - 1 <= gap <= 1.2 * 1200 + 1 for gap in gaps)
    assert abs(mean(gaps) - 1200) < 60
    assert {item.detail for item in ward.log} == {"round"}
    assert {item.value for item in ward.of("visit_end")} == {30.0}
    first = {lane: next(i.time_s for i in ward.log if i.infant == lane) for lane in range(8)}
    assert len(set(first.values())) > 4  # not all cots at once


@pytest.mark.parametrize("fio2", [0.21, 0.3])
def test_who_comes_back_takes_away_what_a_rescue_left(fio2):
    settings = replace(AT_ONCE, forget_share=0.0, air_from_pct=21)
    ward = Ward(settings=settings, spo2=85, fio2=fio2)
    ward.ring(0, LOW)
    while not ward.of("fio2_by_hand"):
        ward.env.run(until=ward.env.now + 1)
    ward.spo2[0] = 97.0
    ward.env.run(until=7200)
    back = [item.value for item in ward.of("fio2_by_hand") if item.detail == "come_back"]
    assert back == sorted(back, reverse=True) and ward.fio2[0] == pytest.approx(0.21)
    assert len(back) == 1 if fio2 == 0.21 else len(back) > 1  # from air, straight back to air


def test_who_forgets_leaves_it():
    ward = Ward(settings=replace(AT_ONCE, forget_share=1.0), spo2=85, fio2=0.3)
    ward.ring(0, LOW)
    while not ward.of("fio2_by_hand"):
        ward.env.run(until=ward.env.now + 1)
    left, ward.spo2[0] = ward.fio2[0], 97.0
    ward.alarms[:] = False
    ward.env.run(until=400)
    assert left > 0.3
    assert not any(item.detail == "come_back" for item in ward.of("fio2_by_hand"))


def test_response_times_are_a_mixture():
    settings = replace(
        AT_ONCE, at_cot_share=0.3, prompt_share=0.5, prompt_delay_s=40, late_delay_s=1000
    )
    ward = Ward(lanes=400, groups={lane: lane for lane in range(400)}, settings=settings, spo2=85)
    for lane in range(400):
        ward.ring(lane, LOW)
    ward.env.run(until=20_000)
    waits = np.array([i.value for i in ward.of("visit_start") if i.detail == "spo2_low"])
    assert len(waits) == 400
    at_cot, late = (waits == 1).mean(), (waits > 200).mean()
    assert abs(at_cot - 0.3) < 0.08
    assert abs(late - 0.35) < 0.08
    assert abs(median(waits[(waits > 1) & (waits < 200)]) - 40) < 10


def test_a_high_reading_is_watched_for_a_cycle_before_the_first_step():
    slow = replace(protocol()[2], after_s=180)
    settings = replace(AT_ONCE, titration=(slow,), watch_s=180)
    ward = Ward(settings=settings, spo2=98)
    ward.ring(0, HIGH)
    ward.env.run(until=1200)
    turned = [item.time_s for item in ward.of("fio2_by_hand")]
    assert turned[0] > 180 and ward.order()[0] == (0, "spo2_high")
    assert {item.detail for item in ward.of("fio2_by_hand")} == {"come_back"}


def test_tolerance_of_high_readings_leaves_them():
    settings = replace(AT_ONCE, tolerate_high_share=1.0, round_interval_min=5)
    ward = Ward(settings=settings, spo2=99)
    ward.ring(0, HIGH)
    ward.env.run(until=7200)
    assert ward.of("visit_start") and ward.of("fio2_by_hand") == []


def test_rounds_wean_in_the_top_of_the_target_where_that_is_the_habit():
    settings = replace(AT_ONCE, round_interval_min=5, wean_share=1.0)
    for spo2, turned in ((95, True), (94, True), (93, False)):
        ward = Ward(settings=settings, spo2=spo2)
        ward.env.run(until=3600)
        assert bool(ward.of("fio2_by_hand")) is turned
        assert all(item.value < 0.5 for item in ward.of("fio2_by_hand"))


def test_a_little_oxygen_is_turned_off_at_a_reading_above_the_target():
    for fio2, first in ((0.25, 0.21), (0.27, 0.22)):
        settings = replace(AT_ONCE, air_from_pct=25, titration=protocol(down=-3))
        ward = Ward(settings=settings, spo2=98, fio2=fio2)
        ward.ring(0, HIGH)
        ward.env.run(until=100)
        value = ward.of("fio2_by_hand")[0].value
        assert value == 0.21 if first == 0.21 else value >= first


CARE = Procedure(onset_s=100, duration_s=300, kind="handling", hands_on=True)


def test_a_procedure_keeps_the_nurse_from_another_cot():
    ward = Ward(care={0: [CARE]})
    ward.env.run(until=150)
    ward.ring(1, HIGH)
    ward.env.run(until=1000)
    assert ward.order() == [(0, "handling"), (1, "spo2_high")]
    assert ward.of("visit_end")[0] == EventRecord(400, 0, "manual", "visit_end", 300.0, "handling")
    assert ward.of("visit_start")[1].time_s == 400


def test_who_handles_an_infant_answers_its_alarm_at_once_and_goes_on():
    ward = Ward(care={0: [CARE]}, settings=replace(AT_ONCE, at_cot_share=0.0), spo2=85)
    ward.env.run(until=150)
    ward.ring(0, LOW)
    ward.alarms[:] = True
    ward.env.run(until=1000)
    assert ward.order() == [(0, "handling"), (0, "spo2_low"), (0, "handling")]
    assert ward.of("visit_start")[1].time_s == 151
    ends = ward.of("visit_end")
    assert ends[-1].time_s == 100 + sum(item.value for item in ends) >= 400


def test_a_colleague_does_the_care_when_the_nurse_is_not_free_in_time():
    short = replace(CARE, onset_s=151, duration_s=20)
    ward = Ward(care={0: [CARE], 1: [short]})
    ward.env.run(until=1000)
    assert ward.order() == [(0, "handling")]


def test_extra_oxygen_around_a_procedure_is_taken_back():
    settings = replace(AT_ONCE, preoxygenate_share=1.0, preoxygenate_pct=20)
    ward = Ward(care={0: [CARE]}, settings=settings, fio2=0.3)
    ward.env.run(until=1000)
    up, down = ward.of("fio2_by_hand")
    assert (
        (up.time_s, down.time_s) == (100, 400)
        and up.value - 0.3 > 0.1
        and down.value == pytest.approx(0.3)
    )
    feed = replace(CARE, kind="feed", hands_on=False)
    ward = Ward(care={0: [feed]}, settings=settings, fio2=0.3)
    ward.env.run(until=1000)
    assert ward.of("fio2_by_hand") == [] and ward.order() == [(0, "feed")]


def test_staff_take_over_from_a_controller_in_a_deep_fall_and_give_back():
    settings = replace(AT_ONCE, override_share=1.0, override_below_pct=80, override_hold_s=120)
    ward = Ward(duty=Duty.OVERSEE, settings=settings, spo2=75, fio2=0.3)
    ward.ring(0, LOW)
    ward.env.run(until=60)
    assert ward.mode.tolist() == [Mode.MANUAL, Mode.AUTOMATIC, Mode.AUTOMATIC]
    assert ward.fio2[0] > 0.3
    ward.env.run(until=2000)
    assert ward.mode[0] == Mode.AUTOMATIC
    assert [item.value for item in ward.of("override_end")] == [120.0]


@pytest.mark.parametrize(("spo2", "share"), [(82, 1.0), (75, 0.0)])
def test_otherwise_staff_of_an_automatic_arm_only_look(spo2, share):
    settings = replace(AT_ONCE, override_share=share, round_interval_min=5)
    ward = Ward(duty=Duty.OVERSEE, settings=settings, spo2=spo2)
    ward.ring(0, LOW)
    ward.env.run(until=4000)
    assert ward.of("visit_end")
    assert ward.of("fio2_by_hand") == ward.of("override_start") == []


def test_staff_who_leave_the_oxygen_alone_still_come():
    ward = Ward(duty=Duty.LEAVE, spo2=70, settings=replace(AT_ONCE, override_share=1.0))
    ward.ring(0, LOW)
    ward.env.run(until=4000)
    assert ward.order()[0] == (0, "spo2_low") and ward.of("fio2_by_hand") == []


@pytest.mark.parametrize(("lull", "factor"), [(0.0, 1.0), (1.0, 2.0), (3.0, 4.0)])
def test_staff_whom_automation_lulls_come_later(lull, factor):
    settings = replace(AT_ONCE, at_cot_share=0.0, prompt_share=0.0, lull=lull, late_delay_s=100)
    waits = {}
    for duty in (Duty.TITRATE, Duty.OVERSEE):
        ward = Ward(60, {lane: lane for lane in range(60)}, settings, spo2=85, duty=duty)
        ward.env.run(until=100_000)  # long enough for the usual work to be forgotten
        for lane in range(60):
            ward.ring(lane, LOW)
        ward.env.run(until=103_000)
        starts = [item for item in ward.of("visit_start") if item.detail == "spo2_low"]
        waits[duty] = median(item.value for item in starts)
    assert waits[Duty.OVERSEE] / waits[Duty.TITRATE] == pytest.approx(factor, rel=0.05)


def test_a_colleague_comes_to_an_escalated_alarm_while_the_nurse_is_busy():
    ward = Ward(care={0: [CARE]}, settings=replace(AT_ONCE, prompt_delay_s=10), spo2=85)
    ward.env.run(until=150)
    ward.alarms[LOW, 1] = True
    change = AlarmChange(lane=1, alarm=LOW, began=True, onset_s=100)
    ward.staff.hear(change, escalated=True)
    ward.env.run(until=390)
    assert ward.order() == [(0, "handling"), (1, "spo2_low")]
    assert ward.of("visit_start")[1].time_s == 160


@pytest.mark.parametrize("spo2", [93, 85])
def test_more_infants_for_a_nurse_wait_longer(spo2):
    """A law of queues: the same needs with fewer to answer them wait longer."""
    settings = replace(AT_ONCE, round_interval_min=5, round_duration_s=60)
    waits = []
    for infants_per_nurse in (1, 2, 4, 8):
        groups = {lane: lane // infants_per_nurse for lane in range(8)}
        ward = Ward(8, groups, settings, spo2=spo2)
        for time_s in range(0, 10_000, 1000):
            ward.env.run(until=time_s + 1)
            for lane in range(8) if spo2 < 91 else ():
                ward.ring(lane, LOW)
        ward.env.run(until=11_000)
        waits.append(mean(item.value for item in ward.of("visit_start")))
    assert waits[0] < waits[1] < waits[2] < waits[3]
