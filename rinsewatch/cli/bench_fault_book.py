"""Fault bench: the logbook's file full, forbidden, damaged, foreign, gone, looked at (H03, H04, H10, H11, H15-H17)."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from rinsewatch.cli.bench_fault_program import as_nobody, run_program
from rinsewatch.cli.bench_fault_table import Bench, CannotRun, Outcome, fault, in_time
from rinsewatch.errors import LogbookError
from rinsewatch.logbook import schema
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.store import Logbook
from rinsewatch.logbook.trouble import FAILURES
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.session.recorder import Recorder

UTC = "2026-03-01T10:00:00Z"
EVERYTHING = (
    "SELECT * FROM rinse", "SELECT * FROM entry", "SELECT * FROM closing", "SELECT * FROM head",
    "SELECT * FROM answer", "SELECT * FROM change", "SELECT * FROM change_head",
)  # fmt: skip


def entry(number: int) -> Entry:
    """Row ``number`` of a rinse; its reading is its number."""
    row = Row(float(number), 0.0, Mark.VALUE, float(number), "ppm", 0)
    return Entry(row=row, utc=UTC, raw=b"%d ppm\r\n" % number)


@contextmanager
def memory_disk(folder: Path, size: str = "2m") -> Iterator[Path]:
    """A small file system of its own; CannotRun without the rights to mount."""
    place = folder / "small"
    place.mkdir()
    if os.geteuid() != 0:
        raise CannotRun("needs root, to mount a small disk")
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)], check=False)
    if done.returncode:
        raise CannotRun("may not mount a file system here")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=False, capture_output=True)


def _fill(place: Path) -> Path:
    ballast = place / "ballast"
    with ballast.open("wb", buffering=0) as stream:
        for size in (65536, 4096, 512):
            try:
                while stream.write(bytes(size)) == size:
                    continue
            except OSError:
                continue
    return ballast


@fault(
    "H03",
    "disk full",
    inject="tmpfs of 2 MB filled in mid-rinse, before the start, in an upgrade; room made again",
    must="told, readings wait in bounded memory and are written in order later, none lost, none doubled",
)
def full(bench: Bench) -> Outcome:
    """The session's recorder in front of a real full disk."""
    with memory_disk(bench.folder) as place:
        path = place / "logbook.sqlite"
        with Logbook.open(path) as book:
            recorder = Recorder(book.begin_rinse({"resin_ml": 500}, "", UTC))
            for number in range(1, 21):
                recorder.store([entry(number)])
            ballast = _fill(place)
            for number in range(21, 521):
                recorder.store([entry(number)])
            told, waiting = recorder.trouble, recorder.waiting
            ballast.unlink()
            drained = recorder.retry()
            recorder.close(None, "", UTC)
            rows = [row.reading for row in book.rows(1)]
            sound = all(found.ok for found in book.verify_all())
        _fill(place)
        start = _said(lambda: Logbook.open(place / "new.sqlite"))
        upgrade = _said(lambda: Logbook.open(path, steps=(*schema.STEPS, _further)))
        version = schema.file_version(path)
    held = "full" in told and waiting > 0 and drained and sound and rows == [float(n) for n in range(1, 521)]
    held = held and bool(start) and bool(upgrade) and version == len(schema.STEPS)
    figures = f"{waiting} rows waited and were written, {len(rows)}/520 there; told: {told.split(': ')[-1]}"
    return Outcome(held, f"{figures}; full before the start and in an upgrade: refused, schema still {version}")


def _further(connection: object) -> None:
    connection.execute("CREATE TABLE further (name TEXT)")  # type: ignore[attr-defined]  # a connection
    connection.executemany("INSERT INTO further VALUES (?)", [("x" * 500,)] * 400)  # type: ignore[attr-defined]


def _said(act: Callable[[], object]) -> str:
    """The one line an action is refused with, "" if it was not."""
    try:
        act()
    except LogbookError as error:
        return str(error)
    return ""


_AS_NOBODY = """
from rinsewatch.errors import LogbookError
from rinsewatch.logbook.store import Logbook
import sys
nobody()
try:
    book = Logbook.open(sys.argv[1], create=False)
    print("viewed", len(book.rows(1)))
    book.begin_rinse({"resin_ml": 1}, "", "2026-03-01T10:00:00Z")
except LogbookError as error:
    print(error)
"""


