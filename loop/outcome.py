"""What an outcome is, and how its definition is put into words."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from . import measures as m
from .counted import BoolArray, Counted

Direction = Literal["higher better", "lower better", "-"]
Measure = Callable[[Counted], float]

SHARE_A = (
    "Percent of {valid} on oxygen (set FiO2 of at least 22 whole percent; convention (a)) with "
    "{counted} {what}. Left out (NaN) with under 1 h of these samples."
)
SHARE_B = (
    "Percent of all {valid}, room air included (convention (b)), with {counted} {what_b}. "
    "NaN without such a sample."
)
DISPLAYED = {
    "valid": "valid samples",
    "valid_time": "valid time after the warm-up",
    "counted": "displayed SpO2",
    "exact": "displayed SpO2",
}
TRUE = {
    "valid": "samples",
    "valid_time": "time after the warm-up",
    "counted": "true SaO2, rounded half-up to whole percent,",
    "exact": "true SaO2, not rounded,",
}


@dataclass(frozen=True, kw_only=True)
class Described:
    """What an outcome means, in words for people.

    Attributes
    ----------
    name : str
        Column name; carries unit and signal.
    label, unit, definition : str
        For people.
    direction : {'higher better', 'lower better', '-'}
        Which way is better for the infant; ``'-'`` where neither is.
    decimals : int
        Decimals to show.
    core : bool
        Whether it belongs to the small set that every report shows first.
    true_signal : bool
        Whether it is computed from the true SaO2.
    """

    name: str
    label: str
    unit: str
    definition: str
    direction: Direction
    decimals: int
    core: bool
    true_signal: bool


@dataclass(frozen=True, kw_only=True)
class Outcome(Described):
    """One number per infant and arm that is computed from its trace.

    Attributes
    ----------
    measure : callable
        From a `Counted` lane to a float.
    """

    measure: Measure


def alone(
    name: str,
    label: str,
    unit: str,
    definition: str,
    measure: Measure,
    *,
    direction: Direction = "-",
    decimals: int = 1,
    core: bool = False,
    true_signal: bool = False,
) -> Iterator[Outcome]:
    """Describe an outcome that has no twin on the other signal.

    Parameters
    ----------
    name, label, unit, definition : str
        As in `Outcome`.
    measure : callable
        From a `Counted` lane to a float.
    direction : str
        As in `Outcome`.
    decimals : int
        As in `Outcome`.
    core : bool
        As in `Outcome`.
    true_signal : bool
        As in `Outcome`.

    Yields
    ------
    Outcome
    """
    yield Outcome(
        name=name,
        label=label,
        unit=unit,
        definition=definition,
        direction=direction,
        decimals=decimals,
        core=core,
        true_signal=true_signal,
        measure=measure,
    )


def twins(
    name: str,
    label: str,
    unit: str,
    definition: str,
    measure: Measure,
    *,
    direction: Direction,
    decimals: int = 1,
    core: bool = False,
    words: Mapping[str, object] | None = None,
) -> Iterator[Outcome]:
    """Describe an outcome on the displayed SpO2 and again on the true SaO2.

    Parameters
    ----------
    name, label, unit, definition : str
        As in `Outcome`; words in braces are filled in.
    measure : callable
        From a `Counted` lane to a float.
    direction : str
        As in `Outcome`.
    decimals : int
        As in `Outcome`.
    core : bool
        As in `Outcome`.
    words : mapping of str to object
        Words for the definition beside those that name the signal.

    Yields
    ------
    Outcome
    """
    for true_signal, signal in ((False, DISPLAYED), (True, TRUE)):
        yield Outcome(
            name=name + ("_sao2" if true_signal else ""),
            label=label + (" (true SaO2)" if true_signal else ""),
            unit=unit,
            definition=definition.format(**signal, **(words or {})),
            direction=direction,
            decimals=decimals,
            core=core and not true_signal,
            true_signal=true_signal,
            measure=measure,
        )


def time_share(
    stem: str,
    label: str,
    what: str,
    mark: Callable[[Counted], BoolArray],
    *,
    direction: Direction = "lower better",
    core: bool = False,
    what_b: str = "",
    mark_b: Callable[[Counted], BoolArray] | None = None,
) -> Iterator[Outcome]:
    """Describe a percentage of time by both conventions and on both signals.

    Parameters
    ----------
    stem : str
        Middle of the names: ``time_<stem>_pct``.
    label : str
        As in `Outcome`.
    what, what_b : str
        Which samples, in words, by conventions (a) and (b).
    mark, mark_b : callable
        From a `Counted` lane to a mask of these samples.
    direction : str
        As in `Outcome`.
    core : bool
        Whether convention (a) on the displayed SpO2 is core.

    Yields
    ------
    Outcome
    """
    by_b = mark_b or mark

    def share_a(lane: Counted) -> float:
        if m.left_out(lane):  # so says the measure, but only after marking
            return float("nan")
        return m.share_on_oxygen_pct(lane, mark(lane))

    def share_b(lane: Counted) -> float:
        return m.share_valid_pct(lane, by_b(lane))

    name = f"time_{stem}_pct"
    words = {"what": what, "what_b": what_b or what}
    label_b = f"{label}, convention (b)"
    yield from twins(
        name, label, "%", SHARE_A, share_a, direction=direction, core=core, words=words
    )
    yield from twins(f"{name}_b", label_b, "%", SHARE_B, share_b, direction=direction, words=words)
