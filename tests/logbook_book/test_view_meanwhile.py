"""A rinse looked at while it is being recorded: what comes in between two reads is no damage."""

from __future__ import annotations

import contextlib
from pathlib import Path

from rinsewatch.errors import LogbookError
from rinsewatch.logbook import schema, verify
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.store import Logbook
from rinsewatch.logbook.writer import RinseWriter
from rinsewatch.rinse.row import Mark, Row

UTC = "2026-03-01T10:00:00Z"


def entry(number: int) -> Entry:
    return Entry(row=Row(float(number), 0.0, Mark.VALUE, float(number), "ppm", 0), utc=UTC)


def test_a_row_stored_between_two_reads_is_not_taken_for_damage(tmp_path: Path) -> None:
    path = tmp_path / "logbook.sqlite"
    with Logbook.open(path) as book, book.begin_rinse({"resin_ml": 500}, "", UTC) as writer:
        writer.append_many([entry(1), entry(2)])
        with contextlib.closing(schema.viewing(path)) as viewer:
            viewer.text_factory = verify.read_text
            tried = list[str]()

            def meanwhile(statement: str) -> None:
                if statement.startswith("SELECT seq, hash FROM head") and not tried:
                    tried.append(statement)
                    _append(writer, entry(3))

            viewer.set_trace_callback(meanwhile)
            found = verify.verify_rinse(viewer, 1)
        writer.append(entry(4))
        assert book.verify(1).ok
    assert tried and found.ok, found.reason


def _append(writer: RinseWriter, one: Entry) -> None:
    """It may be stored now, or have to wait for the reader."""
    with contextlib.suppress(LogbookError):
        writer.append(one)
