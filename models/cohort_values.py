"""The distributions that virtual infants are drawn from, each with its source.

The table is what the draw uses, so a figure and its source cannot part. Flags:
``read`` (seen in the source), ``memory`` (recalled, not read) and ``assumed``
(a choice of this model, made so that the cohort behaves plausibly).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .errors import problem

#: Medians that set the load of each stratum; calibrated against bedside data.
#: Those of the settled infants were fitted together with the staff (`loop.staff_values`,
#: `experiments.calibrate_staff`), which also asks for less spread among them. The apnoeas of the
#: unstable lie between what gives 5.4 central ones an hour and what gives 5.9 falls to 80 % or
#: slow heart rates (Gizzi, ADC FN 2015;100:F17): some are not central, and hypoxia adds some. No
#: calibration figure speaks to the drift of the unstable alone; 1.6 times that of the settled is an
#: assumption (DEVELOPERS.md, "How load and staff were fitted").
APNOEA_RATE_PER_H = {"settled": 5.0, "unstable": 6.2}
DRIFT_SHUNT_SD = {"settled": 0.345, "unstable": 0.55}
DRIFT_VENTILATION_SD = {"settled": 0.345, "unstable": 0.55}

#: Spread over infants (SD of the logarithm) of the rate of apnoeas and of the drifts.
APNOEA_SPREAD = {"settled": 0.3, "unstable": 0.5}
DRIFT_SPREAD = {"settled": 0.06, "unstable": 0.3}

#: The drifts go with this power of the usual over the infant's share of blood flow to
#: the poor part; see `cohort`.
DRIFT_AVERAGING = 4.0

#: Share of infants who sit above the target in room air.
ROOM_AIR_SHARE = {"settled": 0.2, "unstable": 0.0}
#: Infants who need no oxygen have so many apnoeas for each that the others have (assumption).
ROOM_AIR_APNOEA_FACTOR = 0.4

#: Arteriovenous saturation differences that are kept (points). Below 12 points
#: blood flow is several times what the uptake calls for; above 45 points venous
#: saturation is under about 50 %, where an infant is in shock, not at rest.
AV_DIFFERENCE_PCT = (12.0, 45.0)

_MOST_DRAWS = 10_000


@dataclass(frozen=True, kw_only=True)
class Distribution:
    """How one parameter is drawn, and where that comes from.

    Attributes
    ----------
    shape : str
        normal (centre is the mean), relative (likewise, spread is SD over mean),
        lognormal (centre is the median, spread the SD of the logarithm) or
        uniform (no centre); each cut off at the limits.
    unit : str
        Unit of centre and limits.
    low, high : float
        Limits, both included.
    centre, spread : float
        As `shape` says; the centre may be replaced by one that depends on
        what was drawn before.
    source : str
        Where the figures come from.
    flag : str
        read, memory or assumed.
    """

    shape: str
    unit: str
    low: float
    high: float
    centre: float = math.nan
    spread: float = math.nan
    source: str
    flag: str

    def draw(self, generator: np.random.Generator, centre: float | None = None) -> float:
        """Draw one value inside the limits.

        Parameters
        ----------
        generator : numpy.random.Generator
            The infant's own stream.
        centre : float, optional
            Used instead of `centre`, after being brought inside the limits.

        Returns
        -------
        float
        """
        if self.shape == "uniform":
            return self.low + (self.high - self.low) * float(generator.random())
        middle = self.centre if centre is None else min(max(centre, self.low), self.high)
        for _ in range(_MOST_DRAWS):
            deviate = self.spread * float(generator.standard_normal())
            value = self._moved(middle, deviate)
            if self.low <= value <= self.high:
                return value
        raise problem("Distribution.draw", f"limits around {middle:g}", (self.low, self.high))

    def _moved(self, middle: float, deviate: float) -> float:
        if self.shape == "normal":
            return middle + deviate
        return middle * (math.exp(deviate) if self.shape == "lognormal" else 1.0 + deviate)


def _assumed(shape: str, unit: str, low: float, high: float, **more: float) -> Distribution:
    """Describe a choice of this model."""
    text = "range chosen so that the solved infants respond to oxygen plausibly"
    return Distribution(
        shape=shape, unit=unit, low=low, high=high, source=text, flag="assumed", **more
    )


#: Drawn alike in both strata.
COMMON: dict[str, Distribution] = {
    "postnatal_age_d": Distribution(
        shape="uniform",
        unit="d",
        low=5,
        high=40,
        source="span of Bauer 2003 Br J Nutr 89:533 (day 6-36); events peak at 4-6 weeks,"
        " Di Fiore 2012 J Pediatr 161:1047",
        flag="read",
    ),
    "weight_kg": Distribution(
        shape="lognormal",
        unit="kg",
        low=0.4,
        high=2.5,
        spread=0.14,
        source="birth weight by gestation (median 0.65 kg at 24 wk, 1.4 kg at 30 wk),"
        " regained by day 12, then 15 g/kg/d",
        flag="memory",
    ),
    "vo2_ml_min_kg": Distribution(
        shape="relative",
        unit="mL/min/kg",
        low=4,
        high=11,
        spread=0.11,
        source="4.7 (0.5) on day 6 to 9.1 (1.0) on day 36, Bauer 2003 Br J Nutr 89:533;"
        " spread is the SD over the mean",
        flag="read",
    ),
    "respiratory_quotient": Distribution(
        shape="normal",
        unit="-",
        low=0.85,
        high=1.0,
        spread=0.06,
        source="0.99 (0.09) on day 12 to 0.91 (0.05) on day 30, Bauer 2003 Br J Nutr 89:533",
        flag="read",
    ),
    "cardiac_output_ml_min_kg": Distribution(
        shape="normal",
        unit="mL/min/kg",
        low=120,
        high=400,
        centre=221,
        spread=56,
        source="221 (56) at 33 wk, Alverson 1984; 250 is the model normal of Sands 2009",
        flag="read",
    ),
    "hb_g_dl": Distribution(
        shape="normal",
        unit="g/dL",
        low=10,
        high=16,
        spread=1.2,
        source="+0.21 per week of gestation and a linear fall over 28 d, Jopling 2009"
        " Pediatrics 123:e333 (read); 14-17 at birth, 9-12 at 4 wk (memory)",
        flag="memory",
    ),
    "transfused_ml_kg": Distribution(
        shape="uniform",
        unit="mL/kg red cells",
        low=10,
        high=45,
        source="mean 26.9 mL/kg, De Halleux 2002 Semin Perinatol 26:411",
        flag="read",
    ),
    "hbf_fraction": Distribution(
        shape="normal",
        unit="fraction",
        low=0.1,
        high=0.97,
        spread=0.04,
        source="0.929 before and 0.426 after 26.9 mL/kg of red cells, De Halleux 2002"
        " Semin Perinatol 26:411",
        flag="read",
    ),
    "p50_mmhg": Distribution(
        shape="normal",
        unit="mmHg",
        low=19.5,
        high=24,
        spread=0.8,
        source="18.5 (0.8) at 92.9 % HbF, 21.0 (1.0) at 42.6 %, De Halleux 2002 Semin Perinatol"
        " 26:411, joined by `p50_from_hbf`; Bohr factor -0.48 (memory)",
        flag="read",
    ),
    "blood_volume_ml_kg": Distribution(
        shape="normal",
        unit="mL/kg",
        low=60,
        high=120,
        centre=87.9,
        spread=13.6,
        source="87.9 (13.6), 69 preterm infants, Pediatrics 1966;38:1020",
        flag="read",
    ),
    "arterial_volume_ml_kg": _assumed("normal", "mL/kg", 3.5, 6.5, centre=5.0, spread=0.7),
    # This share all but sets the local gain of FiO2 on saturation (correlation 0.9):
    # an even draw over the range would make the median infant too sensitive.
    "perfusion_share_poor": _assumed("normal", "fraction", 0.4, 0.88, centre=0.56, spread=0.08),
    "volume_share_poor": _assumed("uniform", "fraction", 0.25, 0.6),
    "heart_rate_bpm": Distribution(
        shape="normal",
        unit="1/min",
        low=140,
        high=165,
        centre=152,
        spread=7,
        source="range at rest of preterm infants",
        flag="memory",
    ),
    "circulation_delay_s": Distribution(
        shape="lognormal",
        unit="s",
        low=4,
        high=12,
        centre=7.2,
        spread=0.2,
        source="7.2 s in air to 9.8 s on oxygen bound the lag, Pediatr Pulmonol 1996;21:171 (read);"
        " inverse to cardiac output (assumed)",
        flag="read",
    ),
    "spo2_bias_pct": Distribution(
        shape="normal",
        unit="%",
        low=-3,
        high=3,
        centre=0.0,
        spread=1.2,
        source="study means lie from -3.6 to +4.2, total SD 2.3-2.4, Pritisanac 2021 PMC8145233;"
        " a quarter of that variance is taken as lying between infants (assumed)",
        flag="assumed",
    ),
    "room_air_sao2_pct": _assumed("uniform", "%", 95, 99),
}

_LUNG = {
    "settled": {
        "frc_ml_kg": Distribution(
            shape="normal",
            unit="mL/kg",
            low=13,
            high=36,
            centre=24,
            spread=5,
            source="25 (14-36) prone, 23 (13-32) supine, 27-32 wk on oxygen, Bhat 2003"
            " Pediatrics 112:29 (second hand)",
            flag="read",
        ),
        "paco2_mmhg": Distribution(
            shape="normal",
            unit="mmHg",
            low=40,
            high=55,
            centre=45,
            spread=5,
            source="42 (6.8) at 29 wk on CPAP, ADC FN table; higher on longer support, Sullivan"
            " 2021 Pediatr Res",
            flag="read",
        ),
        "shunt_fraction": Distribution(
            shape="lognormal",
            unit="fraction",
            low=0.005,
            high=0.15,
            centre=0.035,
            spread=0.7,
            source="below 0.08 is normal, raised in 2 of 31 extremely preterm infants, Stoecklin"
            " 2023 Front Physiol 14:1112115",
            flag="read",
        ),
        "fio2_need": _assumed("lognormal", "fraction", 0.01, 0.2, centre=0.055, spread=0.6),
    },
    "unstable": {
        "frc_ml_kg": Distribution(
            shape="normal",
            unit="mL/kg",
            low=8,
            high=30,
            centre=14.5,
            spread=4,
            source="14.5 (3-33) with RDS on day 2, acemap abstract 1986 Pediatr Res; 13-36 at"
            " 27-32 wk on oxygen, Bhat 2003 Pediatrics 112:29 (second hand)",
            flag="read",
        ),
        "paco2_mmhg": Distribution(
            shape="normal",
            unit="mmHg",
            low=40,
            high=55,
            centre=49,
            spread=5,
            source="tcPCO2 16-21 higher on most support than in room air, Sullivan 2021"
            " Pediatr Res",
            flag="read",
        ),
        "shunt_fraction": Distribution(
            shape="lognormal",
            unit="fraction",
            low=0.01,
            high=0.2,
            centre=0.08,
            spread=0.6,
            source="0.08 (0.003-0.165), BPD at 33 wk, Dassios 2015 Neonatology 107:283",
            flag="read",
        ),
        "fio2_need": _assumed("lognormal", "fraction", 0.04, 0.39, centre=0.13, spread=0.55),
    },
}


def _load(stratum: str) -> dict[str, Distribution]:
    """Describe the load of one stratum: apnoea and drift."""
    drift = "median set by calibration against bedside time in range"
    rate = "5.4 central ones of 10 s and more per hour on CPAP, Gizzi 2015 ADC FN 100:F17"
    settled = "median set by calibration: desaturations, Nagraj 2019 Pediatr Res 86:622"
    return {
        "apnoea_rate_per_h": Distribution(
            shape="lognormal",
            unit="1/h",
            low=0.1,
            high=30,
            centre=APNOEA_RATE_PER_H[stratum],
            spread=APNOEA_SPREAD[stratum],
            source=rate if stratum == "unstable" else settled,
            flag="read" if stratum == "unstable" else "assumed",
        ),
        "drift_shunt_sd": Distribution(
            shape="lognormal",
            unit="-",
            low=0.02,
            high=1.2,
            centre=DRIFT_SHUNT_SD[stratum],
            spread=DRIFT_SPREAD[stratum],
            source=drift,
            flag="assumed",
        ),
        "drift_ventilation_sd": Distribution(
            shape="lognormal",
            unit="-",
            low=0.02,
            high=1.2,
            centre=DRIFT_VENTILATION_SD[stratum],
            spread=DRIFT_SPREAD[stratum],
            source=drift,
            flag="assumed",
        ),
    }


#: Every distribution by stratum and name; `fio2_need` is drawn above room air (0.21).
DISTRIBUTIONS: dict[str, dict[str, Distribution]] = {
    stratum: {**COMMON, **_LUNG[stratum], **_load(stratum)} for stratum in _LUNG
}
