"""Steady states: the equations hold, the inverses invert, and the laws are kept."""

from dataclasses import fields, replace

import numpy as np
import pytest

from oxytestbed.models.lung_parameters import (
    DRY_MMHG,
    GAS_FACTOR_MMHG,
    UPTAKE_HALF_CONTENT,
    LungParameters,
    shares,
)
from oxytestbed.models.steady import (
    fio2_for,
    fio2_gain,
    steady_state,
    venous_content,
    ventilation_share_for,
)

LANES = 200


def lungs(lanes=LANES, **changes):
    """Lungs over the whole range that cohorts are drawn from."""
    generator = np.random.default_rng(5)

    def between(low, high):
        return generator.uniform(low, high, lanes)

    vo2 = between(4.5, 10.0) / 60.0
    paco2 = between(40.0, 55.0)
    ventilation = GAS_FACTOR_MMHG * between(0.85, 1.0) * vo2 / paco2
    drawn = LungParameters(
        capacity=1.34 * between(10.0, 16.0) / 100.0,
        p50_mmhg=between(19.5, 24.0),
        flow_ml_s=between(150.0, 350.0) / 60.0,
        vo2_ml_s=vo2,
        paco2_mmhg=paco2,
        ventilation_ml_s=ventilation * shares(between(0.02, 0.4)),
        perfusion_share=shares(between(0.4, 0.88)),
        volume_ml=20.0 * shares(between(0.25, 0.6)),
        shunt=between(0.0, 0.2),
        arterial_volume_ml=np.full(lanes, 5.0),
        venous_volume_ml=np.full(lanes, 88.0),
    )
    return replace(drawn, **changes)


def one_lane(parameters, lane):
    return LungParameters(
        **{f.name: getattr(parameters, f.name)[..., [lane]] for f in fields(parameters)}
    )


def content(parameters, p_mmhg):
    """Content written out again, so that the module is not checked with itself."""
    x = p_mmhg * 26.857 / parameters.p50_mmhg
    y = x * x * x + 150.0 * x
    return parameters.capacity * y / (y + 23400.0) + 0.00003 * p_mmhg


@pytest.mark.parametrize("fio2", [0.15, 0.21, 0.3, 0.6, 0.999, 1.0])
def test_every_derivative_is_zero(fio2):
    p = lungs()
    found = steady_state(p, np.full(LANES, fio2))
    taken = p.flow_ml_s * p.perfusion_share * (1 - p.shunt)
    taken = taken * (content(p, found.p_mmhg) - found.cv)
    used = p.vo2_ml_s * found.cv / (found.cv + UPTAKE_HALF_CONTENT)
    lung = (1 - p.shunt) * (p.perfusion_share * content(p, found.p_mmhg)).sum(
        0
    ) + p.shunt * found.cv
    gas = p.ventilation_ml_s * (fio2 * DRY_MMHG - found.p_mmhg - fio2 * p.paco2_mmhg)
    gas = gas - GAS_FACTOR_MMHG * taken * (1 - fio2)
    # 1e-10 of the flows that are in balance.
    assert np.abs(gas).max() < 1e-10 * (p.ventilation_ml_s * DRY_MMHG).max()
    assert np.abs(lung - found.ca).max() < 1e-12
    assert np.abs(taken.sum(0) - used).max() < 1e-10 * used.max()
    assert np.abs(p.flow_ml_s * (found.ca - found.cv) - used).max() < 1e-10 * used.max()


def test_arterial_blood_holds_its_content():
    p = lungs()
    found = steady_state(p, np.full(LANES, 0.3))
    assert np.abs(content(p, found.pao2_mmhg) - found.ca).max() < 1e-12
    bound = found.ca - 0.00003 * found.pao2_mmhg
    np.testing.assert_allclose(bound / p.capacity, found.sao2_fraction, rtol=1e-10)


