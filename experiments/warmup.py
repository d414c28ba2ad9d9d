"""How much the answer depends on the warm-up: key outcomes counted again with others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from ..loop.counted import Counted
from ..loop.outcomes import OUTCOMES

#: Outcomes that are counted again.
WARMUP_OUTCOMES = (
    "time_in_target_pct",
    "hypoxia_burden_80_pct_s_per_h",
    "hyperoxia_burden_pct_s_per_h",
)

#: Other warm-ups, as multiples of the one of the run.
WARMUP_FACTORS = (0.5, 1.0, 2.0)

#: A warm-up leaves at least this share of the run to count.
LEAST_SHARE_LEFT = 0.5


def warmups_s(samples: int, warmup_s: int) -> tuple[int, ...]:
    """List the warm-ups that a run is counted again with.

    Parameters
    ----------
    samples : int
        Length of the run (s).
    warmup_s : int
        Its own warm-up (s).

    Returns
    -------
    tuple of int
        Ascending (s); the one of the run among them.
    """
    longest = (1.0 - LEAST_SHARE_LEFT) * samples
    wanted = {round(factor * warmup_s) for factor in WARMUP_FACTORS}
    kept = {seconds for seconds in wanted if seconds <= longest} | {warmup_s}
    return tuple(sorted(kept))


def warmup_rows(displayed: Counted) -> Iterator[dict[str, float]]:
    """Count the key outcomes of one lane with each warm-up.

    Parameters
    ----------
    displayed : Counted
        The lane on the displayed SpO2, with the warm-up of the run.

    Yields
    ------
    dict of str to float
        ``warmup_s`` and the outcomes of `WARMUP_OUTCOMES`.
    """
    for seconds in warmups_s(len(displayed.run_valid), displayed.warmup_s):
        same = seconds == displayed.warmup_s
        lane = displayed if same else replace(displayed, warmup_s=seconds)
        yield {"warmup_s": float(seconds)} | {
            name: OUTCOMES[name].measure(lane) for name in WARMUP_OUTCOMES
        }


__all__ = ["WARMUP_FACTORS", "WARMUP_OUTCOMES", "warmup_rows", "warmups_s"]
