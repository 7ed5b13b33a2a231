"""Fault bench: the process killed, the power cut, an upgrade killed, two at once (rows H01, H02, H09, H14)."""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rinsewatch.cli.bench_fault_live import Watched
from rinsewatch.cli.bench_fault_program import first_line, script
from rinsewatch.cli.bench_fault_table import Bench, CannotRun, Outcome, fault
from rinsewatch.errors import LogbookError
from rinsewatch.logbook import schema
from rinsewatch.logbook.store import Logbook

PREAMBLE = """
import sys
from pathlib import Path
from rinsewatch.logbook import schema, writer as writing
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.row import Mark, Row
def entry(n):
    return Entry(row=Row(float(n), 0.0, Mark.VALUE, float(n), "ppm", 0), utc="x", raw=b"%d ppm" % n)
def begin():
    book = Logbook.open(sys.argv[1])
    return book, book.begin_rinse({"resin_ml": 500}, "B1", "2026-03-01T10:00:00Z")
"""
HONEST = (
    PREAMBLE
    + """
book, writer = begin()
for n in range(1, 1_000_000):
    print(writer.rinse_id, writer.append(entry(n)), flush=True)
"""
)
# The control says "stored" first, and stores ten at a time.
HASTY = (
    PREAMBLE
    + """
book, writer = begin()
for n in range(1, 1_000_000, 10):
    for m in range(n, n + 10):
        print(writer.rinse_id, m, flush=True)
    writer.append_many([entry(m) for m in range(n, n + 10)])
"""
)
# The control of the power cut: the same writer on a file that is never synced.
UNSYNCED = (
    PREAMBLE
    + """
real = schema.connect
def connect(*words, **more):
    connection = real(*words, **more)
    connection.execute("PRAGMA synchronous = OFF")
    return connection
schema.connect = writing.connect = connect
"""
    + HONEST.removeprefix(PREAMBLE)
)


def killed(text: str, path: Path, rng: random.Random) -> tuple[int, int]:
    """Run a writer, kill -9 at a random moment; (rinse, last acknowledged number), 0 where none was."""
    with script(text, str(path)) as process:
        assert process.stdout is not None
        for _ in range(rng.randint(1, 40)):
            process.stdout.readline()
        time.sleep(rng.uniform(0.0, 0.004))
        process.kill()
        whole = [line for line in process.stdout.read().splitlines(keepends=True) if line.endswith("\n")]
    last = whole[-1].split() if whole else ["0", "0"]
    return int(last[0]), int(last[1])


def count_rows(path: Path, rinse_id: int) -> int:
    """Rows of a rinse; AssertionError unless they are 1, 2, 3 and so on."""
    with Logbook.open(path, create=False) as book:
        rows = [row.reading for row in book.rows(rinse_id)]
    assert rows == [float(n) for n in range(1, len(rows) + 1)], "a gap or a double in the record"
    return len(rows)


@fault(
    "H01",
    "kill -9",
    inject="a writer killed at random, 1,000 times; watch itself on a pty, 50 times, the rinse continued",
    must="no acknowledged row lost, at most one more than acknowledged, the rinse offered to be continued",
)
def kill_nine(bench: Bench) -> Outcome:
    """Acknowledged: said on stdout by the writer; for watch, whatever its own logbook showed just before."""
    rng, path = random.Random(1), bench.folder / "logbook.sqlite"
    lost = acked = most = 0
    kills = bench.often(1_000, 12)
    for _ in range(kills):
        rinse_id, last = killed(HONEST, path, rng)
        there = count_rows(path, rinse_id) if rinse_id else 0
        lost, acked, most = lost + max(0, last - there), acked + last, max(most, there - last)
    real, real_lost = bench.many(50, 2), _kill_watch(bench)
    control = sum(_hasty_loss(bench.folder / "hasty.sqlite", rng) for _ in range(bench.many(20, 4)))
    with Logbook.open(path) as book:
        sound = all(found.ok for found in book.verify_all())
        still_open = len(book.open_rinses())
    held = not lost and not real_lost and most <= 1 and sound and still_open >= kills - 1
    figures = f"{lost} of {acked} acknowledged rows lost in {kills} kills, at most {most} unsaid"
    figures += f"; watch: {real_lost} lost in {real} kills"
    return Outcome(held, figures, f"acknowledged before the commit: {control} lost", control > 0)