def test_uniform_lung_obeys_the_alveolar_gas_equation():
    # Full alveolar gas equation, without shunt and with matched ventilation:
    # PAO2 = PI - PaCO2 (FI + (1 - FI) / R). Common practice, no source.
    matched = shares(np.full(LANES, 0.4))
    base = lungs()
    total = base.ventilation_ml_s.sum(0)
    p = replace(base, shunt=np.zeros(LANES), perfusion_share=matched)
    p = replace(p, ventilation_ml_s=total * matched)
    found = steady_state(p, np.full(LANES, 0.4))
    # Uptake is a little below VO2 because it fades as the stores empty.
    used = p.vo2_ml_s * found.cv / (found.cv + UPTAKE_HALF_CONTENT)
    exchange_ratio = total * p.paco2_mmhg / (GAS_FACTOR_MMHG * used)
    expected = 0.4 * DRY_MMHG - p.paco2_mmhg * (0.4 + 0.6 / exchange_ratio)
    np.testing.assert_allclose(found.p_mmhg[0], expected, rtol=1e-10)
    np.testing.assert_allclose(found.p_mmhg[1], expected, rtol=1e-10)


def test_saturation_rises_with_fio2():
    p = lungs()
    last = steady_state(p, np.full(LANES, 0.15)).sao2_fraction
    for fio2 in (0.21, 0.3, 0.5, 0.8, 1.0):
        now = steady_state(p, np.full(LANES, fio2)).sao2_fraction
        assert (now > last).all()
        last = now


@pytest.mark.parametrize("name", ["shunt", "vo2_ml_s"])
def test_saturation_falls_with_shunt_and_uptake(name):
    # With ventilation held, more shunt or more uptake leaves less oxygen.
    p = lungs()
    raised = replace(p, **{name: 0.01 + 1.1 * getattr(p, name)})
    fio2 = np.full(LANES, 0.3)
    assert (steady_state(raised, fio2).sao2_fraction < steady_state(p, fio2).sao2_fraction).all()


def test_saturation_rises_with_cardiac_output_and_the_poor_parts_ventilation():
    p = lungs()
    fio2 = np.full(LANES, 0.3)
    base = steady_state(p, fio2)
    faster = steady_state(replace(p, flow_ml_s=1.1 * p.flow_ml_s), fio2)
    assert (faster.cv > base.cv).all()
    better = p.ventilation_ml_s * np.array([[1.0], [1.1]])
    aired = steady_state(replace(p, ventilation_ml_s=better), fio2)
    assert (aired.sao2_fraction > base.sao2_fraction).all()


def test_pure_oxygen_leaves_shunt_alone():
    # On pure oxygen both parts hold PB - 47 - PaCO2, whatever their ventilation.
    p = lungs()
    found = steady_state(p, np.ones(LANES))
    np.testing.assert_allclose(
        found.p_mmhg, np.broadcast_to(DRY_MMHG - p.paco2_mmhg, (2, LANES)), rtol=1e-11
    )


def test_venous_content_is_what_the_tissue_leaves():
    p = lungs()
    ca = np.linspace(0.002, 0.2, LANES)  # down to nearly empty blood
    cv = venous_content(p, ca)
    assert ((cv > 0) & (cv < ca)).all()
    used = p.vo2_ml_s * cv / (cv + UPTAKE_HALF_CONTENT)
    np.testing.assert_allclose(p.flow_ml_s * (ca - cv), used, rtol=1e-10)


def test_solved_share_gives_the_saturation_asked_for():
    p = lungs()
    generator = np.random.default_rng(6)
    fio2 = generator.uniform(0.21, 0.6, LANES)
    wanted = generator.uniform(0.85, 0.97, LANES)
    share = ventilation_share_for(p, fio2, wanted)
    found = ~np.isnan(share)
    assert 0.5 < found.mean() < 1.0
    assert (share[found] >= 0.003).all()
    assert (share[found] <= np.minimum(0.95, p.perfusion_share[1][found])).all()
    solved = replace(
        p, ventilation_ml_s=p.ventilation_ml_s.sum(0) * shares(np.where(found, share, 0.1))
    )
    reached = steady_state(solved, fio2).sao2_fraction
    assert np.abs(reached - wanted)[found].max() < 1e-8


