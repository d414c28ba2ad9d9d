"""The contract between the bench and a controller, and helpers to keep it.

A controller is any object with a name, a period and two methods; it need not
inherit from anything here. It sees arrays over lanes: one lane is one infant
in one arm. `PerInfant` turns a controller written for one infant into one for
many.
"""

from __future__ import annotations

import inspect
import os
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from traceback import extract_tb
from typing import Any, Protocol, runtime_checkable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..models.errors import nearest, problem
from .signals import BoolArray, FloatArray, Mode, Reading, Settings


@runtime_checkable
class Controller(Protocol):
    """What the bench asks of a controller.

    A controller may also have ``track(applied_fio2, active) -> None``. The
    bench calls it after `act` whenever limits or safeguards altered the
    request, or the controller was out of the loop in some lane. Both arrays
    have the shape ``(lanes,)``: the FiO2 after the limits and before the
    blender's whole percents, and False where somebody else held it. It serves
    against windup and for bumpless return. ``close()`` is called after a run.
    """

    @property
    def name(self) -> str:
        """Name in tables and figures; not empty."""
        ...

    @property
    def period_s(self) -> int:
        """Whole seconds from one call of `act` to the next; at least 1."""
        ...

    def reset(self, lanes: int, settings: Settings) -> None:
        """Forget everything and prepare for a new run.

        Parameters
        ----------
        lanes : int
            Length of every array that will come.
        settings : Settings
            Target range and FiO2 limits at the start of the run.
        """
        ...

    def act(self, reading: Reading) -> FloatArray:
        """Say which FiO2 each lane should get now.

        Parameters
        ----------
        reading : Reading
            What a real device would see; its arrays are read-only.

        Returns
        -------
        ndarray, shape (lanes,)
            Requested FiO2 (fraction), finite in every lane and in every
            mode; the bench limits it.
        """
        ...


@dataclass(frozen=True, kw_only=True)
class ReadingOfOne:
    """A `Reading` of one lane, as plain Python numbers.

    Attributes
    ----------
    time_s : int
        Seconds since the start of the run.
    spo2_pct : float
        Displayed SpO2 in whole percent; NaN where `valid` is False.
    valid : bool
        Whether the oximeter shows a reading.
    signal_quality : float
        The oximeter's own confidence, 0 to 1.
    pulse_rate_bpm, heart_rate_bpm : float
        From the oximeter and from the electrocardiogram (1/min).
    set_fio2, applied_fio2, delivered_fio2 : float
        FiO2 as set, after the blender and at the monitor (fraction).
    target_low_pct, target_high_pct : float
        Ends of the SpO2 target range (percent).
    fio2_min, fio2_max : float
        Limits of the command variable (fraction).
    mode : Mode
        Who holds the FiO2.
    """

    time_s: int
    spo2_pct: float
    valid: bool
    signal_quality: float
    pulse_rate_bpm: float
    heart_rate_bpm: float
    set_fio2: float
    applied_fio2: float
    delivered_fio2: float
    target_low_pct: float
    target_high_pct: float
    fio2_min: float
    fio2_max: float
    mode: Mode


class ScalarController(Protocol):
    """A controller of one infant, to be run by `PerInfant`.

    It may also have ``track(applied_fio2: float, active: bool) -> None``,
    with the meaning that `Controller` gives it, and ``name`` and
    ``period_s``, which `PerInfant` then takes over.
    """

    def reset(self, settings: Settings) -> None:
        """Forget everything and prepare for a new run."""
        ...

    def act(self, reading: ReadingOfOne) -> float:
        """Return the requested FiO2 (fraction)."""
        ...


