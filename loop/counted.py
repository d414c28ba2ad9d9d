"""One lane made ready for the measures: rounded, masked, its episodes found."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .episodes import Episodes, find_episodes
from .rounding import on_oxygen, whole_percent
from .trace import Trace

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Counted:
    """One lane seen through one of the two saturations, ready to be counted.

    The fields go from the start of the run; all else starts after the
    warm-up, and is worked out when the first measure asks for it, since many
    ask for the same. `dataclasses.replace` gives the lane with another warm-up.

    Attributes
    ----------
    run_exact_pct : ndarray, shape (run samples,)
        Saturation for areas; NaN where invalid.
    run_whole_pct : ndarray, shape (run samples,)
        Saturation for counts, rounded half-up; NaN where invalid.
    run_valid : ndarray of bool, shape (run samples,)
        Whether there is a reading; true saturation always has one.
    run_on_oxygen : ndarray of bool, shape (run samples,)
        Whether the set FiO2 is at least 22 whole percent.
    run_pao2_mmhg, run_heart_rate_bpm : ndarray, shape (run samples,)
        True arterial PO2 and heart rate.
    fio2_pct : ndarray, shape (run samples,)
        Set FiO2 (percent).
    low_pct, high_pct : float
        Ends of the target range, both inside it.
    warmup_s : int
        Samples of the warm-up.
    """

    run_exact_pct: FloatArray
    run_whole_pct: FloatArray
    run_valid: BoolArray
    run_on_oxygen: BoolArray
    run_pao2_mmhg: FloatArray
    run_heart_rate_bpm: FloatArray
    fio2_pct: FloatArray
    low_pct: float
    high_pct: float
    warmup_s: int

    @cached_property
    def exact_pct(self) -> FloatArray:
        """Saturation for areas, shape (samples,); NaN where invalid."""
        return self.run_exact_pct[self.warmup_s :]

    @cached_property
    def whole_pct(self) -> FloatArray:
        """Saturation for counts, shape (samples,); NaN where invalid."""
        return self.run_whole_pct[self.warmup_s :]

    @cached_property
    def valid(self) -> BoolArray:
        """Whether there is a reading, shape (samples,)."""
        return self.run_valid[self.warmup_s :]

    @cached_property
    def on_oxygen(self) -> BoolArray:
        """Whether the infant is on oxygen, shape (samples,)."""
        return self.run_on_oxygen[self.warmup_s :]

    @cached_property
    def pao2_mmhg(self) -> FloatArray:
        """True arterial PO2, shape (samples,)."""
        return self.run_pao2_mmhg[self.warmup_s :]

    @cached_property
    def valid_on_oxygen(self) -> BoolArray:
        """What convention (a) counts: a reading, on oxygen; shape (samples,)."""
        return self.valid & self.on_oxygen

    @cached_property
    def valid_samples(self) -> int:
        """Number of samples with a reading."""
        return int(np.count_nonzero(self.valid))

    @cached_property
    def valid_on_oxygen_samples(self) -> int:
        """Number of samples with a reading on oxygen."""
        return int(np.count_nonzero(self.valid_on_oxygen))

    @cached_property
    def run_whole_fio2_pct(self) -> FloatArray:
        """Set FiO2 rounded half-up to whole percent, shape (run samples,)."""
        return whole_percent(self.fio2_pct)

    # `start` of an episode counts from the start of the run; none began in the warm-up.

    @cached_property
    def hypoxic(self) -> Episodes:
        """Episodes below 80 %."""
        return find_episodes(self.run_whole_pct < 80, self.run_valid, first=self.warmup_s)

    @cached_property
    def hyperoxic(self) -> Episodes:
        """Episodes above 98 % on oxygen."""
        high = (self.run_whole_pct > 98) & self.run_on_oxygen
        return find_episodes(high, self.run_valid, first=self.warmup_s)

    @cached_property
    def bradycardic(self) -> Episodes:
        """Episodes of a heart rate below 80/min."""
        rate = self.run_heart_rate_bpm
        return find_episodes(rate < 80, ~np.isnan(rate), first=self.warmup_s)


def _lane(values: NDArray[np.floating]) -> FloatArray:
    # A lane's own contiguous copy, so that sums do not depend on its neighbours.
    return np.ascontiguousarray(values, dtype=np.float64)


def counted(
    trace: Trace, target_low_pct: float, target_high_pct: float, *, true_signal: bool
) -> Counted:
    """Prepare one lane for the measures.

    Parameters
    ----------
    trace : Trace
        The lane, warm-up included.
    target_low_pct, target_high_pct : float
        Ends of the target range (percent).
    true_signal : bool
        Count the true SaO2, where every sample is valid, not the displayed SpO2.

    Returns
    -------
    Counted
    """
    exact = _lane(trace.sao2_pct if true_signal else trace.spo2_pct)
    fio2 = _lane(trace.set_fio2)
    return Counted(
        run_exact_pct=exact,
        run_whole_pct=whole_percent(exact),
        run_valid=np.ones(len(exact), dtype=np.bool_) if true_signal else ~np.isnan(exact),
        run_on_oxygen=on_oxygen(fio2),
        run_pao2_mmhg=_lane(trace.pao2_mmhg),
        run_heart_rate_bpm=_lane(trace.heart_rate_bpm),
        fio2_pct=100.0 * fio2,
        low_pct=target_low_pct,
        high_pct=target_high_pct,
        warmup_s=trace.warmup_s,
    )


def on_true_signal(displayed: Counted, trace: Trace) -> Counted:
    """See a lane through the true SaO2 that has been prepared on the displayed SpO2.

    Parameters
    ----------
    displayed : Counted
        From `counted` with ``true_signal=False``.
    trace : Trace
        The same lane.

    Returns
    -------
    Counted
        What `counted` with ``true_signal=True`` gives.
    """
    exact = _lane(trace.sao2_pct)
    return replace(
        displayed,
        run_exact_pct=exact,
        run_whole_pct=whole_percent(exact),
        run_valid=np.ones(len(exact), dtype=np.bool_),
    )
