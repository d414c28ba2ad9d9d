"""The drawn infants, the blood and the gas circuit beside published values."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ...loop.staff_settings import StaffSettings
from ...models.breathing_chain import STATE_LIFE_S
from ...models.gas_delivery import GasDelivery, GasSettings, wash_in_time_constant_s
from ...models.haemoglobin import p50_from_hbf
from ...models.infants import Infants
from ...models.lung_parameters import lung_parameters
from ...models.oximeter_noise import NOISE_LEVELS_PCT, OximeterNoise
from ...models.periodic_breathing import CYCLE_S, PeriodicSettings
from ...models.steady import steady_state
from ...models.streams import BLOCK_TICKS
from .rows import Simulated, figure, spread_over

FloatArray = NDArray[np.float64]

#: Output below this is called low (mL/min/kg).
LOW_OUTPUT = 150.0


def drawn_rows(settled: Infants, unstable: Infants) -> dict[str, Simulated]:
    """Give the figures about what is drawn.

    Parameters
    ----------
    settled, unstable : Infants
        The two strata.

    Returns
    -------
    dict of str to Simulated
        By row id.
    """

    def both(name: str) -> FloatArray:
        return np.concatenate([getattr(settled, name), getattr(unstable, name)])

    age, vo2 = both("postnatal_age_d"), both("vo2_ml_min_kg")
    quotient, output = both("respiratory_quotient"), both("cardiac_output_ml_min_kg")
    gestation, hb = both("gestation_wk"), both("hb_g_dl")
    early, late = (age >= 5) & (age <= 8), (age >= 33) & (age <= 40)
    pma = gestation + age / 7.0
    at_31 = (pma >= 30) & (pma <= 32)
    in_air = settled.fio2_need <= 0.215
    found = {
        "S1": spread_over(vo2),
        "S2": spread_over(output),
        "S3": spread_over(_av_difference(settled, unstable)),
        "S23_air": spread_over(both("circulation_delay_s")),
        "S23_oxygen": figure(float(np.quantile(both("circulation_delay_s"), 0.95)), len(age)),
        "vo2_6": spread_over(vo2[early]),
        "vo2_36": spread_over(vo2[late]),
        "vco2_6": spread_over((quotient * vo2)[early]),
        "vco2_36": spread_over((quotient * vo2)[late]),
        "rer_12": spread_over(quotient[(age >= 10) & (age <= 14)]),
        "rer_30": spread_over(quotient[(age >= 28) & (age <= 32)]),
        "vo2_40d": spread_over(vo2[late]),
        "vco2_40d": spread_over((quotient * vo2)[late]),
        "vo2_per_frc": spread_over(vo2 / both("frc_ml_kg")),
        "low_output": figure(100.0 * float((output < LOW_OUTPUT).mean()), len(output)),
        "vo2_scaling": figure(_slopes(np.log(vo2 * both("weight_kg")), np.log(both("weight_kg")))),
        "frc_air_prone": spread_over(settled.frc_ml_kg[in_air]),
        "frc_air_supine": spread_over(settled.frc_ml_kg[in_air]),
        "frc_rds": spread_over(unstable.frc_ml_kg),
        "hb_birth": spread_over(hb[age < 10]),
        "hb_4wk": spread_over(hb[(age >= 25) & (age <= 31)]),
        "hbf_no": spread_over(100.0 * both("hbf_fraction")[at_31]),
        "hbf_mixed": spread_over(both("p50_mmhg")),
    }
    found |= {name: spread_over(vo2) for name in ("vo2_growing", "vo2_roberts")}
    found |= {name: spread_over(output) for name in ("rvo", "lvo", "output_33")}
    found |= {
        name: spread_over(settled.frc_ml_kg)
        for name in ("frc_oxygen_prone", "frc_oxygen_supine", "frc_normal", "frc_term")
    }
    found |= {
        name: spread_over(both("blood_volume_ml_kg"))
        for name in ("blood_volume", "blood_volume_birth", "blood_volume_rise")
    }
    found |= {name: spread_over(settled.paco2_mmhg) for name in ("paco2_elbw", "paco2_29")}
    found["rer_growing"] = spread_over(quotient)
    return found | _haemoglobin(gestation, age, hb)


def _haemoglobin(gestation: FloatArray, age: FloatArray, hb: FloatArray) -> dict[str, Simulated]:
    young = age < 28
    if young.sum() < 4:
        return {}
    by_gestation = _slopes(hb[young], gestation[young], age[young])
    by_age = _slopes(hb[young], age[young], gestation[young])
    return {
        "hb_slope": figure(by_gestation, int(young.sum())),
        "hb_fall": figure(by_age, int(young.sum()), "g/dL per day"),
    }


def _slopes(outcome: FloatArray, *causes: FloatArray) -> float:
    """Slope on the first cause, with the others held."""
    columns = np.stack([np.ones(len(outcome)), *causes], axis=1)
    return float(np.linalg.lstsq(columns, outcome, rcond=None)[0][1])


def _av_difference(*strata: Infants) -> FloatArray:
    """Arteriovenous content difference at rest (mL/dL)."""
    rests = [steady_state(lung_parameters(group), group.fio2_need) for group in strata]
    return np.concatenate([100.0 * (rest.ca - rest.cv) for rest in rests])


def constant_rows() -> dict[str, Simulated]:
    """Give the figures that are settings or formulas: blood, circuit, chain, staff.

    Returns
    -------
    dict of str to Simulated
        By row id.
    """
    shares = {"929": 0.929, "426": 0.426, "58": 0.58, "29": 0.29, "662": 0.662, "0": 0.0}
    found = {f"hbf_{name}": figure(p50_from_hbf(share)) for name, share in shares.items()}
    found["hbf_dominant"] = figure(p50_from_hbf(0.9))
    found["hbf_adult_range"] = figure(p50_from_hbf(0.0))
    default = GasSettings()
    found["dead_cpap"] = figure(default.dead_time_s)
    found["tau_circuit"] = figure(wash_in_time_constant_s(default))
    unit = GasSettings(circuit_volume_ml=500.0, flow_l_min=6.0)
    found["wash_in_fit"] = figure(unit.dead_time_s + 3.0 * wash_in_time_constant_s(unit))
    found["chain_states"] = figure(float(len(STATE_LIFE_S)))
    found["chain_short"] = figure(min(STATE_LIFE_S))
    found["chain_long"] = figure(max(STATE_LIFE_S) / 3600.0)
    found["periodic"] = figure(100.0 * PeriodicSettings().periodic_share)
    found["periodic_cycle"] = figure(0.5 * sum(CYCLE_S))
    found["guide_cycle"] = figure(StaffSettings().watch_s / 60.0)
    return found


def wash_in_rows(infants: Infants) -> dict[str, Simulated]:
    """Turn the blender of the published circuits and wait for 95 % of the change.

    Parameters
    ----------
    infants : Infants
        The first of them breathes from the circuit.

    Returns
    -------
    dict of str to Simulated
        By row id.
    """
    one = infants.take(np.array([0]))
    found = {}
    for volume, flow in ((840, 5), (840, 8), (432, 5), (432, 8)):
        settings = GasSettings(
            circuit_volume_ml=float(volume), flow_l_min=float(flow), blender_error_sd=0.0
        )
        gas = GasDelivery(one, 1, settings, 0, np.array([0.3]))
        seconds = 0
        while gas.inspired_fio2[0] < 0.3 + 0.95 * 0.3:
            gas.step(np.array([0.6]))
            seconds += 1
        found[f"wash_in_{volume}_{flow}"] = figure(float(seconds))
    return found


def noise_rows(seed: int, infants: int = 20, blocks: int = 12) -> dict[str, Simulated]:
    """Draw displayed noise and count the shares at or below each level.

    Parameters
    ----------
    seed : int
        Seed of the draw.
    infants, blocks : int
        How much to draw.

    Returns
    -------
    dict of str to Simulated
        By row id.
    """
    noise = OximeterNoise(
        np.arange(infants),
        seed,
        correlation_time_s=8.0,
        noise_scale=1.0,
        dropout_rate_per_h=0.0,
        prolonged_dropout_share=0.0,
        duration_s=blocks * BLOCK_TICKS,
    )
    low, high = [], []
    for block in range(blocks):
        noise.draw(block * BLOCK_TICKS)
        low.append(noise.low_pct.copy())
        high.append(noise.high_pct.copy())
    both = {"le96": np.array(low), "ge97": np.array(high)}
    return {
        f"noise_{name}_{level}": figure(float((drawn <= level).mean()), drawn.size)
        for name, drawn in both.items()
        for level in NOISE_LEVELS_PCT
    }


__all__ = ["constant_rows", "drawn_rows", "noise_rows", "wash_in_rows"]