class PerInfant:
    """Run an ordinary scalar controller, one object a lane.

    Every `reset` builds new objects, so no memory outlives a run. It costs a
    Python call per lane and period: for code full of `if`, not for speed.

    Parameters
    ----------
    factory : callable
        Takes nothing and returns a new `ScalarController`; its class will do.
    name : str, optional
        Default: the scalar controller's own `name`, or its class's name.
    period_s : int, optional
        Default: the scalar controller's own `period_s`, or 1.
    """

    def __init__(
        self,
        factory: Callable[[], ScalarController],
        *,
        name: str | None = None,
        period_s: int | None = None,
    ) -> None:
        sample = factory()
        self._factory = factory
        self._one_per_lane: list[ScalarController] = []
        self.name = name or str(getattr(sample, "name", type(sample).__name__))
        self.period_s = period_s or int(getattr(sample, "period_s", 1))

    def reset(self, lanes: int, settings: Settings) -> None:
        """Build a new scalar controller for every lane.

        Parameters
        ----------
        lanes : int
            How many.
        settings : Settings
            Handed to each of them.
        """
        self._one_per_lane = [self._factory() for _ in range(lanes)]
        for one in self._one_per_lane:
            one.reset(settings)

    def act(self, reading: Reading) -> FloatArray:
        """Ask each lane's own object.

        Parameters
        ----------
        reading : Reading
            Of all lanes.

        Returns
        -------
        ndarray, shape (lanes,)
            Requested FiO2 (fraction).
        """
        columns = {
            item.name: getattr(reading, item.name).tolist()
            for item in fields(ReadingOfOne)
            if item.name != "time_s"
        }
        columns["mode"] = [Mode(value) for value in columns["mode"]]
        request = np.empty(len(self._one_per_lane))
        for lane, one in enumerate(self._one_per_lane):
            values = {name: column[lane] for name, column in columns.items()}
            request[lane] = one.act(ReadingOfOne(time_s=reading.time_s, **values))
        return request

    def track(self, applied_fio2: FloatArray, active: BoolArray) -> None:
        """Hand on to each object that has a `track` of its own.

        Parameters
        ----------
        applied_fio2 : ndarray, shape (lanes,)
            FiO2 after limits and safeguards (fraction).
        active : ndarray of bool, shape (lanes,)
            False where the controller was out of the loop.
        """
        pairs = zip(applied_fio2.tolist(), active.tolist(), strict=True)
        for one, (applied, is_active) in zip(self._one_per_lane, pairs, strict=True):
            track = getattr(one, "track", None)
            if track is not None:
                track(applied, is_active)


def contract_problems(candidate: Any) -> dict[str, str]:
    """Find what an object lacks to be a controller.

    Parameters
    ----------
    candidate : object
        Anything.

    Returns
    -------
    dict of str to str
        The member that is wrong and what to do about it; empty if all is well.
    """
    found: dict[str, str] = {}
    name = getattr(candidate, "name", None)
    if not isinstance(name, str) or not name.strip():
        found["name"] = f"give it a `name`, a word for tables, in place of {name!r}"
    period_s = getattr(candidate, "period_s", None)
    if isinstance(period_s, bool) or not isinstance(period_s, int) or period_s < 1:
        found["period_s"] = (
            f"give it a `period_s`, a whole number of seconds of at least 1, not {period_s!r}"
        )
    for method, takes in _TAKES.items():
        advice = _call_problem(getattr(candidate, method, None), method, takes)
        if advice and (method != "track" or hasattr(candidate, "track")):
            found[method] = advice
    return found


_TAKES = {
    "reset": ("lanes", "settings"),
    "act": ("reading",),
    "track": ("applied_fio2", "active"),
}


def _call_problem(method: Any, name: str, takes: tuple[str, ...]) -> str:
    """Say what is wrong if the bench could not call the method."""
    wanted = f"`{name}(self, {', '.join(takes)})`"
    if not callable(method):
        return f"give it a method {wanted}"
    try:
        inspect.signature(method).bind(*takes)
    except TypeError:
        return f"let it take {wanted}, or wrap a controller of one infant in PerInfant"
    except ValueError:  # compiled code may have no signature to look at
        return ""
    return ""


def place_of(error: BaseException) -> str:
    """Name the line of a controller's code from which an exception came.

    Parameters
    ----------
    error : BaseException
        As caught.

    Returns
    -------
    str
        Such as ``"/home/me/mine.py, line 12"``: the deepest frame that lies
        neither in the machinery of this folder nor in NumPy or the standard
        library. Empty if there is none.
    """
    here, numpy_folder = Path(__file__).parent, Path(np.__file__).parent
    standard = Path(os.__file__).parent
    for frame in reversed(extract_tb(error.__traceback__)):
        path = Path(frame.filename)
        from_standard = path.is_relative_to(standard) and "-packages" not in frame.filename
        ours = path.parent == here or path.is_relative_to(numpy_folder)
        if not (ours or from_standard or frame.filename.startswith("<")):
            return f"{frame.filename}, line {frame.lineno}"
    return ""


