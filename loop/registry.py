"""Find a controller by what a user writes: a name, a file, a library, a program.

A specification is a plain string, so it travels to worker processes as it is
and each of them builds its own controller.
"""

from __future__ import annotations

import hashlib
import importlib
import inspect
import shlex
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from types import MappingProxyType, ModuleType
from typing import Any, cast

from ..models.errors import TestbedError, nearest, problem
from .controller import Controller, contract_problems, place_of
from .foreign_c import LIBRARY_SUFFIXES, CLibrary
from .foreign_program import ExternalProgram

ENTRY_POINT_GROUP = "oxytestbed.controllers"

#: Stands before the command of an external program.
PROGRAM_PREFIX = "program:"

#: Name of a built-in: module inside `loop.controllers` and class.
BUILT_IN: Mapping[str, str] = MappingProxyType(
    {
        "fixed": "fixed:FixedFiO2",
        "pi": "pi:PI",
        "rules": "rules:RuleTable",
        "pid": "pid:PID",
        "adaptive": "adaptive:AdaptivePI",
        "predictive": "predictive:Predictive",
        "observer": "observer:ObserverFeedback",
        "pi_no_antiwindup": "bare:PIWithoutAntiWindup",
        "pi_no_gate": "bare:PIWithoutSignalGate",
        "p_only": "bare:ProportionalOnly",
    }
)


def controller_names() -> list[str]:
    """List the names that `load_controller` knows without a file.

    Returns
    -------
    list of str
        Built-in controllers and installed entry points, sorted.
    """
    return sorted({*BUILT_IN, *(point.name for point in _installed())})


def load_controller(spec: str, options: Mapping[str, Any] | None = None) -> Controller:
    """Build the controller that a specification names.

    Parameters
    ----------
    spec : str
        Name of a built-in or of an installed entry point (group
        ``oxytestbed.controllers``), or ``path/to/file.py:Name`` where `Name`
        is a class or any callable that returns a controller. The file may
        import what lies beside it, at its top level. Also the path of a
        shared library (`foreign_c`), or ``program:`` and the command of an
        external program (`foreign_program`).
    options : mapping, optional
        Keyword arguments for the class.

    Returns
    -------
    Controller
        New, not yet reset.

    Raises
    ------
    TestbedError
        With the name or file and the cause, in one line.
    """
    where = f"controller {spec!r}"
    factory = _factory(spec, where)
    given = dict(options or {})
    _check_option_names(factory, given, where)
    try:
        made = factory(**given)
    except TestbedError as error:
        raise TestbedError(f"{where}: {error}") from error
    except Exception as error:
        hint = f"refused its options {given}: " if given else "could not be built: "
        raise TestbedError(f"{where}: {hint}{cause_of(error)}") from error
    for advice in contract_problems(made).values():
        raise TestbedError(f"{where}: is not a controller yet: {advice}.")
    return cast(Controller, made)


def refuse_missing(spec: str) -> None:
    """Refuse a specification that names nothing, before its code is run.

    Parameters
    ----------
    spec : str
        As for `load_controller`.

    Raises
    ------
    TestbedError
        If there is no such file or no such name. What a file holds is not
        looked at.
    """
    where = f"controller {spec!r}"
    path, _ = _split(spec)
    if path and not spec.startswith(PROGRAM_PREFIX):
        _existing(Path(path), where)
    elif _is_library(spec):
        _existing(Path(spec), where)
    elif not names_a_file(spec) and spec not in controller_names():
        raise _unknown(spec)


def absolute_spec(spec: str, folder: Path) -> str:
    """Make the file in a specification independent of the working folder.

    Parameters
    ----------
    spec : str
        As for `load_controller`.
    folder : Path
        Where a relative path starts, such as the folder of the scenario.

    Returns
    -------
    str
        The same specification, its path absolute; names are unchanged. Of a
        program, the words of its command that name files there.
    """
    if spec.startswith(PROGRAM_PREFIX):
        return PROGRAM_PREFIX + _absolute_command(spec.removeprefix(PROGRAM_PREFIX), folder)
    if _is_library(spec):
        return str((folder / spec).resolve())
    path, name = _split(spec)
    return f"{(folder / path).resolve()}:{name}" if path else spec


def names_a_file(spec: str) -> bool:
    """Say whether a specification stands for code of the user's own.

    Parameters
    ----------
    spec : str
        As for `load_controller`.

    Returns
    -------
    bool
        True for a file, a library or a program; False for a name.
    """
    return spec.startswith(PROGRAM_PREFIX) or _is_library(spec) or bool(_split(spec)[0])


def _is_library(spec: str) -> bool:
    return spec.endswith(LIBRARY_SUFFIXES) and not spec.startswith(PROGRAM_PREFIX)


def _absolute_command(command: str, folder: Path) -> str:
    try:
        words = shlex.split(command)
    except ValueError:
        return command  # refused when it is loaded
    return shlex.join(_absolute_word(word, folder) for word in words)


def _absolute_word(word: str, folder: Path) -> str:
    path, name = _split(word)
    if name and (folder / path).is_file():
        return f"{(folder / path).absolute()}:{name}"
    # A link stays: the interpreter of a virtual environment is one.
    return str((folder / word).absolute()) if (folder / word).is_file() else word


