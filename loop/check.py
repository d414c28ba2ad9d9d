"""Named checks of a controller, for its author and for our own tests.

Each check runs the controller on made-up readings, away from the simulation,
and says in one sentence what to do if it fails.
"""

from __future__ import annotations

import copy
import inspect
import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields
from functools import partial
from typing import Any

import numpy as np

from ..models.errors import TestbedError, problem
from .controller import (
    Controller,
    checked_request,
    contract_problems,
    make_reading,
    place_of,
)
from .signals import FloatArray, Reading, Settings
from .trial_readings import DEFAULT_SETTINGS, choose_lanes, limits_of, plausible_readings

#: Lanes that differ by more than this influence each other; a smaller
#: difference is rounding, but costs the promise of equal bits.
LANE_TOLERANCE = 1e-12


@dataclass(frozen=True, kw_only=True)
class CheckResult:
    """What one check found.

    Attributes
    ----------
    name : str
        Name of the check.
    passed : bool
        Whether the controller keeps this part of the contract.
    explanation : str
        What was seen; if it failed, what to do about it.
    """

    name: str
    passed: bool
    explanation: str


class _NotKeptError(Exception):
    """A check that did not pass, with what to do."""


@dataclass(frozen=True)
class _Trial:
    """One controller under check, the settings and how to get a fresh one."""

    fresh: Callable[[], Controller]
    lanes: int
    settings: Settings

    def run(
        self,
        readings: Iterable[Reading],
        lanes: int | None = None,
        using: Controller | None = None,
    ) -> FloatArray:
        """Reset, show the readings and collect requests, shape (calls, lanes)."""
        count = self.lanes if lanes is None else lanes
        one = using if using is not None else self.fresh()
        one.reset(count, self.settings)
        rows = [checked_request(one.act(item), count, one.name).copy() for item in readings]
        return np.stack(rows)

    def readings(self, kind: int = 0, start_s: int = 0) -> list[Reading]:
        """Make ten minutes of plausible readings at the controller's period."""
        period_s = self.fresh().period_s
        return plausible_readings(
            self.lanes, period_s=period_s, settings=self.settings, kind=kind, start_s=start_s
        )


def check_controller(
    candidate: Any, lanes: int = 3, settings: Settings = DEFAULT_SETTINGS
) -> list[CheckResult]:
    """Check that an object keeps the contract of a controller.

    Parameters
    ----------
    candidate : Controller or callable
        A controller, or a class or function that builds one without
        arguments. A controller is copied, so that it is not changed.
    lanes : int
        How many lanes to use; at least 2, so that lanes can be compared.
    settings : Settings, optional
        Target and limits to check with.

    Returns
    -------
    list of CheckResult
        One for each check, in a fixed order. If the object does not even have
        the members of a controller, the list ends there.

    Raises
    ------
    TestbedError
        If `lanes` is below 2. Faults of the controller never raise.
    """
    if lanes < 2:
        raise problem("check_controller, lanes", "at least 2", lanes)
    trial = _Trial(fresh=_maker(candidate), lanes=lanes, settings=settings)
    numpy_state, python_state = _shared_generators()
    try:
        return _all_results(trial)
    finally:
        np.random.set_state(numpy_state)
        random.setstate(python_state)


def _all_results(trial: _Trial) -> list[CheckResult]:
    results = [_result("builds", lambda: _builds(trial))]
    if not results[0].passed:
        return results
    lacking = contract_problems(trial.fresh())
    for member in ("name", "period_s", "reset", "act", "track"):
        advice = lacking.get(member)
        explanation = advice[0].upper() + advice[1:] + "." if advice else f"`{member}` is in order."
        results.append(
            CheckResult(name=f"has {member}", passed=not advice, explanation=explanation)
        )
    if lacking:
        return results
    return results + [_result(name, partial(run, trial)) for name, run in _CHECKS.items()]


def _maker(candidate: Any) -> Callable[[], Controller]:
    """Return a function that gives a controller without a past."""
    if inspect.isclass(candidate) or (callable(candidate) and not hasattr(candidate, "act")):
        return candidate  # type: ignore[no-any-return]
    return lambda: copy.deepcopy(candidate)


