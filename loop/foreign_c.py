"""A controller in a shared library, behind a small C interface.

The specification is the path of the library: ``my_controller.so`` (or
``.dylib``, ``.dll``). `oxytestbed template my_controller.c` writes a working
start and the header ``oxytestbed_controller.h``, which states the interface:

================================================  ============================
``int oxt_abi_version(void)``                     ``OXT_ABI_VERSION``, now 1
``size_t oxt_state_size(void)``                   bytes of memory of one lane
``int oxt_period_s(void)``                        seconds between two calls
``void oxt_init(void *, const oxt_settings *)``   begin a run
``double oxt_act(void *, const oxt_reading *)``   the FiO2 wanted (fraction)
``void oxt_track(void *, double, int)``           optional: FiO2 applied, active
``const char *oxt_name(void)``                    optional: word for tables
================================================  ============================

The functions are called once for each lane. Python owns the memory: for each
lane a zeroed block of its own, aligned to 64 bytes, of the size asked for. A
lost reading is NaN with ``valid`` 0. What is not in that memory (``static``
variables) is shared by all lanes and arms, so that they are no longer
independent.

The library runs inside this process: a crash in it, such as a wild pointer,
ends the process with all its arms, and Python cannot catch it. Behind
``program:python3 -m oxytestbed.loop.foreign_host my_controller.so`` it ends
its own arm only. A library that was built again is seen by a new Python
process, not by one that has loaded it already.
"""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..models.errors import problem
from .signals import BoolArray, FloatArray, Reading, Settings

ABI_VERSION = 1

LIBRARY_SUFFIXES = (".so", ".dylib", ".dll")

#: `oxt_settings`, and `oxt_reading` of one lane, as the header lays them out.
SETTINGS_LAYOUT = np.dtype(
    [
        ("target_low_pct", np.float64),
        ("target_high_pct", np.float64),
        ("fio2_min", np.float64),
        ("fio2_max", np.float64),
    ]
)
READING_LAYOUT = np.dtype(
    [
        ("spo2_pct", np.float64),
        ("signal_quality", np.float64),
        ("pulse_rate_bpm", np.float64),
        ("heart_rate_bpm", np.float64),
        ("set_fio2", np.float64),
        ("applied_fio2", np.float64),
        ("delivered_fio2", np.float64),
        ("target_low_pct", np.float64),
        ("target_high_pct", np.float64),
        ("fio2_min", np.float64),
        ("fio2_max", np.float64),
        ("time_s", np.int64),
        ("valid", np.int32),
        ("mode", np.int32),
    ]
)

#: Memory of a lane: where it begins, and the most that is given (bytes).
ALIGNMENT, LARGEST_STATE = 64, 2**24

#: Stands behind each lane's memory, to see whether something wrote beyond it.
_GUARD = 0xA5


@dataclass(frozen=True, kw_only=True)
class _Functions:
    """The functions of an open library; a missing optional one is None."""

    abi_version: Callable[..., Any]
    state_size: Callable[..., Any]
    period_s: Callable[..., Any]
    init: Callable[..., Any]
    act: Callable[..., Any]
    track: Callable[..., Any] | None
    name: Callable[..., Any] | None


_POINTER, _INT, _DOUBLE = ctypes.c_void_p, ctypes.c_int, ctypes.c_double

#: What each function gives and takes.
_SIGNATURES: dict[str, tuple[Any, list[Any]]] = {
    "abi_version": (_INT, []),
    "state_size": (ctypes.c_size_t, []),
    "period_s": (_INT, []),
    "init": (None, [_POINTER, _POINTER]),
    "act": (_DOUBLE, [_POINTER, _POINTER]),
    "track": (None, [_POINTER, _DOUBLE, _INT]),
    "name": (ctypes.c_char_p, []),
}
_OPTIONAL = ("track", "name")


