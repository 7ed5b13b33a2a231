"""kill -9 while records are written: every import is there whole or not at all, and nothing acknowledged is lost."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest
from book import records

from rinsewatch.logbook.store import Logbook

posix_only = pytest.mark.skipif(os.name != "posix", reason="kill -9 is POSIX's")

PREAMBLE = """
import sys
sys.path[:0] = sys.argv[2:]
from datetime import date
from rinsewatch.logbook.ledger import ADDED, Draft
from rinsewatch.logbook.records import New, Records
from rinsewatch.logbook.store import Logbook
book = Logbook.open(sys.argv[1])
def notes(round):
    return [New("note", {"text": f"note {round} {n}"}) for n in range(20)]
"""
WHOLE = PREAMBLE + """
for round in range(10_000):
    print(Records(book, date(2026, 6, 1)).add(notes(round), "utc")[0].number, flush=True)
"""  # fmt: skip
# The control: one after the other. It waits in the middle, so the kill always falls there.
PIECEMEAL = PREAMBLE + """
for round in range(10_000):
    for n, note in enumerate(notes(round)):
        print(Records(book, date(2026, 6, 1)).add([note], "utc")[0].number, flush=True)
        if (round, n) == (1, 10):
            sys.stdin.readline()
"""  # fmt: skip


def killed(script: str, path: Path, acks: int, delay_s: float) -> list[int]:
    """Run, read some acknowledgements, kill -9 a moment later; all that were said."""
    command = [sys.executable, "-c", script, str(path), *(place for place in sys.path if place)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        said = [process.stdout.readline() for _ in range(acks)]
        time.sleep(delay_s)  # real: the kill must fall anywhere in a real process's commits
        process.kill()
        said += process.stdout.read().splitlines(keepends=True)
    return [int(line) for line in said if line.endswith("\n")]


def count(path: Path) -> int:
    with Logbook.open(path, create=False) as book:
        assert all(found.ok for found in book.verify_all())
        return len(records(book).items("note"))


@posix_only
def test_an_addition_of_many_is_whole_or_not_there(path: Path) -> None:
    rng = random.Random(4)
    for _ in range(6):
        acked = killed(WHOLE, path, rng.randint(1, 6), rng.uniform(0, 0.01))
        assert count(path) % 20 == 0
        assert count(path) >= acked[-1] + 19
    with Logbook.open(path) as book:
        book.reserve()  # no dead holder left its lock


@posix_only
def test_control_one_by_one_is_found_cut_off(path: Path) -> None:
    killed(PIECEMEAL, path, 31, 0.0)
    assert count(path) % 20 != 0
