"""Settings as frozen dataclasses whose fields carry unit, range and meaning.

A range is written once, beside its field. `validate` is the one place that
checks it, for a scenario file and for a Python caller alike.
"""

from __future__ import annotations

from dataclasses import field, fields
from typing import Any

from .errors import TestbedError, problem

MISSING: Any = object()


def quantity(
    *,
    unit: str,
    doc: str,
    low: float | None = None,
    high: float | None = None,
    default: Any = MISSING,
    choices: tuple[str, ...] = (),
) -> Any:
    """Describe one field of a settings dataclass.

    Parameters
    ----------
    unit : str
        Unit as people read it; ``"-"`` where there is none.
    doc : str
        One line that says what the field means.
    low, high : float, optional
        Ends of the accepted range, both included.
    default : object, optional
        Default value; a field without one must be given.
    choices : tuple of str, optional
        The accepted words, for a field that holds a word.

    Returns
    -------
    dataclasses.Field
        Field with its description in `metadata`.
    """
    described = {"unit": unit, "doc": doc, "low": low, "high": high, "choices": choices}
    if default is MISSING:
        return field(metadata=described)
    return field(default=default, metadata=described)


def range_text(metadata: Any) -> str:
    """Say in words what a described field accepts.

    Parameters
    ----------
    metadata : mapping
        The `metadata` of a field made by `quantity`.

    Returns
    -------
    str
        Such as ``"a value from 0.21 to 1 (fraction)"``.
    """
    if metadata.get("choices"):
        return "one of " + ", ".join(metadata["choices"])
    unit = "" if metadata["unit"] == "-" else f" ({metadata['unit']})"
    low, high = metadata["low"], metadata["high"]
    if low is not None and high is not None:
        return f"a value from {low:g} to {high:g}{unit}"
    if low is not None:
        return f"a value of at least {low:g}{unit}"
    if high is not None:
        return f"a value of at most {high:g}{unit}"
    return f"a value{unit}"


def check_field(where: str, value: Any, metadata: Any) -> None:
    """Refuse a value outside the range of its field.

    Parameters
    ----------
    where : str
        How the message names the field.
    value : object
        Value to check; NaN is outside every range.
    metadata : mapping
        The `metadata` of a field made by `quantity`.

    Raises
    ------
    TestbedError
        If the value is not accepted; the message gives the range.
    """
    choices = metadata.get("choices")
    if choices:
        if value not in choices:
            raise problem(where, range_text(metadata), value)
        return
    low, high = metadata.get("low"), metadata.get("high")
    if low is None and high is None:
        return
    inside = (low is None or value >= low) and (high is None or value <= high)
    if not inside:
        raise problem(where, range_text(metadata), value)


def validate(settings: Any) -> None:
    """Check every described field of a settings dataclass.

    Called from `__post_init__`, so that no invalid settings object exists.

    Parameters
    ----------
    settings : dataclass instance
        Its fields may be described by `quantity`; others are passed over.

    Raises
    ------
    TestbedError
        At the first field outside its range.
    """
    owner = type(settings).__name__
    for item in fields(settings):
        if not item.metadata:
            continue
        value = getattr(settings, item.name)
        try:
            check_field(f"{owner}.{item.name}", value, item.metadata)
        except TypeError as error:
            raise problem(f"{owner}.{item.name}", range_text(item.metadata), value) from error


__all__ = ["MISSING", "TestbedError", "check_field", "quantity", "range_text", "validate"]
