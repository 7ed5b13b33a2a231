"""The logbook's promises inside one process: round trip, lists, locks, refusals, retries."""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from rinsewatch.errors import LogbookError
from rinsewatch.logbook.csvfile import read_recording
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.location import logbook_path
from rinsewatch.logbook.schema import APPLICATION_ID, STEPS, connect
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.row import Mark, Row

UTC = "2026-03-01T10:00:00Z"
SETTINGS: dict[str, object] = {"resin_ml": 500, "endpoint": "12 uS/cm", "portion_ml": 250.5}
ROWS = [
    Row(0.0, 250.0, event="portion"),
    Row(1.25, 250.0, Mark.OVER, unit="uS/cm", temperature_c=21.5),
    Row(2.5, None, Mark.VALUE, 1410.0, "uS/cm", -1),
    Row(3.0, 250.0, Mark.VALUE, 0.1 + 0.2, "ppm", None, -0.0),
    Row(3.0, 250.0, event='note: schön, "so"\nund so\udcff'),
]


def entry(row: Row, **more: object) -> Entry:
    return Entry(row=row, utc=UTC, **more)  # type: ignore[arg-type]


def one_line(error: pytest.ExceptionInfo[LogbookError]) -> str:
    assert "\n" not in str(error.value)
    assert error.value.exit_code == 4
    return str(error.value)


@pytest.fixture
def path(folder: Path) -> Path:
    return folder / "a folder ü?#%" / "logbook.sqlite"


def filled(path: Path, count: int = 5) -> None:
    with Logbook.open(path) as book, book.begin_rinse(SETTINGS, "B1", UTC) as writer:
        rows = [Row(float(n), 10.0 * n, Mark.VALUE, 90.0 - n, "ppm", 0) for n in range(count)]
        writer.append_many([entry(row) for row in rows])
        writer.close_rinse("finished", "stop", utc=UTC)


def test_rows_come_back_exactly_as_observed(path: Path) -> None:
    with Logbook.open(path) as book:
        writer = book.begin_rinse(SETTINGS, "B1", UTC)
        assert [writer.append(entry(row)) for row in ROWS] == [1, 2, 3, 4, 5]
        raw = entry(Row(3.5), raw=bytes(range(256)), quality="bad", cause="syntax", observed=False)
        assert writer.append(raw) == 6
        stored = book.rows(writer.rinse_id)
        assert stored[:4] == ROWS[:4]
        assert stored[4].event == 'note: schön, "so"\nund so\\udcff'
        assert len(stored) == 5
        kept = book.entries(writer.rinse_id)[5]
        assert (kept.raw, kept.quality, kept.cause, kept.kind) == (bytes(range(256)), "bad", "syntax", "raw")
        assert [kept.shown for kept in book.entries(1)][:4] == ["", "over", "1.41E+3", repr(0.1 + 0.2)]


def test_not_a_number_is_refused_and_nothing_is_stored(path: Path) -> None:
    with Logbook.open(path) as book, book.begin_rinse(SETTINGS, "", UTC) as writer:
        with pytest.raises(ValueError, match="NaN"):
            writer.append(entry(Row(1.0, 0.0, Mark.VALUE, float("nan"), "ppm")))
        assert writer.append(entry(ROWS[1])) == 1


def test_unfinished_continued_and_closed(path: Path) -> None:
    with Logbook.open(path) as book:
        book.begin_rinse(SETTINGS, "B1", UTC).append(entry(ROWS[0]))
    with Logbook.open(path) as book:
        assert [(info.id, info.batch, info.rows) for info in book.open_rinses()] == [(1, "B1", 1)]
        writer, rows = book.continue_rinse(1)
        assert rows == ROWS[:1]
        assert writer.append(entry(ROWS[1])) == 2
        for _ in range(2):  # a closing given again after a failure must not be doubled
            writer.close_rinse("finished", "stop", utc=UTC)
        assert book.open_rinses() == []
        info = book.rinse(1)
        assert (info.settings, info.end_reason, info.verdict, info.rows) == (SETTINGS, "finished", "stop", 2)
        writer.append(entry(ROWS[2]))
        assert [info.id for info in book.open_rinses()] == [1]
        writer.close_rinse("user", "rinse", utc=UTC)
        assert [info.end_reason for info in book.rinses()] == ["user"]
        assert all(found.ok for found in book.verify_all())


def test_export_reads_back_and_backup_is_a_logbook(path: Path, folder: Path) -> None:
    filled(path)
    with Logbook.open(path) as book:
        assert book.export(1, folder / "out.csv") == 5
        recording = read_recording(folder / "out.csv")
        assert recording.settings == SETTINGS | {"batch": "B1"}
        assert list(recording.rows) == book.rows(1)
        book.backup(folder / "copy.sqlite")
        with pytest.raises(LogbookError, match="exists already"):
            book.backup(folder / "copy.sqlite")
        with pytest.raises(LogbookError, match="no rinse 7"):
            book.export(7, folder / "none.csv")
        with Logbook.open(folder / "copy.sqlite", create=False) as copy:
            assert copy.rinses() == book.rinses()


