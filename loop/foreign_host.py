"""Run any controller in a process of its own, as an external program.

``program:python3 -m oxytestbed.loop.foreign_host my_controller.so`` puts a C
library, or a Python file, behind the protocol of `foreign_program`: if it
crashes or hangs, its arm ends with an error and everything else goes on.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable
from typing import IO, Any

import numpy as np

from ..models.errors import TestbedError, problem
from .controller import Controller, make_reading
from .foreign_program import PROTOCOL_VERSION
from .registry import load_controller
from .signals import Settings


def serve(controller: Controller, requests: Iterable[str], answers: IO[str]) -> None:
    """Answer requests until there are no more.

    Parameters
    ----------
    controller : Controller
        Whom to ask.
    requests : iterable of str
        Lines of JSON.
    answers : text file
        Where the answers go, a line each.
    """
    lanes = 0
    for line in requests:
        ((message, content),) = json.loads(line).items()
        if message == "reset":
            lanes = content["lanes"]
            answer = _reset(controller, content)
        elif message == "act":
            reading = make_reading(lanes, **{name: _array(v) for name, v in content.items()})
            answer = {"fio2": _nulls(controller.act(reading))}
        else:
            track = getattr(controller, "track", None)
            if track is not None:
                track(_array(content["applied_fio2"]), _array(content["active"]))
            continue
        answers.write(json.dumps(answer, allow_nan=False) + "\n")
        answers.flush()


def _reset(controller: Controller, content: dict[str, Any]) -> dict[str, Any]:
    if content["protocol"] != PROTOCOL_VERSION:
        raise problem("reset, protocol", str(PROTOCOL_VERSION), content["protocol"])
    controller.reset(content["lanes"], Settings(**content["settings"]))
    return {"name": controller.name, "period_s": controller.period_s}


def _array(values: Any) -> Any:
    """Turn a list into an array, null into NaN; a number stays what it is."""
    if not isinstance(values, list):
        return values
    return np.array([np.nan if value is None else value for value in values])


def _nulls(request: Any) -> list[float | None]:
    return [value if np.isfinite(value) else None for value in np.asarray(request).tolist()]


def main(words: list[str]) -> None:
    """Serve the controller of the command line on the standard streams.

    Parameters
    ----------
    words : list of str
        One specification, as for `load_controller`.
    """
    # The controller may print: its output joins standard error, and only
    # answers go to the bench.
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    with answers:
        try:
            controller = _loaded(words)
        except TestbedError as error:
            sys.stdin.readline()  # an answer is due when something was asked, and not before
            _report(error, answers)
            return
        try:
            serve(controller, sys.stdin, answers)
        except TestbedError as error:
            _report(error, answers)


def _loaded(words: list[str]) -> Controller:
    if len(words) != 1:
        raise problem("foreign_host", "one specification of a controller", words)
    return load_controller(words[0])


def _report(error: TestbedError, answers: IO[str]) -> None:
    answers.write(json.dumps({"error": str(error)}) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])
