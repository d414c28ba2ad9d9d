"""Tables of a replayed recording's report."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..loop.outcomes import OUTCOMES
from .page import Row, Table
from .readable import number
from .replay import MEASURES, RECORDED, ReplayResult
from .replay_predict import METHODS
from .replay_whatif import INTERVAL, WIDENING


def skill_words(result: ReplayResult) -> Table:
    """Show the errors of predictions.

    Parameters
    ----------
    result : ReplayResult
        What the recording told.

    Returns
    -------
    Table
    """
    rows = []
    for record in result.skill.to_dict("records"):
        values = (float(record[name]) for name in ("rms_pct", "mean_absolute_pct", "skill"))
        ahead = f"{float(record['horizon_s']) / 60:.0f} min"
        method, count = METHODS[str(record["method"])], str(record["count"])
        rows.append(Row(cells=(ahead, method, count, *(number(value, 2) for value in values))))
    return Table(
        caption="Infants chosen on the first half of the recording, judged on the second. The "
        "disturbance is fitted to the 15 min before each origin and then frozen, without the part "
        "that takes away breathing; the recorded FiO2 is given. Skill: "
        "1 - squared error / that of the last reading; 0 is no better.",
        head=("Ahead", "Method", "Origins", "RMS (points)", "Mean absolute (points)", "Skill"),
        rows=tuple(rows),
        name="skill_table",
    )


def outcome_table(result: ReplayResult) -> Table:
    """Show the outcomes of the recording and of each controller.

    Parameters
    ----------
    result : ReplayResult
        What the recording told.

    Returns
    -------
    Table
    """
    recorded = tuple(
        number(result.recorded_outcomes[name], OUTCOMES[name].decimals) for name in MEASURES
    )
    rows = [Row(cells=(RECORDED, *recorded))]
    for item in result.what_if:
        cells = [_with_interval(item.outcomes[name], OUTCOMES[name].decimals) for name in MEASURES]
        rows.append(Row(cells=(item.name, *cells)))
    return Table(
        caption="Displayed SpO2. Recorded: what was measured. Controllers: median over the fitted "
        "infants (90 % interval), with the usual safeguards and nobody at the cot.",
        head=("Arm", *(f"{OUTCOMES[name].label} ({OUTCOMES[name].unit})" for name in MEASURES)),
        rows=tuple(rows),
        name="outcome_table",
    )


def _with_interval(values: pd.Series[float], decimals: int) -> str:
    known = values.dropna().to_numpy(dtype=float)
    if not len(known):
        return "-"
    low, middle, high = np.quantile(known, (INTERVAL[0], 0.5, INTERVAL[1]))
    ends = f"{number(float(low), decimals)} to {number(float(high), decimals)}"
    return f"{number(float(middle), decimals)} ({ends})"


_DEFINITIONS = (
    ("Fitted infant", "A virtual infant drawn from published distributions that rests at the "
     "middle of the recorded SpO2 on the middle of the recorded FiO2; several are kept, weighed "
     "by how well they explain the recording."),
    ("Disturbance", "One number every 10 s that explains what FiO2 does not: up to an onset it "
     "raises shunt and takes ventilation from the poorly ventilated part of the lung, beyond it "
     "takes away breathing, and at last it is a sudden surge of shunt. "
     "Smoothed over the whole recording."),
    ("Gain", "Points of saturation per point of FiO2 at rest, at the middle of the recording."),
    ("90 % interval", f"5th to 95th percentile of the fitted infants, spread by a factor of "
     f"{WIDENING:g} that was chosen on recordings with known truth; the unknown bias of the "
     "probe is part of it."),
    ("What-if", "The fitted infants with the same disturbance and another hand on the oxygen. "
     "Apnoeas that would not have happened with more oxygen happen all the same."),
    ("Open loop", "What a controller would have ordered on seeing the recording. Its orders do "
     "not reach the infant. At each change of the recorded FiO2 it starts from there, as after a "
     "change by hand, and then goes on by itself: read the direction, not the level."),
    ("Assumed", "Averaging of 8 s, the usual delay of a CPAP circuit, FiO2 as set, a heart rate "
     "of 150/min for controllers that ask."),
)  # fmt: skip


def definition_table() -> Table:
    """Define the words of the report.

    Returns
    -------
    Table
    """
    rows = [Row(cells=pair) for pair in _DEFINITIONS]
    rows += [Row(cells=(OUTCOMES[name].label, OUTCOMES[name].definition)) for name in MEASURES]
    return Table(
        caption="What the words mean.",
        head=("Word", "Meaning"),
        rows=tuple(rows),
        kind="words",
        name="definitions",
    )


__all__ = ["definition_table", "outcome_table", "skill_words"]
