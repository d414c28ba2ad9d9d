"""What a recording itself says against trusting a what-if on it.

Nothing here knows a hidden truth: every caution is read off the recording and
the infants that were fitted to it. The limits were set on trials with known
truth (`replay_trials`), one set to choose them and a fresh one to report on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .replay_draws import BIAS_SD_PCT
from .replay_plant import displayed
from .replay_whatif import Recovered

LOW_PCT, MOST_LOW_SHARE = 85.0, 0.1
FULL_PCT, MOST_FULL_SHARE = 98.0, 0.15
MOST_MISFIT_PCT = 1.6


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
        Root mean square of what the fitted infants leave unexplained (points).
    spread_pct : float
        Mean width of the 90 % interval of fitted saturation (points).
    bias_told : float
        Share by which the recording narrows what is known of the probe's bias:
        0 nothing, 1 all.
    """

    low_share: float
    full_share: float
    misfit_pct: float
    spread_pct: float
    bias_told: float


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
    miss = np.median(shown, axis=1)[known] - recorded[known]
    low, high = np.quantile(recovered.fitted_pct, (0.05, 0.95), axis=1)
    return Signs(
        low_share=float((recorded[known] < LOW_PCT).mean()),
        full_share=float((recorded[known] >= FULL_PCT).mean()),
        misfit_pct=float(np.sqrt((miss * miss).mean())),
        spread_pct=float((high - low).mean()),
        bias_told=max(0.0, 1.0 - float(body.spo2_bias_pct.std()) / BIAS_SD_PCT),
    )


def cautions(recovered: Recovered) -> list[Caution]:
    """Say what speaks against trusting a what-if.

    Parameters
    ----------
    recovered : Recovered
        The fitted infants.

    Returns
    -------
    list of Caution
        Empty if nothing does.
    """
    seen = signs(recovered)
    found = []
    if seen.low_share > MOST_LOW_SHARE:
        found.append(Caution(name="deep", text=""))
    return found
