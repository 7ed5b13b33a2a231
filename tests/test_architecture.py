"""The house rules, run as tests: who imports whom, sizes, errors, clocks. Each rule is shown able to fail."""

from __future__ import annotations

import ast
import os
import re
import shutil
import statistics
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SOURCES = ("rinsewatch", "drivers/rinsewatch_drivers", "sim/rinsewatch_sim")
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "rinsewatch", "drivers", "tests", "sim"}

# What a room may import from outside the three packages; standard library parts that do I/O or tell the time
# are left out of the pure rooms on purpose.
_PURE = {
    "__future__", "abc", "bisect", "collections", "dataclasses", "enum", "functools", "itertools", "math", "numpy",
    "operator", "re", "scipy", "statistics", "typing",
}  # fmt: skip
OUTSIDE_ALLOWED = {"rinsewatch/chemistry": _PURE, "rinsewatch/rinse": _PURE, "rinsewatch/planning": _PURE}
OUTSIDE_FORBIDDEN = {
    "rinsewatch/session": {"click", "rich", "serial", "sqlite3", "numpy", "scipy"},
    "rinsewatch/logbook": {"click", "rich", "serial", "numpy", "scipy"},
    "rinsewatch/screen": {"click", "serial", "sqlite3", "scipy"},
    "rinsewatch/report": {"click", "rich", "serial", "sqlite3"},
    "rinsewatch/cli": {"serial", "sqlite3"},
    "drivers": {"click", "rich", "sqlite3", "numpy", "scipy", "platformdirs", "tomlkit"},
    "sim": {"click", "rich", "serial", "sqlite3", "scipy", "msgspec", "platformdirs", "tomlkit"},
}
RICH_FILES = {"dashboard.py", "live.py", "text.py"}  # of the screen; words and levels need no rich
SIM_USERS = re.compile(r"(demo\w*|bench\w*)\.py")

# Below the command line and the session nothing reads a clock or sleeps, but for these.
CLOCK_FILES = {
    "drivers/rinsewatch_drivers/clock.py",  # the clock that is injected everywhere else
    "drivers/rinsewatch_drivers/transport.py",  # deadlines of real reads
    "sim/rinsewatch_sim/pty.py",  # feeds a real pty in real time
    "rinsewatch/screen/keys.py",  # waits where a platform cannot select() on the keyboard
}
_CLOCKS = re.compile(
    r"(?:datetime\.)?(time\.\w*(time|sleep|monotonic|perf_counter)\w*|(datetime|date)\.(now|utcnow|today))"
)
_BROAD = {"Exception", "BaseException"}
_BANNED_WORDS = ("TODO", "FIXME", "XXX", "NotImplementedError")


def _files(*folders: str) -> list[Path]:
    return sorted(path for folder in folders for path in (ROOT / folder).rglob("*.py"))


def _name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"), str(path))


# ---- who imports whom -------------------------------------------------------------------------------


def _lint_imports(root: Path) -> subprocess.CompletedProcess[str]:
    code = "import sys; from importlinter.cli import lint_imports_command as c; c()"
    paths = os.pathsep.join(str(root / part) for part in (".", "drivers", "sim"))
    return subprocess.run(
        [sys.executable, "-c", code, "--no-cache"],
        cwd=root, env=os.environ | {"PYTHONPATH": paths, "NO_COLOR": "1"}, capture_output=True, text=True, check=False,
    )  # fmt: skip


def test_import_contracts_hold() -> None:
    done = _lint_imports(ROOT)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 broken" in done.stdout