def checked_request(request: Any, lanes: int, name: str, *, finite: bool = True) -> FloatArray:
    """Accept what `act` returned, or say what is wrong with it.

    Parameters
    ----------
    request : object
        What came.
    lanes : int
        How many requests there must be.
    name : str
        Name of the controller, for the message.
    finite : bool
        Refuse NaN and infinity too. The bench does not: it holds those lanes.

    Returns
    -------
    ndarray, shape (lanes,)
        The same array.

    Raises
    ------
    TestbedError
        If it is not a float array of that shape or, with `finite`, if a lane
        has no finite value.
    """
    where = f"controller {name!r}, act()"
    expected = f"a NumPy float array of shape ({lanes},)"
    if not isinstance(request, np.ndarray) or request.dtype != np.float64:
        raise problem(where, expected, getattr(request, "dtype", type(request).__name__))
    if request.shape != (lanes,):
        raise problem(where, expected, request.shape, "Return one FiO2 for each lane.")
    if finite and not np.isfinite(request).all():
        lane = int(np.argmin(np.isfinite(request)))
        hint = f"Lane {lane} is not; hold the last FiO2 where the reading is not valid."
        raise problem(where, "a finite FiO2 in every lane", float(request[lane]), hint)
    return request


def make_reading(lanes: int, **given: ArrayLike) -> Reading:
    """Build a reading from numbers and arrays, for trials and tests.

    Parameters
    ----------
    lanes : int
        Length of every array.
    **given : array_like
        Fields of `Reading`; a single number stands for every lane. What is
        not given is a plausible default: 93 % in a target of 91 to 95 %, on
        FiO2 0.30 with limits 0.21 and 1. `valid` follows `spo2_pct`, the
        FiO2 applied and delivered follow the one set.

    Returns
    -------
    Reading
        With copies, all read-only.

    Raises
    ------
    TestbedError
        If a name is no field of `Reading` or a shape does not fit.
    """
    names = [item.name for item in fields(Reading)]
    for name in given:
        if name not in names:
            raise problem("make_reading", "a field of Reading", name, nearest(name, names))
    spo2 = _filled("spo2_pct", given.get("spo2_pct", 93.0), lanes, np.float64)
    valid = _filled("valid", given.get("valid", np.isfinite(spo2)), lanes, np.bool_)
    set_fio2 = given.get("set_fio2", 0.30)
    values: dict[str, ArrayLike] = {
        "signal_quality": np.where(valid, 1.0, 0.0),
        "pulse_rate_bpm": np.where(valid, 150.0, np.nan),
        "heart_rate_bpm": 150.0,
        "set_fio2": set_fio2,
        "applied_fio2": set_fio2,
        "delivered_fio2": set_fio2,
        "target_low_pct": 91.0,
        "target_high_pct": 95.0,
        "fio2_min": 0.21,
        "fio2_max": 1.0,
        "mode": int(Mode.AUTOMATIC),
        **given,
        "spo2_pct": np.where(valid, spo2, np.nan),
        "valid": valid,
    }
    time_s = int(np.asarray(values.pop("time_s", 0)))
    dtypes = {"valid": np.bool_, "mode": np.int64}
    arrays: dict[str, Any] = {
        name: _filled(name, value, lanes, dtypes.get(name, np.float64))
        for name, value in values.items()
    }
    return Reading(time_s=time_s, **arrays)


def _filled(name: str, value: ArrayLike, lanes: int, dtype: Any) -> NDArray[Any]:
    """Copy a number or an array into a read-only array of shape (lanes,)."""
    array = np.empty(lanes, dtype=dtype)
    try:
        array[:] = value
    except (TypeError, ValueError) as error:
        hint = "Give one value for all lanes or one for each."
        raise problem(f"make_reading, {name}", f"shape ({lanes},)", value, hint) from error
    array.flags.writeable = False
    return array
