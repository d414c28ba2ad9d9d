"""The plant put together: breathing after a pause, and lungs that close in apnoea."""

from dataclasses import replace

import numpy as np
import pytest

from oxytestbed.loop.arms import ArmSpec
from oxytestbed.loop.bench import Bench
from oxytestbed.loop.breathing_state import Layer
from oxytestbed.loop.script import ScriptedEvent
from oxytestbed.models.disturbances import (
    APNOEA_SHUNT_FACTOR,
    Breathing,
    DisturbanceSettings,
)
from oxytestbed.models.support import settings_for

CALM = DisturbanceSettings(apnoea_rate_scale=0.0, drift_scale=0.0, hypoventilation_rate_per_h=0.0)
FIXED = ArmSpec(name="fixed", controller="fixed", overseen=False)
AT_S, LASTS_S = 200, 20
CLOSING = Layer(ventilation=0.0, shunt_factor=APNOEA_SHUNT_FACTOR, kind=Breathing.CENTRAL)
APNOEA = ScriptedEvent(at_s=AT_S, event="central_apnoea", duration_s=LASTS_S)


@pytest.fixture(scope="module")
def shunts(make_spec):
    """Give what a central apnoea that closes units multiplies the shunt of three infants by."""

    def after(settings, layers):
        spec = make_spec([0, 1, 2], arms=(FIXED,), duration_s=10, warmup_s=0)
        bench = Bench(replace(spec, support=settings, disturbances=CALM))
        for layer in layers:
            bench.patients.state.lay([0, 1, 2], layer, 0.0)
        seen, step = [], bench.patients.lungs.step

        def spy(fio2, breathing, closed, ventilation, shunt, *rest):
            seen.append(shunt.copy())
            step(fio2, breathing, closed, ventilation, shunt, *rest)

        bench.patients.lungs.step = spy
        bench.run()
        return seen[-1]

    def on(mode, *others, **table):
        settings = settings_for(mode, table)
        return after(settings, [CLOSING, *others]) / after(settings, others)

    return on


def test_lung_units_close_in_apnoea_as_drawn_at_the_reference(shunts):
    assert shunts("nasal_cpap").tolist() == [pytest.approx(APNOEA_SHUNT_FACTOR)] * 3


def test_less_pressure_lets_more_units_close_and_more_pressure_fewer(shunts):
    usual = shunts("nasal_cpap")
    assert (shunts("nasal_cpap", pressure_cmh2o=4.0) > usual).all()
    assert (shunts("nasal_cpap", pressure_cmh2o=7.0) < usual).all()


def test_oscillation_keeps_units_open_by_what_it_ventilates_and_by_its_pressure(shunts):
    gentle = shunts("nhfo", mean_pressure_cmh2o=6.0)
    assert (gentle < shunts("nasal_cpap")).all()
    assert (shunts("nhfo", mean_pressure_cmh2o=8.0) < gentle).all()


def test_a_shunt_for_another_cause_is_not_held_open(shunts):
    worse = Layer(shunt_factor=1.5)
    assert shunts("nhfo", worse).tolist() == pytest.approx(shunts("nhfo").tolist())


def breaths_and_saturation(make_spec, response):
    """Own breathing, kind of event and SaO2 of an infant around an apnoea, second by second."""
    spec = make_spec([0], arms=(FIXED,), duration_s=AT_S + 90, script=(APNOEA,))
    bench = Bench(replace(spec, disturbances=replace(CALM, co2_response=response)))
    seen, step = [], bench.patients.step

    def spy(*given):
        step(*given)
        patients = bench.patients
        now = patients.reflex.breathing, patients.state.apnoea, patients.lungs.sao2_fraction
        seen.append([float(values[0]) for values in now])

    bench.patients.step = spy
    bench.run()
    return np.array(seen).T


def test_an_infant_breathes_more_after_an_apnoea_and_recovers_sooner(make_spec):
    own, kind, sao2 = breaths_and_saturation(make_spec, 1.0)
    assert set(own[kind == Breathing.CENTRAL]) == {0.0}
    after = own[AT_S + LASTS_S :]
    assert after[0] > 1.5 and (np.diff(after) < 0).all()
    plain, _, slower = breaths_and_saturation(make_spec, 0.0)
    assert (plain[AT_S + LASTS_S :] == 1.0).all()
    early = slice(AT_S + LASTS_S, AT_S + LASTS_S + 20)
    assert np.array_equal(sao2[: AT_S + LASTS_S], slower[: AT_S + LASTS_S])
    assert (sao2[early] > slower[early]).all()
