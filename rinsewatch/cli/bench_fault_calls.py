"""Fault bench: system calls made to fail by strace, on the port and on the logbook's disk (rows S17-S19, H12, H13)."""

from __future__ import annotations

import shutil
import subprocess
import time

from rinsewatch.cli.bench_fault_program import first_line, script, wait_for
from rinsewatch.cli.bench_fault_rig import plugged
from rinsewatch.cli.bench_fault_table import Bench, CannotRun, Outcome, fault
from rinsewatch.logbook.store import Logbook

_READER = """
import os, sys, time
from rinsewatch_drivers.clock import SystemClock
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.profile import load_profile
from rinsewatch_drivers.reading import LinkEvent
link = MeterLink(sys.argv[1], load_profile("plain-number"), clock=SystemClock())
print("open", flush=True)
polls, ends = 0, time.monotonic() + float(sys.argv[2])
while time.monotonic() < ends:
    polls += 1
    for item in link.poll(0.25):
        told = f"event {item.state.value}" if isinstance(item, LinkEvent) else f"read {item.raw!r} {item.cause}"
        print(told, flush=True)
print("cpu", time.process_time())
"""


def strace(*words: str) -> list[str]:
    """The words that inject; CannotRun where there is no strace or it may not trace."""
    if shutil.which("strace") is None:
        raise CannotRun("needs strace")
    tried = subprocess.run(["strace", "-qq", "-o", "/dev/null", "true"], capture_output=True, check=False)
    if tried.returncode:
        raise CannotRun("strace may not trace here")
    return ["strace", "-f", "-qq", "-o", "/dev/null", *words]


def _read_under(bench: Bench, inject: str, seconds: float, lines: int) -> tuple[list[str], float]:
    """What a reader says while its reads of the port fail, and its processor time; ``lines`` at 20 a second."""
    with plugged(bench.folder) as pty:
        before = strace("-P", pty.path, "-e", "trace=read", "-e", f"inject=read:{inject}")
        with script(_READER, str(pty.link), str(seconds), before=before) as reader:
            if first_line(reader) != "open":
                raise CannotRun("the reader did not start under strace")
            for number in range(lines):
                pty.send(b"%d.0 uS/cm\n" % (2000 + number))
                time.sleep(0.05)
            out, err = reader.communicate(timeout=seconds + 20)
    said = out.splitlines()
    if not said or not said[-1].startswith("cpu"):
        return [*said, f"ended: {err.strip().splitlines()[-1] if err.strip() else 'without a word'}"], 0.0
    return said, float(said[-1].split()[1])


def _for_ever(number: str, title: str, inject: str, words: str) -> None:
    """A row whose reads of the port fail from the tenth on."""

    @fault(number, title, inject=f"strace: read of the pty {words} from the 10th on", must="as unplugged, no busy loop")
    def run(bench: Bench) -> Outcome:
        """Half a second of the processor's time is Python's start."""
        seconds = bench.many(10, 4)
        said, cpu_s = _read_under(bench, f"{inject}:when=10+", seconds, 40)
        read = sum(line.startswith("read") for line in said)
        lost, alive = said.count("event lost"), said[-1].startswith("cpu")
        figures = f"{read} lines before it, told lost {lost} time(s), {cpu_s:.1f} s of processor in {seconds} s"
        return Outcome(alive and 1 <= lost <= seconds and cpu_s < 0.3 + 0.1 * seconds, figures)


_for_ever("S17", "read returns 0 for ever", "retval=0", "returns 0")
_for_ever("S18", "EIO for ever", "error=EIO", "fails with EIO")


@fault(
    "S19",
    "EINTR, EAGAIN",
    inject="strace: every third read of the pty fails with EINTR, then with EAGAIN",
    must="no line lost",
)
def interrupted(bench: Bench) -> Outcome:
    """The line joined at the opening counts as read."""
    lines = bench.many(400, 30)
    words, held = [], True
    for error in ("EINTR", "EAGAIN"):
        said, _ = _read_under(bench, f"error={error}:when=5+3", lines * 0.06 + 3, lines)
        read = [line.split("'")[1] for line in said if line.startswith("read b'")]
        wanted = [f"{2000 + number}.0 uS/cm" for number in range(lines)]
        lost = said.count("event lost")
        words.append(
            f"{error}: {lines - len(set(wanted) - set(read)) if read else 0}/{lines} lines, {lost} losses told"
        )
        held = held and not set(wanted) - set(read)
    return Outcome(held, "; ".join(words))


