"""What infants are as plants, and what controllers are near mid-target."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from ..loop.controller import Controller
from ..loop.controllers.pi import PI
from ..loop.signals import Settings
from ..models.infants import Infants
from ..models.lung_parameters import lung_parameters
from ..models.steady import fio2_for, fio2_gain
from .response_linear import LinearController, LinearPlant, identified_response, pi_response

#: Saturations between which the plant's own gain is compared (percent).
LOW_PCT, HIGH_PCT = 88.0, 95.0


def plant_table(infants: Infants, plants: Sequence[LinearPlant]) -> pd.DataFrame:
    """Describe each infant as a plant.

    Parameters
    ----------
    infants : Infants
        At rest.
    plants : sequence of LinearPlant
        One for each.

    Returns
    -------
    pandas.DataFrame
        infant, rest_fio2, gain (points of SpO2 per point of FiO2) at rest, at
        88 % and at 95 %, their ratio, dead_time_s, lag_s (mean delay beyond
        the dead time). NaN where no FiO2 up to 1 brings the infant there.
    """
    parameters = lung_parameters(infants)
    gains = {}
    for level in (LOW_PCT, HIGH_PCT):
        fio2 = fio2_for(parameters, np.full(len(infants), level / 100.0))
        found = fio2_gain(parameters, np.where(np.isfinite(fio2), fio2, 0.5))
        gains[level] = np.where(np.isfinite(fio2), found, np.nan)
    slow = 1e-6
    total = [-float(np.angle(plant.at(np.array([slow]))[0])) / slow for plant in plants]
    dead = [plant.dead_time_s + plant.delay_s + 0.5 * (plant.averaging_s - 1) for plant in plants]
    return pd.DataFrame(
        {
            "infant": infants.infant,
            "rest_fio2": infants.fio2_need,
            "gain": [plant.gain for plant in plants],
            "gain_at_88": gains[LOW_PCT],
            "gain_at_95": gains[HIGH_PCT],
            "gain_ratio_88_to_95": gains[LOW_PCT] / gains[HIGH_PCT],
            "dead_time_s": dead,
            "lag_s": np.array(total) - np.array(dead),
        }
    )


def linear_laws(
    make: Callable[[], Controller], settings: Settings, rest_fio2: float
) -> dict[str, LinearController | str]:
    """Find how a controller behaves near mid-target.

    Parameters
    ----------
    make : callable
        Gives a new controller.
    settings : Settings
        Target and limits.
    rest_fio2 : float
        FiO2 around which it is tried (fraction).

    Returns
    -------
    dict of str to LinearController or str
        By region: inside and outside the target for the built-in PI, whose
        law is known, otherwise near mid-target. A string says why there is none.
    """
    one = make()
    if type(one) is PI:
        inside, outside = pi_response(one, inside=True), pi_response(one, inside=False)
        if one.gain_share_in_target == 1.0:
            return {"anywhere": outside}
        return {"inside the target": inside, "outside the target": outside}
    return {"near mid-target": identified_response(make, settings, rest_fio2)}


__all__ = ["HIGH_PCT", "LOW_PCT", "linear_laws", "plant_table"]
