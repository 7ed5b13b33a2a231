"""The mutation bench itself: which faults it plants, what it leaves alone, and that it tells noticed from survived."""

from __future__ import annotations

import ast
import random
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from rinsewatch.cli.bench_mutants import mutants_of
from rinsewatch.cli.bench_mutation import Server, run_room, stale, summary, survivors
from rinsewatch.cli.bench_mutation_rooms import EQUIVALENT, ROOMS

ROOT = Path(__file__).resolve().parents[2]
MODULE = '''"""Doc."""
def clip(x: float, top: float = 9.0) -> float:
    """Words 1 < 2."""
    if x < 0 or x is None:
        raise ValueError("below 0")
    print(f"{x} of 3")
    return min(x, top)
'''


def test_the_faults_planted_in_a_module() -> None:
    found = {mutant.change for mutant in mutants_of(MODULE)}
    assert {
        "18.0, not 9.0", "Lt -> LtE in x < 0", "Lt -> GtE in x < 0", "1, not 0", "Is -> IsNot in x is None",
        "Or -> And in x < 0 or x is None", "without: raise ValueError('below 0')", "return None, not min(x, top)",
        "without: print(f'{x} of 3')",
    } == found  # fmt: skip


def test_each_is_planted_alone_and_gives_a_module_of_its_own() -> None:
    source = (ROOT / "drivers/rinsewatch_drivers/framing.py").read_text("utf-8")
    sound = ast.unparse(ast.parse(source)) + "\n"
    found = [mutant.source for mutant in mutants_of(source)]
    assert len(found) > 50 and len(set(found)) == len(found) and sound not in found
    assert all(len(set(text.splitlines()) - set(sound.splitlines())) <= 1 for text in found)
    assert [mutant.line for mutant in mutants_of(source)] == sorted(mutant.line for mutant in mutants_of(source))


def test_mutants_called_equivalent_say_why_and_a_changed_line_is_named() -> None:
    """A line that was changed since must be judged anew: the bench names it, and it counts."""
    assert all(len(why) > 10 for why in EQUIVALENT.values())
    name, text, change = next(iter(EQUIVALENT))
    sound = (ROOT / name).read_text("utf-8")
    assert (name, text, change) not in stale(name, sound)
    assert (name, text, change) in stale(name, sound.replace(text, text + " and more"))


def test_the_rooms_name_files_that_exist() -> None:
    for files in ROOMS.values():
        for name, tests in files.items():
            assert all((ROOT / path).is_file() for path in (name, *tests)), name


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    """A tree of one module with a good, a poor, a wrong and an endless test."""
    files = {
        "part.py": "def low(n):\n    return n < 10\n",
        "test_good.py": "from part import low\n\ndef test_it():\n    assert low(9) is True and low(10) is False\n",
        "test_poor.py": "from part import low\n\ndef test_it():\n    assert low(3) is True\n",
        "test_wrong.py": "def test_it():\n    assert False\n",
        "test_endless.py": "def test_it():\n    while True:\n        pass\n",
    }
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    server = Server(tmp_path)
    yield server
    server.close()


@pytest.mark.skipif("sys.platform == 'win32'", reason="the bench forks")
def test_noticed_survived_and_hung_are_told_apart(server: Server) -> None:
    good = run_room(server, {"part.py": ("test_good.py",)}, 0, random.Random(1))
    assert (good.killed, good.survivors, good.score) == (4, [], 100.0)
    poor = run_room(server, {"part.py": ("test_poor.py",)}, 0, random.Random(1))
    assert [mutant.change for _, mutant in poor.survivors] == ["11, not 10", "Lt -> LtE in n < 10"]
    assert "part.py:2" in survivors(poor) and "50.0 % of 4 mutants noticed" in summary(poor)
    assert (server.tree / "part.py").read_text() == "def low(n):\n    return n < 10\n"
    assert server.run(("test_endless.py",), 1.5)[0] == -1
    with pytest.raises(click.UsageError, match="fail without any planted fault"):
        run_room(server, {"part.py": ("test_wrong.py",)}, 0, random.Random(1))