WRITER = """
import sys
from rinsewatch.errors import LogbookError
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.row import Mark, Row
book = Logbook.open(sys.argv[1])
writer = book.begin_rinse({"resin_ml": 500}, "B1", "2026-03-01T10:00:00Z")
waiting = []
print("begun", flush=True)
for n in range(1, int(sys.argv[2]) + 1):
    waiting.append(Entry(row=Row(float(n), 0.0, Mark.VALUE, float(n), "ppm", 0), utc="x", raw=b"%d ppm" % n))
    try:
        stored = writer.append_many(waiting)
        waiting = []
        print("stored", stored[-1], flush=True)
    except LogbookError as error:
        print("failed", n, error, flush=True)
print("left", len(waiting), flush=True)
"""


def _write_under(bench: Bench, inject: str, rows: int) -> tuple[int, int, str, int]:
    """(acknowledged rows, failures told, the last failure's words, rows left waiting) of a writer under injection."""
    path = bench.folder / "logbook.sqlite"
    calls = inject.partition(":")[0]
    words = strace("-e", f"trace={calls}", "-e", f"inject={inject}")
    with script(WRITER, str(path), str(rows), before=words) as writer:
        out, err = writer.communicate(timeout=120)
    said = out.splitlines()
    if "begun" not in said:
        raise CannotRun(f"the writer did not start: {err.strip().splitlines()[-1] if err.strip() else out}")
    acked = [int(line.split()[1]) for line in said if line.startswith("stored")]
    failed = [line for line in said if line.startswith("failed")]
    left = [int(line.split()[1]) for line in said if line.startswith("left")]
    return max(acked, default=0), len(failed), failed[-1] if failed else "", left[0] if left else -1


@fault(
    "H12",
    "fsync and write errors",
    inject="strace: fdatasync fails with EIO once, for ever; pwrite64 fails with ENOSPC now and then",
    must="told, no false 'stored', unknown commits settled, all written once it works",
)
def failing_disk(bench: Bench) -> Outcome:
    """The numbers in the file must be 1, 2, 3 without gap or double, and reach to the last acknowledged."""
    cases = {"once": "fdatasync:error=EIO:when=40", "for ever": "fdatasync:error=EIO:when=40+",
             "ENOSPC": "pwrite64:error=ENOSPC:when=60+50"}  # fmt: skip
    words, held = [], True
    for name, inject in cases.items():
        folder = bench.folder / name.replace(" ", "-")
        folder.mkdir()
        inner = Bench(folder, bench.short)
        acked, failed, _, left = _write_under(inner, inject, 60)
        with Logbook.open(folder / "logbook.sqlite", create=False) as book:
            rows = [row.reading for row in book.rows(1)]
            sound = all(found.ok for found in book.verify_all())
        gapless = rows == [float(n) for n in range(1, len(rows) + 1)]
        lost = max(0, acked - len(rows))
        held = held and sound and gapless and not lost and failed > 0 and (name == "for ever") == (left > 0)
        words.append(f"{name}: {acked} acknowledged, {lost} lost, {failed} failures told, {left} waiting at the end")
    return Outcome(held, "; ".join(words))


@fault(
    "H13",
    "slow disk",
    inject="strace: every 20th fdatasync takes 300 ms, one 5 s; the real program on a pty at 10 lines a second",
    must="no line lost, all in the record in the end",
)
def slow_disk(bench: Bench) -> Outcome:
    """``watch`` itself, its sync calls delayed."""
    from rinsewatch.cli.bench_fault_live import Watched

    delays = [
        "-e",
        "inject=fdatasync:delay_exit=300000:when=20+20",
        "-e",
        "inject=fdatasync:delay_exit=5000000:when=45",
    ]
    with Watched(bench.folder, before=strace("-e", "trace=fdatasync", *delays[: 2 if bench.short else 4])) as watched:
        if not watched.begun(30.0):
            raise CannotRun("watch did not start under strace")
        watched.speak(bench.many(300, 60), 0.1)
        all_in = wait_for(lambda: watched.missing() == 0, 30.0, 0.3)
        missing = watched.missing()
    return Outcome(all_in, f"{watched.sent_count} lines sent, {missing} missing in the record")
