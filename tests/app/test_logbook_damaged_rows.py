"""Rows changed by another program: each is noticed, nothing but LogbookError gets out, good rows can be saved."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from pathlib import Path

import pytest

from rinsewatch.errors import LogbookError, RecordingError
from rinsewatch.logbook import schema
from rinsewatch.logbook.csvfile import read_recording
from rinsewatch.logbook.dump import json_lines, read_json, restore
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.row import Mark, Row

UTC = "2026-03-01T10:00:00Z"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Two closed rinses of five rows each, and answers."""
    path = tmp_path / "logbook.sqlite"
    with Logbook.open(path) as book:
        book.save_answers({"feed": "9 ppm", "residue": "NaOH"})
        for batch in ("B1", "B2"):
            with book.begin_rinse({"resin_ml": 500}, batch, UTC) as writer:
                rows = [Row(float(n), 0.0, Mark.VALUE, 90.0 - n, "ppm", 0) for n in range(5)]
                writer.append_many([Entry(row=row, utc=UTC, raw=b"x") for row in rows])
                writer.close_rinse("finished", "stop", utc=UTC)
    return path


def hurt(path: Path, *statements: str) -> None:
    """Run statements past the triggers, which are put back as they were."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in (*statements, *(sql for _, sql in triggers)):
            connection.execute(statement)


def complaints(path: Path) -> list[str]:
    with Logbook.open(path, create=False) as book:
        return [found.reason for found in book.verify_all() if not found.ok]


def test_a_sound_logbook_has_none(path: Path) -> None:
    hurt(path)
    assert complaints(path) == []


@pytest.mark.parametrize(
    "statement",
    [
        "INSERT INTO entry SELECT 3, seq, kind, time_s, utc, monotonic_s, boottime_s, raw, mark, reading, shown, unit, "
        "decimals, temperature_c, rinse_ml, event, quality, cause, hash FROM entry WHERE rinse_id = 1 AND seq = 2",
        "UPDATE entry SET rinse_id = 'x' WHERE rinse_id = 2 AND seq = 5",
        "UPDATE closing SET id = id + 100 WHERE id = 2",
        "INSERT INTO closing SELECT 3, 9, after_seq, ended_utc, reason, verdict, hash FROM closing WHERE id = 1",
        "DELETE FROM answer WHERE question = 'feed'",
        "DELETE FROM answer",
        "DELETE FROM answer_head",
        "UPDATE answer SET value = '\"7 ppm\"' WHERE question = 'feed'",
        "UPDATE answer SET question = x'66656564' WHERE question = 'feed'",
        "UPDATE answer SET value = x'2237207070' WHERE question = 'feed'",
        "UPDATE head SET seq = 'x' WHERE rinse_id = 0",
        "UPDATE rinse SET hash = 'ppm' WHERE id = 1",
        "UPDATE rinse SET settings = 7 WHERE id = 1",
    ],
)
def test_every_change_of_a_row_is_noticed_and_looking_fails_in_one_line(path: Path, statement: str) -> None:
    hurt(path, statement)
    assert complaints(path) != []
    with Logbook.open(path, create=False) as book:
        for look in (
            book.rinses,
            book.last_answers,
            book.count,
            lambda: book.entries(1),
            lambda: list(json_lines(book)),
        ):
            with contextlib.suppress(LogbookError):  # and nothing else
                look()


def test_changed_settings_are_refused_and_good_rows_saved_without_them(path: Path, tmp_path: Path) -> None:
    hurt(path, "UPDATE rinse SET settings = '{\"resin_ml\": 5000}' WHERE id = 1")
    out = tmp_path / "out.csv"
    with Logbook.open(path) as book:
        with pytest.raises(LogbookError, match="own record is not as it was stored; 'export --good-only' saves"):
            book.export(1, out)
        with pytest.raises(LogbookError, match="own record"):
            book.continue_rinse(1)
        assert book.export(1, out, good_only=True) == 5
        assert book.recorded_settings(2, good_only=True) == {"resin_ml": 500, "batch": "B2"}
    recording = read_recording(out)
    assert recording.settings == {}  # a wrong volume of resin would be worse than none
    assert [row.reading for row in recording.rows] == [90.0, 89.0, 88.0, 87.0, 86.0]


def test_settings_that_are_no_json_keep_no_good_row_back(path: Path, tmp_path: Path) -> None:
    hurt(path, "UPDATE rinse SET settings = 'x' WHERE id = 1")
    with Logbook.open(path) as book:
        assert book.export(1, tmp_path / "out.csv", good_only=True) == 5


def test_looking_leaves_even_a_header_marked_for_another_journal_alone(path: Path) -> None:
    raw = bytearray(path.read_bytes())
    raw[18] = raw[19] = 2  # write-ahead log, sqlite.org/fileformat2.html, section 1.3.3
    path.write_bytes(raw)
    with Logbook.open(path, create=False) as book:
        assert len(book.rows(1)) == 5
        book.verify_all()
    assert path.read_bytes() == raw


def test_a_logbook_of_the_second_schema_keeps_its_answers(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    with Logbook.open(path, steps=schema.STEPS[:2]) as book:
        assert book.count() == 0
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        from rinsewatch.logbook.chain import START, link

        pair = ("feed", '"9 ppm"')
        connection.execute("INSERT INTO answer VALUES (?, ?, ?)", (*pair, link(START, pair)))
    with Logbook.open(path) as book:
        assert book.last_answers() == {"feed": "9 ppm"}
        assert all(found.ok for found in book.verify_all())


@pytest.mark.parametrize("name", ["entries", "changes"])
def test_an_export_with_a_number_too_large_is_refused(path: Path, tmp_path: Path, name: str) -> None:
    with Logbook.open(path) as book:
        book.ledger.write([], "added", UTC)
        whole = json.loads("".join(json_lines(book)))
    if name == "entries":
        whole["rinses"][0]["entries"][0][-6] = 2**70
    else:
        whole["changes"] = [[1, 2**70, "note", 1, "added", UTC, 0, "{}", None, "", "0"]]
    (tmp_path / "whole.json").write_text(json.dumps(whole))
    with pytest.raises(RecordingError, match="export it again"):
        restore(tmp_path / "new.sqlite", read_json(tmp_path / "whole.json"))
    assert not (tmp_path / "new.sqlite").exists()


def test_a_name_from_another_encoding_does_not_spoil_the_export(tmp_path: Path) -> None:
    from rinsewatch.logbook.csvwrite import write_recording

    write_recording(tmp_path / "out.csv", {"batch": "M\udcfcller"}, [])
    assert read_recording(tmp_path / "out.csv", {"flow_ml_min": 1}).settings == {"batch": "M\\udcfcller"}
