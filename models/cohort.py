"""Draw virtual preterm infants from published distributions.

Each infant is drawn from its own stream, so its numbers depend on the seed,
its number and the settings, never on how many others are drawn or in what order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from .blood import po2_from_content, saturation
from .cohort_values import (
    AV_DIFFERENCE_PCT,
    DISTRIBUTIONS,
    DRIFT_AVERAGING,
    ROOM_AIR_APNOEA_FACTOR,
    ROOM_AIR_SHARE,
)
from .errors import problem
from .haemoglobin import p50_from_hbf
from .infants import STRATA, FloatArray, Infants
from .lung_parameters import LungParameters, lung_parameters, shares
from .settings import quantity, validate
from .steady import SHARE_LOW, steady_state, ventilation_share_for
from .streams import Cause, stream

#: Room air (fraction).
ROOM_AIR = 0.21

#: More draws than this for one infant mean that the settings contradict each other.
MOST_REDRAWS = 2000

_Values = dict[str, float]


@dataclass(frozen=True, kw_only=True)
class CohortSettings:
    """Which virtual infants to draw, and how many."""

    infants: int = quantity(
        unit="-", low=1, high=100_000, default=40, doc="number of infants in the cohort"
    )
    stratum: str = quantity(
        unit="-",
        choices=STRATA,
        default="settled",
        doc="settled (on CPAP) or unstable (frequent desaturation)",
    )
    gestation_low_wk: float = quantity(
        unit="wk", low=23, high=32, default=24.0, doc="youngest gestation at birth"
    )
    gestation_high_wk: float = quantity(
        unit="wk", low=23, high=32, default=30.0, doc="oldest gestation at birth"
    )

    def __post_init__(self) -> None:
        validate(self)
        if type(self.infants) is not int:  # a float or a bool would pass the range check
            raise problem("CohortSettings.infants", "a whole number", self.infants)
        if self.gestation_low_wk > self.gestation_high_wk:
            raise problem(
                "CohortSettings.gestation_high_wk",
                f"at least gestation_low_wk ({self.gestation_low_wk:g} wk)",
                self.gestation_high_wk,
            )


@dataclass(frozen=True, kw_only=True)
class Cohort:
    """Infants, and how often each was drawn again.

    Attributes
    ----------
    infants : Infants
        The infants, in the order of their numbers.
    redraws : ndarray of int, shape (infants,)
        Draws thrown away because no share of ventilation gave the need, or
        because the arteriovenous difference was implausible.
    """

    infants: Infants
    redraws: NDArray[np.int64]


def draw_infants(
    seed: int,
    settings: CohortSettings,
    target_mid_pct: float,
    *,
    first: int = 0,
    count: int | None = None,
) -> Cohort:
    """Draw a cohort, or a stretch of one.

    Gestation, age, weight and oxygen need are drawn once. Blood, circulation
    and lung are drawn again until the poor compartment's share of ventilation
    can be solved and the arteriovenous saturation difference is plausible; so
    the redraws do not distort the distribution of the need.

    Parameters
    ----------
    seed : int
        Seed of the run.
    settings : CohortSettings
        Stratum, gestation and number of infants.
    target_mid_pct : float
        True saturation at rest on the needed FiO2 (percent, 80 to 98).
    first : int
        Number of the first infant; the others follow.
    count : int, optional
        Number of infants, where only a stretch of the cohort is wanted.

    Returns
    -------
    Cohort

    Raises
    ------
    TestbedError
        If an argument is out of range, or no plausible infant is found.
    """
    count = settings.infants if count is None else count
    _check(target_mid_pct, first, count)
    numbers = list(range(first, first + count))
    generators = [stream(seed, number, Cause.PARAMETERS) for number in numbers]
    drawn = [_identity(generator, settings, target_mid_pct) for generator in generators]
    redraws = np.zeros(count, dtype=np.int64)
    waiting = list(range(count))
    while waiting:
        for place in waiting:
            drawn[place] |= _body(generators[place], settings.stratum, drawn[place])
            drawn[place]["ventilation_share_poor"] = 0.0  # until it is solved
        solved = _solve(_infants(numbers, settings.stratum, drawn, waiting))
        for place, share in zip(waiting, solved.tolist(), strict=True):
            drawn[place]["ventilation_share_poor"] = share
        waiting = [p for p in waiting if math.isnan(drawn[p]["ventilation_share_poor"])]
        redraws[waiting] += 1
        _give_up(redraws, numbers)
    for values in drawn:
        values |= _averaged_drift(settings.stratum, values)
    infants = _infants(numbers, settings.stratum, drawn, list(range(count)))
    return Cohort(infants=infants, redraws=redraws)


def _check(target_mid_pct: float, first: int, count: int) -> None:
    """Refuse arguments that no cohort can be drawn for."""
    if not 80.0 <= target_mid_pct <= 98.0:
        raise problem("draw_infants: target_mid_pct", "a value from 80 to 98 (%)", target_mid_pct)
    if first < 0:
        raise problem("draw_infants: first", "a number of at least 0", first)
    if count < 1:
        raise problem("draw_infants: count", "a number of at least 1", count)


def _give_up(redraws: NDArray[np.int64], numbers: list[int]) -> None:
    """Refuse to go on for ever."""
    worst = int(np.argmax(redraws))
    if redraws[worst] > MOST_REDRAWS:
        raise problem(
            f"draw_infants: infant {numbers[worst]}",
            f"a plausible infant within {MOST_REDRAWS} draws",
            "none",
            "The target range or the gestation may be out of reach for this stratum.",
        )


def _identity(
    generator: np.random.Generator, settings: CohortSettings, target_mid_pct: float
) -> _Values:
    """Draw what stays: age, size, need, and the load of events."""
    table = DISTRIBUTIONS[settings.stratum]
    span_wk = settings.gestation_high_wk - settings.gestation_low_wk
    gestation_wk = settings.gestation_low_wk + span_wk * float(generator.random())
    age_d = table["postnatal_age_d"].draw(generator)
    birth_weight_kg = 0.65 * math.exp(0.128 * (gestation_wk - 24.0))
    expected_kg = birth_weight_kg * math.exp(0.015 * max(0.0, age_d - 12.0))
    values = {
        "gestation_wk": gestation_wk,
        "postnatal_age_d": age_d,
        "weight_kg": table["weight_kg"].draw(generator, expected_kg),
    }
    in_air = float(generator.random()) < ROOM_AIR_SHARE[settings.stratum]
    above_air = table["fio2_need"].draw(generator)
    air_sao2_pct = table["room_air_sao2_pct"].draw(generator)
    values["fio2_need"] = ROOM_AIR if in_air else ROOM_AIR + above_air
    # An infant in room air sits above the target: there is no less oxygen to give.
    values["spo2_rest_pct"] = max(air_sao2_pct, target_mid_pct) if in_air else target_mid_pct
    own = ("heart_rate_bpm", "spo2_bias_pct", "apnoea_rate_per_h")
    for name in (*own, "drift_shunt_sd", "drift_ventilation_sd"):
        values[name] = table[name].draw(generator)
    if in_air:
        values["apnoea_rate_per_h"] *= ROOM_AIR_APNOEA_FACTOR
    return values


def _body(generator: np.random.Generator, stratum: str, infant: _Values) -> _Values:
    """Draw blood, circulation and lung for an infant of a given age."""
    table = DISTRIBUTIONS[stratum]
    drawn_alone = (
        "paco2_mmhg",
        "frc_ml_kg",
        "shunt_fraction",
        "perfusion_share_poor",
        "volume_share_poor",
        "blood_volume_ml_kg",
        "arterial_volume_ml_kg",
    )
    values = {name: table[name].draw(generator) for name in drawn_alone}
    values |= _metabolism(generator, stratum, infant["postnatal_age_d"])
    values |= _blood(generator, stratum, infant, values["paco2_mmhg"])
    # Output follows uptake and makes up in part for anaemia (direction known, size assumed).
    flow = table["cardiac_output_ml_min_kg"]
    demand = 0.5 * (values["vo2_ml_min_kg"] / 7.0 - 1.0) + 0.5 * (12.5 / values["hb_g_dl"] - 1.0)
    output = flow.draw(generator, flow.centre * (1.0 + demand))
    values["cardiac_output_ml_min_kg"] = output
    delay = table["circulation_delay_s"]
    values["circulation_delay_s"] = delay.draw(generator, delay.centre * flow.centre / output)
    return values


def _averaged_drift(stratum: str, values: _Values) -> _Values:
    """Let a lung drift less the larger its poor part is, for more of it averages out.

    Direction plausible, size set by calibration: the spread of time in target over infants.
    """
    table = DISTRIBUTIONS[stratum]
    usual = table["perfusion_share_poor"].centre / values["perfusion_share_poor"]
    found = {}
    for name in ("drift_shunt_sd", "drift_ventilation_sd"):
        drift = values[name] * usual**DRIFT_AVERAGING
        found[name] = min(max(drift, table[name].low), table[name].high)
    return found


def _metabolism(generator: np.random.Generator, stratum: str, age_d: float) -> _Values:
    """Draw uptake, which rises with age, and the respiratory quotient, which falls."""
    table = DISTRIBUTIONS[stratum]
    uptake = 4.7 + (9.1 - 4.7) / 30.0 * (min(max(age_d, 6.0), 36.0) - 6.0)
    quotient = 0.99 - (0.99 - 0.91) / 18.0 * (min(max(age_d, 12.0), 30.0) - 12.0)
    return {
        "vo2_ml_min_kg": table["vo2_ml_min_kg"].draw(generator, uptake),
        "respiratory_quotient": table["respiratory_quotient"].draw(generator, quotient),
    }


def _blood(
    generator: np.random.Generator, stratum: str, infant: _Values, paco2_mmhg: float
) -> _Values:
    """Draw haemoglobin, its fetal share and P50, which hang together."""
    table = DISTRIBUTIONS[stratum]
    gestation_wk, age_d = infant["gestation_wk"], infant["postnatal_age_d"]
    haemoglobin = 15.5 + 0.21 * (gestation_wk - 28.0) - 4.0 / 28.0 * min(age_d, 28.0)
    # The youngest are transfused most; that half of this age group are is from memory.
    chance = 0.5 + 0.08 * (27.0 - gestation_wk) + 0.01 * (age_d - 20.0)
    given_ml_kg = table["transfused_ml_kg"].draw(generator)
    transfused = float(generator.random()) < chance
    # Losses are made good bit by bit with adult cells, so the fetal share decays.
    diluted = math.exp(math.log(0.426 / 0.929) / 26.9 * given_ml_kg) if transfused else 1.0
    fetal = table["hbf_fraction"].draw(generator, 0.929 * diluted)
    standard_p50 = p50_from_hbf(fetal)
    # Respiratory acidosis, in part made up for: pH falls by 0.004 per mmHg (assumed).
    bohr = math.exp(math.log(10.0) * 0.48 * 0.004 * (paco2_mmhg - 40.0))
    return {
        "hb_g_dl": table["hb_g_dl"].draw(generator, haemoglobin),
        "hbf_fraction": fetal,
        "p50_mmhg": table["p50_mmhg"].draw(generator, standard_p50 * bohr),
    }


def _infants(numbers: list[int], stratum: str, drawn: list[_Values], places: list[int]) -> Infants:
    """Stack the drawn values of some infants into arrays."""
    columns: dict[str, NDArray[np.float64]] = {}
    for item in fields(Infants):
        if item.name not in ("infant", "stratum"):
            columns[item.name] = np.array([drawn[place][item.name] for place in places])
    return Infants(
        infant=np.array([numbers[place] for place in places], dtype=np.int64),
        stratum=np.full(len(places), stratum),
        **columns,
    )


def _solve(infants: Infants) -> FloatArray:
    """Solve the poor part's share of ventilation; NaN where the infant is not plausible."""
    parameters = lung_parameters(infants)
    share = ventilation_share_for(parameters, infants.fio2_need, infants.spo2_rest_pct / 100.0)
    solved = np.where(np.isnan(share), SHARE_LOW, share)
    total = parameters.ventilation_ml_s[0] + parameters.ventilation_ml_s[1]
    shared = replace(parameters, ventilation_ml_s=total * shares(solved))
    difference = av_difference_pct(shared, infants.fio2_need)
    low, high = AV_DIFFERENCE_PCT
    return np.where((difference >= low) & (difference <= high), share, np.nan)


def av_difference_pct(parameters: LungParameters, fio2: FloatArray) -> FloatArray:
    """Arteriovenous difference in saturation at rest.

    Parameters
    ----------
    parameters : LungParameters
        Parameters of the lanes.
    fio2 : ndarray, shape (lanes,)
        Inspired oxygen fraction.

    Returns
    -------
    ndarray, shape (lanes,)
        Arterial minus venous saturation (points).
    """
    rest = steady_state(parameters, fio2)
    venous_mmhg = po2_from_content(rest.cv, parameters.capacity, parameters.p50_mmhg)
    venous = np.asarray(saturation(venous_mmhg, parameters.p50_mmhg), dtype=np.float64)
    return 100.0 * (rest.sao2_fraction - venous)
