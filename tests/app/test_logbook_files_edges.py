"""What the logbook does with files: modes, copies, leftovers, descriptors, locks; and the recorder in front of it."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import stat
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from threading import Thread

import pytest

from rinsewatch.errors import LogbookError
from rinsewatch.logbook import schema
from rinsewatch.logbook.chain import START, link
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.ledger import ADDED, Draft
from rinsewatch.logbook.lock import WriterLock
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.session.recorder import Recorder

UTC = "2026-03-01T10:00:00Z"
ENTRY = Entry(row=Row(1.0, 0.0, Mark.VALUE, 99.0, "ppm", 0), utc=UTC)
LINUX = pytest.mark.skipif("sys.platform != 'linux'", reason="descriptors are counted in /proc")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "logbook.sqlite"
    with Logbook.open(path) as book:
        book.save_answers({"feed": "9 ppm"})
        book.ledger.write([Draft("note", {"text": "x"})], ADDED, UTC)
        with book.begin_rinse({"resin_ml": 500}, "B1", UTC) as writer:
            writer.append(ENTRY)
            writer.close_rinse("finished", "stop", utc=UTC)
    return path


def _open_files(folder: Path) -> list[str]:
    """What of a folder this process holds open."""
    links = []
    for number in os.listdir("/proc/self/fd"):
        with contextlib.suppress(OSError):
            links.append(os.readlink(f"/proc/self/fd/{number}"))
    return [name for name in links if name.startswith(str(folder))]


def _broken(connection: sqlite3.Connection) -> None:
    connection.execute("CREATE TABLE half (x)")
    connection.execute("no SQL")


# ---- the file ---------------------------------------------------------------------------------------


def test_the_file_says_whose_it_is(path: Path) -> None:
    """Offset 68: application id (sqlite.org/fileformat2.html, section 1.3)."""
    assert path.read_bytes()[68:72] == b"RNSW"


def test_one_that_says_so_but_has_no_schema_is_refused(path: Path) -> None:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 0")
    with pytest.raises(LogbookError, match="another program's"):
        Logbook.open(path)


@pytest.mark.parametrize("table", ["rinse", "entry", "closing", "change"])
def test_what_is_stored_cannot_be_changed_by_a_slip(path: Path, table: str) -> None:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        for statement in (f"UPDATE {table} SET hash = x'00'", f"DELETE FROM {table}"):  # noqa: S608
            with pytest.raises(sqlite3.IntegrityError, match=f"{table} is append-only"):
                connection.execute(statement)


def test_looking_cannot_write(path: Path) -> None:
    with contextlib.closing(schema.viewing(path)) as connection, pytest.raises(sqlite3.OperationalError):
        connection.execute("DELETE FROM answer")


def test_writing_goes_back_to_a_journal_that_loses_nothing(path: Path) -> None:
    """A write-ahead log acknowledges rows into a file that was removed; another program may have set it."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA user_version = 3")
    assert path.read_bytes()[18:20] == b"\2\2"
    with Logbook.open(path) as book:
        book.save_answers({"feed": "7 ppm"})
    assert path.read_bytes()[18:20] == b"\1\1"


def test_a_writer_may_be_used_by_another_thread_than_the_one_that_began(path: Path) -> None:
    with Logbook.open(path) as book, book.begin_rinse({}, "", UTC) as writer:
        writer.append(ENTRY)
        found: list[int] = []
        thread = Thread(target=lambda: found.append(writer.append(ENTRY)))
        thread.start()
        thread.join()
        assert found == [2]


def test_copies_and_upgrades_are_private_named_and_leave_nothing_behind(tmp_path: Path) -> None:
    old = tmp_path / "logbook.sqlite"
    for name in ("logbook.schema1.sqlite", "logbook.schema1-2.sqlite"):
        old.unlink(missing_ok=True)
        Logbook.open(old, steps=schema.STEPS[:1]).close()
        before = old.read_bytes()
        kept = schema.upgrade(old, 1)
        assert (kept.name, schema.file_version(kept), schema.file_version(old)) == (name, 1, len(schema.STEPS))
        assert stat.S_IMODE(kept.stat().st_mode) == 0o600
        assert len(kept.read_bytes()) == len(before)
    with Logbook.open(old) as book:
        book.backup(tmp_path / "copy.sqlite")
    assert stat.S_IMODE((tmp_path / "copy.sqlite").stat().st_mode) == 0o600
    assert not [name for name in os.listdir(tmp_path) if name.startswith(".")]


