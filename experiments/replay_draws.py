"""Draw the infants that are tried on a recording, and weigh them afterwards."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ..models.cohort import CohortSettings, draw_infants
from ..models.errors import problem
from ..models.infants import STRATA, FloatArray, Infants
from ..models.lung_parameters import lung_parameters
from ..models.steady import fio2_gain, ventilation_share_for
from ..models.streams import Cause, stream
from .replay_bias import UNKNOWN_BIAS, ProbeBias
from .replay_fit import Fit, fit_record
from .replay_plant import Candidates, Manner

#: Fewest infants with which an answer is given.
FEWEST = 8

#: Least SD of the factor on the effect of FiO2: the model is not the truth.
GAIN_FLOOR = 0.15

#: Infants that are drawn for each one that is fitted.
POOL = 6

#: Steps by which few draws spread evenly over a distribution.
_GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)

#: Effective number of candidates that is kept, as a share of all. On trials with
#: known truth a half, a quarter and an eighth gave a mean error of 2.25, 2.12 and
#: 2.03 points; with fewer the interval held the truth less often.
KEEP = 0.2


@dataclass(frozen=True, kw_only=True)
class Tried:
    """Candidates that were fitted to a recording.

    Attributes
    ----------
    candidates : Candidates
        The infants, each with a bias of the probe.
    fit : Fit
        Their disturbance.
    gain, prior_gain : ndarray
        Points of saturation per point of FiO2 at rest, of these and of the
        first draw.
    """

    candidates: Candidates
    fit: Fit
    gain: FloatArray
    prior_gain: FloatArray


def try_candidates(
    spo2_pct: FloatArray,
    fio2: FloatArray,
    inspired: FloatArray,
    seed: int,
    count: int,
    bias: ProbeBias = UNKNOWN_BIAS,
) -> Tried:
    """Fit some candidates, learn the gain from them, and fit others of about that gain.

    Parameters
    ----------
    spo2_pct : ndarray, shape (seconds,)
        Recorded SpO2 (percent); NaN where there is no sample.
    fio2, inspired : ndarray, shape (seconds,)
        FiO2 as set, and at the infant (fraction).
    seed : int
        Seed of the draws.
    count : int
        How many infants to fit in the second round; a third of it in the first.
    bias : ProbeBias
        What is known of the probe's bias.

    Returns
    -------
    Tried
    """
    middle = float(np.nanmedian(spo2_pct)), float(np.median(fio2))
    pool = draw_candidates(seed, POOL * count, spo2_pct=middle[0], fio2=middle[1], bias=bias)
    gains = fio2_gain(lung_parameters(pool.infants), pool.infants.fio2_need)
    first = np.arange(min(max(FEWEST, count // 3), len(pool)))
    pilot = fit_record(pool.take(first), spo2_pct, inspired)
    wanted, spread = _learnt(gains[first], pilot)
    # Normal quantiles, so that the second round covers what is left of doubt.
    levels = (np.arange(count) + 0.5) / count
    places = _nearest(gains, wanted + spread * ndtri(levels))
    chosen = pool.take(places)
    fit = fit_record(chosen, spo2_pct, inspired)
    return Tried(candidates=chosen, fit=fit, gain=gains[places], prior_gain=gains)


def _learnt(gains: FloatArray, pilot: Fit) -> tuple[float, float]:
    """Gain that the data ask for, and its SD, from the better half of a first round."""
    better = pilot.log_evidence >= np.median(pilot.log_evidence)
    asked = (gains * np.maximum(pilot.gain_factor, 0.1))[better]
    own = (gains * pilot.gain_factor_sd)[better]
    wanted = float(np.median(asked))
    within = float(np.median(own))
    between = 1.48 * float(np.median(np.abs(asked - wanted)))
    doubt = max(GAIN_FLOOR * wanted, math.hypot(within, between / math.sqrt(len(asked))))
    # What the data do not say is taken from the draw.
    usual, usual_sd = float(gains.mean()), float(gains.std())
    trust = usual_sd**2 / (usual_sd**2 + doubt**2)
    return usual + trust * (wanted - usual), doubt * math.sqrt(trust)


def _nearest(values: FloatArray, targets: FloatArray) -> NDArray[np.int64]:
    """Places of the values nearest to the targets, each once."""
    free = np.ones(len(values), dtype=np.bool_)
    places = []
    for target in targets.tolist():
        if not free.any():
            break
        place = int(np.argmin(np.where(free, np.abs(values - target), np.inf)))
        free[place] = False
        places.append(place)
    return np.array(places, dtype=np.int64)


def draw_candidates(
    seed: int, count: int, *, spo2_pct: float, fio2: float, bias: ProbeBias = UNKNOWN_BIAS
) -> Candidates:
    """Draw infants who rest at a given saturation on a given FiO2.

    A recording hardly tells the bias of its probe, so every candidate supposes
    one: together they spread over what is known of it.

    Parameters
    ----------
    seed : int
        Seed of the draws.
    count : int
        How many to draw; those who cannot rest there are left out.
    spo2_pct : float
        Middle of the recorded SpO2 (percent), bias included.
    fio2 : float
        Middle of the recorded FiO2 (fraction).
    bias : ProbeBias
        What is known of the probe's bias.

    Returns
    -------
    Candidates

    Raises
    ------
    TestbedError
        If fewer than eight infants can rest there.
    """
    drawn = _drawn(seed, count, min(max(spo2_pct, 80.0), 97.0))
    evenly = ndtri(np.mod(0.5 + _GOLDEN * np.arange(count), 1.0))
    supposed = bias.mean_pct + bias.sd_pct * evenly
    rest = np.minimum(spo2_pct - supposed, 99.0)
    parameters = lung_parameters(drawn)
    need = np.full(count, fio2)
    share = ventilation_share_for(parameters, need, rest / 100.0)
    able = np.flatnonzero(np.isfinite(share) & (rest > 50.0))
    if len(able) < FEWEST:
        raise problem(
            "recording",
            "a saturation and an FiO2 that infants of the published distributions can have",
            f"SpO2 {spo2_pct:.0f} % on FiO2 {fio2:.2f}",
        )
    infants = replace(
        drawn.take(able),
        fio2_need=need[able],
        spo2_rest_pct=rest[able],
        spo2_bias_pct=supposed[able],
        ventilation_share_poor=share[able],
    )
    numbers = drawn.infant[able].tolist()
    unit = np.stack([stream(seed, number, Cause.REPLAY).random(2) for number in numbers], axis=1)
    manner = Manner(shunt_share=0.8 * unit[0], onset=0.2 + 0.8 * unit[1])
    return Candidates(infants=infants, manner=manner)


def _drawn(seed: int, count: int, rest_pct: float) -> Infants:
    """Draw settled and unstable infants in turn: a recording does not say which it is of."""
    half = -(-count // 2)
    parts = [
        vars(
            draw_infants(
                seed,
                CohortSettings(infants=2 * half, stratum=stratum),
                rest_pct,
                first=place * half,
                count=half,
            ).infants
        )
        for place, stratum in enumerate(STRATA)
    ]
    turns = np.arange(2 * half).reshape(2, half).T.ravel()[:count]
    joined = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    return Infants(**{name: values[turns] for name, values in joined.items()})


def weights(fit: Fit) -> FloatArray:
    """Weigh candidates by their answer to FiO2, and by how well they explain the rest.

    The factor that the data would put on a candidate's effect of FiO2 should
    be 1. The evidence as a whole hangs on how exactly an apnoea is met, which
    the simple disturbance cannot decide: it is flattened until the effective
    number of candidates, ``1 / sum(weight^2)``, is `KEEP` of all; the third with
    the least is left out.

    Parameters
    ----------
    fit : Fit
        The fit of the candidates to one recording.

    Returns
    -------
    ndarray, shape (candidates,)
        Sums to 1.
    """
    spread = fit.gain_factor_sd**2 + GAIN_FLOOR * GAIN_FLOOR
    off = (fit.gain_factor - 1.0) ** 2 / spread
    share = _flattened(fit.log_evidence)
    # The worst have not found their way to the recording at all.
    share = np.where(fit.log_evidence < np.quantile(fit.log_evidence, 1.0 / 3.0), 0.0, share)
    off -= off[share > 0.0].min()
    share = share * np.exp(-0.5 * np.maximum(off, 0.0))
    return np.asarray(share / math.fsum(share.tolist()))


def _flattened(log_evidence: FloatArray) -> FloatArray:
    relative = log_evidence - log_evidence.max()
    power = 1.0
    while True:
        share = np.exp(power * relative)
        share /= math.fsum(share.tolist())
        if 1.0 / float((share * share).sum()) >= KEEP * len(share) or power < 1e-9:
            return np.asarray(share)
        power *= 0.8
