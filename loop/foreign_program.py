"""A controller in any language: an external program that answers lines with lines.

The specification is ``program:`` and a command, such as
``program:python3 my_program.py --gain 0.004``. The bench starts the program
once for each run and arm; both write JSON (RFC 8259), one object on one line,
in UTF-8, and the program flushes its standard output after each line.

1. The bench asks ``{"reset": {"protocol": 1, "lanes": 3, "settings":
   {"target_low_pct": 91.0, "target_high_pct": 95.0, "fio2_min": 0.21,
   "fio2_max": 1.0}}}``; the program answers ``{"name": "mine", "period_s": 1}``.
2. Once in each period it asks ``{"act": {"time_s": 0, "spo2_pct": [92.0, null,
   95.0], "valid": [true, false, true], ...}}`` with every field of `Reading`
   as an array with one value for each lane, null where there is none; the
   program answers ``{"fio2": [0.3, 0.3, 0.28]}``, FiO2 as a fraction. A null
   asks for nothing: that lane is held.
3. After an answer that limits altered, or while somebody else holds the FiO2,
   it may tell ``{"track": {"applied_fio2": [...], "active": [...]}}``. This
   is not answered; a program without memory may pass it over.
4. The input ends, and so does the program, within two seconds.

In place of any answer, ``{"error": "why"}`` ends the arm with these words.
Standard output is for answers only; what stands last on standard error is
shown with an error. Numbers are written so that they read back bit for bit.

A program is also started when it is loaded, with one lane and the default
settings, for its name and period, and ended at once. A crash, a hang or
nonsense ends its arm with an error; the other arms go on. So a C library that
may crash, or a Python controller that may hang, is safest behind
``program:python3 -m oxytestbed.loop.foreign_host my_controller.so``.
"""

from __future__ import annotations

import json
import math
import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, fields
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from ..models.errors import TestbedError, problem
from .line_process import LineProcess, shortened
from .signals import BoolArray, FloatArray, Reading, Settings
from .trial_readings import DEFAULT_SETTINGS

PROTOCOL_VERSION = 1

#: Accepted limits of a call (s).
SHORTEST_TIMEOUT_S, LONGEST_TIMEOUT_S = 0.01, 86_400.0

_Answer = TypeVar("_Answer")


class ExternalProgram:
    """Run an external program as a controller; see the module for the protocol.

    A copy, or a pickled one, is as new: it has no process until its `reset`.

    Parameters
    ----------
    command : str
        Program and arguments, as in a POSIX shell.
    timeout_s : float
        How long the program may take to start and to answer, each time, in
        seconds of the clock on the wall.

    Raises
    ------
    TestbedError
        If the program cannot be started or does not answer as it should.
    """

    def __init__(self, command: str, *, timeout_s: float = 60.0) -> None:
        self._command = _words(command)
        self._timeout_s = _checked_timeout(timeout_s)
        self._lanes = 0
        self._process: LineProcess | None = None
        try:
            self.name, self.period_s = self._start(1, DEFAULT_SETTINGS)
        finally:
            self.close()

    def __getstate__(self) -> dict[str, Any]:
        return {**self.__dict__, "_process": None}

    def reset(self, lanes: int, settings: Settings) -> None:
        """Start the program anew.

        Parameters
        ----------
        lanes : int
            Length of the arrays to come.
        settings : Settings
            Handed to the program.

        Raises
        ------
        TestbedError
            If it does not answer as it should, or with another name or period.
        """
        self.close()
        found = self._start(lanes, settings)
        if found != (self.name, self.period_s):
            self.close()
            expected = f"the name and period of the first start, {(self.name, self.period_s)}"
            raise problem("external program, answer to reset", expected, found)

    def act(self, reading: Reading) -> FloatArray:
        """Ask the program.

        Parameters
        ----------
        reading : Reading
            Of all lanes.

        Returns
        -------
        ndarray, shape (lanes,)
            Requested FiO2 (fraction); NaN where the program gave null.

        Raises
        ------
        TestbedError
            If it does not answer as it should; it is then ended.
        """
        where = f"external program, answer to act at {reading.time_s} s"
        return self._ask("act", encoded_reading(reading), where, self._fio2)

    def track(self, applied_fio2: FloatArray, active: BoolArray) -> None:
        """Tell the program what was applied.

        Parameters
        ----------
        applied_fio2 : ndarray, shape (lanes,)
            FiO2 after limits and safeguards (fraction).
        active : ndarray of bool, shape (lanes,)
            False where the controller was out of the loop.
        """
        content = {"applied_fio2": _listed(applied_fio2), "active": active.tolist()}
        self._running("track").tell(_line("track", content))

    def close(self) -> None:
        """End the program; may be called at any time and again."""
        process, self._process = self._process, None
        if process is not None:
            process.end()

    def _start(self, lanes: int, settings: Settings) -> tuple[str, int]:
        self._lanes = lanes
        self._process = LineProcess(self._command)
        content = {"protocol": PROTOCOL_VERSION, "lanes": lanes, "settings": asdict(settings)}
        return self._ask("reset", content, "external program, answer to reset", _introduction)

    def _ask(
        self,
        message: str,
        content: Mapping[str, Any],
        where: str,
        understand: Callable[[str, str], _Answer],
    ) -> _Answer:
        """Get an answer and read it; whatever is wrong with it ends the program."""
        process = self._running(message)
        try:
            return understand(process.ask(_line(message, content), self._timeout_s, where), where)
        except TestbedError as error:
            said = process.last_words()
            process.end(patiently=False)
            self._process = None
            raise TestbedError(f"{error}{_stop_between(str(error), said)}{said}") from error

    def _running(self, call: str) -> LineProcess:
        if self._process is None:
            hint = "It was not reset, it was closed, or it has failed."
            raise problem(f"external program, {call}", "a running program", "none", hint)
        return self._process

    def _fio2(self, line: str, where: str) -> FloatArray:
        values = decoded(line, where, ("fio2",))["fio2"]
        if not isinstance(values, list) or len(values) != self._lanes:
            came = f"{len(values)} values" if isinstance(values, list) else values
            raise problem(f"{where}, fio2", f"an array of {self._lanes} numbers or nulls", came)
        request = np.empty(self._lanes)
        for lane, value in enumerate(values):
            request[lane] = _number(value, f"{where}, fio2, lane {lane}")
        return request