@pytest.mark.parametrize(
    ("file", "line"),
    [
        ("rinsewatch/rinse/row.py", "import rinsewatch_drivers.reading"),
        ("rinsewatch/chemistry/tds.py", "import rinsewatch.rinse.row"),
        ("rinsewatch/rinse/row.py", "import rinsewatch.planning.dose"),
        ("rinsewatch/planning/dose.py", "import rinsewatch.rinse.row"),
        ("rinsewatch/session/stamp.py", "import rinsewatch.screen.view"),
        ("rinsewatch/screen/view.py", "import rinsewatch_sim.water"),
        ("drivers/rinsewatch_drivers/reading.py", "import rinsewatch.errors"),
        ("sim/rinsewatch_sim/water.py", "import rinsewatch_drivers.reading"),
    ],
)
def test_a_planted_import_breaks_a_contract(tmp_path: Path, file: str, line: str) -> None:
    for part in ("rinsewatch", "drivers", "sim"):
        shutil.copytree(ROOT / part, tmp_path / part, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    with (tmp_path / file).open("a", encoding="utf-8") as planted:
        planted.write(f"\n{line}\n")
    done = _lint_imports(tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "1 broken" in done.stdout


def _outside(tree: ast.Module) -> set[str]:
    """Top-level names imported anywhere in a module, inside functions too, but for our own packages."""
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            names.add((node.module or "").partition(".")[0])
    return {name for name in names if not name.startswith("rinsewatch")}


@pytest.mark.parametrize("room", sorted(OUTSIDE_ALLOWED))
def test_the_core_imports_nothing_that_does_input_output_or_tells_the_time(room: str) -> None:
    found = {_name(p): extra for p in _files(room) if (extra := _outside(_tree(p)) - OUTSIDE_ALLOWED[room])}
    assert found == {}


@pytest.mark.parametrize("room", sorted(OUTSIDE_FORBIDDEN))
def test_rooms_leave_other_rooms_libraries_alone(room: str) -> None:
    found = {_name(p): bad for p in _files(room) if (bad := _outside(_tree(p)) & OUTSIDE_FORBIDDEN[room])}
    assert found == {}


def test_imports_inside_functions_are_seen() -> None:
    assert _outside(ast.parse("def f():\n    from time import sleep\n    import rich.text, rinsewatch.errors")) == {
        "time", "rich",
    }  # fmt: skip


def test_only_the_drawing_parts_of_the_screen_know_rich() -> None:
    users = {path.name for path in _files("rinsewatch/screen") if "rich" in _outside(_tree(path))}
    assert users <= RICH_FILES


def test_only_demo_and_benchmark_build_the_simulator() -> None:
    users = {p.name for p in _files("rinsewatch") if "rinsewatch_sim" in p.read_text("utf-8")}
    assert users, "the demo imports the simulator"
    assert {name for name in users if not SIM_USERS.fullmatch(name)} == set()


# ---- sizes ------------------------------------------------------------------------------------------


def _functions(tree: ast.Module) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def _lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """From ``def`` to its last line, docstring and blank lines included."""
    return (node.end_lineno or node.lineno) - node.lineno + 1


def test_functions_are_small() -> None:
    sizes = {f"{_name(p)}:{f.name}": _lines(f) for p in _files(*SOURCES) for f in _functions(_tree(p))}
    ordered = sorted(sizes.values())
    median, p90 = statistics.median(ordered), ordered[int(0.9 * len(ordered))]
    print(f"{len(ordered)} functions: median {median:g} lines, p90 {p90}, longest {ordered[-1]}")
    assert len(ordered) > 300
    assert median <= 8
    assert p90 <= 30
    assert {name: size for name, size in sizes.items() if size > 60} == {}


def test_files_are_of_readable_length() -> None:
    lengths = {_name(p): len(p.read_text("utf-8").splitlines()) for p in _files(*SOURCES, "tests")}
    assert {name: length for name, length in lengths.items() if length > 400} == {}


def test_longer_public_functions_and_all_modules_say_what_they_are_for() -> None:
    silent = [_name(p) for p in _files(*SOURCES) if p.read_text("utf-8").strip() and not ast.get_docstring(_tree(p))]
    silent += [f"{_name(p)}:{name}" for p in _files(*SOURCES) for name in _undocumented(_tree(p))]
    assert silent == []


def _undocumented(tree: ast.Module) -> list[str]:
    """Public functions and methods of public classes; what is nested in a function is no one's interface."""
    classes = [node for node in tree.body if isinstance(node, ast.ClassDef) and not node.name.startswith("_")]
    nodes = [node for body in (tree.body, *(c.body for c in classes)) for node in body]
    public = [n for n in nodes if isinstance(n, ast.FunctionDef) and not n.name.startswith("_")]
    return [f.name for f in public if _lines(f) > 6 and not ast.get_docstring(f)]


def test_a_missing_docstring_is_seen() -> None:
    body = "\n    x = 1" * 7
    assert _undocumented(ast.parse(f"def f():{body}\ndef _g():{body}\ndef h(): pass")) == ["f"]


# ---- errors, clocks, output -------------------------------------------------------------------------


def _broad_excepts(tree: ast.Module) -> list[int]:
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ExceptHandler):
            kinds = node.type.elts if isinstance(node.type, ast.Tuple) else [node.type]
            if any(kind is None or ast.unparse(kind) in _BROAD for kind in kinds):
                found.append(node.lineno)
    return found


def test_no_broad_except() -> None:
    assert {_name(p): found for p in _files(*SOURCES) if (found := _broad_excepts(_tree(p)))} == {}
    planted = "try:\n    f()\nexcept (ValueError, Exception):\n    pass\ntry:\n    f()\nexcept:\n    pass"
    assert len(_broad_excepts(ast.parse(planted))) == 2


def _clock_uses(tree: ast.Module) -> list[str]:
    uses = [ast.unparse(node) for node in ast.walk(tree) if isinstance(node, ast.Attribute)]
    named = [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.module == "time"]
    return [use for use in uses if _CLOCKS.fullmatch(use)] + ["from time import ..." for _ in named]


def test_no_clock_below_command_line_and_session() -> None:
    above = ("rinsewatch/cli/", "rinsewatch/session/")
    found = {_name(p) for p in _files(*SOURCES) if _clock_uses(_tree(p)) and not _name(p).startswith(above)}
    assert found <= CLOCK_FILES
    planted = "time.sleep(1)\nnow = datetime.datetime.now()\nself.clock.monotonic()"
    assert _clock_uses(ast.parse(planted)) == ["time.sleep", "datetime.datetime.now"]


def _prints(tree: ast.Module) -> list[int]:
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    return [c.lineno for c in calls if isinstance(c.func, ast.Name) and c.func.id in ("print", "input", "breakpoint")]


def test_only_the_command_line_prints() -> None:
    found = {_name(p): lines for p in _files(*SOURCES) if "/cli/" not in _name(p) and (lines := _prints(_tree(p)))}
    assert found == {}
    assert _prints(ast.parse("print('x')")) == [1]


def test_every_error_of_the_application_is_in_the_drawn_tree() -> None:
    from rinsewatch import errors

    drawn = errors.__doc__ or ""
    kinds = [k for k in vars(errors).values() if isinstance(k, type) and issubclass(k, Exception)]
    assert len(kinds) >= 6
    for kind in kinds:
        assert issubclass(kind, errors.RinsewatchError)
        assert re.search(rf"^[│├└─ ]*{kind.__name__}\b", drawn, re.MULTILINE), kind
        assert kind.exit_code in (1, 2, 3, 4)


# ---- the tree as a whole ----------------------------------------------------------------------------


def _tracked() -> list[str]:
    """Files of the project; without git (a source archive) the sources and tests."""
    if shutil.which("git") and (ROOT / ".git").exists():
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True)
        return [name for name in listed.stdout.split("\0") if name and (ROOT / name).is_file()]
    return [_name(path) for path in _files(*SOURCES, "tests")]


