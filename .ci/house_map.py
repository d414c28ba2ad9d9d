"""Write the map of the house in DEVELOPERS.md anew, from the first line of each module."""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def rows(floor: str) -> str:
    """Lay out the rows of one floor: its own files first, then its rooms."""
    files = [path for path in (ROOT / floor).rglob("*.py") if path.name != "__init__.py"]
    files.sort(key=lambda path: (len(path.parts), path))
    return "".join(f"| `{path.relative_to(ROOT).as_posix()}` | {told(path)} |\n" for path in files)


def told(path: Path) -> str:
    """Return the first line of a module's docstring, without its full stop."""
    text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    return text.partition("\n")[0].rstrip(".").replace("|", "/")


def main() -> None:
    """Replace the rows of the three tables; everything else stays."""
    page = ROOT / "DEVELOPERS.md"
    text = page.read_text(encoding="utf-8")
    for floor in ("models", "loop", "experiments"):
        table = re.compile(rf"(### {floor}\n\n\| file .*\n\|---\|---\|\n)(?:\|.*\n)*")
        text, found = table.subn(lambda head, floor=floor: head[1] + rows(floor), text)
        assert found == 1, f"no table under '### {floor}'"
    page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