class CLibrary:
    """Run a shared library as a controller; see the module for the interface.

    A copy, or a pickled one, is as new: it must be reset before it acts.

    Parameters
    ----------
    path : str or Path
        The library.

    Raises
    ------
    TestbedError
        If it cannot be loaded, lacks a function or has another version.
    """

    def __init__(self, path: str | Path) -> None:
        self._path = Path(path).resolve()
        self._functions = functions = _opened(self._path)
        self._size = _state_size(functions)
        given = functions.name() if functions.name else None
        self.name = given.decode(errors="replace") if given else self._path.stem
        self.period_s = int(functions.period_s())
        self._memory: _Memory | None = None

    def __getstate__(self) -> dict[str, Any]:
        return {"path": self._path}

    def __setstate__(self, state: dict[str, Any]) -> None:
        CLibrary.__init__(self, state["path"])

    def reset(self, lanes: int, settings: Settings) -> None:
        """Clear the memory of every lane and call `oxt_init` on it.

        Parameters
        ----------
        lanes : int
            How many.
        settings : Settings
            Handed to each.
        """
        record = np.zeros(1, dtype=SETTINGS_LAYOUT)
        for name in SETTINGS_LAYOUT.names or ():
            record[name] = getattr(settings, name)
        self._memory = memory = _Memory(lanes, self._size)
        for address in memory.states:
            self._functions.init(address, record.ctypes.data)
        memory.refuse_overrun("oxt_init")

    def act(self, reading: Reading) -> FloatArray:
        """Call `oxt_act` on every lane.

        Parameters
        ----------
        reading : Reading
            Of all lanes.

        Returns
        -------
        ndarray, shape (lanes,)
            Requested FiO2 (fraction).

        Raises
        ------
        TestbedError
            If it was not reset, or wrote beyond the memory of a lane.
        """
        memory = self._of_run("act")
        if len(reading.spo2_pct) != len(memory.readings):
            raise problem("C controller, act", f"{len(memory.readings)} lanes", reading.spo2_pct)
        for name in READING_LAYOUT.names or ():
            memory.readings[name] = getattr(reading, name)
        act = self._functions.act
        pairs = zip(memory.states, memory.reading_addresses, strict=True)
        request = np.array([act(state, one) for state, one in pairs], dtype=np.float64)
        memory.refuse_overrun("oxt_act")
        return request

    def track(self, applied_fio2: FloatArray, active: BoolArray) -> None:
        """Call `oxt_track` on every lane, if the library has it.

        Parameters
        ----------
        applied_fio2 : ndarray, shape (lanes,)
            FiO2 after limits and safeguards (fraction).
        active : ndarray of bool, shape (lanes,)
            False where the controller was out of the loop.
        """
        memory, track = self._of_run("track"), self._functions.track
        if track is None:
            return
        pairs = zip(applied_fio2.tolist(), active.tolist(), strict=True)
        for address, (applied, is_active) in zip(memory.states, pairs, strict=True):
            track(address, applied, is_active)
        memory.refuse_overrun("oxt_track")

    def _of_run(self, call: str) -> _Memory:
        if self._memory is None:
            raise problem(f"C controller, {call}", "a call of reset before it", "none")
        return self._memory


class _Memory:
    """The memory of all lanes, guarded, and the readings that they are shown."""

    def __init__(self, lanes: int, size: int) -> None:
        stride = (size // ALIGNMENT + 2) * ALIGNMENT  # at least one guard of that many bytes
        raw = np.zeros(lanes * stride + ALIGNMENT, dtype=np.uint8)
        begin = -raw.ctypes.data % ALIGNMENT
        blocks = raw[begin : begin + lanes * stride].reshape(lanes, stride)
        self._guards: NDArray[np.uint8] = blocks[:, size:]
        self._guards[:] = _GUARD
        self._size = size
        self.states = [blocks.ctypes.data + lane * stride for lane in range(lanes)]
        self.readings = np.zeros(lanes, dtype=READING_LAYOUT)
        first, step = self.readings.ctypes.data, READING_LAYOUT.itemsize
        self.reading_addresses = [first + lane * step for lane in range(lanes)]

    def refuse_overrun(self, function: str) -> None:
        if not np.all(self._guards == _GUARD):
            expected = f"nothing written behind the {self._size} bytes of a lane"
            hint = "Let `oxt_state_size` return the sizeof of the struct that it uses."
            raise problem(f"C controller, {function}", expected, "something", hint)


def _opened(path: Path) -> _Functions:
    if not path.is_file():
        raise problem("C controller", "a file that exists", str(path))
    try:
        library = ctypes.CDLL(str(path))
    except OSError as error:
        hint = f"{error}. Compile it as a shared library for this computer."
        raise problem("C controller", "a library that can be loaded", path.name, hint) from error
    _refuse_fast_math()
    found = {name: getattr(library, f"oxt_{name}", None) for name in _SIGNATURES}
    missing = [f"oxt_{name}" for name in found if not found[name] and name not in _OPTIONAL]
    if missing:
        hint = 'Include oxytestbed_controller.h, which exports them, from C++ as extern "C".'
        raise problem("C controller", f"the functions {', '.join(missing)}", "none", hint)
    for name, function in found.items():
        if function is not None:
            function.restype, function.argtypes = _SIGNATURES[name]
    functions = _Functions(**found)  # type: ignore[arg-type]
    version = functions.abi_version()
    if version != ABI_VERSION:
        hint = "Compile it with the oxytestbed_controller.h of this version."
        raise problem("C controller, oxt_abi_version", str(ABI_VERSION), version, hint)
    return functions


def _state_size(functions: _Functions) -> int:
    size = int(functions.state_size())
    if size > LARGEST_STATE:
        raise problem("C controller, oxt_state_size", f"at most {LARGEST_STATE} bytes", size)
    return size


def _refuse_fast_math() -> None:
    """See that loading did not make this process round small numbers to zero."""
    if _half_of_smallest() == 0.0:
        hint = "Compile without -ffast-math: it changes the arithmetic of the whole process."
        raise problem("C controller", "subnormal numbers as before", "zero in their place", hint)


def _half_of_smallest() -> float:
    return sys.float_info.min * 0.5