def test_what_fails_half_way_is_told_and_leaves_nothing_behind(tmp_path: Path) -> None:
    with pytest.raises(LogbookError):
        schema.create(tmp_path / "new.sqlite", (*schema.STEPS, _broken))
    assert os.listdir(tmp_path) == []
    path = tmp_path / "logbook.sqlite"
    Logbook.open(path, steps=schema.STEPS[:1]).close()
    with pytest.raises(LogbookError):
        schema.upgrade(path, 1, (*schema.STEPS, _broken))
    assert schema.file_version(path) == 1
    path.write_bytes(b"x" * 5000)
    with pytest.raises(sqlite3.DatabaseError):
        schema.copy_whole(path, tmp_path / "copy.sqlite")
    assert not [name for name in os.listdir(tmp_path) if "copy" in name]


def test_a_path_the_system_cannot_follow_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with pytest.raises(LogbookError, match="loop"):
        schema.file_version(tmp_path / "loop")


@LINUX
def test_a_new_name_is_made_to_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The folder is synced after each rename, or a power cut may undo it; nothing stays open."""
    synced: list[bool] = []
    monkeypatch.setattr(schema.os, "fsync", lambda number: synced.append(stat.S_ISDIR(os.fstat(number).st_mode)))
    path = tmp_path / "logbook.sqlite"
    schema.create(path)
    assert synced == [True]
    schema.copy_whole(path, tmp_path / "copy.sqlite")
    assert synced == [True, True]
    assert _open_files(tmp_path) == []


# ---- the writer -------------------------------------------------------------------------------------


@LINUX
def test_nothing_is_held_open_when_closed_and_nothing_after_a_failure(path: Path) -> None:
    with Logbook.open(path) as book:
        viewed = sorted(_open_files(path.parent))
        with book.begin_rinse({}, "", UTC) as writer:
            writer.append(ENTRY)
            assert len(_open_files(path.parent)) > len(viewed)
        locked = str(path) + ".lock"
        assert sorted(_open_files(path.parent)) == sorted([*viewed, locked])
        writer = book.begin_rinse({}, "", UTC)
        writer.append(ENTRY)
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(LogbookError, match="held by another program"):
                writer.append(ENTRY)
        # closed by the failure: an open journal is played back when the file is opened again
        assert sorted(_open_files(path.parent)) == sorted([*viewed, locked])
        assert writer.append(ENTRY) == 2
        path.rename(path.with_name("moved.sqlite"))
        with pytest.raises(LogbookError, match="moved, removed or replaced"):
            writer.append(ENTRY)
        assert len([name for name in _open_files(path.parent) if "moved" in name]) == 1  # the viewer's
    assert _open_files(path.parent) == []


def test_a_file_that_goes_while_a_row_is_committed_is_not_called_stored(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = sqlite3.connect

    class Vanishing(sqlite3.Connection):
        def execute(self, sql: str, *values: object) -> sqlite3.Cursor:
            cursor = super().execute(sql, *values)  # type: ignore[arg-type]
            if sql == "COMMIT" and path.exists():
                path.rename(path.with_name("moved.sqlite"))
            return cursor

    with Logbook.open(path) as book:
        writer = book.begin_rinse({}, "", UTC)
        monkeypatch.setattr(sqlite3, "connect", lambda *args, **kw: real(*args, **kw, factory=Vanishing))
        with pytest.raises(LogbookError, match="moved, removed or replaced"):
            writer.append(ENTRY)


def test_what_an_entry_does_not_say_is_empty() -> None:
    assert (ENTRY.raw, ENTRY.shown, ENTRY.quality, ENTRY.cause, ENTRY.monotonic_s) == (b"", "", "", "", None)


def test_text_that_is_no_utf_8_is_hashed_by_its_bytes() -> None:
    """So read damaged text reaches the check, and does not pass for another."""
    assert len({link(START, [words]) for words in ("a\udcff", "a\udcfe", "a", "a?")}) == 4


# ---- the lock ---------------------------------------------------------------------------------------


@pytest.fixture
def free(tmp_path: Path) -> Iterator[Path]:
    yield tmp_path / "logbook.sqlite"


@pytest.mark.skipif("sys.platform == 'win32'", reason="such locks forbid reading there")
@pytest.mark.parametrize(
    ("argv", "named"), [("/usr/bin/tool.py", "(tool.py)"), ("", "(rinsewatch)"), ("odd\udcff", "(odd?)")]
)
def test_the_holder_is_named_and_nothing_of_an_earlier_one(
    free: Path, monkeypatch: pytest.MonkeyPatch, argv: str, named: str
) -> None:
    monkeypatch.setattr(sys, "argv", [argv])
    beside = free.with_name(free.name + ".lock")
    beside.write_bytes(b"process 1234567890 (a program with a very long name of its own) \xff\xff")
    with WriterLock(free) as lock:
        assert lock.held
        words = f"is being written by process {os.getpid()} {named}; finish"
        other = WriterLock(free)
        with pytest.raises(LogbookError) as told:
            other.acquire()
        assert words in str(told.value) and not other.held
    assert not lock.held
    with WriterLock(free):
        beside.write_bytes(b"\xff\xfe")
        with pytest.raises(LogbookError, match="is being written by"):
            other.acquire()


@LINUX
def test_a_lock_is_private_can_be_taken_again_and_leaks_nothing(free: Path) -> None:
    lock = WriterLock(free)
    for _ in range(3):
        lock.acquire()
        lock.acquire()  # held already: nothing happens
        for _ in range(3):
            with pytest.raises(LogbookError):
                WriterLock(free).acquire()
        assert _open_files(free.parent) == [str(free) + ".lock"]
        lock.release()
        lock.release()
        assert not lock.held and _open_files(free.parent) == []
    assert stat.S_IMODE(free.with_name(free.name + ".lock").stat().st_mode) == 0o600


# ---- the recorder -----------------------------------------------------------------------------------


class Failing:
    """A writer that fails while told to."""

    def __init__(self) -> None:
        self.fails, self.rows, self.closings, self.closed = False, 0, [], False  # type: ignore[var-annotated]

    def append_many(self, entries: Sequence[Entry]) -> list[int]:
        if self.fails:
            raise LogbookError("the disk is full; free some space")
        self.rows += len(entries)
        return []

    def close_rinse(self, reason: str, verdict: str, *, utc: str) -> None:
        self.closings.append((reason, verdict, utc))

    def close(self) -> None:
        self.closed = True


def test_rows_that_wait_are_told_and_given_out_without_raw_lines() -> None:
    writer = Failing()
    recorder = Recorder(writer)
    assert (recorder.trouble, recorder.waiting, recorder.waiting_rows) == ("", 0, [])
    writer.fails = True
    raw = Entry(row=Row(2.0), utc=UTC, raw=b"junk", observed=False)
    assert recorder.store([ENTRY, raw]) is False
    assert (recorder.trouble, recorder.waiting) == ("the disk is full; free some space", 2)
    assert recorder.waiting_rows == [ENTRY.row]
    writer.fails = False
    assert recorder.retry() is True
    assert (recorder.trouble, recorder.waiting, recorder.stored, writer.rows) == ("", 0, 2, 2)


@pytest.mark.parametrize(
    ("fails", "reason", "closings"), [(False, "finished", 1), (True, "finished", 0), (False, None, 0)]
)
def test_an_end_is_written_only_after_all_rows_and_the_file_is_closed_anyhow(
    fails: bool, reason: str | None, closings: int
) -> None:
    writer = Failing()
    recorder = Recorder(writer)
    writer.fails = fails
    recorder.store([ENTRY])
    recorder.close(reason, "stop", UTC)
    assert (len(writer.closings), writer.closed) == (closings, True)