def _factory(spec: str, where: str) -> Callable[..., Any]:
    """Find the class or callable behind a specification."""
    if not str(spec).strip():
        raise problem("controller", "a name or 'file.py:ClassName'", spec)
    if spec.startswith(PROGRAM_PREFIX):
        return partial(ExternalProgram, spec.removeprefix(PROGRAM_PREFIX))
    if _is_library(spec):
        return partial(CLibrary, spec)
    path, name = _split(spec)
    if path:
        return _from_file(Path(path), name, where)
    if spec in BUILT_IN:
        module, _, member = BUILT_IN[spec].partition(":")
        built_in = importlib.import_module(f".controllers.{module}", __package__)
        return cast(Callable[..., Any], getattr(built_in, member))
    for point in _installed():
        if point.name == spec:
            return _from_entry_point(point, where)
    raise _unknown(spec)


def _unknown(spec: str) -> TestbedError:
    hint = nearest(spec, controller_names()) + (
        " Or give 'file.py:ClassName', the path of a C library or 'program:command'."
    )
    return problem("controller", "a known name", spec, hint)


def _existing(path: Path, where: str) -> Path:
    if not path.is_file():
        raise problem(where, "a file that exists", str(path), f"Looked for {path.resolve()}.")
    return path.resolve()


def _split(spec: str) -> tuple[str, str]:
    """Split 'file.py:Name'; the path is empty if the text names no file."""
    path, colon, name = spec.rpartition(":")
    if colon and path.endswith(".py"):
        return path, name.strip()
    return (spec, "") if spec.endswith(".py") else ("", spec)


def _installed() -> tuple[EntryPoint, ...]:
    return tuple(entry_points(group=ENTRY_POINT_GROUP))


def _from_entry_point(point: EntryPoint, where: str) -> Callable[..., Any]:
    try:
        found = point.load()
    except Exception as error:
        message = f"{where}: the installed entry point {point.value!r} fails: {cause_of(error)}"
        raise TestbedError(message) from error
    if not callable(found):
        raise problem(where, "a class or a function at the entry point", found)
    return cast(Callable[..., Any], found)


def _from_file(path: Path, name: str, where: str) -> Callable[..., Any]:
    """Import the file under a private name and take a member of it."""
    module = _import_file(_existing(path, where), where)
    found = getattr(module, name, None) if name else None
    if found is None or not callable(found):
        classes = _classes_in(module)
        hint = f"Classes in {path}: {', '.join(classes) or 'none'}."
        expected = "'file.py:ClassName' with a class that the file has"
        raise problem(where, expected, name or "no class name", hint)
    return cast(Callable[..., Any], found)


def _classes_in(module: ModuleType) -> list[str]:
    return sorted(
        name
        for name, value in vars(module).items()
        if inspect.isclass(value) and value.__module__ == module.__name__
    )


def _import_file(path: Path, where: str) -> ModuleType:
    """Run a user's file as a module; compiled anew, so an edit is never missed."""
    name = "_oxytestbed_user_" + hashlib.sha256(str(path).encode()).hexdigest()[:16]
    module = ModuleType(name)
    module.__file__ = str(path)
    module.__package__ = ""  # it stands alone; Python warns if this is left open
    try:
        code = compile(path.read_bytes(), str(path), "exec")
        with _importable(path.parent):
            sys.modules[name] = module
            exec(code, module.__dict__)
    except Exception as error:
        sys.modules.pop(name, None)
        message = f"{where}: {path} cannot be imported: {cause_of(error)}"
        raise TestbedError(message) from error
    return module


@contextmanager
def _importable(folder: Path) -> Iterator[None]:
    """Let files beside the controller be imported, and leave no trace of it.

    What was imported from the folder is taken out of `sys.modules` again, so
    that two controllers may each have a `helpers.py` of their own.
    """
    path_before, modules_before = list(sys.path), set(sys.modules)
    sys.path.insert(0, str(folder))
    importlib.invalidate_caches()
    try:
        yield
    finally:
        sys.path[:] = path_before
        for name in set(sys.modules) - modules_before:
            origin = getattr(sys.modules[name], "__file__", None)
            private = name.startswith("_oxytestbed_user_")
            if origin and not private and Path(origin).is_relative_to(folder):
                del sys.modules[name]


def _check_option_names(factory: Callable[..., Any], given: Mapping[str, Any], where: str) -> None:
    """Name the nearest option for one that does not exist."""
    try:
        parameters = inspect.signature(factory).parameters.values()
    except (TypeError, ValueError):
        return
    if any(item.kind is inspect.Parameter.VAR_KEYWORD for item in parameters):
        return
    positional = (inspect.Parameter.POSITIONAL_ONLY, inspect.Parameter.VAR_POSITIONAL)
    valid = [item.name for item in parameters if item.kind not in positional]
    for key in given:
        if key not in valid:
            hint = nearest(key, valid) if valid else "It takes no options."
            raise problem(where, "an option that it has", key, hint)


def cause_of(error: BaseException) -> str:
    """Say in one line what went wrong in a user's code.

    Parameters
    ----------
    error : BaseException
        As caught.

    Returns
    -------
    str
        Kind and text of the error, with file and line where they are known.
    """
    if isinstance(error, SyntaxError):
        return f"syntax error in {error.filename}, line {error.lineno}: {error.msg}"
    place = place_of(error)
    text = " ".join(str(error).split()) or "no message"
    hint = ""
    if "relative import" in text:
        hint = " Write `import helper` in place of `from . import helper`."
    return f"{type(error).__name__}: {text}{f' ({place})' if place else ''}{hint}"
