"""One error for bad input, in one form: where, what was expected, what came, what to do.

SimPy re-creates an exception raised inside a process from a single argument,
so every error here takes exactly one.
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


class TestbedError(ValueError):
    """Something the user gave cannot be used; the message says what and why.

    Parameters
    ----------
    message : str
        The whole message, ready to be shown.
    """

    __test__ = False  # the name starts with "Test"; pytest must not collect it

    def __init__(self, message: str) -> None:
        super().__init__(message)


def problem(where: str, expected: str, came: object, hint: str = "") -> TestbedError:
    """Build an error in the one form that every message here has.

    Parameters
    ----------
    where : str
        File, key, argument or call in which the value stood.
    expected : str
        What would have been right, with its unit and range.
    came : object
        The value that came; shown as `repr`.
    hint : str, optional
        What to do about it.

    Returns
    -------
    TestbedError
        To be raised by the caller.
    """
    message = f"{where}: expected {expected}, got {came!r}"
    return TestbedError(f"{message}. {hint}" if hint else message)


def nearest(name: str, valid: Iterable[str]) -> str:
    """Name the closest valid name and list all of them.

    Parameters
    ----------
    name : str
        The name that was not found.
    valid : iterable of str
        All names that would have been.

    Returns
    -------
    str
        A hint such as ``"Did you mean 'seed'? Valid: name, seed."``.
    """
    names = sorted(valid)
    close = get_close_matches(name, names, n=1, cutoff=0.5)
    guess = f"Did you mean {close[0]!r}? " if close else ""
    return f"{guess}Valid: {', '.join(names)}."
