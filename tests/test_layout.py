"""The house keeps its shape: floors, names, sizes, docstrings, what a wheel may hold."""

import ast
import importlib
import re
import subprocess
import sys
import tomllib
from collections import Counter
from pathlib import Path

import pytest

import oxytestbed

ROOT = Path(__file__).resolve().parents[1]
FLOORS = {"models": 0, "loop": 1, "experiments": 2}
TOP_LEVEL = {
    *FLOORS,
    *("tests", "results", "__init__.py", "py.typed"),
    *("README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"),
}
#: What building and running leave behind, for a copy without Git.
LEFT_BEHIND = ("build", "dist", "runs", "__pycache__", "oxytestbed.egg-info")

LONGEST_FILE, LONGEST_TEST_FILE, LONGEST_FUNCTION = 400, 500, 60

#: Third-party libraries of each floor; controllers make do with NumPy.
MAY_IMPORT = {
    "models": {"numpy", "scipy"},
    "loop": {"numpy", "simpy"},
    "experiments": {"numpy", "scipy", "simpy", "pandas", "matplotlib", "jinja2", "markupsafe"},
}
MAY_PRINT = (
    "experiments/cli.py",
    "experiments/benchmark.py",
    "experiments/calibrate_staff.py",
    "experiments/replay_trials.py",
)

SOURCES = sorted(path for floor in FLOORS for path in (ROOT / floor).rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))


def short(path):
    return path.relative_to(ROOT).as_posix()


each_source = pytest.mark.parametrize("path", SOURCES, ids=short)


