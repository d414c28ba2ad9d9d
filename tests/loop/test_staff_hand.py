"""The hand on the blender: room-air rules, and attention shared by several infants."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import simpy

from oxytestbed.loop.alarms import Alarm, AlarmChange
from oxytestbed.loop.staff import Staff
from oxytestbed.loop.staff_hand import Bedside, Luck, Titrator
from oxytestbed.loop.staff_settings import StaffSettings, stretched

SETTINGS = StaffSettings(
    at_cot_share=1.0, hands_on_s=20, air_watch_s=120, round_interval_min=480, forget_share=1.0,
    tolerate_high_share=1.0, handover_min=0, breaks_per_shift=0,
)  # fmt: skip


def bedside(spo2_pct, fio2):
    """One cot, whose blender does at once what is asked of it."""
    oxygen = np.array([fio2])
    return Bedside(
        spo2_pct=np.array([float(spo2_pct)]),
        set_fio2=oxygen,
        command_fio2=oxygen,
        alarms=np.zeros((len(Alarm), 1), dtype=bool),
        target_low_pct=91.0,
        target_high_pct=95.0,
        fio2_min=0.21,
        fio2_max=1.0,
    )


def titrator(at, log):
    return Titrator(SETTINGS, at, {0: Luck(1, 0)}, lambda *what: log.append(what))


@pytest.mark.parametrize(
    ("spo2", "recovers", "wanted"), [(86, True, 0), (86, False, 1), (80, True, 1)]
)
def test_an_infant_in_room_air_may_recover_before_it_gets_oxygen(spo2, recovers, wanted):
    at, env, log = bedside(spo2, 0.21), simpy.Environment(), []
    staff = Staff(env, SETTINGS, at, {0: 0}, {0: 0}, 3, lambda *what: log.append(what))
    at.alarms[Alarm.SPO2_LOW, 0] = True
    staff.hear(AlarmChange(lane=0, alarm=Alarm.SPO2_LOW, began=True, onset_s=0))

    def turns():
        return sum(what[1] == "fio2_by_hand" for what in log)

    env.run(until=60)
    assert turns() == (spo2 < SETTINGS.air_until_pct)
    if recovers:
        at.spo2_pct[0] = 93
    env.run(until=180)
    assert turns() == wanted


@pytest.mark.parametrize(("fio2", "first"), [(0.21, True), (0.30, False)])
def test_only_infants_in_room_air_are_watched_first(fio2, first):
    hand = titrator(bedside(86, fio2), [])
    assert hand.watches_first(0, hand.row(0)) is first


def test_oxygen_given_to_an_infant_from_room_air_is_never_let_be():
    at, log = bedside(97, 0.21), []
    hand = titrator(at, log)
    assert hand.row(0) is None
    assert not hand.from_air(0)
    hand.set_to(0, 0.40, "spo2_low")
    assert hand.from_air(0)
    assert hand.act(0, hand.row(0), "spo2_high")  # all other high readings are tolerated here
    while at.set_fio2[0] > 0.21:
        assert hand.act(0, hand.row(0), "spo2_high")
    assert not hand.from_air(0)
    other = titrator(bedside(97, 0.40), [])
    assert not other.act(0, other.row(0), "spo2_high")


def test_a_reading_with_a_row_of_its_own_is_not_let_be():
    """From 98 % on the protocol goes by the reading itself, wherever the target lies."""
    for spo2, acts in ((96, False), (97, False), (98, True), (100, True)):
        hand = titrator(bedside(spo2, 0.40), [])
        assert hand.act(0, hand.row(0), "spo2_high") is acts


def test_attention_at_the_usual_number_of_infants_is_as_fitted():
    settings = StaffSettings(infants_per_nurse=2)
    assert stretched(settings) is settings
    assert stretched(replace(settings, infants_per_nurse=4, stretch=0.0)).late_delay_s == (
        settings.late_delay_s
    )


def test_attention_falls_with_every_infant_more():
    """A law: whatever a stretched nurse puts off, comes later and is forgotten more often."""
    usual = StaffSettings(at_cot_share=0.1, prompt_share=0.1)
    found = [stretched(replace(usual, infants_per_nurse=count)) for count in (1, 2, 3, 4, 8)]
    for less, more in pairwise(found):
        assert less.round_interval_min < more.round_interval_min
        assert less.late_delay_s < more.late_delay_s
        assert less.high_delay_s < more.high_delay_s
        assert less.watch_s < more.watch_s
        assert less.forget_share < more.forget_share
        assert less.prompt_share > more.prompt_share


def test_attention_stays_inside_the_ranges_of_the_settings():
    extreme = StaffSettings(infants_per_nurse=8, stretch=3.0, round_interval_min=480)
    assert stretched(extreme).round_interval_min == 480
    alone = StaffSettings(infants_per_nurse=1, stretch=3.0, at_cot_share=1.0)
    assert stretched(alone).at_cot_share == 1.0
