"""From recorded infants to the figures that are put beside published care by hand."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from .rows import Simulated, figure, spread_over
from .runs import AT_98, Lane

FloatArray = NDArray[np.float64]

#: An apnoea is isolated with this long since the last one, sequential within the other (s).
ISOLATED_S, SEQUENTIAL_S = 120, 60
APNOEA_S = 10
PROLONGED_S = 60
OLDER_WK = 33.0
#: Events peak from this age on (d).
PEAK_FROM_D = 28.0
FIRST_ORDER_R2 = 0.7


def _outcome(lanes: Sequence[Lane], name: str) -> FloatArray:
    return np.array([lane.outcomes[name] for lane in lanes], dtype=np.float64)


def _pooled(lanes: Sequence[Lane], name: str) -> FloatArray:
    parts = [lane.arrays[name] for lane in lanes if name in lane.arrays]
    return np.concatenate(parts) if parts else np.zeros(0)


def _mean(values: FloatArray, scale: float = 1.0) -> Simulated:
    kept = values[np.isfinite(values)]
    return figure(scale * float(kept.mean()) if len(kept) else float("nan"), len(kept))


def settled_rows(lanes: Sequence[Lane]) -> dict[str, Simulated]:
    """Give the figures of the settled infants, target 90-95.

    Parameters
    ----------
    lanes : sequence of Lane
        Infants with detail.

    Returns
    -------
    dict of str to Simulated
        By row id.
    """
    shares = {name: spread_over(_outcome(lanes, f"time_{name}_pct")) for name in _SHARES}
    in_target = _outcome(lanes, "time_in_target_pct")
    in_target = in_target[np.isfinite(in_target)]
    per_h = spread_over(_outcome(lanes, "manual_changes_per_24h") / 24.0)
    events = _outcome(lanes, "episodes_below_80_10s_per_24h")
    older = np.array([lane.pma_wk >= OLDER_WK for lane in lanes])
    missing = spread_over(_outcome(lanes, "missing_signal_pct"))
    return {
        "manual_in": shares["in_target"],
        "manual_above": shares["above_target"],
        "manual_below": shares["below_target"],
        "manual_below80": shares["below_80"],
        "band_in": shares["in_target"],
        "band_above": shares["above_target"],
        "band_below": shares["below_target"],
        "band_below85": shares["below_85"],
        "band_below80": shares["below_80"],
        "band_above98": shares["above_98"],
        "band_sd": figure(_sd(in_target), len(in_target)),
        "band_changes": per_h,
        "events_32": spread_over(events[~older]),
        "events_35": spread_over(events[older]),
        "missing_signal": missing,
        "dropout_share": missing,
        **_step_rows(lanes),
        **_answer_rows(lanes),
        **_rescue_rows(lanes),
        **_lost_rows(lanes),
        **_short_falls(lanes),
        **_handling_rows(lanes),
    }


def _handling_rows(lanes: Sequence[Lane]) -> dict[str, Simulated]:
    per_day = spread_over([24.0 * len(x.arrays["care_s"]) / x.counted_h for x in lanes])
    hours = [24.0 * float(x.arrays["care_s"].sum()) / 3600.0 / x.counted_h for x in lanes]
    return {
        "handling_2013": per_day,
        "handling_2016": per_day,
        "handling_hours": spread_over(hours),
        "large_steps": _mean(_pooled(lanes, "large_around"), 100.0),
    }


_SHARES = ("in_target", "above_target", "below_target", "below_85", "below_80", "above_98")


def _sd(values: FloatArray) -> float:
    return float(values.std(ddof=1)) if len(values) > 1 else float("nan")


def _step_rows(lanes: Sequence[Lane]) -> dict[str, Simulated]:
    steps, beyond = _pooled(lanes, "step_pct"), _pooled(lanes, "beyond_share")
    up, down = steps > 0, steps < 0
    hours = sum(lane.counted_h for lane in lanes)
    per_h = figure(len(steps) / hours, len(steps))
    fits = _pooled(lanes, "step_r2")
    return {
        "step_up_median": spread_over(steps[up]),
        "step_down_median": spread_over(steps[down]),
        "step_up_mean": _mean(steps[up]),
        "step_down_mean": _mean(steps[down]),
        "downs_per_up": figure(float(down.sum() / up.sum()) if up.any() else np.nan, len(steps)),
        "changes_acta": per_h,
        "changes_a502": per_h,
        "low_before_up": _mean(beyond[up], 100.0),
        "high_before_down": _mean(beyond[down], 100.0),
        "guide_step": spread_over(np.abs(steps)),
        "first_order": _mean((fits >= FIRST_ORDER_R2).astype(np.float64), 100.0),
    }


def _answer_rows(lanes: Sequence[Lane]) -> dict[str, Simulated]:
    alarms = np.array([lane.low_alarms for lane in lanes])
    many = alarms > np.median(alarms)
    waits = [np.median(lane.arrays["wait_s"]) if len(lane.arrays["wait_s"]) else np.nan
             for lane in lanes]  # fmt: skip
    slow = np.array(waits, dtype=np.float64)
    more, fewer = spread_over(slow[many]), spread_over(slow[~many])
    return {
        "hands_on": spread_over(_pooled(lanes, "hands_on_s")),
        "hands_on_frequent": figure(more.value - fewer.value, more.count + fewer.count, "s"),
        "answered_90s": _mean(_pooled(lanes, "answered"), 100.0),
        "already_there": _mean(_pooled(lanes, "there"), 100.0),
    }


def _rescue_rows(lanes: Sequence[Lane]) -> dict[str, Simulated]:
    before, rebound_s = _pooled(lanes, "rescue_from_pct"), _pooled(lanes, "rebound_s")
    air = before <= 21.5
    return {
        "rebound": _mean(_pooled(lanes, "rebound"), 100.0),
        "rebound_min": spread_over(rebound_s / 60.0),
        "extra_min": spread_over(_pooled(lanes, "extra_s") / 60.0),
        "rebound_air_min": spread_over(rebound_s[air] / 60.0),
        "rebound_oxygen_min": spread_over(rebound_s[~air] / 60.0),
    }


def _lost_rows(lanes: Sequence[Lane]) -> dict[str, Simulated]:
    length, start = _pooled(lanes, "lost_s"), _pooled(lanes, "lost_from_pct")
    change = _pooled(lanes, "lost_change_pct")
    hours = sum(lane.counted_h for lane in lanes)
    long = length >= PROLONGED_S
    total = float(length.sum())
    per_day = [lane.outcomes["missing_signal_pct"] / 100.0 * 1440.0 for lane in lanes]
    return {
        "dropout_rate": figure(len(length) / hours, len(length)),
        "dropout_change": _mean(change),
        "dropout_low": spread_over(change[start < 85]),
        "dropout_min": spread_over(per_day),
        "dropout_length": spread_over(length),
        "dropout_long": spread_over(length[long]),
        "dropout_half": figure(
            100.0 * float(length[long].sum()) / total if total else np.nan, len(length)
        ),
    }


def _falls(
    lanes: Sequence[Lane], chosen: Callable[[dict[str, FloatArray]], NDArray[np.bool_]]
) -> list[float]:
    """Median fall after the chosen breathing events, infant by infant."""
    medians = []
    for lane in lanes:
        arrays = dict(lane.arrays)
        falls = arrays["fall_pct"][chosen(arrays)]
        falls = falls[np.isfinite(falls)]
        medians.append(float(np.median(falls)) if len(falls) else np.nan)
    return medians


def _short_falls(lanes: Sequence[Lane]) -> dict[str, Simulated]:
    falls, brady = _pooled(lanes, "fall_pct"), _pooled(lanes, "brady") > 0

    def isolated(a: dict[str, FloatArray]) -> NDArray[np.bool_]:
        return (a["length_s"] >= APNOEA_S) & (a["gap_s"] >= ISOLATED_S)

    def sequential(a: dict[str, FloatArray]) -> NDArray[np.bool_]:
        return (a["length_s"] >= APNOEA_S) & (a["gap_s"] <= SEQUENTIAL_S)

    return {
        "S21_isolated": spread_over([-fall for fall in _falls(lanes, isolated)]),
        "S21_sequential": spread_over([-fall for fall in _falls(lanes, sequential)]),
        "S22": spread_over(falls),
        "S22_brady": spread_over(falls[brady]),
    }


def unstable_rows(lanes: Sequence[Lane]) -> dict[str, Simulated]:
    """Give the figures of the unstable infants, target 87-93.

    Parameters
    ----------
    lanes : sequence of Lane
        Infants with detail.

    Returns
    -------
    dict of str to Simulated
        By row id.
    """
    steepest = _pooled(lanes, "steepest_pct_s")
    pauses = _pooled(lanes, "length_s") < APNOEA_S
    short = _pooled(lanes, "fall_pct")[pauses]
    short = short[np.isfinite(short)]
    central = [
        float(((lane.arrays["length_s"] >= APNOEA_S) & (lane.arrays["central"] > 0)).sum())
        / lane.counted_h
        for lane in lanes
    ]
    return {
        "unstable_in": spread_over(_outcome(lanes, "time_in_target_pct")),
        "unstable_above": spread_over(_outcome(lanes, "time_above_target_pct")),
        "unstable_below": spread_over(_outcome(lanes, "time_below_target_pct")),
        "unstable_above98": spread_over(_outcome(lanes, "time_above_98_pct")),
        "unstable_changes": spread_over(_outcome(lanes, "manual_changes_per_24h")),
        "desat_or_brady": spread_over(_pooled(lanes, "desat_or_brady_per_h")),
        "central_apnoea": _mean(np.array(central)),
        "apnoea_fall": spread_over(_falls(lanes, lambda a: a["length_s"] >= APNOEA_S)),
        "S4": spread_over(steepest),
        "S4_worst": figure(
            float(np.quantile(steepest, 0.99)) if len(steepest) else np.nan, len(steepest)
        ),
        "S22_short": figure(float(short.max()) if len(short) else np.nan, len(short)),
    }


def age_rows(strata: Sequence[Sequence[Lane]]) -> dict[str, Simulated]:
    """Compare older infants with younger ones, each stratum by itself.

    Parameters
    ----------
    strata : sequence of sequence of Lane
        Infants with detail, by stratum.

    Returns
    -------
    dict of str to Simulated
        By row id: apnoeas an hour more in the fifth and sixth week; and the smaller of two
        changes, by which apnoeas are shorter (s) and falls deeper (points) from then on.
    """
    rate, change = [], []
    for lanes in strata:
        age_d = np.array([lane.postnatal_age_d for lane in lanes])
        long = [lane.arrays["length_s"] >= APNOEA_S for lane in lanes]
        per_h = [apnoea.sum() / lane.counted_h for apnoea, lane in zip(long, lanes, strict=True)]
        lengths, falls = (
            [lane.arrays[name][apnoea] for apnoea, lane in zip(long, lanes, strict=True)]
            for name in ("length_s", "fall_pct")
        )
        old = age_d >= PEAK_FROM_D
        if not (old.any() and (~old).any()):
            continue
        rate.append(_older_minus_younger([np.array([x]) for x in per_h], old))
        shorter, deeper = -_older_minus_younger(lengths, old), _older_minus_younger(falls, old)
        change.append(min(shorter, deeper))
    return {"events_peak": _mean(np.array(rate)), "events_shorter": _mean(np.array(change))}


def _older_minus_younger(values: Sequence[FloatArray], old: NDArray[np.bool_]) -> float:
    """Difference of the means over all events of either group."""
    chosen = [
        np.concatenate([v for v, kept in zip(values, group, strict=True) if kept])
        for group in (old, ~old)
    ]
    known = [values[np.isfinite(values)] for values in chosen]
    if not all(len(values) for values in known):
        return float("nan")
    return float(known[0].mean() - known[1].mean())


def reading_rows(lanes: Sequence[Lane]) -> dict[str, Simulated]:
    """Give the figures about displayed against true values, both strata together.

    Parameters
    ----------
    lanes : sequence of Lane
        Infants with detail.

    Returns
    -------
    dict of str to Simulated
        By row id.
    """

    def sums(name: str) -> tuple[int, float, float, float]:
        count, total, squares = np.sum([lane.arrays[name] for lane in lanes], axis=0)
        if not count:
            return 0, np.nan, np.nan, np.nan
        mean, mean_square = total / count, squares / count
        return int(count), mean, float(np.sqrt(max(mean_square - mean * mean, 0.0))), mean_square

    found = {}
    for band in ("85_95", "85_89", "91_95"):
        count, mean, sd, _ = sums(f"bias_{band}")
        # Published with the other sign: true minus displayed.
        found[f"bias_{band}"] = figure(-mean, count)
        found[f"bias_spread_{band}"] = figure(2.0 * sd, count)
    for band in ("97_100", "75_93"):
        count, mean, _, _ = sums(f"bias_{band}")
        found[f"bias_{band}"] = figure(mean, count)
    count, mean, sd, _ = sums("bias_all")
    found["bias_studies"] = figure(mean, count)
    found["bias_total_sd"] = figure(sd, count)
    count, _, _, mean_square = sums("arms")
    found["arms"] = figure(float(np.sqrt(mean_square)), count)
    for value in (95, 98):
        found[f"pao2_{value}"] = spread_over(_pooled(lanes, f"pao2_{value}"))
    return found


def side_rows(runs: Mapping[str, Sequence[Lane]]) -> dict[str, Simulated]:
    """Give the figures of the side runs: other targets, other staffing.

    Parameters
    ----------
    runs : mapping of str to sequence of Lane
        By name of the run.

    Returns
    -------
    dict of str to Simulated
        By row id.
    """

    def mean_difference(name: str, more: str, less: str) -> Simulated:
        difference = _outcome(runs[more], name) - _outcome(runs[less], name)
        return _mean(difference)

    return {
        "wide_in": spread_over(_outcome(runs["wide"], "time_in_target_pct")),
        "nurse_in": mean_difference("time_in_target_pct", "four_each", "two_each"),
        "nurse_above": mean_difference(AT_98, "four_each", "two_each"),
        "lower_target": mean_difference(
            "episodes_below_80_10s_per_24h", "low_target", "high_target"
        ),
    }


def mode_rows(runs: Mapping[str, Sequence[Lane]]) -> dict[str, Simulated]:
    """Compare modes of breathing support with nasal CPAP on the same infants.

    Parameters
    ----------
    runs : mapping of str to sequence of Lane
        By name of the run, which is that of the mode.

    Returns
    -------
    dict of str to Simulated
        By row id.
    """

    def events(mode: str) -> float:
        return float(_pooled(runs[mode], "desat_or_brady_per_h").mean())

    def fall(mode: str) -> float:
        return spread_over(_falls(runs[mode], lambda a: a["length_s"] >= APNOEA_S)).value

    count = len(runs["nasal_cpap"])
    usual_events, usual_fall = events("nasal_cpap"), fall("nasal_cpap")
    ratios = {
        "nippv_events": events("nippv") / usual_events if usual_events else np.nan,
        "snippv_events": events("snippv") / usual_events if usual_events else np.nan,
        "oscillation_fall": fall("nhfo") / usual_fall if usual_fall else np.nan,
    }
    return {name: figure(ratio, count) for name, ratio in ratios.items()}


__all__ = ["mode_rows", "reading_rows", "settled_rows", "side_rows", "unstable_rows"]
