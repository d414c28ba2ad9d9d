"""What the documents say holds: snippets run, commands run, paths exist, the caution stands."""

import os
import re
import shlex
import stat
from dataclasses import dataclass
from pathlib import Path

import pytest

from oxytestbed.experiments import compare as compare_module
from oxytestbed.experiments import targets as targets_module
from oxytestbed.experiments.cli import CAUTION, _parser, main
from oxytestbed.experiments.scenario import load_scenario, override

ROOT = Path(__file__).resolve().parents[1]
DOCUMENTS = ("README.md", "DEVELOPERS.md", "results/README.md")
FLOORS = ("models", "loop", "experiments")

FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
LINK = re.compile(r"\]\(([^)#]+)\)")
CODE = re.compile(r"`([^`\n]+)`")
#: A path as the documents write one: with a folder and, at its end, a known suffix or a slash.
PATH = re.compile(r"[\w.]+(?:/[\w.-]+)*/(?:[\w-]+\.(?:py|md|toml|csv|txt|svg|html))?")

#: Written by a run, not kept.
MADE_BY_A_RUN = ("runs/", "tables/")

TINY = {
    "run.duration_h": 0.05,
    "run.warmup_h": 0,
    "report.resamples": 100,
    "report.worst_infants": 0,
}
#: What makes a documented command quick.
SMALLER = {
    "tune": "--infants 1 --hours 0.1 --warmup 0 --evaluations 10 --guard 0",
    "response": "--infants 1 --no-trial",
    "staffing": "--infants 1 --hours 0.1 --warmup 0 --workers 1",
}

#: Commands that take long, or do not end, even so: only their words are read here, and they are
#: run by tests of their own.
TOO_LONG = ("cot", "credibility", "lesson", "replay", "safeguards", "speed", "worst-case")

TINY_WORDS = [word for key, value in TINY.items() for word in ("--set", f"{key}={value}")]


@dataclass(frozen=True, kw_only=True)
class Block:
    """One fenced block of a document."""

    language: str
    text: str
    line: int


def read(name):
    return (ROOT / name).read_text(encoding="utf-8")


def blocks(name):
    text = read(name)
    return [
        Block(language=found[1], text=found[2], line=text.count("\n", 0, found.start()) + 1)
        for found in FENCE.finditer(text)
    ]


def commands(name):
    """Every `oxytestbed ...` line of a document's shell blocks."""
    lines = [line for block in blocks(name) if block.language == "sh" for line in lines_of(block)]
    return [line for line in lines if line.startswith("oxytestbed ")]


def lines_of(block):
    return [line for line in block.text.splitlines() if line.strip()]


def run_command(line):
    """Run a documented command at a tiny size; its result goes into a folder of the test's."""
    words = shlex.split(line)[1:]
    if words[0] == "compare":
        words += ["--workers", "1", *TINY_WORDS]
        if "--infants" not in words and "--cohort" not in words and "single_infant" not in words:
            words += ["--infants", "2"]
        if "--cohort" in words or "single_infant" not in words:
            words += ["--set", "report.trace_infants=[]"]
    if words[0] == "targets":
        words += ["--workers", "1", "--infants", "2", *TINY_WORDS]
        words += ["--set", "report.trace_infants=[]"]
    if words[0] in TOO_LONG:
        assert callable(_parser(words).parse_args(words).run), line
        return
    words += SMALLER.get(words[0], "").split()
    assert main(words) == 0, line


def run_document(name, names):
    """Run a document's blocks from top to bottom, as a reader would; count what ran."""
    ran = {"python": 0, "sh": 0, "toml": 0}
    for block in blocks(name):
        own_file = re.match(r"# (\w+\.(?:py|toml))\n", block.text)
        if block.language in ("python", "toml") and own_file:
            Path(own_file[1]).write_text(block.text, encoding="utf-8")
        elif block.language == "python":
            place = "\n" * block.line + block.text
            exec(compile(place, name, "exec"), names)
        elif block.language == "sh":
            for line in lines_of(block):
                if line.startswith("oxytestbed "):
                    run_command(line)
        if block.language in ran:
            ran[block.language] += 1
    return ran


@pytest.fixture
def desk(tmp_path, monkeypatch):
    """An empty working folder, and comparisons from Python at a tiny size."""
    real = compare_module.compare

    def tiny(scenario, **given):
        loaded = load_scenario(scenario) if isinstance(scenario, str) else scenario
        return real(override(loaded, TINY), **given)

    study = targets_module.compare_targets

    def tiny_study(scenario, **given):
        loaded = load_scenario(scenario) if isinstance(scenario, str) else scenario
        return study(override(loaded, {**TINY, "cohort.infants": 2}), **given)

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(compare_module, "compare", tiny)
    monkeypatch.setattr(targets_module, "compare_targets", tiny_study)
    return tmp_path


def test_the_readme_runs_from_top_to_bottom(desk, capsys):
    names = {"__name__": "readme"}
    ran = run_document("README.md", names)
    assert ran["python"] >= 2 and ran["sh"] >= 4 and ran["toml"] >= 1
    printed = capsys.readouterr()
    assert "FAIL" not in printed.out
    assert " failed: " not in printed.out + printed.err
    assert {"gentle", "manual", "fixed", "pi"} <= set(report_arms(desk / "runs" / "single_infant"))
    assert "mine" in report_arms(desk / "runs" / "settled_night")
    assert set(names["result"].arms) == {"manual", "fixed", "pi"}
    report = (desk / "runs" / "my_night" / "report.html").read_text(encoding="utf-8")
    assert "not a medical device" in report


