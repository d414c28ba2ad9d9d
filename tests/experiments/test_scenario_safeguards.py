"""Safeguards and faults in scenario files: sections, arms that differ, defaults."""

import tomllib

import pytest

from oxytestbed.experiments.compare import arm_spec, bench_spec, scenario_infants
from oxytestbed.experiments.scenario import override, scenario_from_table, to_toml
from oxytestbed.loop.safeguards.settings import SafeguardSettings
from oxytestbed.models.errors import TestbedError

ARMS = [
    {"name": "manual", "kind": "manual"},
    {"name": "fixed", "kind": "controller", "controller": "fixed"},
    {"name": "pi", "kind": "controller", "controller": "pi"},
    {"name": "bare", "kind": "controller", "controller": "pi", "safeguards": {"enabled": False}},
    {"name": "own", "kind": "controller", "controller": "pi", "safeguards": {"hold_s": 99}},
]


def layers(scenario):
    return {arm.name: arm_spec(arm, scenario.safeguards).safeguards for arm in scenario.arms}


def test_controllers_have_the_whole_layer_unless_an_arm_says_otherwise(tiny_scenario):
    found = layers(override(tiny_scenario(), {"arms": ARMS, "safeguards.hold_s": 60}))
    assert found["manual"] is None and found["fixed"] is None
    assert found["pi"] == SafeguardSettings(hold_s=60)
    assert found["bare"].active == () and found["own"] == SafeguardSettings(hold_s=99)


def test_they_reach_the_bench_and_survive_a_file(tiny_scenario, tmp_path):
    changes = {"arms": ARMS, "safeguards.bounds": False, "faults.motion_per_d": 5}
    scenario = override(tiny_scenario(), changes)
    spec = bench_spec(scenario, scenario_infants(scenario)[0], [0, 0, 1, 1])
    assert spec.arms[2].safeguards == SafeguardSettings(bounds=False)
    assert spec.faults.motion_per_d == 5.0
    path = tmp_path / "mine.toml"
    path.write_text(to_toml(scenario), encoding="utf-8")
    assert scenario_from_table(tomllib.loads(to_toml(scenario)), "mine") == scenario


@pytest.mark.parametrize(
    ("arm", "words"),
    [
        ({**ARMS[2], "safeguards": {"bound": False}}, "Did you mean 'bounds'"),
        ({**ARMS[2], "safeguards": {"hold_s": -1}}, "from 0 to 600"),
        ({**ARMS[2], "safeguards": {"enabled": 0}}, "true or false"),
        ({**ARMS[0], "safeguards": {"bounds": False}}, "no safeguards in a manual arm"),
    ],
)
def test_what_cannot_be_is_refused(arm, words, tiny_scenario):
    with pytest.raises(TestbedError, match=words):
        override(tiny_scenario(), {"arms": [arm]})


def test_a_script_without_a_value_can_be_changed(tiny_scenario):
    script = [{"at_s": 5, "event": "probe_off_high"}]
    scenario = tiny_scenario(script=script)
    assert override(scenario, {"seed": 4}).script[0].event == "probe_off_high"
