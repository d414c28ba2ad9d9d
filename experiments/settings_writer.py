"""Write settings dataclasses as TOML, and list them as rows for a report.

Each value carries its unit and meaning as a comment, so that a resolved
scenario can be read and edited without the program.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import MISSING, Field, fields, is_dataclass
from typing import Any

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")

#: The escapes that a TOML text has a letter for.
_ESCAPES = {'"': '\\"', "\\": "\\\\", "\b": "\\b", "\t": "\\t"} | {
    "\n": "\\n",
    "\f": "\\f",
    "\r": "\\r",
}


def toml_value(value: Any) -> str:
    """Write one value as TOML.

    Parameters
    ----------
    value : bool, int, float, str, sequence, mapping or dataclass instance
        The value; a mapping or settings become an inline table.

    Returns
    -------
    str
        Reading it again gives the same value, to the last bit of a float.

    Raises
    ------
    TypeError
        If TOML has no such value.
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, str):
        return '"' + "".join(_escaped(letter) for letter in value) + '"'
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if is_dataclass(value):
        value = {item.name: getattr(value, item.name) for item in fields(value)}
    if is_dataclass(value):
        value = {item.name: getattr(value, item.name) for item in fields(value)}
    if isinstance(value, Mapping):
        pairs = (f"{_toml_key(key)} = {toml_value(item)}" for key, item in value.items())
        return "{" + ", ".join(pairs) + "}"
    raise TypeError(f"TOML has no value for {value!r}")


def settings_toml(settings: Any, leave_out: Collection[str] = ()) -> str:
    """Write a settings dataclass, with its inner ones as sections.

    Parameters
    ----------
    settings : dataclass instance
        Fields described by `models.settings.quantity`.
    leave_out : collection of str, optional
        Dotted keys that are not written, because they have no effect.

    Returns
    -------
    str
        TOML; unit and meaning stand behind each value.
    """
    lines: list[str] = []
    sections: list[Field[Any]] = []
    for item in fields(settings):
        if _holds_sections(getattr(settings, item.name)):
            sections.append(item)
        elif item.name not in leave_out:
            lines.append(_line(settings, item))
    for item in sections:
        value = getattr(settings, item.name)
        for section in value if isinstance(value, tuple) else (value,):
            head = f"[[{item.name}]]" if isinstance(value, tuple) else f"[{item.name}]"
            lines += ["", f"# {item.metadata['doc']}", head]
            lines += [_variant_line(item, section)] if item.metadata.get("variants") else []
            lines += [
                _line(section, inner)
                for inner in fields(section)
                if f"{item.name}.{inner.name}" not in leave_out
                and not _unset(getattr(section, inner.name))
            ]
    return "\n".join(lines) + "\n"


def settings_rows(settings: Any, prefix: str = "") -> Iterator[dict[str, str]]:
    """List every setting of a dataclass and of its inner ones.

    Parameters
    ----------
    settings : dataclass instance
        Fields described by `models.settings.quantity`.
    prefix : str, optional
        Put before each key.

    Yields
    ------
    dict of str
        ``key``, ``value`` (as people read it), ``unit``, ``meaning`` and
        ``source``: "default", or "set" where the value is not the default.
    """
    for item in fields(settings):
        value = getattr(settings, item.name)
        if item.metadata.get("variants"):
            yield _variant_row(item, value, prefix)
        if is_dataclass(value):
            yield from settings_rows(value, f"{prefix}{item.name}.")
        elif _holds_sections(value):
            for number, section in enumerate(value, start=1):
                label = getattr(section, "name", f"#{number}")
                yield from settings_rows(section, f"{prefix}{item.name}[{label}].")
        elif not _unset(value):
            yield {
                "key": f"{prefix}{item.name}",
                "value": _readable(value),
                "unit": item.metadata["unit"],
                "meaning": item.metadata["doc"],
                "source": "default" if value == _default(item) else "set",
            }


def variant_name(item: Field[Any], section: Any) -> str:
    """Name the variant that a section is, such as its mode of support.

    Parameters
    ----------
    item : dataclasses.Field
        Field with `variants` in its metadata.
    section : dataclass instance
        Its value.

    Returns
    -------
    str
    """
    variants: Mapping[str, type[Any]] = item.metadata["variants"]
    return next(name for name, owner in variants.items() if owner is type(section))


def _variant_line(item: Field[Any], section: Any) -> str:
    name = toml_value(variant_name(item, section))
    words = ", ".join(item.metadata["variants"])
    return f"{item.metadata['variant_key']} = {name}  # one of {words}"


def _variant_row(item: Field[Any], section: Any, prefix: str) -> dict[str, str]:
    name = variant_name(item, section)
    first = next(iter(item.metadata["variants"]))
    return {
        "key": f"{prefix}{item.name}.{item.metadata['variant_key']}",
        "value": name,
        "unit": "-",
        "meaning": item.metadata["doc"],
        "source": "default" if name == first else "set",
    }


def _holds_sections(value: Any) -> bool:
    return is_dataclass(value) or (
        isinstance(value, tuple) and bool(value) and all(is_dataclass(item) for item in value)
    )


def _unset(value: Any) -> bool:
    """Recognise NaN, which stands for a number that nobody gave."""
    return isinstance(value, float) and math.isnan(value)


def _line(settings: Any, item: Field[Any]) -> str:
    unit = "" if item.metadata["unit"] == "-" else f"{item.metadata['unit']}; "
    value = toml_value(getattr(settings, item.name))
    return f"{item.name} = {value}  # {unit}{item.metadata['doc']}"


def _default(item: Field[Any]) -> Any:
    if item.default_factory is not MISSING:
        return item.default_factory()
    return item.default


def _readable(value: Any) -> str:
    if value in ("", (), {}):
        return "none"
    if isinstance(value, str):
        return value
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    if isinstance(value, tuple):
        return ", ".join(_readable(item) for item in value)
    if is_dataclass(value):
        value = {item.name: getattr(value, item.name) for item in fields(value)}
    if isinstance(value, Mapping):
        return ", ".join(f"{key} = {_readable(item)}" for key, item in value.items())
    return toml_value(value)


def _toml_key(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else toml_value(key)


def _escaped(letter: str) -> str:
    if letter in _ESCAPES:
        return _ESCAPES[letter]
    return f"\\u{ord(letter):04x}" if ord(letter) < 0x20 or letter == "\x7f" else letter


__all__ = ["settings_rows", "settings_toml", "toml_value"]
