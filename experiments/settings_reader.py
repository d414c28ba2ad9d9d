"""Read tables, as a TOML file gives them, into settings dataclasses.

Nothing is converted in silence, and all problems of a file are told at once,
each with the file, the key, what was expected and what came.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

from ..models.errors import TestbedError, nearest, problem
from ..models.settings import check_field, range_text

Made = TypeVar("Made")

#: Stands for a value that could not be read; its problem has been noted.
_BAD: Any = object()


class Shown(str):
    """Words that stand for a value in a message, shown without quotes."""

    __slots__ = ()

    def __repr__(self) -> str:
        return str(self)


@dataclass(frozen=True)
class Place:
    """Where a value stands: a file (or the command line) and a dotted key.

    Parameters
    ----------
    source : str
        Name of the file, or other words for where the table came from.
    key : str, optional
        Dotted key inside it; empty for the whole table.
    """

    source: str
    key: str = ""

    def at(self, name: str) -> Place:
        """Go one key deeper.

        Parameters
        ----------
        name : str
            Key inside the table at this place.

        Returns
        -------
        Place
        """
        return Place(self.source, f"{self.key}.{name}" if self.key else name)

    def item(self, label: str) -> Place:
        """Go to one item of the list at this place.

        Parameters
        ----------
        label : str
            The item's name, or ``"#2"`` for the second without a name.

        Returns
        -------
        Place
        """
        return Place(self.source, f"{self.key}[{label}]")

    def __str__(self) -> str:
        return f"{self.source}: {self.key}" if self.key else self.source


def read_settings(cls: type[Made], table: Mapping[str, Any], where: str) -> Made:
    """Read a table into a settings dataclass, and its inner tables likewise.

    Parameters
    ----------
    cls : type
        A dataclass whose fields are made by `models.settings.quantity`.
    table : mapping
        Keys and values, as `tomllib` gives them.
    where : str
        Name of the file, for the messages.

    Returns
    -------
    object
        A valid instance of `cls`.

    Raises
    ------
    TestbedError
        If anything cannot be used; the message holds every problem, a line each.
    """
    problems: list[str] = []
    place = Place(where)
    made = _read_section(cls, table, place, problems)
    refuse(problems)
    settings: Made = made
    return settings


def read_fields(
    cls: type[Any], table: Mapping[str, Any], place: Place, problems: list[str]
) -> dict[str, Any]:
    """Read the values of a dataclass without building it.

    Parameters
    ----------
    cls : type
        The settings dataclass.
    table : mapping
        Keys and values, as `tomllib` gives them.
    place : Place
        Where the table stands.
    problems : list of str
        Every problem found is added here.

    Returns
    -------
    dict
        The values that could be read, and the defaults of keys left out.
    """
    hints = get_type_hints(cls)
    known = {item.name: item for item in fields(cls)}
    for key in table:
        if key not in known:
            _note(problems, place.at(key), "a known key", key, nearest(key, known))
    values: dict[str, Any] = {}
    for name, item in known.items():
        if name in table:
            values[name] = _read(hints[name], table[name], item.metadata, place.at(name), problems)
        elif is_dataclass(hints[name]):  # its own defaults, or its own required keys
            values[name] = _read(hints[name], {}, item.metadata, place.at(name), problems)
        elif item.default is not MISSING:
            values[name] = float(item.default) if hints[name] is float else item.default
        elif item.default_factory is not MISSING:
            values[name] = item.default_factory()
        else:
            expected = _expected(hints[name], item.metadata, place.at(name))
            hint = f"This key is required: {item.metadata['doc']}." if item.metadata else ""
            _note(problems, place.at(name), expected, Shown("nothing"), hint)
    return {name: value for name, value in values.items() if value is not _BAD}


def build(cls: type[Made], values: Mapping[str, Any], place: Place, problems: list[str]) -> Any:
    """Make a dataclass of values that were read, noting what it refuses.

    Parameters
    ----------
    cls : type
        The settings dataclass; its `__post_init__` may refuse contradictions.
    values : mapping
        Value of each field.
    place : Place
        Where the values stood.
    problems : list of str
        A refusal is added here, in the words of the file.

    Returns
    -------
    object
        An instance of `cls`, or a mark that `read_fields` leaves out.
    """
    try:
        return cls(**values)
    except TestbedError as error:
        problems.append(_in_the_words_of_the_file(str(error), cls, place))
        return _BAD


def refuse(problems: list[str]) -> None:
    """Raise one error that tells all problems.

    Parameters
    ----------
    problems : list of str
        Messages; an empty list raises nothing.

    Raises
    ------
    TestbedError
        If there is any problem.
    """
    if len(problems) == 1:
        raise TestbedError(problems[0])
    if problems:
        raise TestbedError("\n".join([f"{len(problems)} problems:", *problems]))


def _note(
    problems: list[str], place: Place, expected: str, came: object, hint: str = ""
) -> Any:  # returns _BAD, so that a reader can note and leave in one line
    problems.append(str(problem(str(place), expected, came, hint)))
    return _BAD


def _in_the_words_of_the_file(message: str, cls: type[Any], place: Place) -> str:
    for owner in cls.__mro__:
        inside = message.removeprefix(f"{owner.__name__}.")
        if inside != message:
            return str(place.at(inside))
    return f"{place}: {message}"


def _read_section(cls: type[Any], raw: Any, place: Place, problems: list[str]) -> Any:
    if not isinstance(raw, Mapping):
        section = Shown(f"a section [{place.key}] with keys of its own")
        return _note(problems, place, section, _shown(raw))
    before = len(problems)
    values = read_fields(cls, raw, place, problems)
    return build(cls, values, place, problems) if len(problems) == before else _BAD


def _read(
    hint: Any, raw: Any, metadata: Mapping[str, Any], place: Place, problems: list[str]
) -> Any:
    if metadata.get("variants"):
        return _read_variant(raw, metadata, place, problems)
    if is_dataclass(hint) and isinstance(hint, type):
        return _read_section(hint, raw, place, problems)
    if get_origin(hint) is tuple:
        return _read_list(get_args(hint)[0], raw, metadata, place, problems)
    if get_origin(hint) is Mapping or get_origin(hint) is dict:
        return _read_options(raw, place, problems)
    return _read_scalar(hint, raw, metadata, place, problems)


def _read_variant(raw: Any, metadata: Mapping[str, Any], place: Place, problems: list[str]) -> Any:
    """Read a section whose keys depend on one of them, such as the mode of support."""
    variants, key = metadata["variants"], metadata["variant_key"]
    if not isinstance(raw, Mapping):
        return _read_section(next(iter(variants.values())), raw, place, problems)
    name = raw.get(key, next(iter(variants)))
    if not isinstance(name, str) or name not in variants:
        expected = "one of " + ", ".join(variants)
        return _note(problems, place.at(key), expected, _shown(name), nearest(str(name), variants))
    rest = {inner: value for inner, value in raw.items() if inner != key}
    return _read_section(variants[name], rest, place, problems)


def _read_list(
    hint: Any, raw: Any, metadata: Mapping[str, Any], place: Place, problems: list[str]
) -> Any:
    if not isinstance(raw, (list, tuple)):
        return _note(problems, place, _list_text(hint, place), _shown(raw))
    items = [
        _read(hint, entry, metadata, place.item(_label(entry, number)), problems)
        for number, entry in enumerate(raw, start=1)
    ]
    good = tuple(item for item in items if item is not _BAD)
    return good if good or not items else _BAD  # the good ones can still be compared


def _list_text(hint: Any, place: Place) -> str:
    if is_dataclass(hint):
        return f"a list of tables, each under its own [[{place.key}]]"
    return "a list in square brackets"


def _label(entry: Any, number: int) -> str:
    name = entry.get("name") if isinstance(entry, Mapping) else None
    return name if isinstance(name, str) and name else f"#{number}"


def _read_options(raw: Any, place: Place, problems: list[str]) -> Any:
    if not isinstance(raw, Mapping):
        return _note(problems, place, "a table of options", _shown(raw))
    options: dict[str, Any] = {}
    before = len(problems)
    for key, value in raw.items():
        entries = value if isinstance(value, (list, tuple)) else (value,)
        if all(_is_plain(entry) for entry in entries):
            options[key] = tuple(value) if isinstance(value, (list, tuple)) else value
        else:
            expected = "a number, a text, true, false, or a list of these"
            _note(problems, place.at(key), expected, _shown(value))
    return options if len(problems) == before else _BAD


def _is_plain(value: Any) -> bool:
    if isinstance(value, float):
        return math.isfinite(value)
    return isinstance(value, (bool, int, str))


def _is_number(raw: Any) -> bool:
    if isinstance(raw, bool) or not isinstance(raw, (int, float)):
        return False
    return abs(raw) <= sys.float_info.max  # a long integer may not fit; NaN is not less


#: What each kind of value accepts, and its name in a message. A truth value is
#: no number, a text is never read as one, and NaN and infinity are refused.
_KINDS: dict[Any, tuple[Callable[[Any], bool], str]] = {
    bool: (lambda raw: isinstance(raw, bool), "true or false"),
    int: (lambda raw: isinstance(raw, int) and not isinstance(raw, bool), "a whole number"),
    float: (lambda raw: _is_number(raw), "a number"),
    str: (lambda raw: isinstance(raw, str), "a text in quotes"),
}


def _expected(hint: Any, metadata: Mapping[str, Any], place: Place) -> str:
    if hint not in _KINDS:
        return _list_text(get_args(hint)[0], place)
    kind = _KINDS[hint][1]
    return range_text(metadata).replace("a value", kind, 1) if metadata else kind


def _read_scalar(
    hint: Any, raw: Any, metadata: Mapping[str, Any], place: Place, problems: list[str]
) -> Any:
    if hint not in _KINDS:
        raise TypeError(f"{place}: settings of type {hint!r} cannot be read")
    if not _KINDS[hint][0](raw):
        return _note(problems, place, _expected(hint, metadata, place), _shown(raw))
    value = float(raw) if hint is float else raw
    try:
        check_field(str(place), value, metadata)
    except TestbedError as error:
        problems.append(str(error))
        return _BAD
    return value


def _shown(raw: Any) -> Any:
    if isinstance(raw, Mapping):
        return Shown("a table")
    if isinstance(raw, bool):
        return Shown("true" if raw else "false")
    if isinstance(raw, (list, tuple)):
        return Shown("a list")
    return raw


__all__ = ["Place", "Shown", "build", "read_fields", "read_settings", "refuse"]
