"""Fault bench: opening the port: in use, stolen, denied, absent."""

from __future__ import annotations

import os
import subprocess
import sys
import time

from rinsewatch.cli.bench_fault_live import PORTIONS
from rinsewatch.cli.bench_fault_program import as_nobody, run_program
from rinsewatch.cli.bench_fault_rig import (
    Cable,
    Happened,
    Pty,
    VirtualClock,
    believed,
    events,
    line_of,
    plugged,
    poll_for,
    poll_until,
    profile_of,
    readings,
)
from rinsewatch.cli.bench_fault_table import Bench, Outcome, fault
from rinsewatch_drivers.clock import SystemClock
from rinsewatch_drivers.errors import PortBusy, PortMissing
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.profile import SerialSettings
from rinsewatch_drivers.reading import LinkState, Quality
from rinsewatch_drivers.text import parse_line
from rinsewatch_drivers.transport import Transport


@fault(
    "S14",
    "port in use",
    inject="second process with flock; with TIOCEXCL, asked as user 65534",
    must="refused, holder's pid and name said, exit code 3",
)
def in_use(bench: Bench) -> Outcome:
    """Both ways of holding a port, and the command line's exit code."""
    with plugged(bench.folder) as pty:
        with _holder(pty.path, "fcntl.flock(fd, fcntl.LOCK_EX)") as (pid, holder):
            said = _refusal(pty)
            code, _, err = run_program(bench.folder, "watch", "--port", str(pty.link), "--plain", *PORTIONS)
            holder.kill()
        with _holder(pty.path, "fcntl.ioctl(fd, termios.TIOCEXCL)") as (_, holder):
            excluded = _refused_as_nobody(pty.path)
            holder.kill()
    held = f"pid {pid}" in said and code == 3 and f"pid {pid}" in err and "in use" in excluded
    named = "named" if f"pid {pid}" in err else "not named"
    return Outcome(held, f"flock: exit code {code}, {named}; TIOCEXCL: {excluded.strip()[:60]}")


class _holder:
    """A process that holds a port until killed."""

    def __init__(self, path: str, act: str) -> None:
        opening = "import fcntl, os, sys, termios\nfd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)"
        code = f"{opening}\n{act}\nprint(1, flush=True)\nsys.stdin.read()"
        self._process = subprocess.Popen(
            [sys.executable, "-c", code, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )

    def __enter__(self) -> tuple[int, subprocess.Popen[bytes]]:
        assert self._process.stdout is not None
        self._process.stdout.readline()
        return self._process.pid, self._process

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.communicate()


def _refusal(pty: Pty) -> str:
    try:
        MeterLink(str(pty.link), profile_of(), clock=SystemClock()).close()
    except PortBusy as busy:
        return str(busy)
    return ""


_OPEN = """
import sys
from rinsewatch_drivers.errors import PortError
from rinsewatch_drivers.profile import SerialSettings
from rinsewatch_drivers.transport import open_transport
try:
    open_transport(sys.argv[1], SerialSettings())
    print("opened")
except PortError as error:
    print(error)
"""


def _refused_as_nobody(path: str) -> str:
    os.chmod(path, 0o666)
    return as_nobody(_OPEN, path)


@fault(
    "S15",
    "second reader steals bytes",
    inject="another process reads the same pty in a loop",
    must="warned within 30 s, from then on no number believed",
)
def stolen(bench: Bench) -> Outcome:
    """A quick thief and one that leaves torn lines; numbers sent are 1000.0 and up, what is left of a line is less."""
    figures, held = [], True
    for pause_s in (0.004,) if bench.short else (0.0, 0.004):
        told, earlier, wrong = _robbed(bench, pause_s)
        held = held and told <= 30.0 and wrong == 0
        figures.append(f"warned after {told:.1f} s, torn lines believed until then {earlier}, afterwards {wrong}")
    return Outcome(held, "; ".join(figures), *_torn())


def _robbed(bench: Bench, pause_s: float) -> tuple[float, int, int]:
    """s from the theft's beginning to the warning; torn lines the driver took for readings before it, and after."""
    act = f"import select, time\nwhile select.select([fd], [], []): os.read(fd, 3); time.sleep({pause_s})"
    with plugged(bench.folder) as pty:
        link = MeterLink(str(pty.link), profile_of(), clock=SystemClock())
        _lines_for(link, pty, 1.0)
        with _holder(pty.path, f"print(1, flush=True)\n{act}"):
            begun_s = time.monotonic()
            happened = _lines_for(link, pty, bench.many(30, 9))
        link.close()
    told_s = min((event.monotonic_s for event in events(happened) if "(pid" in event.detail), default=float("inf"))
    before = [r for r in readings(happened) if r.monotonic_s <= told_s]
    after = [r for r in readings(happened) if r.monotonic_s > told_s]
    return told_s - begun_s, sum(value < 1000.0 for value in believed(before)), len(believed(after))


def _lines_for(link: MeterLink, pty: Pty, seconds: float) -> Happened:
    """20 lines a second, all above 1000."""
    happened: Happened = []
    for number in range(int(seconds * 20)):
        pty.send(line_of(1000.0 + number))
        happened += poll_until(link, lambda h: False, 0.05, 0.05)
    return happened


def _torn() -> tuple[str, bool]:
    """What a whole-line grammar alone makes of lines that lost three bytes somewhere: the control."""
    lines = [line_of(1000.0 + n).strip() for n in range(100)]
    torn = [line[:at] + line[at + 3 :] for line in lines for at in range(len(line) - 3)]
    taken = sum(parse_line(profile_of(), line).quality is Quality.GOOD for line in torn)
    return f"the grammar alone takes {100 * taken / len(torn):.0f} % of torn lines", taken > 0


@fault(
    "S16",
    "permission denied",
    inject="pty made 0600 and another's, opened as user 65534",
    must="one sentence that names the group, exit code 3, no traceback",
)
def denied(bench: Bench) -> Outcome:
    """As nobody, through the driver; a traceback would be the whole program's shame."""
    with plugged(bench.folder) as pty:
        os.chmod(pty.path, 0o600)
        said = as_nobody(_OPEN, pty.path)
    held = "dialout" in said and "Traceback" not in said and "\n" not in said.strip()
    return Outcome(held, said.strip()[:90])


@fault(
    "S20",
    "no device at start",
    inject="no such path; it appears after 60 s (virtual time)",
    must="waits visibly, starts by itself",
)
def absent(bench: Bench) -> Outcome:
    """With ``wait``, as --wait does."""
    clock = VirtualClock()
    there_s = clock.now_s + 60.0

    def opener(url: str, settings: SerialSettings) -> Transport:
        if clock.now_s < there_s:
            raise PortMissing("there is no port")
        return Cable(clock, [(0.5, b"\r\n" + line_of(500))])

    link = MeterLink("virtual", profile_of(), clock=clock, opener=opener, wait=True)
    happened = poll_for(link, clock, 65.0)
    at_s = [r.monotonic_s - there_s for r in readings(happened) if r.value == 500.0]
    waits = len(events(happened, LinkState.WAITING))
    return Outcome(
        waits == 1 and bool(at_s) and at_s[0] <= 2.0,
        f"{waits} waiting event, read {at_s[0] if at_s else -1:.1f} s after it came",
    )
