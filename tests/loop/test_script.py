"""Scripted events: what they do, when, to whom, and what is refused."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.bench import Bench, BenchSpec, Run
from oxytestbed.loop.script import ACTIONS, ScriptedEvent
from oxytestbed.models.disturbances import DisturbanceSettings
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.support import settings_for

QUIET = DisturbanceSettings(
    apnoea_rate_scale=0, drift_scale=0, hypoventilation_rate_per_h=0, pauses_per_apnoea=0
)
FIXED = (ArmSpec(name="fixed", controller="fixed"), ArmSpec(name="other", controller="fixed"))


def run(make_spec: Callable[..., BenchSpec], *script: ScriptedEvent, **changes: Any) -> Run:
    spec = make_spec(
        [0, 1],
        [0, 0],
        arms=FIXED,
        duration_s=400,
        warmup_s=10,
        script=script,
        disturbances=QUIET,
        **changes,
    )
    return Bench(spec).run()


def sao2(run: Run, place: int, arm: str = "fixed") -> np.ndarray:
    return run.trace(place, arm).sao2_pct


def event(name: str, **changes: Any) -> ScriptedEvent:
    return ScriptedEvent(at_s=100, event=name, **changes)


def test_an_apnoea_happens_at_its_time_in_every_arm(make_spec: Callable[..., BenchSpec]) -> None:
    quiet = run(make_spec)
    apnoea = run(make_spec, event("central_apnoea", duration_s=30))
    for place in (0, 1):
        for arm in ("fixed", "other"):
            before, after = sao2(quiet, place, arm), sao2(apnoea, place, arm)
            assert np.array_equal(before[:100], after[:100])
            assert after[100:180].min() < before[100:180].min() - 3
    kinds = apnoea.trace(0, "fixed").apnoea
    assert np.flatnonzero(kinds).tolist() == list(range(100, 130))


def test_it_happens_only_to_the_infants_and_arms_named(
    make_spec: Callable[..., BenchSpec],
) -> None:
    quiet = run(make_spec)
    first = int(quiet.spec.infants.infant[0])
    one = run(make_spec, event("central_apnoea", duration_s=30, infants=(first,), arms=("other",)))
    assert not np.array_equal(sao2(quiet, 0, "other"), sao2(one, 0, "other"))
    for place, arm in ((0, "fixed"), (1, "fixed"), (1, "other")):
        assert np.array_equal(sao2(quiet, place, arm), sao2(one, place, arm))


def test_a_closed_airway_falls_otherwise_than_an_open_one(
    make_spec: Callable[..., BenchSpec],
) -> None:
    opened = run(make_spec, event("central_apnoea", duration_s=30))
    closed = run(make_spec, event("obstructive_apnoea", duration_s=30))
    assert (sao2(closed, 0)[115:130] < sao2(opened, 0)[115:130]).all()


def test_what_stays_stays_and_what_ends_is_undone(make_spec: Callable[..., BenchSpec]) -> None:
    stays = run(make_spec, event("shunt_change", value=4.0))
    ends = run(make_spec, event("shunt_change", value=4.0, duration_s=60))
    assert np.array_equal(sao2(stays, 0)[:160], sao2(ends, 0)[:160])
    assert sao2(ends, 0)[-1] > sao2(stays, 0)[-1] + 1


def test_two_events_at_once_do_not_undo_each_other(make_spec: Callable[..., BenchSpec]) -> None:
    both = run(
        make_spec,
        event("hypoventilation", value=0.5, duration_s=100),
        ScriptedEvent(at_s=120, event="central_apnoea", duration_s=20),
    )
    kinds = both.trace(0, "fixed").apnoea
    assert kinds[110] == kinds[150] == kinds[199] == 4
    assert kinds[130] == 1
    assert kinds[200] == 0


def test_support_changes_at_its_time_and_ends(make_spec: Callable[..., BenchSpec]) -> None:
    same = run(make_spec)
    less = run(make_spec, event("support", settings={"pressure_cmh2o": 2.0}, duration_s=150))
    assert np.array_equal(sao2(same, 0)[:100], sao2(less, 0)[:100])
    assert sao2(less, 0)[249] < sao2(same, 0)[249] - 0.5
    assert sao2(less, 0)[-1] > sao2(less, 0)[249]


def test_recruiting_breath_and_breath_by_hand_help(make_spec: Callable[..., BenchSpec]) -> None:
    apnoea = event("central_apnoea", duration_s=40)
    alone = run(make_spec, apnoea)
    breaths = [ScriptedEvent(at_s=t, event="breath_by_hand") for t in range(115, 140, 3)]
    helped = run(make_spec, apnoea, *breaths)
    assert sao2(helped, 0).min() > sao2(alone, 0).min() + 0.5
    quiet = run(make_spec)
    sigh = run(make_spec, event("recruiting_breath", value=30.0))
    assert sao2(sigh, 0)[110:160].mean() > sao2(quiet, 0)[110:160].mean()


def test_support_of_the_whole_run_changes_the_start(make_spec: Callable[..., BenchSpec]) -> None:
    cpap, low = run(make_spec), run(make_spec, support=settings_for("low_flow"))
    assert low.trace(0, "fixed").set_fio2[0] > cpap.trace(0, "fixed").set_fio2[0] + 0.02
    assert sao2(low, 0)[0] == pytest.approx(sao2(cpap, 0)[0], abs=1.5)  # one step of the blender


def test_events_are_in_the_log(make_spec: Callable[..., BenchSpec]) -> None:
    noted = run(make_spec, event("hypoventilation", duration_s=20))
    rows = [item for item in noted.events if item.event.startswith("script")]
    assert [(r.time_s, r.event, r.value) for r in rows if r.arm == "fixed"] == [
        (100, "script_start", 0.4),
        (100, "script_start", 0.4),
        (120, "script_end", 0.4),
        (120, "script_end", 0.4),
    ]


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"event": "central_apnea", "duration_s": 5}, "Did you mean 'central_apnoea'"),
        ({"event": "central_apnoea"}, "at least 1"),
        ({"event": "hypoventilation", "duration_s": 5, "value": 1.5}, "from 0 to 1"),
        ({"event": "shunt_change", "settings": {"a": 1}}, "none for this event"),
        ({"event": "support", "settings": {"mode": "cpap"}}, "nasal_cpap"),
        ({"event": "support", "arms": ("fixed",)}, "happens to all"),
        ({"event": "recruiting_breath", "settings": {"hold": 3}}, "hold_s alone"),
        ({"event": "recruiting_breath", "value": 80.0}, "40"),
        ({"event": "shunt_change", "at_s": -1}, "0"),
    ],
)
def test_what_cannot_be_done_is_refused_at_once(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(TestbedError, match=says):
        ScriptedEvent(**{"at_s": 10, **changes})


def test_an_unknown_arm_is_refused(make_spec: Callable[..., BenchSpec]) -> None:
    with pytest.raises(TestbedError, match="fixed"):
        run(make_spec, event("shunt_change", arms=("fixd",)))


def test_every_action_says_what_it_does() -> None:
    assert all(action.doc and action.name == name for name, action in ACTIONS.items())
