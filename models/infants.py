"""The parameters of a group of virtual infants, one array per parameter."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from .errors import problem
from .settings import check_field, quantity

FloatArray = NDArray[np.float64]

STRATA = ("settled", "unstable")


@dataclass(frozen=True, kw_only=True)
class Infants:
    """Virtual infants; every field is an array of shape ``(infants,)``.

    The unit, range and meaning of a parameter stand beside its field. A
    cohort file has one column for each field, under the same name.
    """

    infant: NDArray[np.int64] = quantity(
        unit="-", low=0, high=2**31, doc="the infant's own number; names its random streams"
    )
    stratum: NDArray[np.str_] = quantity(
        unit="-", choices=STRATA, doc="settled or unstable (frequent desaturation)"
    )
    gestation_wk: FloatArray = quantity(unit="wk", low=22, high=42, doc="gestation at birth")
    postnatal_age_d: FloatArray = quantity(unit="d", low=0, high=180, doc="age since birth")
    weight_kg: FloatArray = quantity(unit="kg", low=0.3, high=6, doc="weight today")
    vo2_ml_min_kg: FloatArray = quantity(
        unit="mL/min/kg STPD", low=3, high=20, doc="oxygen uptake at rest"
    )
    respiratory_quotient: FloatArray = quantity(
        unit="-", low=0.7, high=1.2, doc="CO2 output over O2 uptake"
    )
    cardiac_output_ml_min_kg: FloatArray = quantity(
        unit="mL/min/kg", low=60, high=600, doc="cardiac output at rest"
    )
    hb_g_dl: FloatArray = quantity(unit="g/dL", low=5, high=25, doc="haemoglobin")
    hbf_fraction: FloatArray = quantity(
        unit="fraction", low=0, high=1, doc="share of fetal haemoglobin"
    )
    p50_mmhg: FloatArray = quantity(
        unit="mmHg", low=14, high=35, doc="PO2 at half saturation, in the infant"
    )
    blood_volume_ml_kg: FloatArray = quantity(
        unit="mL/kg", low=50, high=150, doc="venous and tissue pool, in blood volume"
    )
    arterial_volume_ml_kg: FloatArray = quantity(
        unit="mL/kg", low=0.5, high=30, doc="mixing volume of the arterial pool"
    )
    frc_ml_kg: FloatArray = quantity(
        unit="mL/kg BTPS", low=3, high=60, doc="lung volume at end of expiration"
    )
    paco2_mmhg: FloatArray = quantity(unit="mmHg", low=20, high=90, doc="arterial PCO2")
    shunt_fraction: FloatArray = quantity(
        unit="fraction", low=0, high=0.6, doc="true shunt, as a share of cardiac output"
    )
    perfusion_share_poor: FloatArray = quantity(
        unit="fraction",
        low=0.05,
        high=0.95,
        doc="share of lung perfusion that the poorly ventilated part gets",
    )
    volume_share_poor: FloatArray = quantity(
        unit="fraction", low=0.05, high=0.95, doc="share of lung volume of the poor part"
    )
    ventilation_share_poor: FloatArray = quantity(
        unit="fraction", low=0.0, high=1.0, doc="share of ventilation of the poor part"
    )
    fio2_need: FloatArray = quantity(
        unit="fraction", low=0.21, high=1, doc="FiO2 that holds `spo2_rest_pct` at rest"
    )
    spo2_rest_pct: FloatArray = quantity(
        unit="%", low=50, high=100, doc="true SaO2 at rest on `fio2_need`"
    )
    heart_rate_bpm: FloatArray = quantity(unit="1/min", low=80, high=220, doc="heart rate at rest")
    circulation_delay_s: FloatArray = quantity(
        unit="s", low=0, high=40, doc="from the lung to the oximeter's site"
    )
    spo2_bias_pct: FloatArray = quantity(
        unit="%", low=-10, high=10, doc="SpO2 minus SaO2 of this infant's probe"
    )
    apnoea_rate_per_h: FloatArray = quantity(
        unit="1/h", low=0, high=120, doc="apnoeas of at least 10 s, averaged over the day"
    )
    drift_shunt_sd: FloatArray = quantity(
        unit="-", low=0, high=1.5, doc="SD of the slow drift of ln(shunt)"
    )
    drift_ventilation_sd: FloatArray = quantity(
        unit="-", low=0, high=1.5, doc="SD of the slow drift of ln(ventilation of the poor part)"
    )

    def __post_init__(self) -> None:
        count = len(self.infant)
        for item in fields(self):
            values = getattr(self, item.name)
            if np.shape(values) != (count,):
                raise problem(f"Infants.{item.name}", f"an array of shape ({count},)", values)
            for place, value in enumerate(values):
                check_field(f"Infants.{item.name}[{place}]", value, item.metadata)
        if len(set(self.infant.tolist())) != count:
            raise problem("Infants.infant", "a different number for each infant", self.infant)

    def __len__(self) -> int:
        return len(self.infant)

    def take(self, places: NDArray[np.int64]) -> Infants:
        """Choose infants by their places, in the order given.

        Parameters
        ----------
        places : ndarray of int
            Places in this group, not infants' own numbers.

        Returns
        -------
        Infants
        """
        return Infants(**{item.name: getattr(self, item.name)[places] for item in fields(self)})