def _hasty_loss(path: Path, rng: random.Random) -> int:
    rinse_id, last = killed(HASTY, path, rng)
    return max(0, last - count_rows(path, rinse_id)) if rinse_id else 0


def _kill_watch(bench: Bench) -> int:
    """Kill ``watch`` again and again, each time going on with the same rinse; rows seen stored and then gone."""
    rng, lost = random.Random(2), 0
    for number in range(bench.many(50, 2)):
        words = ("--continue",) if number else ()
        folder = bench.folder / "watch"
        folder.mkdir(exist_ok=True)
        with Watched(folder, words=words) as watched:
            before = len(watched.numbers()) if number else 0
            ends_s = time.monotonic() + 15.0
            while time.monotonic() < ends_s and (not watched.path.exists() or len(_raw(watched)) < before + 5):
                watched.speak(1, 0.05)
            watched.speak(rng.randint(0, 5), 0.01)
            seen = _raw(watched)
            watched.process.kill()
            watched.process.wait()
            after = watched.numbers()
            lost += len(seen) - sum(a == b for a, b in zip(seen, after, strict=False)) + (len(seen) < before + 5)
    return lost


def _raw(watched: Watched) -> list[bytes]:
    try:
        return watched.numbers()
    except LogbookError:
        return []


@contextmanager
def loop_mounted(folder: Path, megabytes: int = 8) -> Iterator[tuple[Path, Path]]:
    """An ext4 image mounted through a loop device: (the folder on it, the image). CannotRun without the rights."""
    image, place = folder / "disk.img", folder / "disk"
    place.mkdir()
    image.write_bytes(b"")
    os.truncate(image, megabytes << 20)
    _do("mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(image))
    _do("mount", "-o", "loop", str(image), str(place))
    try:
        yield place, image
    finally:
        subprocess.run(["umount", str(place)], capture_output=True, check=False)


def _do(*words: str) -> None:
    if os.geteuid() != 0 or shutil.which(words[0]) is None:
        raise CannotRun(f"needs root and {words[0]}")
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        raise CannotRun(f"{words[0]}: {done.stderr.strip()[:80]}")


def _cut(bench: Bench, text: str, rng: random.Random, number: int) -> tuple[int, int]:
    """Write on a loop-mounted disk, copy its backing file in mid-write, mount the copy; (acknowledged, lost)."""
    folder = bench.folder / f"cut{number}{'c' if text is UNSYNCED else ''}"
    folder.mkdir()
    with loop_mounted(folder) as (place, image), script(text, str(place / "logbook.sqlite")) as process:
        assert process.stdout is not None
        last = ""
        for _ in range(rng.randint(5, 60)):
            last = process.stdout.readline()
        assert last, f"the writer ended: {_last_error(process)}"
        process.send_signal(signal.SIGSTOP)  # what was acknowledged until now is what counts
        copy = folder / "copy.img"
        shutil.copyfile(image, copy)
    acked = int(last.split()[1])
    place = folder / "copy"
    place.mkdir()
    _do("mount", "-o", "loop", str(copy), str(place))
    try:
        rows = _rows_after_cut(place / "logbook.sqlite")
    finally:
        subprocess.run(["umount", str(place)], capture_output=True, check=False)
    shutil.rmtree(folder)
    return acked, max(0, acked - rows)


def _last_error(process: subprocess.Popen[str]) -> str:
    return (process.communicate()[1].strip().splitlines() or ["without a word"])[-1]


def _rows_after_cut(path: Path) -> int:
    try:
        return count_rows(path, 1)
    except (LogbookError, AssertionError):
        return 0


@fault(
    "H02",
    "power cut",
    inject="a loop-mounted ext4 image, its backing file copied in mid-write, the copy mounted, 200 times",
    must="no acknowledged row lost; the same harness must see losses with synchronous OFF",
)
def power_cut(bench: Bench) -> Outcome:
    """Only what reached the device counts; the file system's memory is gone in the copy."""
    rng, cuts, controls = random.Random(3), bench.often(200, 6), bench.many(20, 3)
    found = [_cut(bench, HONEST, rng, number) for number in range(cuts)]
    naive = [_cut(bench, UNSYNCED, rng, number) for number in range(controls)]
    lost, acked = sum(cut[1] for cut in found), sum(cut[0] for cut in found)
    lossy = sum(cut[1] > 0 for cut in naive)
    figures = f"{lost} of {acked} acknowledged rows lost in {cuts} cuts"
    return Outcome(lost == 0, figures, f"synchronous OFF: {lossy} of {controls} cuts lossy", lossy > 0)


@fault(
    "H09",
    "two at once",
    inject="a second writer started while the first writes, then the first killed -9, 50 times",
    must="second refused with the first one's process number, no stale lock",
)
def two_at_once(bench: Bench) -> Outcome:
    """Refused, then let in at once after the kill."""
    times, path, refused, taken = bench.many(50, 5), bench.folder / "logbook.sqlite", 0, 0
    for _ in range(times):
        with script(HONEST, str(path)) as first, Logbook.open(path) as mine:
            first_line(first)
            refused += _refusal_names(mine, first.pid)
            first.kill()
            first.wait()
            taken += _takes(mine)
    return Outcome(refused == taken == times, f"{refused}/{times} refused by name, {taken}/{times} then let in")


def _refusal_names(book: Logbook, pid: int) -> bool:
    try:
        book.reserve()
    except LogbookError as error:
        return re.search(rf"\b{pid}\b", str(error)) is not None
    return False


def _takes(book: Logbook) -> bool:
    try:
        book.reserve()
    except LogbookError:
        return False
    return True


_THIRD = """
def third(connection):
    connection.execute("CREATE TABLE further (id INTEGER PRIMARY KEY, name TEXT NOT NULL)")
    for n in range(300):
        connection.execute("INSERT INTO further (name) VALUES (?)", ("x" * 500,))
        if n == int(sys.argv[2]):
            print("half", flush=True)
            sys.stdin.readline()
"""
_IN_ONE = PREAMBLE + _THIRD + "Logbook.open(sys.argv[1], steps=(*schema.STEPS, third))"
_STEPWISE = PREAMBLE + _THIRD + "third(schema.connect(Path(sys.argv[1]), write=True))"


@fault(
    "H14",
    "kill -9 in a schema upgrade",
    inject="killed at a random statement of the upgrade, 100 times",
    must="the old version or the new, never half; a copy made first",
)
def killed_upgrade(bench: Bench) -> Outcome:
    """The control runs the same statements one by one."""
    rng, times, controls = random.Random(14), bench.often(100, 5), bench.many(20, 3)
    half = sum(_half_upgraded(bench.folder / f"a{n}.sqlite", _IN_ONE, rng) for n in range(times))
    naive = sum(_half_upgraded(bench.folder / f"c{n}.sqlite", _STEPWISE, rng) for n in range(controls))
    copies = len(list(bench.folder.glob("a*.schema*.sqlite")))
    return Outcome(
        half == 0 and copies == times, f"{half} of {times} half upgraded, {copies} copies made first",
        f"statement by statement {naive} of {controls} half", naive > 0,
    )  # fmt: skip


def _half_upgraded(path: Path, text: str, rng: random.Random) -> bool:
    """Has anything of the upgrade stayed behind?"""
    with Logbook.open(path) as book, book.begin_rinse({"resin_ml": 500}, "B1", "2026-03-01T10:00:00Z"):
        pass
    with script(text, str(path), str(rng.randrange(300))) as process:
        assert first_line(process) == "half"
        process.kill()
        process.wait()
    connection = schema.viewing(path)
    try:
        (found,) = connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'further'").fetchone()
    finally:
        connection.close()
    return bool(found)
