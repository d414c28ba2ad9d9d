"""How trials of replay ended: a verdict for each recording, and a table of them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

#: Error and share of time inside the interval that are asked for.
WANTED_RMS_PCT, WANTED_COVERAGE = 2.0, 0.8


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """How a trial ended.

    Attributes
    ----------
    stratum, scene : str
        From the truth.
    low_share : float
        Share of readings below 85 %.
    bias_pct : float
        SpO2 minus SaO2 of the probe (points).
    moved_pct : float
        Root mean square by which the other course changes the truth (points).
    rms_pct, coverage, width_pct : float
        Error of the what-if, share of time inside its interval, and mean width
        of the interval; NaN where the what-if was refused.
    offset_pct : float
        Mean error (points), of which the probe's bias is the most part.
    cautions : tuple of str
        What the recording itself says against trusting the what-if.
    """

    stratum: str
    scene: str
    low_share: float
    bias_pct: float
    moved_pct: float
    rms_pct: float
    coverage: float
    width_pct: float
    offset_pct: float
    cautions: tuple[str, ...]

    @property
    def refused(self) -> bool:
        """Whether FiO2 moved too little for a what-if."""
        return math.isnan(self.rms_pct)

    @property
    def met(self) -> bool:
        """Whether error and coverage are as good as was asked for."""
        return self.rms_pct <= WANTED_RMS_PCT and self.coverage >= WANTED_COVERAGE


def trial_lines(verdicts: Sequence[Verdict]) -> Iterator[str]:
    """Lay the verdicts out as a table with a summary below.

    Parameters
    ----------
    verdicts : sequence of Verdict
        In any order.

    Yields
    ------
    str
        A line.
    """
    yield (
        "infant    oxygen      < 85 %  bias   moves   RMS  offset  inside  width  cautions\n"
        "                      of time  pts     pts   pts     pts    time    pts"
    )
    for item in verdicts:
        facts = (
            f"{item.stratum:9s} {item.scene:10s} {100 * item.low_share:6.0f} {item.bias_pct:+6.1f}"
        )
        if item.refused:
            yield f"{facts} {item.moved_pct:7.1f}  refused: FiO2 hardly moved"
            continue
        yield (
            f"{facts} {item.moved_pct:7.1f} {item.rms_pct:5.2f} {item.offset_pct:+7.2f} "
            f"{item.coverage:7.2f} {item.width_pct:6.1f}  {', '.join(item.cautions) or '-'}"
        )
    judged = [item for item in verdicts if not item.refused]
    yield ""
    yield _sum("all that were not refused", judged)
    yield _sum("of these without a caution", [item for item in judged if not item.cautions])
    yield _sum("with a caution", [item for item in judged if item.cautions])


def _sum(what: str, verdicts: Sequence[Verdict]) -> str:
    count = len(verdicts)
    if not count:
        return f"{what}: none"
    near = sum(item.rms_pct <= WANTED_RMS_PCT for item in verdicts)
    held = sum(item.coverage >= WANTED_COVERAGE for item in verdicts)
    both = sum(item.met for item in verdicts)
    median = float(np.median([item.rms_pct for item in verdicts]))
    mean = float(np.mean([item.coverage for item in verdicts]))
    return (
        f"{what}: {count}; within {WANTED_RMS_PCT:g} points {near}; inside "
        f"{WANTED_COVERAGE:.0%} of the time or more {held}; both {both}; median RMS {median:.2f}, "
        f"mean inside {mean:.2f}"
    )
