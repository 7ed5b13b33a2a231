"""A large logbook stays quick: no list reads the readings, and the work grows no faster than the logbook.

The full size of the requirement (10,000 rinses, a million readings) was measured by hand on a generated file.
"""

from __future__ import annotations

import json
import re
import sqlite3
import time
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from book import records

from rinsewatch.cli.main import run
from rinsewatch.logbook import store
from rinsewatch.logbook.dump import RinseDump, Whole, restore
from rinsewatch.logbook.entry import Entry, values_of
from rinsewatch.logbook.ledger import ADDED, RECORDED, Change
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.row import Mark, Row

SETTINGS = '{"resin_ml": 500, "portion_ml": 250, "residue": "NaOH", "endpoint": "12 uS/cm", "rinse_water": "1 uS/cm"}'
BEGIN = date(2015, 1, 1)
# The bounds of the requirement, 1 s for ten times as much, with room for a busy machine.
RINSES, ROWS, BOUND_S = 1_000, 50, 1.0


def rinses(count: int) -> Iterator[RinseDump]:
    """Invented: each falls by 5 % a row."""
    readings = [Row(30.0 * n, 25.0 * n, Mark.VALUE, round(9000 * 0.95**n, 1), "uS/cm", 1) for n in range(ROWS - 1)]
    rows = [*readings, Row(30.0 * ROWS, 25.0 * ROWS, event="note: a note")]
    entries = [values_of(Entry(row=row, utc="2015-01-01T00:00:00.000Z", raw=b"x"), 0, 0)[2:] for row in rows]
    for n in range(count):
        utc = f"{BEGIN + timedelta(days=n)}T10:00:00.000Z"
        yield RinseDump((f"u{n}", f"bed{n % 4}", utc, SETTINGS, "0"), entries, [(ROWS, utc, "finished", "stop")])


def changes(count: int) -> list[Change]:
    """Four resins, a summary for each rinse, half as many service runs."""
    found: list[Change] = []

    def add(what: str, number: int, act: str, /, **fields: str | float) -> None:
        place = len(found) + 1
        utc = "2015-01-01T00:00:00.000Z"
        found.append(Change(place, place, what, number, act, utc, False, json.dumps(fields), None, "", "0"))

    for n in range(4):
        add("resin", n + 1, ADDED, name=f"bed{n}", volume_ml=1000, kind="mixed bed", new=str(BEGIN))
    for n in range(count):
        day = str(BEGIN + timedelta(days=n))
        add("summary", n + 1, RECORDED, rinse=n + 1, date=day, residue="NaOH", resin_ml=500.0, endpoint="12 uS/cm",
            endpoint_ml=2500 + n % 7 * 100, used_ml=3000.0, slow_share=0.08, floor="1.2 uS/cm")  # fmt: skip
    for n in range(count // 2):
        begun, ended = (str(BEGIN + timedelta(days=2 * n + d)) for d in (0, 1))
        add(
            "run",
            n + 1,
            ADDED,
            resin=n % 4 + 1,
            installed=begun,
            removed=ended,
            litres=1000 + n % 13 * 10,
            feed="9 ppm",
        )
    return found


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Made once: no test writes to it."""
    path = tmp_path_factory.mktemp("large") / "logbook.sqlite"
    restore(path, Whole(rinses(RINSES), changes(RINSES), {}))
    return path


COMMANDS = (
    ("list",), ("list", "--json"), ("list", "runs"), ("list", "summaries"), ("list", "--resin", "bed1"),
    ("show", "500"), ("show", "run", "50", "--history"), ("search", "bed2", "note"), ("life", "bed1"),
    ("life", "bed1", "--json"),
)  # fmt: skip


def test_list_show_search_and_life_are_quick(large: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in COMMANDS:
        taken = []
        for _ in range(2):  # the better of two: other programs run on this machine too
            begun_s = time.process_time()
            assert run(["logbook", *words, "--logbook", str(large)]) == 0
            taken.append(time.process_time() - begun_s)
        assert capsys.readouterr().out
        assert min(taken) < BOUND_S, words


def plans(path: Path, query: str, *values: object) -> list[str]:
    connection = sqlite3.connect(path)
    try:
        return [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {query}", values)]
    finally:
        connection.close()


def test_no_list_reads_the_readings(large: Path) -> None:
    """Every query of the lists, as SQLite would carry it out: entries are only found by their key or by a note."""
    seen: list[str] = []
    with Logbook.open(large) as book:
        book._connection.set_trace_callback(seen.append)
        book.rinses()
        book.rinse(5)
        book.rinses_holding(["note"])
        book.rinses_of({"bed1"}, (3, 4))
        book.count()
        assert records(book).items("run") and book.rows(7)
    assert len(seen) >= 7
    steps = [step for query in seen for step in plans(large, query)]
    assert not [step for step in steps if re.search(r"SCAN (entry|closing)\b(?! USING .*entry_note)", step)], steps
    assert any("entry_note" in step for step in steps)
    control = plans(large, "SELECT rinse_id FROM entry WHERE event LIKE '%note%'")
    assert re.search(r"SCAN entry\b(?! USING .*entry_note)", control[0]), "the control must be seen"


def test_the_list_of_one_batch_uses_its_index(large: Path) -> None:
    steps = plans(large, store._LISTING + "WHERE rinse.batch = ?", "bed1")
    assert any("rinse_batch" in step for step in steps), steps