def _result(name: str, run: Callable[[], str]) -> CheckResult:
    """Run one check; whatever it raises becomes an explanation."""
    try:
        return CheckResult(name=name, passed=True, explanation=run())
    except (_NotKeptError, TestbedError) as error:
        return CheckResult(name=name, passed=False, explanation=str(error))
    except Exception as error:
        return CheckResult(name=name, passed=False, explanation=_explain(error))


def _explain(error: Exception) -> str:
    """Say where in the author's code an exception came from and what to do."""
    place = place_of(error)
    text = " ".join(str(error).split())
    advice = "Look at that line."
    if "read-only" in text or "output array is read" in text:
        advice = "The arrays of a reading are read-only: work on a copy."
    elif isinstance(error, IndexError) or "broadcast" in text:
        advice = "Make every array in `reset`, with one value for each lane."
    elif isinstance(error, TypeError) and "argument" in text:
        advice = "Compare the signature with reset(self, lanes, settings) and act(self, reading)."
    return f"{type(error).__name__}{f' in {place}' if place else ''}: {text}. {advice}"


def _builds(trial: _Trial) -> str:
    return f"Built a {type(trial.fresh()).__name__}."


def _runs(trial: _Trial) -> str:
    """Shape, type and finiteness are refused inside `checked_request`."""
    calls = len(trial.run(trial.readings()))
    return f"{calls} readings with steps, dropouts and desaturations gave finite float arrays."


def _late_start(trial: _Trial) -> str:
    trial.run(trial.readings(start_s=86_400)[:30])
    trial.run(trial.readings()[:1])
    return "A run may begin at any time and may be one reading long."


def _single_lane(trial: _Trial) -> str:
    trial.run([choose_lanes(item, np.array([0])) for item in trial.readings()[:60]], lanes=1)
    return "One lane alone gives an array of shape (1,)."


def _range(trial: _Trial) -> str:
    requests = trial.run(trial.readings())
    low, high = trial.settings.fio2_min, trial.settings.fio2_max
    inside = (requests >= low) & (requests <= high)
    if inside.all():
        return f"All requests lie within {low:g} to {high:g}."
    seen = f"requests from {requests.min():.3g} to {requests.max():.3g}"
    if not inside.any():
        raise _NotKeptError(
            f"No request lies within {low:g} to {high:g} ({seen}): return the FiO2 itself "
            "as a fraction, not in percent and not as a change."
        )
    return (
        f"There are {seen}; the bench clips them to {low:g} to {high:g} and tells the "
        "controller through `track`, if it has one."
    )


def _deterministic(trial: _Trial) -> str:
    readings = trial.readings()
    if not np.array_equal(trial.run(readings), trial.run(readings)):
        raise _NotKeptError(
            "Two new controllers gave different requests for the same readings: draw random "
            "numbers from a generator that `reset` seeds, and do not use the clock of the computer."
        )
    return "The same readings give the same requests, bit by bit."


def _global_randomness(trial: _Trial) -> str:
    before = _shared_generators()
    trial.run(trial.readings())
    if _shared_generators() != before:
        raise _NotKeptError(
            "It draws from a random generator that all code shares: make one of its own in "
            "`reset` with np.random.default_rng(a fixed number)."
        )
    return "No shared random generator is used."


def _shared_generators() -> tuple[Any, Any]:
    """Note the state of NumPy's and of Python's shared generator."""
    name, keys, *rest = np.random.get_state(legacy=True)
    return (name, tuple(np.asarray(keys).tolist()), *rest), random.getstate()


def _reset(trial: _Trial) -> str:
    one = trial.fresh()
    readings = trial.readings()
    first = trial.run(readings, using=one)
    trial.run(trial.readings(kind=1), using=one)
    if hasattr(one, "track"):
        one.track(np.full(trial.lanes, trial.settings.fio2_max), np.zeros(trial.lanes, dtype=bool))
    if not np.array_equal(first, trial.run(readings, using=one)):
        raise _NotKeptError(
            "A second run after `reset` differs from the first: set every remembered value anew "
            "in `reset`, also those in lists and in class attributes."
        )
    return "`reset` clears what the last run left."


