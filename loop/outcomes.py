"""The outcomes of one infant in one arm: names, units, definitions, values.

The warm-up is never counted. Names ending in ``_sao2`` count the true SaO2
instead of the displayed SpO2; names with ``_b`` follow convention (b) for
room air. Alarms, manual changes and staff time come from the event log.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from . import measures as m
from .counted import BoolArray, Counted, counted, on_true_signal
from .criterion import criterion_of
from .episodes import Episodes
from .outcome import SHARE_A, SHARE_B, TRUE, Outcome, alone, time_share, twins
from .trace import Trace

__all__ = ["OUTCOMES", "Outcome", "outcomes_of", "outcomes_of_counted"]

EPISODE_LEAST_S = (10, 30, 60, 180)

EPISODES = (
    "Episodes of {counted} {what} lasting at least {least} s, per 24 h of {valid_time}. Duration "
    "is the number of samples from the first to the last that meets the condition; fewer than 10 "
    "samples between two that meet it, valid or not, are merged and count; an invalid stretch of "
    "10 s or more ends the episode. One that began in the warm-up is dropped; one still going at "
    "the end counts with what it has."
)


def _times() -> Iterator[Outcome]:
    """Percentages of time."""
    yield from time_share(
        "in_target",
        "Time in target",
        "in the target range, both ends included",
        m.in_target,
        direction="higher better",
        core=True,
        what_b="in the target range, both ends included, or above it in room air",
        mark_b=m.in_target_or_high_in_air,
    )
    yield from time_share(
        "below_target",
        "Time below target",
        "below the low end of the target range",
        lambda lane: m.below(lane, lane.low_pct),
        core=True,
    )
    yield from time_share(
        "above_target",
        "Time above target",
        "above the high end of the target range",
        lambda lane: m.above_on_oxygen(lane, lane.high_pct),
        core=True,
        what_b="above the high end of the target range while on oxygen",
    )
    for limit in (85, 80):
        yield from time_share(
            f"below_{limit}",
            f"Time below {limit} %",
            f"below {limit} %",
            lambda lane, limit=limit: m.below(lane, limit),  # type: ignore[misc]
            core=limit == 80,
        )
    for limit in (95, 98):
        yield from time_share(
            f"above_{limit}",
            f"Time above {limit} %",
            f"above {limit} %",
            lambda lane, limit=limit: m.above_on_oxygen(lane, limit),  # type: ignore[misc]
            core=limit == 98,
            what_b=f"above {limit} % while on oxygen",
        )


def _episodes(
    stem: str, title: str, what: str, found: Callable[[Counted], Episodes], core: tuple[int, ...]
) -> Iterator[Outcome]:
    """Describe the rates of one kind of episode, by least duration."""
    for least in EPISODE_LEAST_S:

        def rate(lane: Counted, least: int = least) -> float:
            return m.episodes_per_24h(lane, found(lane), least)

        yield from twins(
            f"episodes_{stem}_{least}s_per_24h",
            f"Episodes {title} of {least} s or more",
            "per 24 h",
            EPISODES,
            rate,
            direction="lower better",
            core=least in core,
            words={"what": what, "least": least},
        )


def _burdens() -> Iterator[Outcome]:
    """Areas below and above limits, and the spread."""
    area = "Area of {exact} "
    per_hour = ", in percent x s per hour of {valid_time}."
    yield from twins(
        "hypoxia_burden_80_pct_s_per_h",
        "Hypoxia burden below 80 %",
        "%·s/h",
        area + "below 80 %" + per_hour,
        lambda lane: m.shortfall_pct_s_per_h(lane, 80.0),
        direction="lower better",
        core=True,
    )
    yield from twins(
        "hypoxia_burden_target_pct_s_per_h",
        "Hypoxia burden below target",
        "%·s/h",
        area + "below the low end of the target range" + per_hour,
        lambda lane: m.shortfall_pct_s_per_h(lane, lane.low_pct),
        direction="lower better",
        decimals=0,
    )
    yield from twins(
        "hyperoxia_burden_pct_s_per_h",
        "Hyperoxia burden above target",
        "%·s/h",
        area + "above the high end of the target range while on oxygen" + per_hour,
        lambda lane: m.excess_pct_s_per_h(lane, lane.high_pct),
        direction="lower better",
        decimals=0,
        core=True,
    )
    yield from twins(
        "hyperoxia_burden_95_pct_s_per_h",
        "Hyperoxia burden above 95 %",
        "%·s/h",
        area + "above 95 % while on oxygen" + per_hour,
        lambda lane: m.excess_pct_s_per_h(lane, 95.0),
        direction="lower better",
        decimals=0,
    )
    yield from alone(
        "criterion_j_sao2",
        "Squared distance from target, J (true SaO2)",
        "%²·s/h",
        "Integral over time of the squared distance of the true SaO2, not rounded, from the target "
        "range, above it only while on oxygen, in percent squared x s per hour of time after the "
        "warm-up. It is what the offline optimum (the oracle) makes least.",
        criterion_of,
        direction="lower better",
        decimals=0,
        true_signal=True,
    )
    yield from twins(
        "spo2_sd_pct",
        "SD of saturation",
        "%",
        "Standard deviation of {exact} over all {valid} after the warm-up, divisor n.",
        m.saturation_sd_pct,
        direction="lower better",
    )


def _oxygen() -> Iterator[Outcome]:
    """Use of oxygen, and what followed a rescue."""
    yield from alone(
        "rebound_after_rescue_pct",
        "Rebound after rescue",
        "%",
        "Of the episodes of displayed SpO2 below 80 % of at least 10 s in which the set FiO2 rose "
        "above its value just before the episode (during it or within 60 s of its end), the "
        "percentage followed by at least 10 s in total of SpO2 of 95 % or more, on oxygen and "
        "with the set FiO2 still above that value, within 15 min of the end of the episode. Both "
        "windows end where the next such episode begins. NaN without a rescue.",
        m.rebound_after_rescue_pct,
        direction="lower better",
    )
    yield from alone(
        "mean_fio2_pct",
        "Mean set FiO2",
        "%",
        "Mean of the set FiO2 over all samples after the warm-up, with or without a reading.",
        m.mean_fio2_pct,
        decimals=1,
        core=True,
    )
    yield from alone(
        "fio2_travel_pct_per_h",
        "FiO2 travel",
        "%/h",
        "Sum of all movements of the set FiO2, up and down, in percentage points per hour after "
        "the warm-up; the step into the first counted sample is included.",
        m.fio2_travel_pct_per_h,
    )
    yield from alone(
        "fio2_changes_per_h",
        "FiO2 changes",
        "1/h",
        "Samples at which the set FiO2 in whole percent differs from the sample before, whoever "
        "changed it, per hour after the warm-up.",
        m.fio2_changes_per_h,
        core=True,
    )


def _true_state() -> Iterator[Outcome]:
    """Events and exposure in the true state of the infant."""
    shares: tuple[tuple[str, str, Callable[[Counted], BoolArray]], ...] = (
        ("above_80", "above 80 mmHg", lambda lane: (lane.pao2_mmhg > 80) & lane.on_oxygen),
        ("below_40", "below 40 mmHg", lambda lane: lane.pao2_mmhg < 40),
    )
    for stem, what, mark in shares:

        def share_a(lane: Counted, mark: Callable[[Counted], BoolArray] = mark) -> float:
            return m.share_on_oxygen_pct(lane, mark(lane))

        def share_b(lane: Counted, mark: Callable[[Counted], BoolArray] = mark) -> float:
            return m.share_valid_pct(lane, mark(lane))

        words = dict(TRUE, counted="true PaO2, not rounded,")
        high = " while on oxygen" if stem == "above_80" else ""
        for suffix, share, text in (("", share_a, SHARE_A), ("_b", share_b, SHARE_B)):
            yield Outcome(
                name=f"pao2_{stem}_pct{suffix}",
                label=f"Time at PaO2 {what}" + (", convention (b)" if suffix else ""),
                unit="%",
                definition=text.format(**words, what=what, what_b=what + high),
                direction="lower better",
                decimals=1,
                core=False,
                true_signal=True,
                measure=share,
            )
    yield from alone(
        "bradycardia_below_80_per_24h",
        "Bradycardia below 80/min",
        "per 24 h",
        "Episodes of true heart rate below 80/min, of any duration, per 24 h after the warm-up; "
        "those less than 10 s apart are one, and one that began in the warm-up is dropped.",
        m.bradycardia_per_24h,
        direction="lower better",
    )


def _coverage() -> Iterator[Outcome]:
    """How much of the record could be counted."""
    yield from alone(
        "missing_signal_pct",
        "Missing signal",
        "%",
        "Percent of samples after the warm-up without a displayed SpO2.",
        m.missing_signal_pct,
        core=True,
    )
    yield from alone(
        "valid_h",
        "Valid time",
        "h",
        "Time after the warm-up with a displayed SpO2.",
        m.valid_h,
        decimals=2,
    )
    yield from alone(
        "on_oxygen_h",
        "Time on oxygen",
        "h",
        "Time after the warm-up with a set FiO2 of at least 22 whole percent, with or without a "
        "displayed SpO2.",
        m.on_oxygen_h,
        decimals=2,
    )
    yield from alone(
        "valid_on_oxygen_h",
        "Valid time on oxygen",
        "h",
        "Time after the warm-up on oxygen with a displayed SpO2: what convention (a) counts.",
        m.valid_on_oxygen_h,
        decimals=2,
    )
    yield from alone(
        "left_out",
        "Left out of convention (a)",
        "-",
        "1 where valid time on oxygen is under 1 h, else 0.",
        m.left_out,
        decimals=0,
    )


def _registry() -> Iterator[Outcome]:
    yield from _times()
    yield from _episodes("below_80", "below 80 %", "below 80 %", lambda x: x.hypoxic, (10, 60))
    yield from _episodes(
        "above_98", "above 98 %", "above 98 % while on oxygen", lambda x: x.hyperoxic, ()
    )
    yield from _burdens()
    yield from _oxygen()
    yield from _true_state()
    yield from _coverage()


#: Every outcome by name, in the order of tables and files.
OUTCOMES: dict[str, Outcome] = {outcome.name: outcome for outcome in _registry()}


def outcomes_of(trace: Trace, target_low_pct: float, target_high_pct: float) -> dict[str, float]:
    """Compute every outcome of one lane.

    Parameters
    ----------
    trace : Trace
        The lane at 1 Hz, warm-up included.
    target_low_pct, target_high_pct : float
        Ends of the target range, both inside it (percent).

    Returns
    -------
    dict of str to float
        One value for each name in `OUTCOMES`, in that order; NaN where the
        definition says so.
    """
    displayed = counted(trace, target_low_pct, target_high_pct, true_signal=False)
    return outcomes_of_counted(displayed, trace)


def outcomes_of_counted(displayed: Counted, trace: Trace) -> dict[str, float]:
    """Compute every outcome of one lane that has been made ready for the measures.

    Parameters
    ----------
    displayed : Counted
        The lane on the displayed SpO2.
    trace : Trace
        The same lane.

    Returns
    -------
    dict of str to float
        As from `outcomes_of`.
    """
    true = on_true_signal(displayed, trace)
    return {
        name: outcome.measure(true if outcome.true_signal else displayed)
        for name, outcome in OUTCOMES.items()
    }
