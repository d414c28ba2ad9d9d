"""Apnoea in a homogeneous lung against published statements and closed forms.

Statements S5 to S13 and the values S18 to S20 stand in
`data/apnoea_model_checks.csv` with their sources: Sands et al 2009, PLoS
Comput Biol e1000588 (PMC2778953), and mass balance. They are about one lung
compartment without shunt, so both compartments are made alike here. Stage 1
is the fall from 2 points below the start to the inflection, where the slope
drops fastest; stage 2 is the fall around SaO2 40 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from oxytestbed.models.lung_equations import derivative, drive_with, resting_drive
from oxytestbed.models.lung_parameters import (
    GAS_FACTOR_MMHG,
    UPTAKE_HALF_CONTENT,
    LungParameters,
)
from oxytestbed.models.lungs import Lungs, divided
from oxytestbed.models.steady import steady_state

DATA = Path(__file__).parent / "data" / "apnoea_model_checks.csv"
AIR = np.array([0.21])


def lung(
    vo2: float = 10,
    flow: float = 250,
    hb: float = 15,
    blood: float = 80,
    volume: float = 25,
    paco2: float = 40,
) -> LungParameters:
    """One compartment, in two equal halves, without shunt; the published normal infant."""
    one = np.ones(1)
    ventilation = GAS_FACTOR_MMHG * 0.9 * vo2 / 60 / paco2
    return LungParameters(
        capacity=1.34 * hb / 100 * one,
        p50_mmhg=26.857 * one,
        flow_ml_s=flow / 60 * one,
        vo2_ml_s=vo2 / 60 * one,
        paco2_mmhg=paco2 * one,
        ventilation_ml_s=np.full((2, 1), ventilation / 2),
        perfusion_share=np.full((2, 1), 0.5),
        volume_ml=np.full((2, 1), volume / 2),
        shunt=0 * one,
        arterial_volume_ml=2.0 * one,
        venous_volume_ml=(blood - 2.0) * one,
    )


@dataclass(frozen=True)
class Apnoea:
    resting_svo2: float
    onset_s: int
    stage1: float
    stage2: float
    inflection: float
    from_90_to_60_s: float


def apnoea(flow_step: float = 1.0, **changed: float) -> Apnoea:
    parameters = lung(**changed)
    start = steady_state(parameters, AIR)
    lungs = Lungs(parameters, start, steps_s=divided((1.0,), 4))
    sao2 = [100 * lungs.sao2_fraction[0]]
    nothing, shut = np.zeros(1), np.array([True])
    for _ in range(90):
        lungs.step(
            AIR,
            nothing,
            shut,
            parameters.ventilation_ml_s,
            parameters.shunt,
            parameters.flow_ml_s * flow_step,
        )
        sao2.append(100 * lungs.sao2_fraction[0])
    trace = np.array(sao2)
    fall = -np.diff(trace)
    steepest = int(fall.argmax())
    bend = steepest + 1 + int(np.diff(fall)[steepest : steepest + 25].argmin())
    onset = int(np.argmax(trace < trace[0] - 2))
    late = int(np.argmax(trace < 40))
    return Apnoea(
        resting_svo2=100 * float(start.cv[0] / parameters.capacity[0]),
        onset_s=onset,
        stage1=(trace[onset] - trace[bend]) / (bend - onset),
        stage2=(trace[late] - trace[late + 4]) / 4,
        inflection=trace[bend],
        from_90_to_60_s=float(np.diff(np.interp([-90, -60], -trace, np.arange(len(trace))))[0]),
    )


BASE = apnoea()


def test_s5_desaturation_is_fast_and_then_slower() -> None:
    assert BASE.stage1 > 1.3 * BASE.stage2


def test_s6_doubled_uptake_with_doubled_flow_doubles_both_stages() -> None:
    """Published ratio 2.0; 4 % for the finite arterial pool and fading uptake."""
    both = apnoea(vo2=20, flow=500)
    assert both.stage1 / BASE.stage1 == pytest.approx(2.0, rel=0.04)
    assert both.stage2 / BASE.stage2 == pytest.approx(2.0, rel=0.04)
    assert both.resting_svo2 == pytest.approx(BASE.resting_svo2, abs=0.1)
    assert both.inflection == pytest.approx(BASE.inflection, abs=1.5)


def test_s7_doubled_uptake_alone_steepens_stage_1_out_of_proportion() -> None:
    more = apnoea(vo2=20)
    assert more.resting_svo2 < BASE.resting_svo2 - 10
    assert more.inflection < BASE.inflection - 5
    assert more.stage1 / BASE.stage1 > 2.2
    assert more.stage2 / BASE.stage2 == pytest.approx(2.0, rel=0.05)


def test_s8_lower_resting_flow_steepens_stage_1_only() -> None:
    less, more = apnoea(flow=125), apnoea(flow=375)
    assert less.stage1 > 1.2 * BASE.stage1 > 1.2 * 1.05 * more.stage1
    assert less.resting_svo2 < BASE.resting_svo2 < more.resting_svo2
    assert less.inflection < BASE.inflection < more.inflection
    for other in (less, more):
        assert other.stage2 == pytest.approx(BASE.stage2, rel=0.03)
        assert abs(other.onset_s - BASE.onset_s) <= 1


def test_s9_a_step_of_flow_at_onset_acts_the_other_way_on_stage_1() -> None:
    faster, slower = apnoea(flow_step=1.5), apnoea(flow_step=0.6)
    assert faster.stage1 > BASE.stage1 > slower.stage1
    for other in (faster, slower):
        assert other.stage2 == pytest.approx(BASE.stage2, rel=0.03)


def test_s10_low_alveolar_po2_brings_an_earlier_onset_and_little_else() -> None:
    low = apnoea(paco2=60)
    assert low.onset_s < BASE.onset_s
    assert low.stage2 == pytest.approx(BASE.stage2, rel=0.03)
    assert low.from_90_to_60_s == pytest.approx(BASE.from_90_to_60_s, rel=0.1)


def test_s11_small_lung_anaemia_and_low_flow_steepen_stage_1() -> None:
    small, anaemic = apnoea(volume=15), apnoea(hb=10)
    assert small.stage1 > 1.2 * BASE.stage1
    assert anaemic.stage1 > 1.2 * BASE.stage1
    assert small.stage2 == pytest.approx(BASE.stage2, rel=0.05)
    assert anaemic.stage2 > 1.2 * BASE.stage2


def test_s12_blood_volume_and_haemoglobin_set_stage_2() -> None:
    assert apnoea(blood=60).stage2 == pytest.approx(BASE.stage2 * 80 / 60, rel=0.05)
    assert apnoea(hb=10).stage2 == pytest.approx(BASE.stage2 * 15 / 10, rel=0.08)


def test_s13_raised_uptake_speeds_the_whole() -> None:
    more = apnoea(vo2=13)
    assert more.onset_s <= BASE.onset_s
    assert more.stage1 > BASE.stage1
    assert more.stage2 > BASE.stage2


def initial_fall(fio2: float, parameters: LungParameters) -> tuple[float, float]:
    """Alveolar PO2 rate at onset, airway open, on FiO2 `fio2`; and the uptake then."""
    start = steady_state(parameters, AIR)
    state = np.vstack([start.p_mmhg, start.ca, start.cv])
    drive = drive_with(resting_drive(parameters, np.array([fio2])), breathing=np.zeros(1))
    rates, _ = derivative(state, parameters.volume_ml, drive, parameters)
    fade = float(start.cv[0] / (start.cv[0] + UPTAKE_HALF_CONTENT))
    return float(rates[0, 0]), fade


def test_s18_initial_fall_of_alveolar_po2() -> None:
    """-5.753 mmHg/s at VO2 10 and 25 mL/kg; our resting uptake is VO2 times its fading term."""
    rate, fade = initial_fall(0.0, lung())
    assert rate == pytest.approx(-5.753 * fade, rel=1e-4)
    assert 0.94 < fade < 1.0


@pytest.mark.parametrize("fio2", [0.21, 0.3, 0.6, 1.0])
def test_s19_open_airway_slows_the_fall_by_one_minus_fio2(fio2: float) -> None:
    parameters = lung()
    none, _ = initial_fall(0.0, parameters)
    some, _ = initial_fall(fio2, parameters)
    assert some == pytest.approx((1 - fio2) * none, rel=1e-9, abs=1e-9)


def test_s20_stage_2_limit() -> None:
    """1.037 %/s at VO2 10, Hb 15, 80 mL/kg, as the lung's own store goes to nothing.

    At SaO2 40 % our uptake has faded to Cv / (Cv + 0.005); what the lung and
    the dissolved oxygen still give is why 2 % are allowed.
    """
    content = 0.38 * 1.34 * 15 / 100
    fade = content / (content + UPTAKE_HALF_CONTENT)
    assert apnoea(volume=2.0).stage2 == pytest.approx(1.037 * fade, rel=0.02)


def test_every_statement_about_a_homogeneous_lung_is_checked_here() -> None:
    table = pd.read_csv(DATA).set_index("id")
    ours = {name.split("_")[1].upper() for name in globals() if name.startswith("test_s")}
    wanted = {f"S{n}" for n in (*range(5, 14), 18, 19, 20)}
    assert wanted <= ours
    assert wanted <= set(table.index)