def report_arms(folder):
    lines = (folder / "outcomes.csv").read_text(encoding="utf-8").splitlines()
    place = lines[0].split(",").index("arm")
    return {line.split(",")[place] for line in lines[1:]}


def test_the_developers_guide_runs_from_top_to_bottom(desk):
    ran = run_document("DEVELOPERS.md", {"__name__": "developers"})
    assert ran["python"] >= 5 and ran["sh"] >= 2
    assert (desk / "results" / "settled_night_new" / "outcomes.csv").is_file()


def test_the_controller_of_the_readme_is_short():
    (gentle,) = (block for block in blocks("README.md") if block.text.startswith("# gentle.py"))
    assert len(lines_of(gentle)) <= 16


def test_a_broken_snippet_would_be_seen(desk):
    text = "```python\nfrom oxytestbed import compere\n```\n"
    (desk / "WRONG.md").write_text(text, encoding="utf-8")
    with pytest.raises(ImportError):
        run_document(str(desk / "WRONG.md"), {})


def test_readme_holds_two_complete_commands_of_one_line_each():
    lines = [line for block in blocks("README.md") for line in lines_of(block)]
    fresh = [line for line in lines if line.startswith("python3 -m venv ")]
    assert len(fresh) == 2
    use, test = fresh
    assert use.endswith(".venv/bin/oxytestbed compare")
    assert "pytest" in test and "[test,cluster]" in test
    for line in fresh:
        made = line.split()[3]
        steps = line.split(" && ")[1:]
        assert len(steps) == 2 and all(step.startswith(f"{made}/bin/") for step in steps)
    assert use.split()[3] != test.split()[3]


def test_the_ci_run_takes_the_test_command_from_the_readme():
    script = ROOT / ".ci" / "run"
    assert script.stat().st_mode & stat.S_IXUSR or os.name == "nt"
    text = script.read_text(encoding="utf-8")
    assert "set -euo pipefail" in text
    assert "README.md" in text and "pip install -e '.[test,cluster]'" not in text


def mentioned(name):
    """Paths that a document links to or names in code."""
    text = read(name)
    base = (ROOT / name).parent
    for target in LINK.findall(text):
        if "://" not in target:
            yield target, base / target
    prose = FENCE.sub("", text)
    for code in CODE.findall(prose):
        if PATH.fullmatch(code) and not code.startswith(MADE_BY_A_RUN):
            yield code, ROOT / code


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_path_that_is_mentioned_exists(name):
    missing = sorted(
        shown
        for shown, path in set(mentioned(name))
        if not (path.exists() or (ROOT / name).parent.joinpath(shown).exists())
    )
    assert not missing


def test_the_map_of_the_house_has_every_file_once():
    rows = re.findall(
        r"^\| `((?:models|loop|experiments)/[\w/]+\.py)` \|", read("DEVELOPERS.md"), re.M
    )
    files = {
        path.relative_to(ROOT).as_posix()
        for floor in FLOORS
        for path in (ROOT / floor).rglob("*.py")
        if path.name != "__init__.py"
    }
    assert files - set(rows) == set(), "run .ci/house_map.py"
    assert set(rows) - files == set(), "run .ci/house_map.py"
    assert len(rows) == len(set(rows))


def test_the_readme_names_every_shipped_scenario():
    for path in (ROOT / "experiments" / "scenarios").glob("*.toml"):
        assert f"`{path.stem}`" in read("README.md")


def test_the_readme_begins_with_the_job_in_one_paragraph_and_the_caution():
    parts = [part for part in read("README.md").split("\n\n") if not part.startswith("#")]
    job, caution = parts[:2]
    for word in ("discrete-event", "time in target", "hyperoxia", "hypoxia", "manual adjustment"):
        assert word in job
    assert caution.startswith("> **Caution.**")
    assert "not a medical device" in caution
    assert "local protocols and licensed clinicians decide" in caution


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_document_defers_to_clinicians(name):
    text = read(name)
    assert "not a medical device" in text or "local protocols and licensed clinicians" in text


@pytest.mark.parametrize("words", [["--help"], ["compare", "--help"]])
def test_the_caution_stands_in_the_help(words, capsys):
    with pytest.raises(SystemExit) as left:
        main(words)
    assert left.value.code == 0
    assert CAUTION in " ".join(capsys.readouterr().out.split())


def test_the_caution_stands_in_the_page_of_the_report():
    page = read("experiments/templates/page.html.j2")
    assert page.count("{{ caution }}") >= 2


def test_every_command_of_the_program_is_in_the_readme(capsys):
    with pytest.raises(SystemExit):
        main(["--help"])
    listed = re.findall(r"^    ([a-z][a-z-]*)(?:\s{2,}|$)", capsys.readouterr().out, re.MULTILINE)
    assert len(listed) >= 5
    used = {shlex.split(line)[1] for line in commands("README.md")}
    assert set(listed) <= used