def _missing(trial: _Trial) -> str:
    """All NaN from the start, and all NaN in the middle of a run."""
    nothing = [
        make_reading(
            trial.lanes,
            time_s=item.time_s,
            spo2_pct=np.nan,
            signal_quality=0.0,
            set_fio2=item.set_fio2,
            **limits_of(trial.settings),
        )
        for item in trial.readings()
    ]
    trial.run(nothing[:120])
    some = trial.readings()
    middle = len(some) // 2
    trial.run(some[:middle] + nothing[middle : middle + 60] + some[middle + 60 :])
    return "Readings that are all missing give finite requests."


def _keeps_reading(trial: _Trial) -> str:
    readings = trial.readings()
    before = copy.deepcopy(readings)
    trial.run(readings)
    for old, new in zip(before, readings, strict=True):
        for item in fields(Reading):
            if not np.array_equal(
                np.asarray(getattr(old, item.name), dtype=float),
                np.asarray(getattr(new, item.name), dtype=float),
                equal_nan=True,
            ):
                raise _NotKeptError(
                    f"It changed `{item.name}` of a reading: copy an array before changing it."
                )
    return "Readings are left as they were."


def _independent(trial: _Trial) -> str:
    """Each lane alone, and all lanes in reverse, must give the same requests."""
    readings = trial.readings()
    together = trial.run(readings)
    order = np.arange(trial.lanes)[::-1].copy()
    turned = trial.run([choose_lanes(item, order) for item in readings])
    differences = [np.abs(turned - together[:, order])]
    for lane in range(trial.lanes):
        alone = trial.run([choose_lanes(item, np.array([lane])) for item in readings], lanes=1)
        differences.append(np.abs(alone - together[:, lane : lane + 1]))
    largest = max(float(item.max()) for item in differences)
    if largest > LANE_TOLERANCE:
        raise _NotKeptError(
            f"A lane's request changes by up to {largest:.3g} with the lanes beside it: keep "
            "memory in arrays of shape (lanes,) and take no mean, sum or maximum over lanes."
        )
    if largest > 0.0:
        return (
            f"Lanes are independent within {LANE_TOLERANCE:g} but not bit by bit (up to "
            f"{largest:.1e}); use sums written out in place of `@`, dot and sum for equal bits."
        )
    return "Lanes are independent, bit by bit."


def _own_arrays(trial: _Trial) -> str:
    """Write into what `act` returned, as the bench may."""
    readings = trial.readings()
    expected = trial.run(readings)
    one = trial.fresh()
    one.reset(trial.lanes, trial.settings)
    for row, item in zip(expected, readings, strict=True):
        request = one.act(item)
        if not np.array_equal(request, row):
            raise _NotKeptError("It returns an array that it goes on using: return a copy of it.")
        if not request.flags.writeable:
            raise _NotKeptError("It returns a read-only array, maybe the reading's: return a copy.")
        request[:] = trial.settings.fio2_max
    return "The array that `act` returns is not used again."


def _tracks(trial: _Trial) -> str:
    one = trial.fresh()
    if not hasattr(one, "track"):
        return "It has no `track`; that is allowed for a controller without memory."
    one.reset(trial.lanes, trial.settings)
    active = np.arange(trial.lanes) % 2 == 0
    for item in trial.readings():
        checked_request(one.act(item), trial.lanes, one.name)
        applied, given = item.set_fio2.copy(), active.copy()
        one.track(applied, given)
        if not np.array_equal(applied, item.set_fio2) or not np.array_equal(given, active):
            raise _NotKeptError("`track` changed the arrays that it was given: work on copies.")
    return "`track` takes what was applied; requests stay finite."


_CHECKS: dict[str, Callable[[_Trial], str]] = {
    "survives ten minutes": _runs,
    "starts at any time": _late_start,
    "runs with one lane": _single_lane,
    "stays in range": _range,
    "is deterministic": _deterministic,
    "uses no shared randomness": _global_randomness,
    "forgets at reset": _reset,
    "survives missing readings": _missing,
    "leaves readings alone": _keeps_reading,
    "keeps lanes apart": _independent,
    "returns arrays of its own": _own_arrays,
    "takes track": _tracks,
}
