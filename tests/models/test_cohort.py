"""The cohort draw: each infant its own, the need as drawn, errors that say why."""

from dataclasses import fields

import numpy as np
import pytest

from oxytestbed.models.cohort import CohortSettings, av_difference_pct, draw_infants
from oxytestbed.models.cohort_values import DISTRIBUTIONS, Distribution
from oxytestbed.models.errors import TestbedError
from oxytestbed.models.haemoglobin import p50_from_hbf
from oxytestbed.models.infants import STRATA
from oxytestbed.models.lung_parameters import lung_parameters
from oxytestbed.models.steady import fio2_for, fio2_gain, steady_state

TARGET_MID = 92.5


@pytest.fixture(scope="module", params=STRATA)
def cohort(request):
    settings = CohortSettings(infants=200, stratum=request.param)
    return draw_infants(3, settings, TARGET_MID)


def same(one, other):
    return all(
        np.array_equal(getattr(one, item.name), getattr(other, item.name)) for item in fields(one)
    )


@pytest.mark.parametrize("stratum", STRATA)
def test_an_infant_does_not_depend_on_the_others(stratum):
    settings = CohortSettings(infants=40, stratum=stratum)
    whole = draw_infants(11, settings, TARGET_MID)
    for number in (0, 7, 8, 39):
        alone = draw_infants(11, settings, TARGET_MID, first=number, count=1)
        assert same(alone.infants, whole.infants.take(np.array([number])))
        assert alone.redraws[0] == whole.redraws[number]
    late = draw_infants(11, settings, TARGET_MID, first=25, count=15)
    assert same(late.infants, whole.infants.take(np.arange(25, 40)))


def test_seed_and_number_change_the_infant():
    settings = CohortSettings(infants=2)
    one = draw_infants(1, settings, TARGET_MID).infants
    other = draw_infants(2, settings, TARGET_MID).infants
    assert one.hb_g_dl[0] != other.hb_g_dl[0]
    assert one.hb_g_dl[0] != one.hb_g_dl[1]
    assert one.infant.tolist() == [0, 1]


def test_infants_rest_where_they_should_on_their_need(cohort):
    infants = cohort.infants
    parameters = lung_parameters(infants)
    rest = steady_state(parameters, infants.fio2_need)
    assert np.abs(100 * rest.sao2_fraction - infants.spo2_rest_pct).max() < 1e-6
    on_oxygen = infants.fio2_need > 0.21
    need = fio2_for(parameters, infants.spo2_rest_pct / 100)
    assert np.abs(need - infants.fio2_need)[on_oxygen].max() < 1e-7
    assert (infants.spo2_rest_pct[on_oxygen] == TARGET_MID).all()


def test_room_air_infants_sit_above_the_target():
    drawn = draw_infants(3, CohortSettings(infants=400), TARGET_MID).infants
    in_air = drawn.fio2_need == 0.21
    # One in five by construction; 400 infants give 0.2 +/- 0.02 (1 SD), 3 SD allowed.
    assert 0.14 < in_air.mean() < 0.26
    assert ((drawn.spo2_rest_pct[in_air] >= 95) & (drawn.spo2_rest_pct[in_air] <= 99)).all()
    # Distinct from the low end up to the high end, not piled at one value.
    assert np.ptp(drawn.spo2_rest_pct[in_air]) > 3


def test_room_air_infants_are_never_below_a_high_target():
    drawn = draw_infants(3, CohortSettings(infants=60), 97.0).infants
    assert (drawn.spo2_rest_pct >= 97.0).all()


def test_need_lies_where_the_stratum_puts_it(cohort):
    infants = cohort.infants
    need = infants.fio2_need
    if infants.stratum[0] == "settled":
        assert np.mean(need <= 0.35) > 0.9
        assert need.max() <= 0.41
    else:
        assert need.min() >= 0.25
        assert need.max() <= 0.60
        assert 0.30 < np.median(need) < 0.40


def test_arteriovenous_difference_is_kept_inside_its_limits(cohort):
    infants = cohort.infants
    difference = av_difference_pct(lung_parameters(infants), infants.fio2_need)
    assert difference.min() >= 12.0
    assert difference.max() <= 45.0


def test_local_gain_is_plausible(cohort):
    infants = cohort.infants
    gain = fio2_gain(lung_parameters(infants), infants.fio2_need)[infants.fio2_need > 0.21]
    # 0.4-1.4 points per point was seen for 80 solved infants; a fifth may lie outside.
    assert np.mean((gain >= 0.4) & (gain <= 1.4)) > 0.8
    assert 0.7 < np.median(gain) < 1.1


def test_most_infants_are_drawn_once(cohort):
    assert np.mean(cohort.redraws == 0) > 0.8
    assert (cohort.redraws >= 0).all()
    assert cohort.redraws.max() > 0


def test_values_stay_inside_the_limits_of_their_distribution(cohort):
    infants = cohort.infants
    table = DISTRIBUTIONS[str(infants.stratum[0])]
    drawn = [item.name for item in fields(infants) if item.name in table]
    assert len(drawn) >= 17
    for name in drawn:
        if name == "fio2_need":
            continue  # drawn above room air
        values = getattr(infants, name)
        assert (values >= table[name].low).all(), name
        assert (values <= table[name].high).all(), name