def test_the_top_level_is_as_drawn() -> None:
    top = {name.partition("/")[0] for name in _tracked()}
    assert {name for name in top if not name.startswith(".")} <= TOP_LEVEL


def _machine_marks() -> re.Pattern[str]:
    """Paths of one machine, spelled so that this file does not hold them itself."""
    folders = "|".join(("work", "root", "Users", "home"))
    return re.compile(rf"(?<![\w.<$~}}/])/(?:{folders})/\w+")


def test_nothing_names_a_path_of_one_machine() -> None:
    marks, found = _machine_marks(), {}
    for name in _tracked():
        text = (ROOT / name).read_bytes().decode("utf-8", "replace")
        if hits := marks.findall(text):
            found[name] = hits[:3]
    assert found == {}
    assert marks.search("see /" + "root/x") and not marks.search("https://example.org/" + "work/x")


def test_nothing_is_left_undone() -> None:
    here = Path(__file__).name
    found = {}
    for path in _files(*SOURCES, "tests"):
        text = path.read_text("utf-8")
        if path.name != here and (hits := [w for w in _BANNED_WORDS if re.search(rf"\b{w}\b", text)]):
            found[_name(path)] = hits
    assert found == {}


def test_no_test_is_waved_through_and_serial_is_never_mocked() -> None:
    here = Path(__file__).name
    for path in _files("tests"):
        if path.name == here:
            continue
        text = path.read_text("utf-8")
        assert not re.search(r"\bxfail\b|unittest\.mock|pytest_mock", text), path.name
        assert not re.search(r"setattr\(\s*[\"']?serial\b", text), path.name
        assert not re.search(r"pytest\.skip\(\s*\)|mark\.skip\s*$|mark\.skip\(\s*\)", text, re.MULTILINE), path.name


def test_test_files_have_names_of_their_own() -> None:
    names = Counter(path.name for path in _files("tests") if path.name.startswith("test_"))
    assert [name for name, count in names.items() if count > 1] == []
