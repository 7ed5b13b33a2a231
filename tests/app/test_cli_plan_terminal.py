"""``plan`` on a real terminal: questions, last answers, a busy logbook, and the plan handed to ``watch``."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from rinsewatch.logbook.store import Logbook

if sys.platform == "win32":
    pytest.skip("pexpect needs a POSIX terminal", allow_module_level=True)

import pexpect
from onterminal import terminal

QUESTIONS = (
    ("Mixed resin", "500"), ("Feed water", "8 ppm"), ("Rinse water", "0 ppm"), ("TDS factor", ""),
    ("One portion", "250"), ("Caustic at hand", ""), ("Acid at hand", "HCl 30 %"),
)  # fmt: skip


@contextmanager
def typed(folder: Path, *arguments: str) -> Iterator[pexpect.spawn[str]]:
    with terminal(folder / "data", *arguments, cwd=folder) as screen:
        yield screen.child


def answer_all(child: pexpect.spawn[str], answers: tuple[tuple[str, str], ...] = QUESTIONS) -> None:
    for words, answer in answers:
        child.expect_exact(words)
        child.sendline(answer)


def ended(child: pexpect.spawn[str]) -> int:
    child.expect(pexpect.EOF)
    child.close()
    assert isinstance(child.exitstatus, int)
    return child.exitstatus


def test_it_asks_and_next_time_the_answers_are_the_defaults(tmp_path: Path) -> None:
    with typed(tmp_path, "plan") as child:
        answer_all(child)
        child.expect_exact("175 g of solid NaOH")
        child.expect_exact("--save plan.toml")
        assert ended(child) == 0
    with typed(tmp_path, "plan") as child:
        child.expect_exact("[500]")
        child.sendline("")
        answer_all(child, tuple((words, "") for words, _ in QUESTIONS[1:]))
        child.expect_exact("121 mL (139 g) of 30 % HCl")
        assert ended(child) == 0
    with Logbook.open(tmp_path / "data" / "logbook.sqlite") as logbook:
        answers = logbook.last_answers()
    assert answers["plan_resin_ml"] == "500" and answers["feed"] == "8 ppm"
    assert "resin_ml" not in answers, "a rinse is of one resin, not of the mixed bed"


def test_a_wrong_answer_is_asked_again(tmp_path: Path) -> None:
    with typed(tmp_path, "plan", "--portion-ml", "250", "--feed", "8 ppm", "--rinse-water", "0 ppm") as child:
        child.expect_exact("Mixed resin")
        child.sendline("-5")
        child.expect_exact("must be more than 0")
        child.expect_exact("Mixed resin")
        child.sendline("500")
        child.expect_exact("Caustic at hand")
        child.sendline("lime")
        child.expect_exact("cannot regenerate")
        child.sendline("")
        child.expect_exact("Acid at hand")
        child.sendline("battery acid")
        child.expect_exact("give its strength")
        child.expect_exact(": ")
        child.sendintr()
        assert ended(child) == 130


def test_a_logbook_in_use_costs_only_the_memory_of_the_answers(tmp_path: Path) -> None:
    with Logbook.open(tmp_path / "data" / "logbook.sqlite") as busy:
        busy.reserve()
        with typed(tmp_path, "plan") as child:
            answer_all(child)
            child.expect_exact("your answers are not remembered")
            child.expect_exact("175 g of solid NaOH")
            assert ended(child) == 0


def test_watch_asks_which_rinse_of_the_plan(tmp_path: Path) -> None:
    with typed(tmp_path, "plan", "--save", "plan.toml") as child:
        answer_all(child)
        child.expect_exact("At the rinse: rinsewatch watch --plan plan.toml")
        assert ended(child) == 0
    with typed(tmp_path, "watch", "--port", "hand", "--plan", "plan.toml") as child:
        child.expect_exact("Which rinse: NaOH (300 mL) or HCl (200 mL)")
        child.sendline("salt")
        child.expect_exact("none of NaOH, HCl")
        child.sendline("HCl")
        child.expect_exact("acid, 200 mL resin")
        child.send("q")
        child.expect_exact("y/n")
        child.send("y")
        assert ended(child) == 0
