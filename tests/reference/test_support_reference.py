"""Support modes against published values: those taken over, and signs of those only reported."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from oxytestbed.models.cohort import CohortSettings, draw_infants
from oxytestbed.models.disturbances import Breathing
from oxytestbed.models.infants import FloatArray, Infants
from oxytestbed.models.lung_parameters import lung_parameters
from oxytestbed.models.lungs import Lungs
from oxytestbed.models.steady import steady_state
from oxytestbed.models.support import MODES, settings_for
from oxytestbed.models.support_circuit import gas_settings
from oxytestbed.models.support_effects import Support
from oxytestbed.models.support_mechanics import mode_numbers

DATA = Path(__file__).parent / "data" / "support_published.csv"


@pytest.fixture(scope="module")
def published() -> dict[str, dict[str, float]]:
    """Key -> value, low, high."""
    with DATA.open(newline="", encoding="utf-8") as file:
        return {
            row["key"]: {end: float(row[end]) for end in ("value", "low", "high") if row[end]}
            for row in csv.DictReader(file)
        }


@pytest.fixture(scope="module")
def infants() -> Infants:
    return draw_infants(9, CohortSettings(infants=80, stratum="unstable"), 92.5).infants


def support_of(infants: Infants, mode: str = "nasal_cpap", **table: Any) -> Support:
    return Support(infants, 1, settings_for(mode, table))


def test_lung_volume_from_cpap_0_to_8(infants: Infants, published: Any) -> None:
    # Elgellab 2001; tidal volume 5.4-6.7 mL/kg (Early Hum Dev 1995;41:61, medians), lung volume
    # 23 mL/kg (Bhat 2003, supine).
    none, eight = (support_of(infants, pressure_cmh2o=set_to) for set_to in (0, 8))
    change = eight.volume_factor[0] - none.volume_factor[0]
    ml_kg = change * published["frc_supine"]["value"]
    assert (
        published["volume_change"]["low"] * 5.4 < ml_kg < published["volume_change"]["high"] * 6.7
    )
    assert ml_kg == pytest.approx(published["volume_change"]["value"] * 6.0)


def test_lung_volume_at_higher_pressure(infants: Infants, published: Any) -> None:
    # Pediatr Res 2013, rabbits: taken beyond the pressures of the study in infants.
    low, high = (
        support_of(infants, "nhfo", mean_pressure_cmh2o=set_to, leak_fraction=0)
        for set_to in (8, 18)
    )
    ml_kg = (high.volume_factor[0] - low.volume_factor[0]) * published["frc_supine"]["value"]
    assert ml_kg == pytest.approx(published["volume_change_high"]["value"])


def test_pressure_lost_at_the_interface(infants: Infants, published: Any) -> None:
    # De Paoli 2005; that these hold at 6 cmH2O is an assumption.
    closed, open_mouth = (support_of(infants, mouth_open_share=share) for share in (0.0, 1.0))
    for key, support in (("closed", closed), ("open", open_mouth)):
        lost = 6.0 - support.airway_cmh2o[0]
        assert lost == pytest.approx(published[f"pressure_lost_{key}"]["value"])


def test_cardiac_output_from_peep_5_to_8(infants: Infants, published: Any) -> None:
    # PMC2675387; on the right ventricular output of 216 mL/min/kg (Popat & Kluckow 2012).
    table = {"leak_fraction": 0.0, "rate_per_min": 5.0, "inspiratory_time_s": 0.1}
    five, eight = (
        support_of(infants, "conventional", peep_cmh2o=peep, pip_cmh2o=peep + 1, **table)
        for peep in (5, 8)
    )
    change = (eight.flow_factor[0] - five.flow_factor[0]) * 216
    assert published["output_change"]["low"] < change < published["output_change"]["high"]


def test_peaks_without_synchrony_in_apnoea(published: Any) -> None:
    # Owen 2011; 75 spontaneous breaths a minute (72-80, Early Hum Dev 1995).
    share = published["peaks_that_inflate"]["value"] / 100
    volume = published["volume_of_a_peak"]["value"] / 100
    assert mode_numbers(settings_for("nippv")).breaths == pytest.approx(30 / 75 * share * volume)


def test_dead_time_of_a_high_flow_circuit(published: Any) -> None:
    made = gas_settings(settings_for("high_flow"))
    assert made.dead_time_s == published["dead_time_high_flow"]["value"]


def fall_in_apnoea(infants: Infants, mode: str, seconds: int = 15) -> FloatArray:
    """SaO2 points lost after a central apnoea, from the same saturation on every mode."""
    support = support_of(infants, mode)
    parameters = support.supported(lung_parameters(infants))
    low, high = np.full(len(infants), 0.15), np.full(len(infants), 1.0)
    for _ in range(30):
        fio2 = 0.5 * (low + high)
        up = 100 * steady_state(parameters, fio2).sao2_fraction < infants.spo2_rest_pct
        low, high = np.where(up, fio2, low), np.where(up, high, fio2)
    start = steady_state(parameters, fio2)
    lungs, lowest = Lungs(parameters, start), start.sao2_fraction.copy()
    drive = (parameters.ventilation_ml_s, parameters.shunt, parameters.flow_ml_s)
    never = np.zeros(len(infants), dtype=np.bool_)
    for second in range(seconds + 25):
        stopped = second < seconds
        kind = np.full(len(infants), int(Breathing.CENTRAL if stopped else Breathing.NORMAL))
        own = np.full(len(infants), 0.0 if stopped else 1.0)
        support.effective(kind, np.full(len(infants), float(second)), own, never)
        lungs.step(fio2, support.e_out, support.closed_out, *drive)
        np.minimum(lowest, lungs.sao2_fraction, out=lowest)
    return 100.0 * (start.sao2_fraction - lowest)


@pytest.fixture(scope="module")
def ratio_to_cpap(infants: Infants) -> dict[str, float]:
    """Median fall over that on nasal CPAP, by mode."""
    falls = {mode: float(np.median(fall_in_apnoea(infants, mode))) for mode in MODES}
    return {mode: fall / falls["nasal_cpap"] for mode, fall in falls.items()}


def test_infants_fall_less_on_nasal_oscillation(
    ratio_to_cpap: dict[str, float], published: Any
) -> None:
    # Gaertner 2023: 0.57. Not fitted: only the sign is held, and that it is no cure.
    assert published["oscillation_fall_ratio"]["value"] < 1
    assert 0.3 < ratio_to_cpap["nhfo"] < 0.95


def test_peaks_without_synchrony_change_little(
    ratio_to_cpap: dict[str, float], published: Any
) -> None:
    # Gizzi 2015: events per hour 1.03 times those on CPAP. The fall is another quantity; both say
    # that such peaks do next to nothing in apnoea.
    assert abs(published["nippv_events_ratio"]["value"] - 1) < 0.05
    assert ratio_to_cpap["nippv"] == pytest.approx(1.0, abs=0.05)


def test_a_tube_carries_on_ventilating(ratio_to_cpap: dict[str, float]) -> None:
    assert ratio_to_cpap["hfo"] < ratio_to_cpap["conventional"] < 0.7


def test_fewer_apnoeas_on_synchronised_breaths_are_no_default(
    infants: Infants, published: Any
) -> None:
    # Gizzi 2015: 0.49, for validation; a scenario may ask for it.
    assert (support_of(infants, "snippv").apnoea_rate_factor == 1.0).all()
    asked = published["snippv_events_ratio"]["value"]
    assert (
        support_of(infants, "snippv", apnoea_rate_factor=asked).apnoea_rate_factor == asked
    ).all()
