"""The bench and its scalar twin are two programmes of one model; here they must agree.

Tolerance: SaO2 within 1e-6 points. Both do the same steps in double precision but
in another order, which leaves differences near 1e-13 points; an error in either
programme would be thousands of times larger than the tolerance, and 1e-6 leaves
room for another machine's arithmetic. Displayed SpO2 and set FiO2 are whole
numbers of steps and must be equal: an average within 1e-12 of a rounding tie
would have to occur for them to differ rightly, and among these samples none does.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from oxytestbed.experiments.reference_loop import ReferenceLoop, reference_run
from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.bench import Bench, BenchSpec
from oxytestbed.loop.script import ACTIONS, ScriptedEvent
from oxytestbed.loop.trace import Trace
from oxytestbed.models.cohort import CohortSettings, draw_infants
from oxytestbed.models.disturbances import Breathing, DisturbanceSettings
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.gas_delivery import GasSettings
from oxytestbed.models.oximeter import OximeterSettings

# The twin has no staff, who might take over in a deep fall.
ARMS = (
    ArmSpec(name="fixed", controller="fixed", overseen=False),
    ArmSpec(name="pi", controller="pi", overseen=False),
)
SLOW = ArmSpec(
    name="pi_slow",
    controller="pi",
    options={"period_s": 3, "gain_per_pct": 0.01},
    overseen=False,
)
TOLERANCE_POINTS = 1e-6


class ExactRecording:
    """Stands in for the bench's recording, which keeps single precision."""

    def __init__(self) -> None:
        self.ticks: list[Mapping[str, NDArray[Any]]] = []

    def write(self, tick: int, **signals: NDArray[Any]) -> None:
        assert tick == len(self.ticks)
        self.ticks.append({name: values.copy() for name, values in signals.items()})

    def of(self, signal: str) -> NDArray[Any]:
        return np.stack([tick[signal] for tick in self.ticks], axis=1)


def make_spec(stratum: str, infants: int, duration_s: int, **changes: Any) -> BenchSpec:
    drawn = draw_infants(3, CohortSettings(infants=infants, stratum=stratum), 92.5).infants
    values: dict[str, Any] = {
        "infants": drawn,
        "groups": np.arange(infants),
        "arms": ARMS,
        "seed": 3,
        "duration_s": duration_s,
        "warmup_s": 0,
        "target_low_pct": 90.0,
        "target_high_pct": 95.0,
    }
    return BenchSpec(**(values | changes))


def both_ways(spec: BenchSpec) -> tuple[ExactRecording, dict[tuple[int, str], Trace]]:
    bench, exact = Bench(spec), ExactRecording()
    bench.recording = exact  # type: ignore[assignment]
    assert not bench.run().errors
    lanes = [(place, arm.name) for arm in spec.arms for place in range(len(spec.infants))]
    return exact, ReferenceLoop(spec, lanes).run()


def assert_agree(exact: ExactRecording, twins: dict[tuple[int, str], Trace]) -> None:
    traces = list(twins.values())
    for signal in ("spo2_pct", "set_fio2", "apnoea"):
        values = [getattr(trace, signal) for trace in traces]
        np.testing.assert_array_equal(values, exact.of(signal), err_msg=signal)
    for signal in ("pao2_mmhg", "inspired_fio2", "heart_rate_bpm"):
        values = [getattr(trace, signal) for trace in traces]
        np.testing.assert_allclose(values, exact.of(signal), rtol=0, atol=1e-6, err_msg=signal)
    sao2_pct = [trace.sao2_pct for trace in traces]
    np.testing.assert_allclose(sao2_pct, 100.0 * exact.of("sao2"), rtol=0, atol=TOLERANCE_POINTS)


@pytest.mark.parametrize("stratum", ["settled", "unstable"])
def test_bench_and_twin_agree(stratum: str) -> None:
    busy = DisturbanceSettings(
        apnoea_rate_scale=1.5,
        obstructive_share=0.3,
        mixed_share=0.3,
        drift_scale=2.0,
        co2_response=1.5,
    )
    oximeter = OximeterSettings(dropout_rate_per_h=4.0)
    spec = make_spec(stratum, 2, 7300, disturbances=busy, oximeter=oximeter)
    exact, twins = both_ways(spec)
    assert_agree(exact, twins)
    traces = list(twins.values())
    kinds = set(np.concatenate([trace.apnoea for trace in traces]).tolist())
    assert kinds == {int(kind) for kind in Breathing}  # each kind has happened
    assert all(np.isnan(trace.spo2_pct).any() for trace in traces)
    assert min(trace.sao2_pct.min() for trace in traces) < 80.0
    moved = [len(set(twins[place, "pi"].set_fio2.tolist())) for place in (0, 1)]
    assert min(moved) > 5


def test_bench_and_twin_agree_with_other_devices() -> None:
    gas = GasSettings(
        dead_time_s=12.0,
        blender_step=0.005,
        monitor_time_constant_s=0.0,
        fio2_min=0.25,
        fio2_max=0.32,
    )
    oximeter = OximeterSettings(averaging_s=3, bias_scale=2.0)
    exact, twins = both_ways(
        make_spec("unstable", 2, 900, arms=(*ARMS, SLOW), gas=gas, oximeter=oximeter)
    )
    assert_agree(exact, twins)
    for place in (0, 1):  # the controllers have met a limit, so anti-windup has worked
        assert {0.25, 0.32} & set(twins[place, "pi_slow"].set_fio2.tolist())


def test_a_wrong_twin_would_be_seen() -> None:
    exact, twins = both_ways(make_spec("unstable", 1, 120))
    twins[0, "pi"].sao2_pct[100] += 2.0 * TOLERANCE_POINTS
    with pytest.raises(AssertionError):
        assert_agree(exact, twins)


def test_one_lane_is_the_same_alone_and_among_others() -> None:
    spec = make_spec("unstable", 2, 300)
    _, twins = both_ways(spec)
    alone = reference_run(spec, 1, "pi")
    np.testing.assert_array_equal(alone.sao2_pct, twins[1, "pi"].sao2_pct)
    np.testing.assert_array_equal(alone.spo2_pct, twins[1, "pi"].spo2_pct)


@pytest.mark.parametrize("arm", ["manual", "nobody"])
def test_an_arm_without_a_twin_is_refused(arm: str) -> None:
    arms = (*ARMS, ArmSpec(name="manual", controller=None))
    with pytest.raises(TestbedError, match=f"reference run, arm.*'{arm}'"):
        reference_run(make_spec("settled", 1, 60, arms=arms), 0, arm)


def test_scripted_events_are_refused() -> None:
    event = ScriptedEvent(at_s=10, event=next(iter(ACTIONS)), duration_s=20)
    with pytest.raises(TestbedError, match="no scripted events, got 1"):
        ReferenceLoop(make_spec("settled", 1, 60, script=(event,)), [(0, "pi")])
