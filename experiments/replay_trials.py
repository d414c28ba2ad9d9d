"""Recordings of virtual infants whose truth is known, and how well replay recovers them.

Run ``python -m oxytestbed.experiments.replay_trials --infants 12 --seed 7`` to see
for yourself how far a what-if can be trusted. Each infant is recorded on one
course of FiO2; what replay makes of the recording is then asked what another
course would have led to, which the bench knows.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..loop.arms import ArmSpec
from ..loop.bench import Bench, BenchSpec
from ..loop.open_loop import replay, replay_fully
from ..loop.safeguards.settings import SafeguardSettings
from ..models.activities import ActivitySettings
from ..models.artefacts import ArtefactSettings
from ..models.cohort import CohortSettings, draw_infants
from ..models.errors import TestbedError
from ..models.infants import STRATA, FloatArray, Infants
from ..models.periodic_breathing import PeriodicSettings
from ..models.streams import Cause, stream
from .replay_bias import LABORATORY_SD_PCT, SHOWN_WITHIN_S, ArterialSample, probe_bias
from .replay_reader import BedsideRecording
from .replay_trust import LOW_PCT, cautions
from .replay_verdicts import Verdict, trial_lines
from .replay_whatif import CANDIDATES, Recovered, another_course, interval, recover

#: How the oxygen moves while it is recorded, taken in turn; the other course is
#: that of the controller where the recording was by hand, and the reverse.
SCENES = ("steps", "manual", "automatic", "care")

#: Infants who breathe room air are left out: nobody asks what a controller would do.
LEAST_NEED = 0.23

#: Added to the seed of a trial for its candidates, or the infant that was recorded
#: could be among them.
OTHER_SEED = 1_000_003

TARGET_PCT = (90.0, 95.0)
#: Infants are this many numbers apart, so that none is drawn twice.
_APART = 20

_STEP_S, _STEP_FIO2 = (300, 420), (0.04, 0.05)
_MANUAL, _AUTOMATIC = "manual", "pi"


@dataclass(frozen=True, kw_only=True)
class KnownTruth:
    """A recording and what really happened, and would have happened.

    Attributes
    ----------
    recording : BedsideRecording
        What a bedside recorder would have kept.
    sao2_pct : ndarray, shape (seconds,)
        True saturation (percent).
    other_fio2, other_sao2_pct : ndarray, shape (seconds,)
        Another course of FiO2 (fraction), and what it leads to (percent).
    bias_pct : float
        SpO2 minus SaO2 of the probe (points).
    infant : int
        The infant's own number.
    stratum, scene : str
        What kind of infant, and how its oxygen moved.
    """

    recording: BedsideRecording
    sao2_pct: FloatArray
    other_fio2: FloatArray
    other_sao2_pct: FloatArray
    bias_pct: float
    infant: int
    stratum: str
    scene: str


def known_truths(seed: int, infants: int, duration_s: int) -> list[KnownTruth]:
    """Record infants: settled and unstable in turn, two of each scene before the next.

    Parameters
    ----------
    seed : int
        Seed of infants, events and courses.
    infants : int
        How many; a larger number adds to the smaller one's.
    duration_s : int
        Length of each recording (s).

    Returns
    -------
    list of KnownTruth
        In the order of the infants.
    """
    scenes = {name: [] for name in SCENES}  # type: dict[str, list[int]]
    for place in range(infants):
        scenes[SCENES[place // 2 % len(SCENES)]].append(place)
    found: dict[int, KnownTruth] = {}
    for scene, places in scenes.items():
        if places:
            found.update(zip(places, _recorded(seed, places, scene, duration_s), strict=True))
    return [found[place] for place in range(infants)]


def _infant(seed: int, place: int) -> Infants:
    """Draw the infant of a trial: the first from its own number on who needs oxygen."""
    settings = CohortSettings(infants=100_000, stratum=STRATA[place % 2])
    first = _APART * place
    drawn = draw_infants(seed, settings, sum(TARGET_PCT) / 2, first=first, count=_APART).infants
    return drawn.take(np.flatnonzero(drawn.fio2_need >= LEAST_NEED)[:1])


def _recorded(seed: int, places: list[int], scene: str, duration_s: int) -> list[KnownTruth]:
    """Record the infants of one scene, all at once."""
    each = [vars(_infant(seed, place)) for place in places]
    infants = Infants(**{name: np.concatenate([item[name] for item in each]) for name in each[0]})
    spec = _spec(seed, infants, scene, duration_s)
    given, other = _courses(spec, scene)
    run = replay_fully(spec, given, scene)
    elsewhere = replay(spec, other[:, np.newaxis])[:, 0]
    truths = []
    for column in range(len(infants)):
        trace = run.trace(column, scene)
        recording = BedsideRecording(
            spo2_pct=trace.spo2_pct.astype(np.float64),
            fio2=_percents(trace.set_fio2),
            rows=duration_s,
            interval_s=1.0,
            name=f"infant {infants.infant[column]}",
        )
        truths.append(
            KnownTruth(
                recording=recording,
                sao2_pct=trace.sao2_pct.astype(np.float64),
                other_fio2=other[:, column],
                other_sao2_pct=elsewhere[:, column],
                bias_pct=float(infants.spo2_bias_pct[column]),
                infant=int(infants.infant[column]),
                stratum=str(infants.stratum[column]),
                scene=scene,
            )
        )
    return truths


def _spec(seed: int, infants: Infants, scene: str, duration_s: int) -> BenchSpec:
    spec = BenchSpec(
        infants=infants,
        groups=np.arange(len(infants)),
        arms=(
            ArmSpec(name=_MANUAL, controller=None),
            ArmSpec(name=_AUTOMATIC, controller=_AUTOMATIC, safeguards=SafeguardSettings()),
        ),
        seed=seed,
        duration_s=duration_s,
        warmup_s=0,
        target_low_pct=TARGET_PCT[0],
        target_high_pct=TARGET_PCT[1],
    )
    if scene != "care":
        return spec
    return replace(
        spec,
        activities=ActivitySettings(),
        periodic=PeriodicSettings(),
        artefacts=ArtefactSettings(),
    )


def _courses(spec: BenchSpec, scene: str) -> tuple[FloatArray, FloatArray]:
    """Choose the FiO2 that is recorded, and the other one; shape (seconds, infants)."""
    count = len(spec.infants)
    if scene == "steps":
        rngs = [stream(spec.seed, n, Cause.REPLAY_TRIAL) for n in spec.infants.infant.tolist()]
        given, other = (
            np.stack(
                [_stepped(need, size, every_s, spec.duration_s, rng) for need, rng in pairs], axis=1
            )
            for size, every_s in zip(_STEP_FIO2, _STEP_S, strict=True)
            for pairs in [list(zip(spec.infants.fio2_need.tolist(), rngs, strict=True))]
        )
        return given, other
    run = Bench(spec).run()
    manual, automatic = (
        np.stack([run.trace(place, name).set_fio2 for place in range(count)], axis=1)
        for name in (_MANUAL, _AUTOMATIC)
    )
    manual, automatic = _percents(manual), _percents(automatic)
    return (automatic, manual) if scene == "automatic" else (manual, automatic)


def _percents(fio2: FloatArray) -> FloatArray:
    """Round to whole percent, as a blender is set."""
    return np.asarray(np.round(fio2.astype(np.float64), 2), dtype=np.float64)


def _stepped(
    need: float, size: float, every_s: int, duration_s: int, rng: np.random.Generator
) -> FloatArray:
    """Step to a random level about the need at fixed times."""
    levels = np.round(rng.uniform(-size, size, duration_s // every_s + 1), 2)
    course = need + levels[np.arange(duration_s) // every_s]
    return np.asarray(np.round(np.clip(course, 0.21, 1.0), 2))


def judge(truth: KnownTruth, recovered: Recovered) -> Verdict:
    """Put what was recovered beside the truth.

    Parameters
    ----------
    truth : KnownTruth
        The recording and what is known of it.
    recovered : Recovered
        What replay made of the recording alone.

    Returns
    -------
    Verdict
    """
    try:
        low, middle, high = interval(another_course(recovered, truth.other_fio2))
    except TestbedError:
        low = middle = high = np.full(len(truth.sao2_pct), math.nan)
    real = truth.other_sao2_pct
    refused = bool(np.isnan(middle[0]))
    shown = truth.recording.spo2_pct[np.isfinite(truth.recording.spo2_pct)]
    return Verdict(
        stratum=truth.stratum,
        scene=truth.scene,
        low_share=float((shown < LOW_PCT).mean()),
        bias_pct=truth.bias_pct,
        moved_pct=_rms(real - truth.sao2_pct),
        rms_pct=_rms(middle - real),
        coverage=math.nan if refused else float(((real >= low) & (real <= high)).mean()),
        width_pct=float((high - low).mean()),
        offset_pct=float((middle - real).mean()),
        cautions=tuple(item.name for item in cautions(recovered, middle)),
    )


def arterial_samples(truth: KnownTruth, count: int, seed: int) -> tuple[ArterialSample, ...]:
    """Take blood at steady moments, one in each part of the recording.

    Parameters
    ----------
    truth : KnownTruth
        The recording and what is known of it.
    count : int
        How many samples.
    seed : int
        Seed of the laboratory's errors.

    Returns
    -------
    tuple of ArterialSample
        True saturations with the laboratory's error, where the readings that follow move least.
    """
    rng = stream(seed, truth.infant, Cause.REPLAY_SAMPLE)
    shown = truth.recording.spo2_pct
    windows = np.lib.stride_tricks.sliding_window_view(shown, SHOWN_WITHIN_S + 1)
    moved = np.where(np.isfinite(windows).all(axis=1), windows.std(axis=1), np.inf)
    found = []
    for part in np.array_split(np.arange(len(moved)), count) if count else ():
        moment = int(part[np.argmin(moved[part])])
        error = LABORATORY_SD_PCT * float(rng.standard_normal())
        sao2_pct = min(max(float(truth.sao2_pct[moment]) + error, 50.0), 100.0)
        found.append(ArterialSample(time_s=float(moment), sao2_pct=sao2_pct))
    return tuple(found)


def _rms(values: FloatArray) -> float:
    return math.sqrt(float((values * values).mean()))


def main(arguments: Sequence[str] | None = None) -> int:
    """Record, recover, judge and print.

    Parameters
    ----------
    arguments : sequence of str, optional
        Words after the program's name; those of the process if left out.

    Returns
    -------
    int
        Exit status, always 0.
    """
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--infants", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1, help="of infants, events and courses")
    parser.add_argument("--hours", type=float, default=2.0, help="length of each recording")
    parser.add_argument("--candidates", type=int, default=CANDIDATES, help="infants to try on each")
    parser.add_argument("--sao2-samples", type=int, default=0, help="blood samples in each")
    given = parser.parse_args(arguments)
    if given.sao2_samples < 0:
        parser.error(f"--sao2-samples: expected 0 or more, got {given.sao2_samples}")
    verdicts = []
    for truth in known_truths(given.seed, given.infants, round(3600 * given.hours)):
        bias = probe_bias(truth.recording, arterial_samples(truth, given.sao2_samples, given.seed))
        other = given.seed + OTHER_SEED
        recovered = recover(truth.recording, other, given.candidates, bias=bias)
        verdicts.append(judge(truth, recovered))
        sys.stderr.write(f"{len(verdicts)} of {given.infants}\n")
    sys.stdout.write("\n".join(trial_lines(verdicts)) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
