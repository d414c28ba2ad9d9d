"""Everything that is done with one bedside recording, in one call."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from ..loop.arms import ArmSpec
from ..loop.outcomes import outcomes_of
from ..loop.safeguards.settings import SafeguardSettings
from ..loop.signals import FloatArray, Settings
from ..loop.trace import Trace
from ..models.errors import TestbedError, problem
from ..models.settings import quantity, validate
from .replay_bias import ArterialSample, probe_bias
from .replay_orders import Orders, held_readings, open_loop_orders
from .replay_predict import predict, skill_table
from .replay_reader import BedsideRecording, read_recording
from .replay_rerun import LEAD_S, rerun
from .replay_whatif import CANDIDATES, Recovered, interval, lost, recover, refuse_unidentifiable

#: Outcomes of the what-if; convention (b), because a recording may be short.
MEASURES = (
    "time_in_target_pct_b", "time_below_target_pct_b", "time_above_target_pct_b", "mean_fio2_pct",
    "fio2_changes_per_h", "missing_signal_pct",
)  # fmt: skip

#: Name of what was recorded, among the arms.
RECORDED = "recorded"


@dataclass(frozen=True, kw_only=True)
class ReplaySettings:
    """How a recording is replayed.

    Attributes
    ----------
    samples : tuple of ArterialSample
        Arterial saturations measured meanwhile; they tell the bias of the probe.
    """

    target_low_pct: float = quantity(
        unit="%", low=70, high=99, default=90.0, doc="low end of the target range"
    )
    target_high_pct: float = quantity(
        unit="%", low=71, high=100, default=95.0, doc="high end of the target range"
    )
    candidates: int = quantity(
        unit="-",
        low=12,
        high=400,
        default=CANDIDATES,
        doc="virtual infants to try on the recording",
    )
    ensemble: int = quantity(
        unit="-", low=10, high=400, default=40, doc="fitted infants that are run again"
    )
    seed: int = quantity(unit="-", low=0, default=1, doc="seed of all random draws")
    samples: tuple[ArterialSample, ...] = ()

    def __post_init__(self) -> None:
        validate(self)
        if not self.target_low_pct < self.target_high_pct:
            raise problem(
                "ReplaySettings.target_high_pct",
                f"more than target_low_pct ({self.target_low_pct:g} %)",
                self.target_high_pct,
            )


@dataclass(frozen=True, kw_only=True)
class WhatIf:
    """One controller on the fitted infants.

    Attributes
    ----------
    name : str
        Name of the arm.
    sao2 : tuple of ndarray, shape (seconds,)
        Low end, median and high end of true SaO2 (percent).
    set_fio2 : tuple of ndarray, shape (seconds,)
        The same of the set FiO2 (fraction).
    outcomes : pandas.DataFrame
        A row per fitted infant, a column per measure.
    """

    name: str
    sao2: tuple[FloatArray, FloatArray, FloatArray]
    set_fio2: tuple[FloatArray, FloatArray, FloatArray]
    outcomes: pd.DataFrame


@dataclass(frozen=True, kw_only=True)
class ReplayResult:
    """What a recording told.

    Attributes
    ----------
    recording : BedsideRecording
        The recording.
    settings : ReplaySettings
        How it was replayed.
    recovered : Recovered
        The fitted infants.
    predictions, skill : pandas.DataFrame
        Predictions at every origin, and their errors.
    what_if : tuple of WhatIf
        The controllers on the fitted infants; empty where that was refused.
    refused : str
        Why it was refused; empty if it was not.
    recorded_outcomes : dict of str to float
        The measures of the recording itself.
    orders : tuple of Orders
        What each controller would have ordered, open-loop.
    errors : dict of str to str
        Arms that failed, with the reason.
    """

    recording: BedsideRecording
    settings: ReplaySettings
    recovered: Recovered
    predictions: pd.DataFrame
    skill: pd.DataFrame
    what_if: tuple[WhatIf, ...]
    refused: str
    recorded_outcomes: dict[str, float]
    orders: tuple[Orders, ...]
    errors: dict[str, str] = field(default_factory=dict)


def replay_recording(
    path: Path | str,
    controllers: Sequence[ArmSpec],
    settings: ReplaySettings,
    note: Callable[[str], None] | None = None,
) -> ReplayResult:
    """Read a recording, fit infants to it, judge the fit, and re-run it.

    Parameters
    ----------
    path : Path or str
        The recording.
    controllers : sequence of ArmSpec
        What to re-run it with.
    settings : ReplaySettings
        Target range and sizes.
    note : callable, optional
        Told what is being done.

    Returns
    -------
    ReplayResult

    Raises
    ------
    TestbedError
        If the recording cannot be used. Where only the gain cannot be
        identified, `refused` says so and the rest is done.
    """
    tell = note or (lambda _: None)
    tell("reading")
    recording = read_recording(path)
    bias = probe_bias(recording, settings.samples)
    tell("fitting infants to the whole recording")
    recovered = recover(recording, settings.seed, settings.candidates, settings.ensemble, bias)
    tell("predicting")
    predictions = predict(recording, settings.seed, settings.candidates)
    tell("asking the controllers")
    ends = (settings.target_low_pct, settings.target_high_pct)
    limits = Settings(target_low_pct=ends[0], target_high_pct=ends[1], fio2_min=0.21, fio2_max=1.0)
    orders = tuple(open_loop_orders(recording, arm, limits) for arm in controllers)
    what_if, refused, errors = _what_if(recovered, controllers, limits)
    return ReplayResult(
        recording=recording,
        settings=settings,
        recovered=recovered,
        predictions=predictions,
        skill=skill_table(predictions),
        what_if=what_if,
        refused=refused,
        recorded_outcomes=_recorded(recovered, ends),
        orders=orders,
        errors=errors | {f"{item.name}, open loop": item.error for item in orders if item.error},
    )


def _what_if(
    recovered: Recovered, controllers: Sequence[ArmSpec], limits: Settings
) -> tuple[tuple[WhatIf, ...], str, dict[str, str]]:
    """Re-run, or say why not."""
    guarded = [
        replace(arm, safeguards=arm.safeguards or SafeguardSettings(), overseen=False)
        for arm in controllers
    ]
    try:
        refuse_unidentifiable(recovered)
    except TestbedError as error:
        return (), str(error), {}
    if not guarded:
        return (), "", {}
    run, ends = rerun(recovered, guarded, limits), (limits.target_low_pct, limits.target_high_pct)
    arms = [_one_arm(recovered, name, traces, ends) for name, traces in run.traces.items()]
    return tuple(arms), "", run.errors


def _one_arm(
    recovered: Recovered, name: str, traces: list[Trace], ends: tuple[float, float]
) -> WhatIf:
    """Gather one controller's courses and outcomes over the ensemble."""
    sao2 = np.stack([trace.sao2_pct[LEAD_S:] for trace in traces], axis=1)
    fio2 = np.stack([trace.set_fio2[LEAD_S:] for trace in traces], axis=1)
    rows = [_measures(trace, ends) for trace in traces]
    return WhatIf(
        name=name,
        sao2=interval(recovered.widened(sao2)),
        set_fio2=interval(fio2),
        outcomes=pd.DataFrame(rows, columns=list(MEASURES)),
    )


def _measures(trace: Trace, ends: tuple[float, float]) -> dict[str, float]:
    values = outcomes_of(trace, *ends)
    return {name: values[name] for name in MEASURES}


def _recorded(recovered: Recovered, ends: tuple[float, float]) -> dict[str, float]:
    """Take the measures of the recording as it is; what is not known of it is not used."""
    recording = recovered.recording
    shown = np.where(lost(recording), np.nan, np.floor(held_readings(recording) + 0.5))
    unknown = np.full(len(recording), np.nan)
    trace = Trace(
        spo2_pct=shown,
        sao2_pct=np.median(recovered.fitted_pct, axis=1),
        pao2_mmhg=unknown,
        set_fio2=recording.fio2,
        inspired_fio2=recording.fio2,
        heart_rate_bpm=unknown,
        apnoea=np.zeros(len(recording), dtype=np.int64),
        warmup_s=0,
    )
    return _measures(trace, ends)


__all__ = [
    "MEASURES",
    "RECORDED",
    "ReplayResult",
    "ReplaySettings",
    "WhatIf",
    "replay_recording",
]
