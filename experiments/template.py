"""Give users a controller file to start from, in Python or in C."""

from __future__ import annotations

import shlex
import sys
from importlib.resources import files
from pathlib import Path

from ..models.errors import TestbedError, problem

HEADER_NAME = "oxytestbed_controller.h"

#: The template of each kind of file.
_TEMPLATES = {".py": "controller.py.txt", ".c": "controller.c.txt"}


def template_text(suffix: str = ".py") -> str:
    """Return the text of a commented, working controller.

    Parameters
    ----------
    suffix : str
        ``".py"`` or ``".c"``.

    Returns
    -------
    str
        A Python file with a class `MyController`, or a C file, that passes
        `check_controller`.
    """
    return _read(_TEMPLATES[suffix])


def header_text() -> str:
    """Return the C header that states the interface of a controller in C.

    Returns
    -------
    str
    """
    return _read(f"{HEADER_NAME}.txt")


def compile_line(path: Path) -> str:
    """Say how to make a shared library of a C file.

    Parameters
    ----------
    path : Path
        The C file.

    Returns
    -------
    str
        A command for the shell.
    """
    made = library_path(path)
    if sys.platform == "win32":
        return f"cl /LD /fp:precise {path} /Fe:{made}"
    words = ["cc", "-std=c99", "-O2", "-ffp-contract=off", "-fPIC", "-shared"]
    return shlex.join([*words, "-o", str(made), str(path), "-lm"])


def library_path(path: Path) -> Path:
    """Name the shared library that `compile_line` makes.

    Parameters
    ----------
    path : Path
        The C file.

    Returns
    -------
    Path
    """
    return path.with_suffix({"win32": ".dll", "darwin": ".dylib"}.get(sys.platform, ".so"))


def next_steps(path: Path) -> list[str]:
    """Say what to type after a template was written.

    Parameters
    ----------
    path : Path
        The file that was written.

    Returns
    -------
    list of str
        Commands for the shell, in order.
    """
    spec = f"{path}:MyController" if path.suffix == ".py" else str(library_path(path))
    shown = shlex.quote(spec)
    first = [] if path.suffix == ".py" else [compile_line(path)]
    return [*first, f"oxytestbed check {shown}", f"oxytestbed compare --controller {shown}"]


def write_template(path: Path, force: bool = False) -> Path:
    """Write the controller to start from into a new file.

    Parameters
    ----------
    path : Path
        File to write; its name must end in ``.py`` or ``.c``. A C file gets
        its header beside it.
    force : bool
        Whether an existing file may be overwritten.

    Returns
    -------
    Path
        The file that was written.

    Raises
    ------
    TestbedError
        If the name ends otherwise, the file exists and `force` is False, or
        it cannot be written.
    """
    path = Path(path)
    if path.suffix not in _TEMPLATES:
        raise problem("template", "a file name that ends in .py or .c", str(path))
    text = template_text(path.suffix)
    if path.suffix == ".c":
        text = text.replace("@COMPILE@", compile_line(Path(path.name)))
        text = text.replace("@LIBRARY@", library_path(Path(path.name)).name)
        header = path.with_name(HEADER_NAME)
        if not _holds(header, header_text()):
            _write(header, header_text(), force)
    _write(path, text, force)
    return path


def _read(name: str) -> str:
    folder = files("oxytestbed.experiments") / "templates"
    return (folder / name).read_text(encoding="utf-8")


def _holds(path: Path, text: str) -> bool:
    return path.is_file() and path.read_bytes() == text.encode()


def _write(path: Path, text: str, force: bool) -> None:
    try:
        with path.open("w" if force else "x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        hint = "Choose another name, or force it to be overwritten."
        raise problem("template", "a file that does not exist yet", str(path), hint) from error
    except OSError as error:
        message = f"template: cannot write {path}: {error.strerror or error}"
        raise TestbedError(message) from error
