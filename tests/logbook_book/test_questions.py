"""What a person is asked on a real terminal: adding a run, mapping the columns of an own table."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from book import RUN, add, records, with_resin

import rinsewatch
from rinsewatch.logbook.store import Logbook

if sys.platform == "win32":
    pytest.skip("pexpect needs a POSIX terminal", allow_module_level=True)

import pexpect

ROOT = Path(rinsewatch.__file__).parents[1]


@contextmanager
def asked(path: Path, *words: str) -> Iterator[pexpect.spawn[str]]:
    """A subcommand on a terminal of 200 columns; it must end by itself with exit code 0."""
    places = os.pathsep.join(str(ROOT / part) for part in ("", "drivers", "sim"))
    arguments = ["-m", "rinsewatch", "logbook", *words, "--logbook", str(path)]
    environment = {**os.environ, "PYTHONPATH": places, "TERM": "dumb"}
    child = pexpect.spawn(
        sys.executable, arguments, env=environment, encoding="utf-8", dimensions=(24, 200), timeout=20, echo=False
    )
    try:
        yield child
        child.expect(pexpect.EOF)
    finally:
        child.close(force=True)
    assert child.exitstatus == 0


def answer(child: pexpect.spawn[str], question: str, words: str) -> None:
    child.expect_exact(question)
    child.expect_exact(": ")
    child.sendline(words)


def test_adding_a_run_asks_and_asks_again_with_the_answers_kept(path: Path) -> None:
    with with_resin(path) as book:
        add(book, "run", **RUN)
    with asked(path, "add", "run") as child:
        child.expect_exact("the resin's name [blue]: ")
        child.sendline("")
        answer(child, "the day it was put in", "2026-02-20")
        answer(child, "the day it was taken out (Enter: leave out)", "2026-04-01")
        answer(child, "litres treated", "much")
        child.expect_exact("cannot read 'much'")
        answer(child, "litres treated", "2300")
        answer(child, "the feed water's reading", "9 ppm")
        answer(child, "the treated water's reading", "")
        answer(child, "the indicator's colour", "turned")
        child.expect_exact("overlaps with service run 1")
        for question, words in (
            ("the resin's name [blue]", ""), ("[2026-02-20]", "2026-03-01"), ("[2026-04-01]", ""), ("[2300]", ""),
            ("[9 ppm]", ""), ("treated water's reading", ""), ("[turned]", "-"),
        ):  # fmt: skip
            answer(child, question, words)
        child.expect_exact("added: service run 2 (blue, 2026-03-01)")
    with Logbook.open(path) as book:
        fields = records(book).find("run", "2").fields
        assert dict(fields) == {
            "resin": 1, "installed": "2026-03-01", "removed": "2026-04-01", "litres": 2300, "feed": "9 ppm",
        }  # fmt: skip


@pytest.mark.parametrize("agrees", ["y", "n"])
def test_an_own_table_is_asked_for_shown_and_only_then_added(path: Path, folder: Path, agrees: str) -> None:
    with_resin(path).close()
    (folder / "old.csv").write_text("Start,End,Liters made,Notes\n2026-02-01,2026-03-01,2400,first\n")
    with asked(path, "import", str(folder / "old.csv")) as child:
        child.expect_exact("3  Liters made")
        answer(child, "Which column is the resin's name?", "-")
        answer(child, "then for all rows: the resin's name", "blue")
        answer(child, "the day it was put in? (number, or - for none) [1]", "")
        answer(child, "the day it was taken out? (number, or - for none) [2]", "9")
        child.expect_exact("there is no column '9'")
        answer(child, "the day it was taken out", "End")
        answer(child, "litres treated? (number, or - for none) [3]", "")
        answer(child, "the feed water's reading", "-")
        answer(child, "then for all rows: the feed water's reading", "9 ppm")
        answer(child, "the treated water's reading", "")
        answer(child, "the indicator's colour", "")
        answer(child, "anything else? (number, or - for none) [4]", "")
        child.expect_exact("Nothing is written yet")
        child.expect_exact("Add 1 service run? [y/N]: ")
        with Logbook.open(path) as book:
            assert records(book).items("run") == []
        child.sendline(agrees)
        child.expect_exact("1 service run added" if agrees == "y" else "nothing was added")
    with Logbook.open(path) as book:
        assert [run.fields["remark"] for run in records(book).items("run")] == (["first"] if agrees == "y" else [])


def test_deleting_asks_first(path: Path) -> None:
    with with_resin(path) as book:
        add(book, "run", **RUN)
    for words, left in (("n", 1), ("y", 0)):
        with asked(path, "delete", "run", "1") as child:
            child.expect_exact("litres     2400")
            answer(child, "Delete service run 1 (blue, 2026-02-01)? [y/N]", words)
        with Logbook.open(path) as book:
            assert len(records(book).items("run")) == left
