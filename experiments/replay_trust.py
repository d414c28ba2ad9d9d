"""What a recording itself says against trusting a what-if on it.

Nothing here knows a hidden truth: every caution is read off the recording and
the infants that were fitted to it. The limits were set on trials with known
truth (`replay_trials`), one set to choose them and a fresh one to report on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..models.infants import FloatArray
from .replay_costs import noise_ratio
from .replay_plant import displayed
from .replay_whatif import Recovered

#: Share of readings below the first, and at or above the second, that is too much.
LOW_PCT, MOST_LOW_SHARE = 85.0, 0.1
FULL_PCT, MOST_FULL_SHARE = 98.0, 0.15

#: FiO2 has to change so often, and a what-if may lead so far away (points RMS).
FEWEST_CHANGES, MOST_REACH_PCT = 8, 4.0

#: More than this is left unexplained by the best of infants (points RMS).
MOST_MISFIT_PCT = 1.5


#: What was reached on recordings that played no part in any choice: ``replay_trials --infants 12``
#: with the seeds 20283 and 20284, each run once; with samples of blood, 20281 and 20282.
VALIDATED = (
    "On fresh recordings of 24 virtual infants whose truth is known, the what-if was refused for "
    "6. Another FiO2 course was met within 2 points of SaO2 (root mean square) in 4 of 6 without a "
    "warning and in 5 of 12 with one; the 90 % interval held the truth at least 80 % of the time "
    "in all of the 6 and in 9 of the 12. No warning is no guarantee: the other two were missed by "
    "2.0 and 2.4 points. Part of the error is the bias of a probe, which cannot be told from what "
    "it shows (with two arterial saturations given, the median error of 21 others fell from 2.4 to "
    "2.2 points, and their interval from 6.6 to 5.6)."
)

VALIDATED_IN_SHORT = (
    "In fresh trials with known truth 4 of 6 recordings without a warning were met within 2 points "
    "of SaO2 (the others within 2.4), and 5 of 12 with one."
)


@dataclass(frozen=True, kw_only=True)
class Caution:
    """One reason not to trust a what-if.

    Attributes
    ----------
    name : str
        One or two words.
    text : str
        A sentence with the figure that raised it.
    """

    name: str
    text: str


@dataclass(frozen=True, kw_only=True)
class Signs:
    """Figures that cautions are raised from.

    Attributes
    ----------
    low_share, full_share : float
        Share of readings below 85 %, and at 98 % or more.
    misfit_pct : float
        Root mean square of what the fitted infants leave unexplained (points), where the noise
        is wider in the measure of that above 90 %.
    spread_pct : float
        Mean width of the 90 % interval of fitted saturation (points).
    """

    low_share: float
    full_share: float
    misfit_pct: float
    spread_pct: float


def signs(recovered: Recovered) -> Signs:
    """Read the figures off a recording and its fit.

    Parameters
    ----------
    recovered : Recovered
        The fitted infants.

    Returns
    -------
    Signs
    """
    recorded = recovered.recording.spo2_pct
    known = np.isfinite(recorded)
    body = recovered.candidates.infants
    shown = displayed(recovered.fitted_pct, body.circulation_delay_s, body.spo2_bias_pct)
    miss = (np.median(shown, axis=1)[known] - recorded[known]) / noise_ratio(recorded[known])
    low, high = np.quantile(recovered.fitted_pct, (0.05, 0.95), axis=1)
    return Signs(
        low_share=float((recorded[known] < LOW_PCT).mean()),
        full_share=float((recorded[known] >= FULL_PCT).mean()),
        misfit_pct=float(np.sqrt((miss * miss).mean())),
        spread_pct=float((high - low).mean()),
    )


def reach_pct(recovered: Recovered, middle_pct: FloatArray) -> float:
    """Say how far a what-if leads away from what was recorded.

    Parameters
    ----------
    recovered : Recovered
        The fitted infants.
    middle_pct : ndarray, shape (seconds,)
        Median saturation of the what-if (percent).

    Returns
    -------
    float
        Root mean square (points).
    """
    away = middle_pct - np.median(recovered.fitted_pct, axis=1)
    return float(np.sqrt((away * away).mean()))


def cautions(recovered: Recovered, middle_pct: FloatArray) -> list[Caution]:
    """Say what speaks against trusting a what-if.

    Parameters
    ----------
    recovered : Recovered
        The fitted infants.
    middle_pct : ndarray, shape (seconds,)
        Median saturation of the what-if (percent).

    Returns
    -------
    list of Caution
        Empty if nothing does.
    """
    seen, reach = signs(recovered), reach_pct(recovered, middle_pct)
    changes = recovered.movement.changes
    raised = (
        (
            "deep falls",
            seen.low_share > MOST_LOW_SHARE,
            f"{100 * seen.low_share:.0f} % of the readings are below {LOW_PCT:g} %",
        ),
        (
            "full",
            seen.full_share > MOST_FULL_SHARE,
            f"{100 * seen.full_share:.0f} % of the readings are {FULL_PCT:g} % or more, where the "
            "reading does not tell how much oxygen could be spared",
        ),
        (
            "few changes",
            changes < FEWEST_CHANGES,
            f"FiO2 changed only {changes} times",
        ),
        (
            "far",
            reach > MOST_REACH_PCT,
            f"it leads {reach:.1f} points (root mean square) away from what was recorded",
        ),
        (
            "misfit",
            seen.misfit_pct > MOST_MISFIT_PCT,
            f"the fitted infants miss the recorded SpO2 by {seen.misfit_pct:.1f} points",
        ),
    )
    return [Caution(name=name, text=text) for name, is_so, text in raised if is_so]


__all__ = ["VALIDATED", "VALIDATED_IN_SHORT", "Caution", "Signs", "cautions", "reach_pct", "signs"]
