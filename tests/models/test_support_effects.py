"""What support does: by which mechanism, in which direction, and nothing at the reference."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from oxytestbed.models.cohort import CohortSettings, draw_infants
from oxytestbed.models.disturbances import Breathing
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.gas_delivery import GasSettings, wash_in_time_constant_s
from oxytestbed.models.infants import FloatArray, Infants
from oxytestbed.models.lung_parameters import lung_parameters
from oxytestbed.models.lungs import REFILL_PER_S, Lungs
from oxytestbed.models.steady import steady_state
from oxytestbed.models.support import MODES, settings_for
from oxytestbed.models.support_circuit import gas_settings
from oxytestbed.models.support_effects import Support
from oxytestbed.models.support_mechanics import mode_numbers

CENTRAL, OBSTRUCTIVE = int(Breathing.CENTRAL), int(Breathing.OBSTRUCTIVE)
WEAK, NORMAL = int(Breathing.HYPOVENTILATION), int(Breathing.NORMAL)
FACTORS = ("volume_factor", "shunt_factor", "poor_factor", "flow_factor", "apnoea_rate_factor")


@pytest.fixture(scope="module")
def infants() -> Infants:
    return draw_infants(4, CohortSettings(infants=12, stratum="unstable"), 92.5).infants


def support_of(infants: Infants, mode: str = "nasal_cpap", **table: Any) -> Support:
    return Support(infants, 1, settings_for(mode, table))


def ventilation(
    support: Support, kind: int, *, elapsed_s: float = 60.0, breathing: float = 0.0
) -> FloatArray:
    """Ventilation of every lane in one second of a breathing event."""
    lanes = len(support.e_out)
    support.effective(
        np.full(lanes, kind),
        np.full(lanes, elapsed_s),
        np.full(lanes, breathing),
        np.full(lanes, kind == OBSTRUCTIVE),
    )
    return support.e_out.copy()


def test_the_reference_changes_no_bit(infants: Infants) -> None:
    support = support_of(infants)
    for name in FACTORS:
        assert (getattr(support, name) == 1.0).all(), name
    base = lung_parameters(infants)
    on_cpap = support.supported(base)
    for name, values in vars(base).items():
        np.testing.assert_array_equal(getattr(on_cpap, name), values)
    mixed = np.empty(len(infants))
    support.mix(infants.fio2_need, mixed)
    np.testing.assert_array_equal(mixed, infants.fio2_need)
    for kind, breathing in ((NORMAL, 1.0), (CENTRAL, 0.0), (OBSTRUCTIVE, 0.0), (WEAK, 0.37)):
        assert (ventilation(support, kind, breathing=breathing) == breathing).all()
        assert (support.closed_out == (kind == OBSTRUCTIVE)).all()
    assert gas_settings(settings_for("nasal_cpap")) == GasSettings()


@pytest.mark.parametrize("mode", MODES)
def test_quiet_breathing_is_ventilated_as_before(infants: Infants, mode: str) -> None:
    assert (ventilation(support_of(infants, mode), NORMAL, breathing=1.0) == 1.0).all()


@pytest.mark.parametrize("mode", MODES)
def test_ventilation_never_falls_by_support_nor_rises_above_normal(
    infants: Infants, mode: str
) -> None:
    support = support_of(infants, mode)
    for kind, breathing in ((CENTRAL, 0.0), (WEAK, 0.3), (OBSTRUCTIVE, 0.0)):
        e = ventilation(support, kind, breathing=breathing)
        assert ((e >= breathing) & (e <= 1.0)).all()


def test_pressure_opens_the_lung_until_it_is_overdistended(infants: Infants) -> None:
    steps = [
        support_of(infants, "nhfo", mean_pressure_cmh2o=pressure, leak_fraction=0)
        for pressure in (2, 4, 6, 8, 12, 16)
    ]
    volume = np.array([step.volume_factor[0] for step in steps])
    shunt = np.array([step.shunt_factor[0] for step in steps])
    flow = np.array([step.flow_factor[0] for step in steps])
    assert (np.diff(volume) > 0).all()
    assert (np.diff(shunt[:4]) < 0).all() and (np.diff(shunt[3:]) > 0).all()
    assert (flow[:2] == 1.0).all() and (np.diff(flow[1:]) < 0).all()


def test_leak_and_an_open_mouth_lose_pressure_and_volume(infants: Infants) -> None:
    support = support_of(infants)
    support.set_leak(np.array([1]), leak_fraction=0.6)
    support.set_leak(np.array([2]), mouth_open=1.0)
    kept, leaking, open_mouth = support.airway_cmh2o[:3]
    assert leaking < kept and open_mouth < kept
    assert (support.volume_factor[1:3] < 1).all() and (support.shunt_factor[1:3] > 1).all()
    assert support.measured_cmh2o[0] == 6.0 and 0 < support.measured_cmh2o[1] < 6.0
    assert (support.volume_factor[3:] == 1).all()
    with pytest.raises(TestbedError, match=r"from 0 to 0\.95"):
        support.set_leak(np.array([0]), leak_fraction=1.2)


def test_an_interface_that_is_off_gives_no_pressure_no_breath_and_air(infants: Infants) -> None:
    support = support_of(infants, "nhfo")
    support.set_interface(np.array([0]), on=False)
    assert support.measured_cmh2o[0] == 0.0 and support.airway_cmh2o[0] == 0.0
    e = ventilation(support, CENTRAL)
    assert e[0] == 0.0 and e[1] > 0.0
    mixed = np.empty(len(infants))
    support.mix(np.full(len(infants), 0.6), mixed)
    assert mixed[0] == pytest.approx(0.21) and mixed[1] == 0.6
    support.set_interface(np.array([0]), on=True)
    assert support.airway_cmh2o[0] == support.airway_cmh2o[1]


@pytest.mark.parametrize("mode", ["nasal_cpap", "snippv"])
def test_backup_breaths_come_exactly_after_the_apnoea_time(infants: Infants, mode: str) -> None:
    support = support_of(infants, mode, backup_rate_per_min=30, apnoea_time_s=8)
    by_second = [ventilation(support, CENTRAL, elapsed_s=float(s))[0] for s in range(12)]
    assert by_second[:8] == [0.0] * 8
    assert min(by_second[8:]) == max(by_second[8:]) > 0.0
    assert (ventilation(support, OBSTRUCTIVE) == 0.0).all()
    assert support.closed_out.all()


def test_a_small_breath_is_missed_when_the_threshold_is_high(infants: Infants) -> None:
    shares = []
    for threshold in (0.05, 0.5, 1.0, 5.0):
        support = support_of(infants, "snippv", trigger_l_min=threshold, apnoea_time_s=30)
        e = ventilation(support, WEAK, elapsed_s=5.0, breathing=0.3)
        shares.append(support.triggered_share.copy())
        assert (e[support.triggered_share == 0.0] == 0.3).all()
        assert (e[support.triggered_share > 0.0] > 0.3).all()
    assert (np.diff(shares, axis=0) <= 0).all()
    assert (shares[0] == 1.0).all() and (shares[-1] == 0.0).all()
    assert ((shares[1] > 0) & (shares[1] < 1)).any()


def test_a_leak_hides_breaths_and_starts_false_ones(infants: Infants) -> None:
    support = support_of(infants, "snippv", circuit="single_limb", trigger_l_min=0.3)
    ventilation(support, WEAK, breathing=0.25)
    tight = support.triggered_share.copy()
    assert (support.auto_share == 0.0).all()
    support.set_leak(np.arange(len(infants)), leak_fraction=0.8)
    ventilation(support, WEAK, breathing=0.25)
    assert (support.triggered_share <= tight).all() and (support.triggered_share < tight).any()
    assert (support.auto_share > 0.0).all()
    dual = support_of(infants, "snippv", trigger_l_min=0.3, leak_fraction=0.8)
    assert (dual.auto_share < support.auto_share).all()


@pytest.mark.parametrize("mode", ["nhfo", "hfo"])
def test_oscillation_does_not_respond_to_breaths(infants: Infants, mode: str) -> None:
    support = support_of(infants, mode, amplitude_cmh2o=15)
    in_apnoea = ventilation(support, CENTRAL, elapsed_s=0.0)
    added = [ventilation(support, WEAK, breathing=b) - b for b in (0.2, 0.4)]
    assert (support.triggered_share == 0.0).all()
    np.testing.assert_allclose(added, [in_apnoea, in_apnoea], rtol=1e-12)
    np.testing.assert_array_equal(ventilation(support, CENTRAL, elapsed_s=99.0), in_apnoea)


def test_oscillation_is_blocked_by_a_closed_airway_but_not_by_one_with_a_tube(
    infants: Infants,
) -> None:
    assert (ventilation(support_of(infants, "nhfo"), OBSTRUCTIVE) == 0.0).all()
    tube = support_of(infants, "hfo")
    assert (ventilation(tube, OBSTRUCTIVE) == 1.0).all()
    assert not tube.closed_out.any()


def test_oscillation_goes_with_amplitude_squared_over_frequency() -> None:
    def share(**table: float) -> float:
        return mode_numbers(settings_for("nhfo", table)).oscillation

    usual = share()
    assert share(amplitude_cmh2o=50) == pytest.approx(4 * usual)
    assert share(frequency_hz=5) == pytest.approx(2 * usual)
    assert share(inspiratory_share=0.25) == pytest.approx(usual / 4)


@pytest.mark.parametrize(
    ("mode", "kind"), [("nippv", CENTRAL), ("snippv", WEAK), ("conventional", CENTRAL)]
)
def test_breaths_grow_with_pressure_and_inspiratory_time_and_shrink_with_rise_time(
    infants: Infants, mode: str, kind: int
) -> None:
    def e(**table: float) -> float:
        breathing = 0.2 if kind == WEAK else 0.0
        return float(ventilation(support_of(infants, mode, **table), kind, breathing=breathing)[0])

    usual = e()
    assert e(pip_cmh2o=22) > usual > e(pip_cmh2o=16)
    assert e(inspiratory_time_s=0.5) > usual > e(rise_time_s=0.3)
    assert e(inspiratory_time_s=0.5) < 1.2 * usual


def test_cannulas_let_air_in_by_what_flow_is_missing(infants: Infants) -> None:
    circuit = np.full(len(infants), 0.6)
    inspired = {}
    for mode, flow in (("low_flow", 0.1), ("low_flow", 1.0), ("high_flow", 2.0), ("high_flow", 8)):
        mixed = np.empty(len(infants))
        support_of(infants, mode, flow_l_min=flow).mix(circuit, mixed)
        inspired[mode, flow] = mixed
    low, more, partly, full = inspired.values()
    assert (low > 0.21).all() and (low < more).all() and (more < 0.6).all()
    assert (partly < 0.6).any() and (full == 0.6).all()
    heavy = np.argsort(infants.weight_kg)
    assert (np.diff(low[heavy]) <= 0).all()


def test_a_mouth_dilutes_only_where_flow_runs_short(infants: Infants) -> None:
    short = support_of(infants, "nasal_cpap", flow_l_min=1.0, mouth_open_share=1.0)
    enough = support_of(infants, "nasal_cpap", flow_l_min=12.0, mouth_open_share=1.0)
    assert (short.air_share > 0).any() and (enough.air_share == 0).all()


def test_circuit_volume_and_flow_set_the_wash_in() -> None:
    long = gas_settings(settings_for("nasal_cpap", {"circuit_volume_ml": 840}))
    short = gas_settings(settings_for("nasal_cpap", {"circuit_volume_ml": 432}))
    assert wash_in_time_constant_s(long) > wash_in_time_constant_s(short)
    thin = settings_for("low_flow", {"flow_l_min": 0.1})
    made = gas_settings(thin, GasSettings(fio2_max=0.8))
    assert made.circuit_volume_ml / made.flow_l_min == pytest.approx(20 / 0.1)
    assert made.fio2_max == 0.8
    assert gas_settings(settings_for("high_flow")).dead_time_s > made.dead_time_s


def test_a_sigh_opens_shunt_raises_the_volume_and_fades(infants: Infants) -> None:
    support = support_of(infants)
    support.sigh(np.array([0]), pressure_cmh2o=20.0, hold_s=5)
    held, shunt = [], []
    for _ in range(3000):
        held.append(support.volume_factor[0])
        shunt.append(support.shunt_factor[0])
        ventilation(support, NORMAL, breathing=1.0)
    assert min(held[:5]) > 1.0 and set(held[5:]) == {1.0}
    assert shunt[0] < 0.8 and (np.diff(shunt) >= 0).all() and shunt[-1] == 1.0
    assert support.shunt_factor[1] == 1.0
    with pytest.raises(TestbedError, match="to 40 cmH2O"):
        support.sigh(np.array([0]), pressure_cmh2o=60.0, hold_s=5)


def test_a_breath_by_hand_ventilates_one_second_and_not_a_closed_airway(infants: Infants) -> None:
    support = support_of(infants)
    support.give_breath(np.array([2]))
    e = ventilation(support, CENTRAL)
    assert e[2] > 0.5 and e[[0, 1, 3]].max() == 0.0
    assert (ventilation(support, CENTRAL) == 0.0).all()
    support.give_breath(np.array([2]))
    assert (ventilation(support, OBSTRUCTIVE) == 0.0).all()


def course(infants: Infants, modes: list[str], ticks: int = 60) -> list[FloatArray]:
    """Every array of a mixed company, second by second, with a change of mode on the way."""
    support = support_of(infants)
    for lane, mode in enumerate(modes):
        support.apply(settings_for(mode), np.array([lane]))
    numbers = infants.infant
    rows = []
    for tick in range(ticks):
        if tick == 30:
            for lane in np.flatnonzero(numbers % 2 == 0).tolist():
                support.apply(settings_for("nippv"), np.array([lane]))
        if tick == 10:
            support.sigh(np.flatnonzero(numbers % 3 == 0), 18.0, 4)
            support.set_leak(np.flatnonzero(numbers % 4 == 1), leak_fraction=0.7)
        kind = (numbers + tick // 12) % 5
        closed = (kind == OBSTRUCTIVE) | ((kind == int(Breathing.MIXED)) & (tick % 12 > 5))
        breathing = np.where(kind == NORMAL, 1.0, np.where(kind == WEAK, 0.41, 0.0))
        support.effective(kind, np.full(len(numbers), float(tick % 12)), breathing, closed)
        values = [support.e_out, support.closed_out * 1.0, support.triggered_share]
        values += [support.volume_factor, support.shunt_factor, support.flow_factor]
        rows.append(np.stack(values))
    return rows


def test_a_lane_has_the_same_bits_alone_and_in_company(infants: Infants) -> None:
    modes = [list(MODES)[place % len(MODES)] for place in range(len(infants))]
    together = np.array(course(infants, modes))
    for place in range(len(infants)):
        alone = np.array(course(infants.take(np.array([place])), [modes[place]]))
        np.testing.assert_array_equal(alone[..., 0], together[..., place], err_msg=modes[place])


def test_arms_are_lanes_of_the_same_infants(infants: Infants) -> None:
    both = Support(infants, 2, settings_for("nippv"))
    both.apply(settings_for("nhfo"), np.arange(len(infants), 2 * len(infants)))
    second = support_of(infants, "nhfo")
    for name in FACTORS:
        np.testing.assert_array_equal(getattr(both, name)[len(infants) :], getattr(second, name))


def test_a_change_of_mode_moves_the_lungs_by_and_by(infants: Infants) -> None:
    base = lung_parameters(infants)
    support = support_of(infants)
    lungs = Lungs(base, steady_state(base, infants.fio2_need))
    support.apply(settings_for("nhfo", {"mean_pressure_cmh2o": 14}))
    np.multiply(base.volume_ml, support.volume_factor, out=lungs.resting_volume_ml)
    now = support.supported(base)
    gap = lungs.resting_volume_ml - lungs.volume_ml
    for second in range(60):
        before = lungs.volume_ml.copy()
        ventilation(support, NORMAL, breathing=1.0)
        drive = (now.ventilation_ml_s, now.shunt, now.flow_ml_s)
        lungs.step(infants.fio2_need, support.e_out, support.closed_out, *drive)
        assert (lungs.volume_ml >= before).all()
        if second == 0:
            np.testing.assert_allclose(lungs.volume_ml - before, REFILL_PER_S * gap, rtol=1e-9)
    np.testing.assert_allclose(lungs.volume_ml, now.volume_ml, rtol=1e-5)


@pytest.mark.parametrize("mode", MODES)
def test_support_shares_ventilation_out_anew_without_changing_it(
    infants: Infants, mode: str
) -> None:
    base = lung_parameters(infants)
    now = support_of(infants, mode).supported(base)
    total = base.ventilation_ml_s[0] + base.ventilation_ml_s[1]
    np.testing.assert_allclose(now.ventilation_ml_s[0] + now.ventilation_ml_s[1], total)
    assert (now.ventilation_ml_s > 0).all()


def test_effort_behind_a_tube_moves_gas_as_in_quiet_breathing(infants: Infants) -> None:
    support = support_of(infants, "conventional")
    assert (ventilation(support, CENTRAL) < 1.0).all()
    assert (ventilation(support, OBSTRUCTIVE) == 1.0).all()
    assert not support.closed_out.any()


def test_nothing_is_added_outside_a_breathing_event(infants: Infants) -> None:
    assert (ventilation(support_of(infants, "nhfo"), NORMAL, breathing=0.9) == 0.9).all()


@pytest.mark.parametrize("where", ["set", "later"])
def test_a_leak_takes_breaths_in_proportion_and_oscillation_by_the_square(
    infants: Infants, where: str
) -> None:
    kept = {}
    for mode in ("nippv", "nhfo"):
        usual = support_of(infants, mode)
        leaking = support_of(infants, mode, leak_fraction=0.6 if where == "set" else 0.3)
        leaking.set_leak(np.arange(len(infants)), leak_fraction=0.6)
        pressure = leaking.airway_cmh2o[0] / usual.airway_cmh2o[0]
        kept[mode] = ventilation(leaking, CENTRAL)[0] / ventilation(usual, CENTRAL)[0]
        assert pressure < 0.6
    assert kept["nippv"] == pytest.approx(pressure)
    assert kept["nhfo"] == pytest.approx(pressure * pressure)


def test_breaths_that_leak_starts_hide_the_apnoea_from_the_backup(infants: Infants) -> None:
    table = {"trigger_l_min": 0.05, "circuit": "single_limb", "leak_fraction": 0.3}
    support = support_of(infants, "snippv", backup_rate_per_min=20, apnoea_time_s=5, **table)
    assert (support.auto_share == 1.0).all()
    early, late = (ventilation(support, CENTRAL, elapsed_s=s)[0] for s in (1.0, 9.0))
    assert early == late > 0.0


def test_a_sigh_does_not_pass_a_closed_airway(infants: Infants) -> None:
    support = support_of(infants)
    ventilation(support, OBSTRUCTIVE)
    support.sigh(np.array([0]), pressure_cmh2o=20.0, hold_s=5)
    assert (support.shunt_factor == 1.0).all() and (support.volume_factor == 1.0).all()


def test_the_poor_part_never_gets_all_of_the_ventilation(infants: Infants) -> None:
    base = lung_parameters(infants)
    base = replace(base, ventilation_ml_s=base.ventilation_ml_s[::-1].copy())
    now = support_of(infants, "hfo", mean_pressure_cmh2o=20).supported(base)
    share = now.ventilation_ml_s[1] / (now.ventilation_ml_s[0] + now.ventilation_ml_s[1])
    assert (share > 0.5).all() and share.max() <= max(
        0.97, (1 - infants.ventilation_share_poor).max()
    )