@pytest.mark.parametrize(
    ("one", "other", "sign"),
    [
        ("postnatal_age_d", "vo2_ml_min_kg", 1),
        ("postnatal_age_d", "respiratory_quotient", -1),
        ("postnatal_age_d", "hb_g_dl", -1),
        ("postnatal_age_d", "hbf_fraction", -1),
        ("gestation_wk", "weight_kg", 1),
        ("gestation_wk", "hbf_fraction", 1),
        ("hbf_fraction", "p50_mmhg", -1),
        ("cardiac_output_ml_min_kg", "circulation_delay_s", -1),
        ("vo2_ml_min_kg", "cardiac_output_ml_min_kg", 1),
    ],
)
def test_parameters_hang_together(one, other, sign):
    infants = draw_infants(8, CohortSettings(infants=400), TARGET_MID).infants
    found = np.corrcoef(getattr(infants, one), getattr(infants, other))[0, 1]
    # Chance alone stays below 0.1 (2 SD) for 400 infants.
    assert sign * found > 0.1


def test_p50_rises_with_paco2_at_a_given_fetal_share():
    # The fetal share spreads P50 far more than the Bohr shift does, so it is taken out
    # first, and the infants whose P50 is cut off at either end are left aside.
    infants = draw_infants(8, CohortSettings(infants=400), TARGET_MID).infants
    middle = (infants.hbf_fraction > 0.3) & (infants.hbf_fraction < 0.65)
    assert middle.sum() > 120
    shift = infants.p50_mmhg / p50_from_hbf(infants.hbf_fraction)
    # Chance alone stays below 0.25 (3 SD) for so many infants.
    assert np.corrcoef(infants.paco2_mmhg[middle], shift[middle])[0, 1] > 0.25


def test_unstable_infants_are_worse_off():
    settled, unstable = (
        draw_infants(4, CohortSettings(infants=200, stratum=stratum), TARGET_MID).infants
        for stratum in STRATA
    )
    assert np.median(unstable.frc_ml_kg) < np.median(settled.frc_ml_kg)
    for name in ("shunt_fraction", "apnoea_rate_per_h", "drift_shunt_sd", "drift_ventilation_sd"):
        assert np.median(getattr(unstable, name)) > np.median(getattr(settled, name)), name


def test_gestation_follows_the_settings():
    settings = CohortSettings(infants=60, gestation_low_wk=26.0, gestation_high_wk=27.0)
    gestation = draw_infants(1, settings, TARGET_MID).infants.gestation_wk
    assert gestation.min() >= 26.0
    assert gestation.max() <= 27.0
    assert np.ptp(gestation) > 0.8


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"infants": 0}, "CohortSettings.infants: expected a value from 1 to 100000"),
        ({"infants": 100_001}, "CohortSettings.infants"),
        ({"infants": 2.0}, "expected a whole number, got 2.0"),
        ({"infants": True}, "expected a whole number, got True"),
        ({"stratum": "stable"}, "expected one of settled, unstable, got 'stable'"),
        ({"gestation_low_wk": 20.0}, "CohortSettings.gestation_low_wk"),
        ({"gestation_low_wk": 30.0, "gestation_high_wk": 25.0}, "at least gestation_low_wk"),
    ],
)
def test_settings_refuse_what_cannot_be(changes, message):
    with pytest.raises(TestbedError, match=message):
        CohortSettings(**changes)


@pytest.mark.parametrize(
    ("target", "more", "message"),
    [
        (79.0, {}, "target_mid_pct: expected a value from 80 to 98"),
        (float("nan"), {}, "target_mid_pct"),
        (92.5, {"first": -1}, "first: expected a number of at least 0"),
        (92.5, {"count": 0}, "count: expected a number of at least 1"),
    ],
)
def test_draw_refuses_what_cannot_be(target, more, message):
    with pytest.raises(TestbedError, match=message):
        draw_infants(1, CohortSettings(), target, **more)


def test_draw_gives_up_with_a_reason(monkeypatch):
    monkeypatch.setattr("oxytestbed.models.cohort.AV_DIFFERENCE_PCT", (98.0, 99.0))
    monkeypatch.setattr("oxytestbed.models.cohort.MOST_REDRAWS", 5)
    with pytest.raises(TestbedError, match="infant 4: expected a plausible infant within 5 draws"):
        draw_infants(1, CohortSettings(infants=1), TARGET_MID, first=4)


def test_a_distribution_that_cannot_be_met_says_so():
    impossible = Distribution(
        shape="normal", unit="-", low=2, high=1, centre=0, spread=1, source="none", flag="assumed"
    )
    with pytest.raises(TestbedError, match=r"Distribution\.draw: expected limits around"):
        impossible.draw(np.random.default_rng(1))


def test_every_distribution_names_its_source():
    for table in DISTRIBUTIONS.values():
        for name, row in table.items():
            assert row.source, name
            assert row.unit, name
            assert row.flag in {"read", "memory", "assumed"}, name
            assert row.shape in {"normal", "relative", "lognormal", "uniform"}, name
            assert row.low < row.high, name