def parsed(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def project():
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def files_at_top():
    """Names at the top of the checkout that Git does not ignore."""
    command = ["git", "-c", "safe.directory=*", "ls-files", "-co", "--exclude-standard"]
    try:
        listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        return {path.name for path in ROOT.iterdir()} - set(LEFT_BEHIND)
    return {line.split("/")[0] for line in listed.stdout.splitlines()}


def imported(path, tree=None):
    """Every module that a file imports, as absolute names, also inside functions."""
    package = ("oxytestbed", *path.relative_to(ROOT).parts[:-1])
    for node in ast.walk(tree or parsed(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = package[: len(package) + 1 - node.level] if node.level else ()
            base = ".".join((*above, *([node.module] if node.module else [])))
            # `from .. import loop` names a module, `from ..loop import x` may not.
            yield from (f"{base}.{alias.name}" for alias in node.names)


def floor_of(module):
    parts = module.split(".")
    return parts[1] if parts[0] == "oxytestbed" and len(parts) > 1 and parts[1] in FLOORS else None


@each_source
def test_arrows_point_downwards_only(path):
    floor = path.relative_to(ROOT).parts[0]
    upwards = [
        name
        for name in imported(path)
        if (to := floor_of(name)) is not None and FLOORS[to] > FLOORS[floor]
    ]
    assert not upwards, f"{short(path)} reaches up to {upwards}"


@pytest.mark.parametrize(
    "line",
    [
        "from ..experiments import figures",
        "from .. import experiments",
        "def f():\n    from ..experiments.cli import main",
        "import oxytestbed.experiments.cli",
        "from oxytestbed.experiments import compare",
    ],
)
def test_an_arrow_upwards_is_seen(line):
    names = imported(ROOT / "loop" / "made_up.py", ast.parse(line))
    assert {floor_of(name) for name in names} == {"experiments"}


@each_source
def test_a_floor_knows_only_its_own_libraries(path):
    floor = path.relative_to(ROOT).parts[0]
    allowed = {"numpy"} if "controllers" in path.parts else MAY_IMPORT[floor]
    roots = {name.split(".")[0] for name in imported(path)}
    strange = roots - allowed - set(sys.stdlib_module_names) - {"oxytestbed"}
    assert not strange, f"{short(path)} imports {strange}"
    if floor != "experiments":
        assert "argparse" not in roots


def test_every_library_that_is_imported_is_declared():
    declared = {re.split(r"[<>=~!]", text)[0] for text in project()["project"]["dependencies"]}
    assert set().union(*MAY_IMPORT.values()) == declared


def test_the_oldest_versions_that_are_tested_are_the_lower_bounds():
    lines = (ROOT / ".ci" / "oldest.txt").read_text(encoding="utf-8").splitlines()
    oldest = dict(line.split("==") for line in lines if "==" in line)
    wanted = [
        *project()["project"]["dependencies"],
        *project()["project"]["optional-dependencies"]["test"],
    ]
    for text in wanted:
        name, bound = text.split(">=")
        assert re.sub(r"(\.0)+$", "", oldest[name]) == bound, name


@each_source
def test_files_inside_the_house_use_relative_imports(path):
    tree = parsed(path)
    absolute = [
        node.lineno
        for node in ast.walk(tree)
        if (
            isinstance(node, ast.ImportFrom)
            and node.level == 0
            and str(node.module).split(".")[0] == "oxytestbed"
        )
        or (
            isinstance(node, ast.Import)
            and any(alias.name.split(".")[0] == "oxytestbed" for alias in node.names)
        )
    ]
    assert not absolute, f"{short(path)}, lines {absolute}"


def test_the_packages_are_those_of_the_project_file():
    found = {
        ".".join(("oxytestbed", *path.parent.relative_to(ROOT).parts))
        for path in [*ROOT.glob("*.py"), *SOURCES]
    }
    assert found == set(project()["tool"]["setuptools"]["packages"])
    for path in SOURCES:
        assert (path.parent / "__init__.py").is_file(), short(path.parent)


def test_every_data_file_goes_into_the_wheel():
    data = project()["tool"]["setuptools"]["package-data"]["oxytestbed.experiments"]
    shipped = {found for pattern in data for found in (ROOT / "experiments").glob(pattern)}
    present = {
        path
        for floor in FLOORS
        for path in (ROOT / floor).rglob("*")
        if path.is_file() and path.suffix not in (".py", ".pyc")
    }
    assert present == shipped


def test_the_top_holds_nothing_else():
    strange = {name for name in files_at_top() if not name.startswith(".")} - TOP_LEVEL
    assert not strange


def test_no_other_python_file_at_the_root():
    assert [path.name for path in ROOT.glob("*.py")] == ["__init__.py"]


def test_tests_are_no_package_and_mirror_the_house():
    assert not list((ROOT / "tests").rglob("__init__.py"))
    twice = [name for name, count in Counter(path.name for path in TESTS).items() if count > 1]
    assert [name for name in twice if name != "conftest.py"] == []
    rooms = {path.parent.relative_to(ROOT / "tests").parts[:1] for path in TESTS}
    assert rooms <= {(), ("reference",), *((floor,) for floor in FLOORS)}


@pytest.mark.parametrize("path", [*SOURCES, *TESTS], ids=short)
def test_no_file_or_function_is_too_long(path):
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= (LONGEST_TEST_FILE if path in TESTS else LONGEST_FILE)
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            length = node.end_lineno - node.lineno + 1 - docstring_lines(node)
            assert length <= LONGEST_FUNCTION, f"{short(path)}, {node.name}: {length} lines"


def docstring_lines(node):
    """Lines of the docstring, which may be as long as it needs to be."""
    first = node.body[0]
    return first.end_lineno - first.lineno + 1 if ast.get_docstring(node) else 0


@each_source
def test_only_the_command_line_prints_asks_or_exits(path):
    if short(path) in MAY_PRINT:
        return
    banned = {"print", "input", "exit", "quit", "breakpoint", "SystemExit"}
    tree = parsed(path)
    caught = {
        part
        for node in ast.walk(tree)
        if isinstance(node, ast.ExceptHandler) and node.type is not None
        for part in ast.walk(node.type)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and node not in caught:
            assert node.id not in banned, f"{short(path)}, line {node.lineno}: {node.id}"
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            call = f"{node.value.id}.{node.attr}"
            assert call not in ("sys.exit", "os._exit"), f"{short(path)}, line {node.lineno}"


@each_source
def test_init_files_define_nothing(path):
    if path.name == "__init__.py":
        body = parsed(path).body
        assert ast.get_docstring(parsed(path))
        assert all(isinstance(node, ast.Expr | ast.Import | ast.ImportFrom) for node in body)


@each_source
def test_every_public_name_says_what_it_takes(path):
    faults = [
        f"{short(path)}, line {line}: {name} lacks {', '.join(missing)}"
        for line, name, missing in undocumented(parsed(path))
    ]
    assert not faults, "\n".join(faults)


def undocumented(tree):
    """Yield line, name and what its docstring leaves out, for each public name."""
    if not ast.get_docstring(tree):
        yield 1, "the module", ["a docstring"]
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            if "overload" in map(ast.unparse, node.decorator_list):
                continue
            yield from lacking(node, ast.get_docstring(node), arguments(node))
        elif isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from undocumented_class(node)


def undocumented_class(node):
    text = ast.get_docstring(node)
    methods = [item for item in node.body if isinstance(item, ast.FunctionDef)]
    built_with = [name for item in methods if item.name == "__init__" for name in arguments(item)]
    yield from lacking(node, text, built_with + plain_fields(node))
    for method in methods:
        if not method.name.startswith("_") and not is_stub_with_short_text(node, method):
            yield from lacking(method, ast.get_docstring(method), arguments(method), node.name)


def is_stub_with_short_text(owner, method):
    """Members of a Protocol whose twin elsewhere is documented in full."""
    protocol = any(isinstance(base, ast.Name) and base.id == "Protocol" for base in owner.bases)
    return protocol and ast.get_docstring(method) and isinstance(method.body[-1], ast.Expr)


def plain_fields(node):
    """Fields of a dataclass that do not carry their own description."""
    if not any("dataclass" in ast.unparse(item) for item in node.decorator_list):
        return []
    return [
        item.target.id
        for item in node.body
        if isinstance(item, ast.AnnAssign)
        and not item.target.id.startswith("_")
        and not (item.value is not None and "quantity(" in ast.unparse(item.value))
    ]


def arguments(function):
    given = function.args
    named = [*given.posonlyargs, *given.args, *given.kwonlyargs]
    names = [item.arg for item in named if item.arg not in ("self", "cls")]
    stars = [
        f"{mark}{item.arg}" for mark, item in (("*", given.vararg), ("**", given.kwarg)) if item
    ]
    return [name for name in names if not name.startswith("_")] + stars


def lacking(node, text, names, owner=""):
    shown = f"{owner}.{node.name}" if owner else node.name
    if not text:
        yield node.lineno, shown, ["a docstring"]
        return
    described = entries(text)
    missing = [name for name in names if name not in described]
    if missing:
        yield node.lineno, shown, missing


def entries(text):
    """Names under Parameters and Attributes of a NumPy docstring."""
    lines, found, inside = text.splitlines(), set(), False
    for number, line in enumerate(lines):
        after = lines[number + 1] if number + 1 < len(lines) else ""
        if after and set(after.strip()) == {"-"}:
            inside = line.strip() in ("Parameters", "Other Parameters", "Attributes")
        elif inside and line and not line.startswith((" ", "-")):
            names = line.split(" : ")[0]
            found.update(name.strip() for name in names.split(","))
    return found


def test_the_docstring_check_sees_what_is_left_out():
    source = '''"""A module."""
def good(one, two, **given):
    """Do it.

    Parameters
    ----------
    one, two : int
        Numbers.
    **given : float
        More.
    """
def bad(one, **swallowed):
    """Do it.

    Parameters
    ----------
    one : int
        A number.

    Returns
    -------
    swallowed
    """
def bare(): ...
'''
    found = {name: missing for _, name, missing in undocumented(ast.parse(source))}
    assert found == {"bad": ["**swallowed"], "bare": ["a docstring"]}


def test_the_checkers_are_set_to_be_strict():
    tools = project()["tool"]
    tests = tools["pytest"]["ini_options"]
    assert tests["xfail_strict"] is True
    assert tests["filterwarnings"][0] == "error"
    assert {"--strict-markers", "--strict-config"} <= set(tests["addopts"].split())
    assert {"B", "D", "E", "F", "I", "N", "T20", "UP"} <= set(tools["ruff"]["lint"]["select"])
    assert tools["ruff"]["line-length"] == 100
    assert tools["mypy"]["strict"] is True
    assert {f"oxytestbed.{floor}" for floor in FLOORS} == set(tools["mypy"]["packages"])


def test_the_type_checker_finds_the_house():
    link = ROOT / ".typing" / "oxytestbed"
    assert link.resolve() == ROOT


def test_the_package_under_test_is_this_one_or_its_installed_copy():
    here = (ROOT / "loop" / "phases.py").read_bytes()
    assert Path(oxytestbed.__file__).with_name("loop").joinpath("phases.py").read_bytes() == here


@pytest.mark.parametrize("name", oxytestbed.__all__)
def test_names_at_the_top_of_the_package_resolve(name):
    assert getattr(oxytestbed, name)


def test_an_unknown_name_at_the_top_is_an_attribute_error():
    with pytest.raises(AttributeError, match="compere"):
        _ = oxytestbed.compere


def test_importing_the_package_imports_nothing_else():
    code = "import oxytestbed, sys; print('numpy' in sys.modules, oxytestbed.__version__)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", oxytestbed.__version__]


def test_every_module_can_be_imported():
    for path in SOURCES:
        parts = path.relative_to(ROOT).with_suffix("").parts
        importlib.import_module(".".join(("oxytestbed", *parts)).removesuffix(".__init__"))