def encoded_reading(reading: Reading) -> dict[str, Any]:
    """Turn a reading into what JSON can hold.

    Parameters
    ----------
    reading : Reading
        Of all lanes.

    Returns
    -------
    dict
        The time and a list for each other field, None in place of NaN.
    """
    arrays = [item.name for item in fields(Reading) if item.name != "time_s"]
    return {
        "time_s": int(reading.time_s),
        **{name: _listed(getattr(reading, name)) for name in arrays},
    }


def decoded(line: str, where: str, keys: Sequence[str]) -> dict[str, Any]:
    """Read one line strictly: an object with these keys and no others.

    Parameters
    ----------
    line : str
        As it came.
    where : str
        How errors name it.
    keys : sequence of str
        The keys that it must have.

    Returns
    -------
    dict

    Raises
    ------
    TestbedError
        If it is anything else, or carries an error of its author.
    """
    expected = f"one JSON object with {' and '.join(keys)}"
    try:
        answer = json.loads(line, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        hint = f"{str(error).partition(':')[0]}. Other text belongs on standard error."
        raise problem(where, expected, shortened(line), hint) from None
    if isinstance(answer, dict) and set(answer) == {"error"}:
        raise TestbedError(f"{where}: the program reports: {shortened(str(answer['error']), 500)}")
    if not isinstance(answer, dict) or set(answer) != set(keys):
        raise problem(where, expected, shortened(line))
    return answer


def _refuse_constant(token: str) -> float:
    raise ValueError(f"{token} is not JSON, write null")


def _listed(values: NDArray[Any]) -> list[Any]:
    listed: list[Any] = values.tolist()
    return [None if value != value else value for value in listed]  # NaN differs from itself


def _line(message: str, content: Mapping[str, Any]) -> str:
    return json.dumps({message: content}, allow_nan=False)


def _number(value: Any, where: str) -> float:
    if value is None:
        return math.nan
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= 1e300:
        return float(value)
    raise problem(where, "a finite number or null", shortened(str(value)))


def _introduction(line: str, where: str) -> tuple[str, int]:
    answer = decoded(line, where, ("name", "period_s"))
    name, period_s = answer["name"], answer["period_s"]
    if not isinstance(name, str) or not name.strip():
        raise problem(f"{where}, name", "a word for tables", name)
    if isinstance(period_s, bool) or not isinstance(period_s, int) or not 1 <= period_s < 2**31:
        expected = "a whole number of seconds of at least 1"
        raise problem(f"{where}, period_s", expected, shortened(str(period_s)))
    return name, period_s


def _words(command: str) -> list[str]:
    try:
        words = shlex.split(command)
    except ValueError as error:
        raise problem("program", "a command with matching quotes", command) from error
    if not words:
        raise problem("program", "a command, such as program:python3 my_program.py", command)
    return words


def _checked_timeout(timeout_s: Any) -> float:
    fits = isinstance(timeout_s, int | float) and not isinstance(timeout_s, bool)
    if not fits or not SHORTEST_TIMEOUT_S <= timeout_s <= LONGEST_TIMEOUT_S:
        expected = f"seconds from {SHORTEST_TIMEOUT_S:g} to {LONGEST_TIMEOUT_S:g}"
        raise problem("timeout_s", expected, timeout_s)
    return float(timeout_s)


def _stop_between(message: str, more: str) -> str:
    """Join two sentences, of which the first may lack its full stop."""
    if not more:
        return ""
    return " " if message.endswith(".") else ". "
