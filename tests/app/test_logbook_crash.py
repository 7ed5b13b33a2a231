"""kill -9, a full disk, flipped bits, killed upgrades: each beside a control that must fail."""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO

import pytest

from rinsewatch.errors import LogbookError
from rinsewatch.logbook import schema
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.ledger import ADDED, Draft
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.row import Mark, Row

UTC = "2026-03-01T10:00:00Z"
posix_only = pytest.mark.skipif(os.name != "posix", reason="kill -9 and resource limits are POSIX's")

PREAMBLE = """
import sys
sys.path[:0] = sys.argv[2:]
from rinsewatch.errors import LogbookError
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.row import Mark, Row
book = Logbook.open(sys.argv[1])
writer = book.begin_rinse({"resin_ml": 500}, "B1", "2026-03-01T10:00:00Z")
def entry(n):
    return Entry(row=Row(float(n), 0.0, Mark.VALUE, float(n), "ppm", 0), utc="x", raw=b"%d ppm" % n)
def say(*words):
    print(*words, flush=True)
"""
HONEST = (
    PREAMBLE
    + """
for n in range(1, 100_000):
    say(writer.rinse_id, writer.append(entry(n)))
"""
)
PACED = (
    PREAMBLE
    + """
import time
for n in range(1, 100_000):
    say(writer.rinse_id, writer.append(entry(n)))
    time.sleep(0.01)
"""
)
# The control: says "stored" first. It waits there for ever, so the kill always falls in between.
HASTY = (
    PREAMBLE
    + """
for n in range(1, 100_000):
    say(writer.rinse_id, n)
    if n == 20:
        sys.stdin.readline()
    writer.append(entry(n))
"""
)
STEPWISE = (
    PREAMBLE
    + """
for n in range(1, 100_000):
    say(writer.rinse_id, writer.append(entry(n)))
    sys.stdin.readline()
"""
)
FULL_DISK = (
    PREAMBLE
    + """
import os, resource
size = os.path.getsize(sys.argv[1])
resource.setrlimit(resource.RLIMIT_FSIZE, (size + 8192, resource.RLIM_INFINITY))
stored, waiting, n = [], [], 0
while len(waiting) < 50:
    n += 1
    waiting.append(entry(n))
    try:
        stored += writer.append_many(waiting)
        waiting = []
    except LogbookError as error:
        problem = error
say(len(stored), len(waiting), problem)
book.rows(1)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)
stored += writer.append_many(waiting)
say(stored == list(range(1, n + 1)), [row.reading for row in book.rows(1)] == [float(k) for k in stored])
say(all(found.ok for found in book.verify_all()))
"""
)