def test_share_does_not_depend_on_the_share_that_stands_in_the_parameters():
    p = lungs()
    fio2, wanted = np.full(LANES, 0.3), np.full(LANES, 0.92)
    moved = replace(p, ventilation_ml_s=p.ventilation_ml_s.sum(0) * shares(np.full(LANES, 0.5)))
    np.testing.assert_allclose(
        ventilation_share_for(p, fio2, wanted),
        ventilation_share_for(moved, fio2, wanted),
        rtol=1e-9,
    )


def test_no_share_where_shunt_alone_is_too_much():
    p = lungs(shunt=np.full(LANES, 0.5))
    share = ventilation_share_for(p, np.full(LANES, 0.4), np.full(LANES, 0.99))
    assert np.isnan(share).all()


def test_no_share_where_the_well_part_alone_holds_more():
    p = lungs(perfusion_share=shares(np.full(LANES, 0.06)), shunt=np.zeros(LANES))
    share = ventilation_share_for(p, np.full(LANES, 0.9), np.full(LANES, 0.70))
    assert np.isnan(share).all()


def test_fio2_for_inverts_the_steady_state():
    p = lungs()
    fio2 = np.linspace(0.21, 0.4, LANES)
    reached = steady_state(p, fio2).sao2_fraction
    # On the flat upper curve a rounding of SaO2 is a visible step of FiO2.
    steep = reached < 0.995
    assert steep.sum() > LANES // 2
    found = fio2_for(p, reached)
    assert np.abs(found - fio2)[steep].max() < 1e-7


def test_fio2_out_of_reach_is_nan():
    p = lungs(shunt=np.linspace(0.0, 0.5, LANES))
    best = steady_state(p, np.ones(LANES)).sao2_fraction
    air = steady_state(p, np.full(LANES, 0.21)).sao2_fraction
    beyond = (best < 0.97) | (air > 0.97)
    assert 0.1 < beyond.mean() < 0.9
    assert np.array_equal(np.isnan(fio2_for(p, np.full(LANES, 0.97))), beyond)
    healthy = lungs(shunt=np.zeros(LANES), perfusion_share=shares(np.full(LANES, 0.1)))
    assert np.isnan(fio2_for(healthy, np.full(LANES, 0.6))).all()


def test_gain_is_the_slope_between_two_steady_states():
    p = lungs()
    fio2 = np.full(LANES, 0.3)
    above, below = (steady_state(p, fio2 + step).sao2_fraction for step in (0.002, -0.002))
    # Second order in the step: 1 % leaves room for the curvature.
    np.testing.assert_allclose(fio2_gain(p, fio2), (above - below) / 0.004, rtol=0.01)
    assert np.isfinite(fio2_gain(p, np.ones(LANES))).all()


def test_a_lane_alone_is_bit_equal_to_the_lane_among_others():
    p = lungs(60)
    fio2, wanted = np.linspace(0.21, 0.6, 60), np.linspace(0.86, 0.97, 60)
    together = steady_state(p, fio2)
    share, need = ventilation_share_for(p, fio2, wanted), fio2_for(p, wanted)
    for lane in range(60):
        alone = one_lane(p, lane)
        here = slice(lane, lane + 1)
        single = steady_state(alone, fio2[here])
        for item in fields(single):
            got, expected = getattr(single, item.name), getattr(together, item.name)[..., here]
            assert np.array_equal(got, expected), item.name
        got = ventilation_share_for(alone, fio2[here], wanted[here])
        assert np.array_equal(got, share[here], equal_nan=True)
        assert np.array_equal(fio2_for(alone, wanted[here]), need[here], equal_nan=True)