@fault(
    "H04",
    "read-only",
    inject="tmpfs remounted read-only in mid-rinse; folder 0555 and file 0444, opened as user 65534",
    must="told in a plain sentence, viewing still works, all written once it can be",
)
def read_only(bench: Bench) -> Outcome:
    """A disk that turns read-only under a running rinse, and a home that always was."""
    with memory_disk(bench.folder, "8m") as place:
        path = place / "logbook.sqlite"
        with Logbook.open(path) as book:
            writer = book.begin_rinse({"resin_ml": 500}, "", UTC)
            recorder = Recorder(writer)
            recorder.store([entry(1)])
            writer.close()  # a descriptor open for writing would forbid the remount; it is opened again by itself
            book.close()
            done = subprocess.run(["mount", "-o", "remount,ro", str(place)], capture_output=True, check=False)
            recorder.store([entry(2), entry(3)])
            told, waiting = recorder.trouble, recorder.waiting
            with Logbook.open(path, create=False) as viewer:
                seen = len(viewer.rows(1))
            subprocess.run(["mount", "-o", "remount,rw", str(place)], check=False)
            drained = recorder.retry()
            recorder.close(None, "", UTC)
        os.chmod(path, 0o444)
        os.chmod(place, 0o555)
        said = as_nobody(_AS_NOBODY, str(path)).splitlines()
    held = done.returncode == 0 and waiting == 2 and seen == 1 and drained and bool(told)
    plain = len(said) == 2 and said[0] == "viewed 3" and "Traceback" not in said[1]
    refused = said[-1].split(": ")[-1][:60] if said else ""
    figures = f"{waiting} rows waited and were written, viewed meanwhile; told: {told.split(': ')[-1][:40]}"
    return Outcome(held and plain, f"{figures}; as nobody: {refused}")


def small_logbook(path: Path) -> None:
    """Two rinses, closed, and answers."""
    with Logbook.open(path) as book:
        book.save_answers({"feed": "9 ppm", "residue": "NaOH"})
        for batch in ("B1", "B2"):
            writer = book.begin_rinse({"resin_ml": 500}, batch, UTC)
            writer.append_many([entry(number) for number in range(1, 41)])
            writer.close_rinse("finished", "stop", utc=UTC)


def _content(path: Path) -> object:
    """Every cell with its type; None where it cannot be read."""
    try:
        connection = schema.connect(path, write=False)
        connection.text_factory = bytes
        try:
            rows = [connection.execute(query).fetchall() for query in EVERYTHING]
            return [[tuple((type(cell), cell) for cell in row) for row in found] for found in rows]
        finally:
            connection.close()
    except FAILURES:
        return None


def _noticed(path: Path) -> bool:
    try:
        with Logbook.open(path, create=False) as book:
            return not all(found.ok for found in book.verify_all())
    except LogbookError:
        return True


def _noticed_by_sqlite(path: Path) -> bool:
    """The control: SQLite's own check."""
    try:
        connection = schema.connect(path, write=False)
        try:
            return bool(connection.execute("PRAGMA integrity_check").fetchone()[0] != "ok")
        finally:
            connection.close()
    except FAILURES:
        return True


@fault(
    "H10",
    "corrupted logbook",
    inject="2,000 bit flips, 500 zeroed sectors, 500 truncations",
    must="every change of content noticed, the file never changed by looking, good rows exportable",
)
def corrupted(bench: Bench) -> Outcome:
    """A bit in unused space changes nothing and need not be noticed."""
    rng, path, hurt = random.Random(10), bench.folder / "logbook.sqlite", bench.folder / "hurt.sqlite"
    small_logbook(path)
    sound, before = path.read_bytes(), _content(path)
    changed = missed = naive = altered = 0
    for number in range(bench.many(3_000, 300)):
        raw = _damaged(sound, number % 6, rng)
        hurt.write_bytes(raw)
        if _content(hurt) != before:
            changed += 1
            missed += not _noticed(hurt)
            naive += not _noticed_by_sqlite(hurt)
            altered += hurt.read_bytes() != raw
    exported = _exported_good_rows(path, bench.folder)
    held = missed == 0 and altered == 0 and exported == 19
    figures = (
        f"{missed} of {changed} changes of content missed, {altered} files altered, {exported}/19 good rows exported"
    )
    return Outcome(held, figures, f"integrity_check missed {naive}", naive > 0)


