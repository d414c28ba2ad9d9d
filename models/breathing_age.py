"""How apnoea changes with age: most frequent at 4 to 6 weeks, shorter as infants grow older.

Falls of saturation that deepen with age need nothing here: oxygen uptake per
kilogram nearly doubles over the first month, and with it the fall.
Source of the directions: 418 infants, 2021, and Di Fiore, J Pediatr 2012;161:1047.
The sizes are assumptions.
"""

from __future__ import annotations

import numpy as np

#: Knots of both curves (days after birth), before they are divided by their means.
AGES_D = (0.0, 28.0, 42.0, 84.0)
RATE = (0.5, 1.0, 1.0, 0.4)
LENGTH = (1.2, 14.0 / 15.0, 0.8, 0.8)

#: Ages over which both curves average to 1: those that a cohort is drawn from (d).
NEUTRAL_SPAN_D = (5.0, 40.0)


def age_factors(postnatal_age_d: float, effect: float) -> tuple[float, float]:
    """Give the factors on the rate of apnoeas and on their length beyond the shortest.

    Parameters
    ----------
    postnatal_age_d : float
        Age since birth (d).
    effect : float
        0 for no change with age, 1 for the assumed one.

    Returns
    -------
    tuple of float
        Factors on rate and on length; each averages to 1 over infants aged evenly from 5 to 40 d.
    """
    rate, length = (
        float(np.interp(postnatal_age_d, AGES_D, curve)) / _mean(curve) for curve in (RATE, LENGTH)
    )
    return max(1.0 + effect * (rate - 1.0), 0.0), max(1.0 + effect * (length - 1.0), 0.0)


def _mean(curve: tuple[float, ...]) -> float:
    """Average of a curve of straight lines over the neutral span."""
    first, last = NEUTRAL_SPAN_D
    ages = np.array([first, *(age for age in AGES_D if first < age < last), last])
    values = np.interp(ages, AGES_D, curve)
    area = float((0.5 * (values[1:] + values[:-1]) * (ages[1:] - ages[:-1])).sum())
    return area / (last - first)
