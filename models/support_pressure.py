"""What pressure in the airway does to lung volume, shunt and blood flow.

All of it is relative to the reference, nasal CPAP at 6 cmH2O with the default leak, at which
an infant has the lung volume and shunt that were drawn. Values without source are assumptions.
"""

from __future__ import annotations

import numpy as np

from .infants import FloatArray
from .support import NasalCpap

#: Pressure lost between prong and pharynx, mouth closed and open (cmH2O): De Paoli, ADC FN
#: 2005;90:F79. That it is in proportion to pressure, to leak and to the opening is an assumption.
LOST_CLOSED_CMH2O, LOST_OPEN_CMH2O = 2.2, 3.2
REFERENCE = NasalCpap()
NASAL_LOSS_PER_LEAK = LOST_CLOSED_CMH2O / REFERENCE.pressure_cmh2o / REFERENCE.leak_fraction
NASAL_LOSS_PER_MOUTH = (LOST_OPEN_CMH2O - LOST_CLOSED_CMH2O) / REFERENCE.pressure_cmh2o
#: Tidal volume of quiet breathing: 5.4-6.7 mL/kg (Early Hum Dev 1995;41:61, medians).
TIDAL_ML_KG = 6.0

#: End-expiratory volume rises by 2.1 tidal volumes from CPAP 0 to 8 cmH2O (Elgellab 2001,
#: doi:10.1007/s00134-001-1117-1), here as a share of a lung of 23 mL/kg (Bhat, Pediatrics
#: 2003;112:29, supine) and per cmH2O in the airway.
FRC_ML_KG = 23.0
LUNG_KEEPS = 1.0 - LOST_CLOSED_CMH2O / REFERENCE.pressure_cmh2o
VOLUME_PER_CMH2O = 2.1 * TIDAL_ML_KG / FRC_ML_KG / (8.0 * LUNG_KEEPS)
#: Beyond the pressures of that study: 4 mL/kg per 10 cmH2O (preterm rabbits, Pediatr Res 2013).
KNEE_CMH2O = 8.0 * LUNG_KEEPS
VOLUME_PER_CMH2O_HIGH = 4.0 / FRC_ML_KG / 10.0

#: Share of lung volume that is lost in apnoea at the reference: 3 to 4 mL/kg (from memory) of
#: about 18. Closing in proportion to the loss, and at most twice as much, are assumptions.
LOST_IN_APNOEA = 0.2
MOST_CLOSING = 2.0

#: From here a lung is overdistended, and blood moves to where no gas is (cmH2O); assumption.
OVERDISTENSION_CMH2O = 8.0
OVERDISTENSION_SHUNT_PER_CMH2O = 0.06
#: Cardiac output: -17 mL/min/kg from PEEP 5 to 8 cmH2O (PMC2675387), on 216 (median at birth,
#: Popat & Kluckow 2012), here for pressure in the airway; the floor is an assumption.
FLOW_LOSS_FROM_CMH2O = 5.0
FLOW_LOSS_PER_CMH2O = 17.0 / 3.0 / 216.0
LOWEST_FLOW_FACTOR = 0.5

#: Pressure in the airway at the reference (cmH2O), in the steps that lanes take.
REFERENCE_AIRWAY_CMH2O = REFERENCE.pressure_cmh2o * (
    1.0
    - (
        REFERENCE.leak_fraction * NASAL_LOSS_PER_LEAK
        + REFERENCE.mouth_open_share * NASAL_LOSS_PER_MOUTH
    )
)


def volume_factor(airway_cmh2o: FloatArray) -> FloatArray:
    """Give lung volume at rest over its value at the reference, nasal CPAP at 6 cmH2O.

    Parameters
    ----------
    airway_cmh2o : ndarray, shape (lanes,)
        Mean pressure that reaches the airway (cmH2O).

    Returns
    -------
    ndarray, shape (lanes,)
        Exactly 1 at the reference; the slopes are `VOLUME_PER_CMH2O`, then the lower one.
    """
    below = np.minimum(airway_cmh2o, KNEE_CMH2O) - REFERENCE_AIRWAY_CMH2O
    above = np.maximum(airway_cmh2o - KNEE_CMH2O, 0.0)
    return np.asarray(1.0 + VOLUME_PER_CMH2O * below + VOLUME_PER_CMH2O_HIGH * above)


def shunt_factor(airway_cmh2o: FloatArray) -> FloatArray:
    """Give true shunt over its value at the reference.

    Parameters
    ----------
    airway_cmh2o : ndarray, shape (lanes,)
        Mean pressure that reaches the airway (cmH2O).

    Returns
    -------
    ndarray, shape (lanes,)
        Goes with the inverse of lung volume, since no published slope was found (assumption),
        and rises again with overdistension.
    """
    over = np.maximum(airway_cmh2o - OVERDISTENSION_CMH2O, 0.0) * OVERDISTENSION_SHUNT_PER_CMH2O
    return np.asarray((1.0 + over) / volume_factor(airway_cmh2o))


def closing_left(volume_factor: FloatArray, added: FloatArray) -> FloatArray:
    """Say how much of the closing of lung units in apnoea is left on a support.

    Units close as lung volume falls below rest. Pressure that holds the lung larger than at the
    reference makes up for the fall, less pressure adds to it, and breaths or oscillation that go
    on replace what is lost in proportion.

    Parameters
    ----------
    volume_factor : ndarray, shape (lanes,)
        Lung volume at rest over its value at the reference.
    added : ndarray, shape (lanes,)
        Ventilation by the support in the apnoea (share of normal).

    Returns
    -------
    ndarray, shape (lanes,)
        Share of the closing at the reference without breaths, from 0 to `MOST_CLOSING`; exactly 1
        there.
    """
    left = 1.0 - added - (volume_factor - 1.0) / LOST_IN_APNOEA
    return np.asarray(np.minimum(np.maximum(left, 0.0), MOST_CLOSING))


def flow_factor(airway_cmh2o: FloatArray) -> FloatArray:
    """Give cardiac output over its value at the reference.

    Parameters
    ----------
    airway_cmh2o : ndarray, shape (lanes,)
        Mean pressure that reaches the airway (cmH2O).

    Returns
    -------
    ndarray, shape (lanes,)
        At most 1; falls in a line from 5 cmH2O on.
    """
    loss = FLOW_LOSS_PER_CMH2O * np.maximum(airway_cmh2o - FLOW_LOSS_FROM_CMH2O, 0.0)
    return np.asarray(np.maximum(1.0 - loss, LOWEST_FLOW_FACTOR))