def _damaged(sound: bytes, kind: int, rng: random.Random) -> bytes:
    """Four of six a flipped bit, one a zeroed sector, one a lost end."""
    raw = bytearray(sound)
    if kind < 4:
        raw[rng.randrange(len(raw))] ^= 1 << rng.randrange(8)
    elif kind == 4:
        start = 512 * rng.randrange(len(raw) // 512)
        raw[start : start + 512] = bytes(512)
    else:
        del raw[rng.randrange(len(raw)) :]
    return bytes(raw)


def _exported_good_rows(path: Path, folder: Path) -> int:
    """Rows before a spoiled one that ``logbook export`` can save: row 20 is spoiled."""
    raw = bytearray(path.read_bytes())
    at = raw.index(b"20 ppm\r\n")
    raw[at] ^= 1
    spoiled = folder / "spoiled.sqlite"
    spoiled.write_bytes(raw)
    with Logbook.open(spoiled, create=False) as book:
        return book.export(1, folder / "good.csv", good_only=True)


@fault(
    "H11",
    "foreign files",
    inject="newer schema, another database, text, 0 bytes, a folder, a pipe",
    must="refused in one line, left byte for byte as they were",
)
def foreign(bench: Bench) -> Outcome:
    """Through the command line."""
    files = {name: bench.folder / name for name in ("newer", "other", "text", "empty", "folder", "pipe")}
    small_logbook(files["newer"])
    with Logbook.open(files["newer"], steps=(*schema.STEPS, _further)):
        pass
    connection = schema.connect(_copy(files["newer"], files["other"]), write=True)
    connection.execute("PRAGMA application_id = 7")
    connection.close()
    files["text"].write_text("not a logbook at all\n" * 20)
    files["empty"].write_bytes(b"")
    files["folder"].mkdir()
    os.mkfifo(files["pipe"])
    refused = unchanged = 0
    for name, path in files.items():
        before = path.read_bytes() if path.is_file() else b""
        code, _, err = run_program(bench.folder, "logbook", "list", "--logbook", str(path), timeout_s=20.0)
        refused += code in (2, 4) and len(err.strip().splitlines()) == 1 and "Traceback" not in err
        unchanged += (path.read_bytes() if path.is_file() else b"") == before and (name != "folder" or path.is_dir())
    return Outcome(
        refused == unchanged == len(files), f"{refused}/6 refused in one line, {unchanged}/6 left as they were"
    )


def _copy(path: Path, to: Path) -> Path:
    shutil.copyfile(path, to)
    return to


@fault(
    "H15",
    "logbook gone while it is written",
    inject="removed, moved, replaced by a copy, between two rows",
    must="noticed at the next row, nothing called stored, rows kept and written elsewhere",
)
def gone(bench: Bench) -> Outcome:
    """Every row after the trick must wait in memory; the rescue file is what watch writes at its end."""
    words, held = [], True
    tricks: dict[str, Callable[[Path], object]] = {
        "removed": lambda p: p.unlink(),
        "moved": lambda p: p.rename(p.with_name("elsewhere.sqlite")),
        "replaced": lambda p: (shutil.copy(p, p.with_name("copy")), p.with_name("copy").rename(p)),
    }
    for name, trick in tricks.items():
        folder = bench.folder / name
        folder.mkdir()
        path = folder / "logbook.sqlite"
        with Logbook.open(path) as book:
            recorder = Recorder(book.begin_rinse({"resin_ml": 500}, "", UTC))
            recorder.store([entry(n) for n in range(1, 11)])
            trick(path)
            for number in range(11, 61):
                recorder.store([entry(number)])
            false = 50 - recorder.waiting
            held = held and false == 0 and bool(recorder.trouble) and len(recorder.waiting_rows) == 50
            recorder.close(None, "", UTC)
            words.append(f"{name}: {false} of 50 falsely stored")
    return Outcome(held, ", ".join(words))


@fault(
    "H16",
    "a viewer holds a read transaction",
    inject="a second connection reads and does not let go for 5 s, 20 rows a second meanwhile",
    must="writer never waits over a second, file at most twice as large, all rows written after",
)
def viewer(bench: Bench) -> Outcome:
    """The writer gives up after a second and the rows wait in memory."""
    path = bench.folder / "logbook.sqlite"
    with Logbook.open(path) as book:
        recorder = Recorder(book.begin_rinse({"resin_ml": 500}, "", UTC))
        recorder.store([entry(n) for n in range(1, 101)])
        size = path.stat().st_size
        reader = schema.connect(path, write=False)
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM entry").fetchone()
        longest, number, ends_s = 0.0, 100, time.monotonic() + bench.many(5, 3)
        while time.monotonic() < ends_s:
            number += 1
            began_s = time.monotonic()
            recorder.store([entry(number)])
            longest = max(longest, time.monotonic() - began_s)
            time.sleep(0.05)
        waited = recorder.waiting
        reader.close()
        drained = recorder.retry()
        recorder.close(None, "", UTC)
        rows = len(book.rows(1))
    grown = path.stat().st_size / size
    held = drained and rows == number and grown <= 2.0
    return in_time(
        held,
        longest <= 1.0,
        f"longest wait {longest:.2f} s, {waited} rows waited in memory, {rows}/{number} written, file x {grown:.1f}",
    )


@fault(
    "H17",
    "copied while it is written",
    inject="cp of the live file after each of 200 rows",
    must="each copy opens and verifies",
)
def copied(bench: Bench) -> Outcome:
    """Plain copies, as a person or a backup program makes them."""
    path, copy, times = bench.folder / "logbook.sqlite", bench.folder / "copy.sqlite", bench.many(200, 20)
    whole = 0
    with Logbook.open(path) as book, book.begin_rinse({"resin_ml": 500}, "", UTC) as writer:
        for number in range(1, times + 1):
            writer.append(entry(number))
            shutil.copyfile(path, copy)
            with Logbook.open(copy, create=False) as other:
                whole += len(other.rows(1)) == number and all(found.ok for found in other.verify_all())
    return Outcome(whole == times, f"{whole}/{times} copies whole")
