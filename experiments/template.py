"""Give users a controller file to start from."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from ..models.errors import TestbedError, problem


def template_text() -> str:
    """Return the text of a commented, working controller.

    Returns
    -------
    str
        A Python file with a class `MyController` that passes
        `check_controller`.
    """
    folder = files("oxytestbed.experiments") / "templates"
    return (folder / "controller.py.txt").read_text(encoding="utf-8")


def write_template(path: Path, force: bool = False) -> Path:
    """Write the controller to start from into a new file.

    Parameters
    ----------
    path : Path
        File to write; its name must end in ``.py``.
    force : bool
        Whether an existing file may be overwritten.

    Returns
    -------
    Path
        The file that was written.

    Raises
    ------
    TestbedError
        If the name does not end in ``.py``, the file exists and `force` is
        False, or it cannot be written.
    """
    path = Path(path)
    if path.suffix != ".py":
        raise problem("template", "a file name that ends in .py", str(path))
    try:
        with path.open("w" if force else "x", encoding="utf-8") as file:
            file.write(template_text())
    except FileExistsError as error:
        hint = "Choose another name, or force it to be overwritten."
        raise problem("template", "a file that does not exist yet", str(path), hint) from error
    except OSError as error:
        message = f"template: cannot write {path}: {error.strerror or error}"
        raise TestbedError(message) from error
    return path