@contextlib.contextmanager
def program(text: str, path: Path) -> Iterator[tuple[subprocess.Popen[str], IO[str], IO[str]]]:
    """A real process running ``text``; killed (by its own handle) at the end if still there."""
    command = [sys.executable, "-c", text, str(path), *(entry for entry in sys.path if entry)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None and process.stdout is not None
        try:
            yield process, process.stdin, process.stdout
        finally:
            process.kill()


def killed_acknowledgements(text: str, path: Path, acks: int, delay_s: float) -> list[tuple[int, int]]:
    """Run, read some acknowledgements, wait a moment more, kill -9; all that were said, rest included."""
    with program(text, path) as (process, _, out):
        said = [out.readline() for _ in range(acks)]
        time.sleep(delay_s)  # real: the kill must fall anywhere between two commits of a real process
        process.kill()
        said += out.read().splitlines(keepends=True)
    whole = [line.split() for line in said if line.endswith("\n")]
    return [(int(rinse_id), int(seq)) for rinse_id, seq in whole]


def lost(path: Path, acked: Sequence[tuple[int, int]]) -> int:
    """How many acknowledged rows are not there; also no row is doubled and at most one is unsaid."""
    with Logbook.open(path, create=False) as book:
        rinse_id = acked[0][0]
        readings = [row.reading for row in book.rows(rinse_id)]
        assert readings == [float(n) for n in range(1, len(readings) + 1)]
        assert len(readings) <= len(acked) + 1
        return max(0, len(acked) - len(readings))


@posix_only
def test_nothing_acknowledged_is_lost_by_kill_9(folder: Path) -> None:
    path, rng = folder / "logbook.sqlite", random.Random(5)
    total = 0
    for _ in range(30):
        acked = killed_acknowledgements(HONEST, path, rng.randint(1, 30), rng.uniform(0, 0.004))
        assert lost(path, acked) == 0
        total += len(acked)
    with Logbook.open(path) as book:
        book.reserve()  # thirty dead holders left no lock behind
        assert [info.id for info in book.open_rinses()] == list(range(1, 31))
        assert all(found.ok for found in book.verify_all())
        writer, rows = book.continue_rinse(1)
        assert writer.append(Entry(row=Row(9e9, 0.0, event="pause"), utc=UTC)) == len(rows) + 1
    assert total >= 30


@posix_only
def test_control_acknowledging_before_the_commit_is_caught(folder: Path) -> None:
    path = folder / "logbook.sqlite"
    assert lost(path, killed_acknowledgements(HASTY, path, 20, 0.0)) == 1


@posix_only
def test_a_plain_copy_of_a_live_file_is_whole(folder: Path) -> None:
    path, copy = folder / "logbook.sqlite", folder / "copy.sqlite"
    with program(STEPWISE, path) as (_, to, out):
        for stored in range(1, 31):
            assert out.readline().split()[1] == str(stored)
            shutil.copyfile(path, copy)
            with Logbook.open(copy, create=False) as book:
                assert len(book.rows(1)) == stored
                assert all(found.ok for found in book.verify_all())
            to.write("\n")
            to.flush()


@posix_only
def test_a_backup_while_rows_are_written_is_whole(folder: Path) -> None:
    path = folder / "logbook.sqlite"
    with program(PACED, path) as (process, _, out):
        out.readline()
        for number in range(5):
            copy = folder / f"copy{number}.sqlite"
            with Logbook.open(path) as book:
                book.backup(copy)
            with Logbook.open(copy, create=False) as book:
                assert len(book.rows(1)) >= 1
                assert all(found.ok for found in book.verify_all())
        process.kill()


@posix_only
def test_a_second_process_is_refused_while_the_first_lives(folder: Path) -> None:
    path = folder / "logbook.sqlite"
    with program(STEPWISE, path) as (process, _, out), Logbook.open(path) as mine:
        out.readline()
        with pytest.raises(LogbookError, match=f"is being written by process {process.pid} "):
            mine.reserve()
        process.kill()
        process.wait()
        mine.reserve()


@posix_only
def test_a_full_disk_is_loud_and_drains_when_space_returns(folder: Path) -> None:
    with program(FULL_DISK, folder / "logbook.sqlite") as (process, _, out):
        count, drained, sound = out.read().splitlines()
        assert process.wait() == 0
    stored, waiting, problem = count.split(maxsplit=2)
    assert int(stored) > 0 and int(waiting) == 50
    assert problem.startswith(str(folder)) and "disk" in problem
    assert (drained, sound) == ("True True", "True")


def small_logbook(path: Path) -> None:
    with Logbook.open(path) as book:
        book.save_answers({"feed": "9 ppm", "residue": "NaOH"})
        for batch in ("B1", "B2"):
            writer = book.begin_rinse({"resin_ml": 500}, batch, UTC)
            for n in range(40):
                row = Row(n * 1.25, 10.0 * n, Mark.VALUE, 99.5 - n, "ppm", 1, 21.5)
                writer.append(Entry(row=row, utc=UTC, raw=b"%.1f ppm\r\n" % (99.5 - n), quality="good"))
            writer.close_rinse("finished", "stop", utc=UTC)
        for n in range(12):
            book.ledger.write([Draft("note", {"text": f"note {n}", "date": "2026-03-01"})], ADDED, UTC, why="test")


TABLES = ("rinse", "entry", "closing", "head", "answer", "change", "change_head")


def content(path: Path) -> object:
    """Everything stored, byte for byte and type by type; None where it cannot be read."""
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    connection.text_factory = bytes
    with contextlib.closing(connection):
        try:
            return [
                [[(type(cell), cell) for cell in row] for row in connection.execute(f"SELECT * FROM {table}")]  # noqa: S608
                for table in TABLES
            ]
        except (sqlite3.Error, UnicodeDecodeError):
            return None


def noticed(path: Path) -> bool:
    try:
        with Logbook.open(path, create=False) as book:
            return not all(found.ok for found in book.verify_all())
    except LogbookError:
        return True


def noticed_without_the_chain(path: Path) -> bool:
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    with contextlib.closing(connection):
        try:
            return bool(connection.execute("PRAGMA integrity_check").fetchone()[0] != "ok")
        except (sqlite3.Error, UnicodeDecodeError):
            return True


def test_every_flipped_bit_of_content_is_noticed(folder: Path) -> None:
    path, hurt, rng = folder / "logbook.sqlite", folder / "hurt.sqlite", random.Random(11)
    small_logbook(path)
    sound, before = path.read_bytes(), content(path)
    assert not noticed(path)
    changed = missed = missed_by_control = 0
    for _ in range(1_500):
        raw = bytearray(sound)
        raw[rng.randrange(len(raw))] ^= 1 << rng.randrange(8)
        hurt.write_bytes(raw)
        if content(hurt) != before:
            changed += 1
            missed += not noticed(hurt)
            missed_by_control += not noticed_without_the_chain(hurt)
    assert changed > 300
    assert missed == 0
    assert missed_by_control > changed / 4  # the control, chain off, must miss many


def test_a_lost_tail_is_noticed_and_the_good_rows_can_be_saved(folder: Path) -> None:
    path = folder / "logbook.sqlite"
    small_logbook(path)
    connection = sqlite3.connect(path)
    connection.execute("DROP TRIGGER entry_no_update")
    connection.execute("DROP TRIGGER entry_no_delete")
    connection.execute("UPDATE entry SET reading = 7 WHERE rinse_id = 1 AND seq = 31")
    connection.execute("DELETE FROM entry WHERE rinse_id = 2 AND seq > 38")
    connection.commit()
    connection.close()
    with Logbook.open(path) as book:
        changed, cut = book.verify(1), book.verify(2)
        assert (changed.first_bad, changed.good_rows) == (31, 30)
        assert (cut.first_bad, cut.good_rows) == (39, 38)
        with pytest.raises(LogbookError, match="row 31 is not as it was stored; the 30 rows before"):
            book.export(1, folder / "out.csv")
        assert not (folder / "out.csv").exists()
        assert book.export(1, folder / "out.csv", good_only=True) == 30
        with pytest.raises(LogbookError, match="row 39 is missing"):
            book.continue_rinse(2)


def _further(connection: sqlite3.Connection) -> None:
    connection.execute("CREATE TABLE resin (id INTEGER PRIMARY KEY, name TEXT NOT NULL)")
    connection.execute("INSERT INTO resin (name) SELECT DISTINCT batch FROM rinse")


def test_an_upgrade_copies_first_and_keeps_every_row(folder: Path) -> None:
    path = folder / "logbook.sqlite"
    small_logbook(path)
    with Logbook.open(path) as book:
        before = book.rows(1)
    with Logbook.open(path, steps=(*schema.STEPS, _further)) as book:
        assert book.rows(1) == before
        assert all(found.ok for found in book.verify_all())
    kept = folder / f"logbook.schema{len(schema.STEPS)}.sqlite"
    assert schema.file_version(kept) == len(schema.STEPS)
    with pytest.raises(LogbookError, match="newer rinsewatch"):
        Logbook.open(path)
    with Logbook.open(kept) as book:
        assert book.rows(1) == before


def test_a_logbook_of_the_first_schema_is_brought_up_to_date(folder: Path) -> None:
    """One from before resins and service runs were kept: its rinses stay, hashes and all."""
    path = folder / "logbook.sqlite"
    with Logbook.open(path, steps=schema.STEPS[:1]) as book, book.begin_rinse({"resin_ml": 500}, "B1", UTC) as writer:
        writer.append(Entry(row=Row(1.0, 0.0, Mark.VALUE, 99.0, "ppm", 0), utc=UTC))
        before = book.rows(1)
    with Logbook.open(path) as book:
        assert (book.rows(1), book.ledger.changes) == (before, [])
        book.ledger.write([Draft("note", {"text": "after"})], ADDED, UTC)
        assert all(found.ok for found in book.verify_all())
    assert schema.file_version(path) == len(schema.STEPS)
    assert schema.file_version(folder / "logbook.schema1.sqlite") == 1


UPGRADE = """
import sqlite3, sys
sys.path[:0] = sys.argv[2:]
from pathlib import Path
from rinsewatch.logbook import schema
from rinsewatch.logbook.store import Logbook
def second(connection):
    connection.execute("CREATE TABLE resin (id INTEGER PRIMARY KEY, name TEXT NOT NULL)")
    for n in range(400):
        connection.execute("INSERT INTO resin (name) VALUES (?)", ("x" * 500,))
        if n == 200:
            print("half", flush=True)
            sys.stdin.readline()
"""
IN_ONE = UPGRADE + "Logbook.open(sys.argv[1], steps=(*schema.STEPS, second))"
# The control: the same step in autocommit, as sqlite3's executescript would run it.
STATEMENT_BY_STATEMENT = UPGRADE + "second(schema.connect(Path(sys.argv[1]), write=True))"


def half_upgraded(script: str, path: Path) -> bool:
    """Kill an upgrade half way; is the file then anything but the old version? Verifying must agree."""
    small_logbook(path)
    with program(script, path) as (process, _, out):
        assert out.readline() == "half\n"
        process.kill()
        process.wait()
    with contextlib.closing(sqlite3.connect(path)) as connection:
        found = connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'resin'").fetchone()
    half = bool(found != (0,))
    assert noticed(path) == half
    return half


@posix_only
def test_a_killed_upgrade_leaves_the_old_version(folder: Path) -> None:
    path = folder / "logbook.sqlite"
    assert not half_upgraded(IN_ONE, path)
    with Logbook.open(path, steps=(*schema.STEPS, _further)) as book:
        assert len(book.rows(2)) == 40
    assert half_upgraded(STATEMENT_BY_STATEMENT, folder / "control.sqlite")
