"""Install the wheel into the environment that runs this, and use it from elsewhere.

Called as ``wheel_check.py FOLDER_WITH_WHEEL FOLDER_TO_WORK_IN``; ends with an
error at the first thing that is wrong.
"""

from __future__ import annotations

import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

TINY = [
    *("--infants", "2", "--hours", "0.2", "--workers", "2"),
    *("--set", "run.warmup_h=0", "--set", "report.resamples=100"),
]


def check_contents(wheel: Path) -> None:
    """See that the wheel holds one package, its data, and nothing generic."""
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
    version = wheel.name.split("-")[1]
    tops = {name.split("/")[0] for name in names}
    assert tops == {"oxytestbed", f"oxytestbed-{version}.dist-info"}, tops
    second = {name.split("/")[1] for name in names if name.startswith("oxytestbed/")}
    assert second == {"__init__.py", "py.typed", "models", "loop", "experiments"}, second
    assert any(name.endswith("/scenarios/settled_night.toml") for name in names)
    assert any(name.endswith("/templates/page.html.j2") for name in names)
    assert any(name.endswith("/licenses/LICENSE") for name in names)


def run(*words: str, folder: Path) -> str:
    """Run a command away from the checkout and return what it printed."""
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{' '.join(words)}\n{done.stdout}\n{done.stderr}"
    return done.stdout


def main(wheels: Path, desk: Path) -> None:
    """Check the one wheel in a folder."""
    (wheel,) = wheels.glob("*.whl")
    check_contents(wheel)
    desk.mkdir()
    python = sys.executable
    run(python, "-m", "pip", "install", "--quiet", str(wheel.resolve()), folder=desk)
    site = Path(sysconfig.get_paths()["purelib"])
    generic = {"models", "loop", "experiments", "tests", "results"}
    assert not generic & {path.stem for path in site.iterdir()}, "generic names in site-packages"
    where = run(python, "-c", "import oxytestbed; print(oxytestbed.__file__)", folder=desk)
    assert Path(where.strip()).is_relative_to(site), where
    program = str(Path(python).with_name("oxytestbed"))
    assert "not a medical device" in run(program, "--help", folder=desk)
    run(program, "template", "mine.py", folder=desk)
    run(program, "check", "mine.py:MyController", folder=desk)
    mine = ["--controller", "mine.py:MyController", "--out", "out"]
    printed = run(program, "compare", *TINY, *mine, folder=desk)
    assert "Time in target" in printed
    assert (desk / "out" / "report.html").stat().st_size > 100_000
    print(f"{wheel.name} is in order")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