def test_answers_are_remembered_and_forgotten(path: Path) -> None:
    with Logbook.open(path) as book:
        assert book.last_answers() == {}
        book.save_answers({"feed": "9 ppm", "resin_ml": 500, "batch": None})
        book.save_answers({"feed": None, "residue": "HCl"})
        assert book.last_answers() == {"residue": "HCl", "resin_ml": 500}


def test_the_file_is_durable_private_and_marked(path: Path) -> None:
    filled(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    connection = connect(path, write=True)
    pragmas = {name: connection.execute(f"PRAGMA {name}").fetchone()[0] for name in
               ("journal_mode", "synchronous", "application_id", "user_version", "foreign_keys")}  # fmt: skip
    extra = 3  # sqlite.org/pragma.html#pragma_synchronous
    assert list(pragmas.values()) == ["delete", extra, APPLICATION_ID, len(STEPS), 1]
    attacks = ["UPDATE entry SET reading = 0", "DELETE FROM entry", "DELETE FROM closing"]
    for attack in attacks:
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            connection.execute(attack)
    connection.close()
    assert [name.name for name in path.parent.iterdir() if name.name != path.name] == ["logbook.sqlite.lock"]


def test_a_second_writer_is_refused_by_name_and_viewers_are_not(path: Path) -> None:
    with Logbook.open(path) as first, Logbook.open(path) as second:
        writer = first.begin_rinse(SETTINGS, "B1", UTC)
        attempts = (second.reserve, lambda: second.begin_rinse({}, "", UTC), lambda: second.continue_rinse(1))
        for attempt in attempts:
            with pytest.raises(LogbookError) as caught:
                attempt()
            assert f"is being written by process {os.getpid()} (" in one_line(caught)
        writer.append(entry(ROWS[0]))
        assert second.rows(1) == ROWS[:1]
    with Logbook.open(path) as third:
        third.reserve()


def test_a_file_changed_behind_our_back_is_noticed(path: Path) -> None:
    with Logbook.open(path) as book:
        writer = book.begin_rinse(SETTINGS, "B1", UTC)
        writer.append(entry(ROWS[0]))
        intruder = connect(path, write=True)
        intruder.execute("UPDATE head SET seq = 9 WHERE rinse_id = 1")
        intruder.close()
        with pytest.raises(LogbookError, match="changed by another program"):
            writer.append(entry(ROWS[1]))


@pytest.mark.parametrize("trick", ["removed", "moved", "replaced"])
def test_a_vanished_file_stops_the_acknowledging(path: Path, folder: Path, trick: str) -> None:
    with Logbook.open(path) as book:
        writer = book.begin_rinse(SETTINGS, "B1", UTC)
        writer.append(entry(ROWS[0]))
        if trick == "removed":
            path.unlink()
        else:
            path.rename(folder / "elsewhere.sqlite")
        if trick == "replaced":
            path.write_bytes((folder / "elsewhere.sqlite").read_bytes())
        for _ in range(3):
            with pytest.raises(LogbookError) as caught:
                writer.append(entry(ROWS[1]))
            assert "moved, removed or replaced" in one_line(caught)
        if trick == "moved":
            (folder / "elsewhere.sqlite").rename(path)
            assert writer.append(entry(ROWS[1])) == 2
            assert book.rows(1) == ROWS[:2]


def test_a_busy_file_is_loud_and_the_retry_is_not_doubled(path: Path) -> None:
    with Logbook.open(path) as book:
        writer = book.begin_rinse(SETTINGS, "B1", UTC)
        reader = sqlite3.connect(path, isolation_level=None)
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM rinse").fetchall()
        with pytest.raises(LogbookError, match="held by another program"):
            writer.append(entry(ROWS[0]))
        reader.close()
        assert [writer.append(entry(row)) for row in ROWS[:2]] == [1, 2]
        assert book.rows(1) == ROWS[:2]


class Uncertain(sqlite3.Connection):
    """A connection whose next COMMIT is carried out but reported as failed: the unknown outcome."""

    armed = False

    def execute(self, sql: str, *values: object) -> sqlite3.Cursor:
        cursor = super().execute(sql, *values)  # type: ignore[arg-type]
        if sql == "COMMIT" and Uncertain.armed:
            Uncertain.armed = False
            raise sqlite3.OperationalError("disk I/O error")
        return cursor


@pytest.mark.parametrize("retry", ["same", "more", "one by one", "other"])
def test_an_unknown_commit_is_settled_by_its_own_numbers(
    path: Path, monkeypatch: pytest.MonkeyPatch, retry: str
) -> None:
    real = sqlite3.connect
    with Logbook.open(path) as book:
        writer = book.begin_rinse(SETTINGS, "B1", UTC)
        monkeypatch.setattr(sqlite3, "connect", lambda *args, **kw: real(*args, **kw, factory=Uncertain))
        monkeypatch.setattr(Uncertain, "armed", True)
        first, rest = [entry(row) for row in ROWS[:3]], [entry(ROWS[3])]
        with pytest.raises(LogbookError):
            writer.append_many(first)
        assert writer.last_seq == 0
        if retry == "same":
            assert writer.append_many(first) == [1, 2, 3]
            assert writer.append_many(rest) == [4]
        elif retry == "more":
            assert writer.append_many(first + rest) == [1, 2, 3, 4]
        elif retry == "one by one":
            assert [writer.append(one) for one in first + rest] == [1, 2, 3, 4]
        else:
            assert writer.append_many(rest) == [4]
        assert book.rows(1) == ROWS[:4]
        assert book.verify(1).ok


def refused(path: Path, words: str) -> None:
    """Opening is refused in one line, and the file, if it has bytes, keeps every one of them."""
    before = path.read_bytes() if path.is_file() else None
    for create in (True, False):
        with pytest.raises(LogbookError) as caught:
            Logbook.open(path, create=create)
        assert words in one_line(caught)
    assert before is None or path.read_bytes() == before
    assert not path.with_name(path.name + "-journal").exists()


def with_header(path: Path, *, application_id: int, user_version: int) -> None:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE theirs (a)")
    connection.execute(f"PRAGMA application_id = {application_id}")
    connection.execute(f"PRAGMA user_version = {user_version}")
    connection.commit()
    connection.close()


def test_foreign_files_are_refused_unchanged(folder: Path) -> None:
    refused(folder, "no regular file")
    os.mkfifo(folder / "pipe")
    refused(folder / "pipe", "no regular file")
    for name, raw, words in (
        ("empty", b"", "is empty"),
        ("text", b"time_s,reading\n" * 20, "no logbook"),
        ("short", b"SQLite format 3\0", "no logbook"),
    ):
        (folder / name).write_bytes(raw)
        refused(folder / name, words)
    with_header(folder / "theirs", application_id=7, user_version=1)
    refused(folder / "theirs", "another program's database")
    with_header(folder / "newer", application_id=APPLICATION_ID, user_version=99)
    refused(folder / "newer", "newer rinsewatch (schema 99")
    (folder / "cut").write_bytes((folder / "newer").read_bytes()[:100])
    refused(folder / "cut", "newer")
    with Logbook.open(folder / "ours"):
        pass
    (folder / "torn").write_bytes((folder / "ours").read_bytes()[:5000])
    refused(folder / "torn", "is damaged")


def test_paths_that_cannot_be(folder: Path) -> None:
    with pytest.raises(LogbookError, match="no logbook yet"):
        Logbook.open(folder / "none.sqlite", create=False)
    for impossible in (folder / ("x" * 300), Path("/" + "d/" * 3000 + "a"), Path("/proc/none/a.sqlite")):
        with pytest.raises(LogbookError) as caught:
            Logbook.open(impossible)
        one_line(caught)
    (folder / "file").write_text("")
    with pytest.raises(LogbookError):
        Logbook.open(folder / "file" / "inside.sqlite")


def test_where_the_logbook_lives(folder: Path) -> None:
    assert logbook_path("x.db", {"RINSEWATCH_DATA": "/d"}) == Path("x.db")
    assert logbook_path(None, {"RINSEWATCH_DATA": "/d"}) == Path("/d/logbook.sqlite")
    assert logbook_path(None, {"RINSEWATCH_DATA": "/d/my.sqlite"}) == Path("/d/my.sqlite")
    default = logbook_path(None, {"RINSEWATCH_DATA": ""}, "demo.sqlite")
    assert default.name == "demo.sqlite" and default.parent.name == "rinsewatch"


AS_NOBODY = """
import os, sys
sys.path[:0] = sys.argv[2:]
from rinsewatch.errors import LogbookError
from rinsewatch.logbook.store import Logbook
if os.getuid() == 0:
    os.setgid(65534); os.setuid(65534)
with Logbook.open(sys.argv[1]) as book:
    print(len(book.rows(1)), book.verify(1).ok)
    try:
        book.begin_rinse({}, "", "2026-03-01T10:00:00Z")
    except LogbookError as error:
        print(error)
"""


def test_a_read_only_logbook_can_be_viewed_but_not_written(folder: Path) -> None:
    if os.name != "posix":
        pytest.skip("file modes as tested here are POSIX's")
    path = folder / "logbook.sqlite"
    filled(path)
    path.with_name(path.name + ".lock").unlink()
    path.chmod(0o444)
    folder.chmod(0o555)
    command = [sys.executable, "-c", AS_NOBODY, str(path), *(place for place in sys.path if place)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    folder.chmod(0o700)
    viewed, refusal = done.stdout.splitlines()
    assert viewed == "5 True", done.stderr
    assert refusal.startswith(str(path)) and "--logbook FILE" in refusal
