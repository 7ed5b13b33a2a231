"""Fault bench: the cable pulled, put back, shaken, in use, forbidden (rows S01-S04, S14-S16, S20, S22, S23)."""

from __future__ import annotations

import os
import re
import statistics
import subprocess
import sys
import time
from pathlib import Path

from rinsewatch.cli.bench_fault_program import as_nobody, run_program
from rinsewatch.cli.bench_fault_rig import (
    Cable,
    Happened,
    Pty,
    Recording,
    Script,
    VirtualClock,
    believed,
    cable_link,
    events,
    open_files,
    plugged,
    poll_for,
    poll_until,
    profile_of,
    readings,
)
from rinsewatch.cli.bench_fault_table import Bench, CannotRun, Outcome, fault
from rinsewatch.rinse.state import Verdict
from rinsewatch_drivers.clock import SystemClock
from rinsewatch_drivers.errors import PortBusy, PortMissing
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.profile import SerialSettings
from rinsewatch_drivers.reading import LinkState, Quality
from rinsewatch_drivers.text import parse_line
from rinsewatch_drivers.transport import Transport

LOOSE = re.compile(rb"[0-9]+(?:\.[0-9]*)?")  # the control: find a number in the text
WATCH = ("--resin-ml", "500", "--portion-ml", "250", "--residue", "NaOH", "--endpoint", "12 uS/cm")


def _line(number: float) -> bytes:
    return b"%.1f uS/cm\r\n" % number


@fault("S01", "unplug mid-line", inject="'123.' sent, then the pty's master closed",
       must="told within 1 s, half line no reading, one event, descriptor closed, processor < 2 %")  # fmt: skip
def unplug(bench: Bench) -> Outcome:
    """On a real pty; then two seconds of waiting are measured."""
    with plugged(bench.folder) as pty:
        before = open_files()
        link = MeterLink(str(pty.link), profile_of(), clock=SystemClock())
        pty.send(b"\r\n" + _line(900) + _line(890))
        happened = poll_until(link, lambda h: len(believed(h)) == 2, 3.0)
        pty.send(b"123.")
        happened += poll_until(link, lambda h: False, 0.1)
        pulled_s = time.monotonic()
        pty.unplug()
        happened += poll_until(link, lambda h: bool(events(h, LinkState.LOST)), 3.0)
        told_s = time.monotonic() - pulled_s
        busy_s = time.thread_time()
        happened += poll_until(link, lambda h: False, 2.0, 0.25)
        share = 100 * (time.thread_time() - busy_s) / 2.0
        left = open_files() - before + 1  # the master is closed too
        link.close()
    cut = [r for r in readings(happened) if r.cause == "cut"]
    held = told_s <= 1.0 and believed(happened) == [900.0, 890.0] and len(cut) == 1 and left <= 0 and share < 2
    held = held and len(events(happened, LinkState.LOST)) == 1 and _clock_is_reset(bench.folder)
    figures = (
        f"told after {told_s:.2f} s, {len(cut)} half line flagged, {share:.1f} % of a core, {left} descriptors left"
    )
    naive = LOOSE.search(b"123.")
    return Outcome(held, figures, "find-a-number reads 123 from the half line", naive is not None)


def _clock_is_reset(folder: Path) -> bool:
    """A lost meter gives no stop: verdict check until readings come."""
    clock = VirtualClock()
    script: Script = [(i, _line(900 - i)) for i in range(1, 30)]
    link = cable_link(clock, Cable(clock, [*script, (30.0, None)]), later=[Cable(clock, [])])
    recording = Recording(folder, clock)
    recording.take(poll_for(link, clock, 32.0))
    state = recording.live.state
    recording.close()
    return state is not None and state.verdict is Verdict.CHECK


@fault("S02", "replug, same path", inject="link removed and made again after 0.1, 2 s (real), 60, 3600 s (virtual time)",
       must="reading <= 2 s after the path appears; gap told with its seconds")  # fmt: skip
def replug(bench: Bench) -> Outcome:
    """The worst of the four gaps."""
    took = [_replug_s(bench.folder, gap_s) for gap_s in (0.1, 2.0)]
    told = [_virtual_gap(gap_s) for gap_s in (60.0, 3600.0)]
    worst = max(took + [seconds for seconds, _ in told])
    gaps = all(right for _, right in told)
    return Outcome(
        worst <= 2.0 and gaps, f"reading after at most {worst:.2f} s, gap told rightly in {sum(r for _, r in told)}/2"
    )


def _replug_s(folder: Path, gap_s: float) -> float:
    with plugged(folder) as pty:
        link = MeterLink(str(pty.link), profile_of(), clock=SystemClock())
        seconds = _once(link, pty, gap_s)
        link.close()
    return seconds


def _once(link: MeterLink, pty: Pty, gap_s: float) -> float:
    """Pull, wait, plug in, speak; seconds from there to the reading (inf: none came)."""
    pty.unplug()
    poll_until(link, lambda h: False, gap_s)
    pty.plug()
    plugged_s = time.monotonic()
    found: Happened = []
    while not believed(found) and time.monotonic() < plugged_s + 5.0:
        pty.send(b"\r\n" + _line(700))  # opening a port throws away what came before
        found += link.poll(0.05)
    return time.monotonic() - plugged_s if believed(found) else float("inf")


def _virtual_gap(gap_s: float) -> tuple[float, bool]:
    clock = VirtualClock()
    back_s = clock.now_s + 5.0 + gap_s
    cables = [Cable(clock, [(1.0, b"\r\n" + _line(900)), (5.0, None)])]

    def opener(url: str, settings: SerialSettings) -> Transport:
        if cables:
            return cables.pop()
        if clock.now_s < back_s:
            raise PortMissing("not there")
        return Cable(clock, [(0.01, b"\r\n" + _line(800))])

    link = MeterLink("virtual", profile_of(), clock=clock, opener=opener)
    happened = poll_for(link, clock, gap_s + 10.0)
    got = [r.monotonic_s for r in readings(happened) if r.value == 800.0]
    back = events(happened, LinkState.BACK)
    said = [float(word) for word in re.findall(r"after ([0-9.]+) s", back[0].detail)] if back else []
    return (got[0] - back_s if got else float("inf")), bool(said) and abs(said[0] - gap_s) < 2.5


@fault("S03", "replug under another number", inject="100 times: the link points to a new pty", must="100 of 100 read again, no descriptor leaked, 95 % within 2 s")  # fmt: skip
def renumbered(bench: Bench) -> Outcome:
    """Real ptys."""
    times = bench.many(100, 12)
    with plugged(bench.folder) as pty:
        link = MeterLink(str(pty.link), profile_of(), clock=SystemClock())
        before = open_files()
        took = [_once(link, pty, 0.02) for _ in range(times)]
        leaked = open_files() - before
        link.close()
    back = sum(seconds < float("inf") for seconds in took)
    p95 = sorted(took)[int(0.95 * len(took))]
    figures = (
        f"{back}/{times} read again, 95 % within {p95:.2f} s, median {statistics.median(took):.2f} s, {leaked} leaked"
    )
    return Outcome(back == times and p95 <= 2.0 and leaked == 0, figures)


@fault("S04", "different device on the same path", inject="after a replug another meter speaks key=value, then the first again",
       must="none of its lines a reading, told within 10 s, run stays open, first meter read again")  # fmt: skip
def other_device(bench: Bench) -> Outcome:
    """In virtual time, recorded."""
    clock = VirtualClock()
    first: Script = [(i, _line(900 - i)) for i in range(1, 6)]
    other: Script = [(i, b"K1: 3.0; ID: 7 !\r\n") for i in range(1, 31)]
    third: Script = [(i, _line(800 - i)) for i in range(1, 11)]
    script = [Cable(clock, [*first, (6.0, None)]), Cable(clock, [*other, (31.0, None)]), Cable(clock, third)]
    link = cable_link(clock, script[0], later=script[1:])
    recording = Recording(bench.folder, clock)
    happened = poll_for(link, clock, 55.0)
    recording.take(happened)
    ledger = recording.ledger([(data or b"").strip() for _, data in first + other + third])
    wrong = [value for value in believed(happened) if value < 700]
    told = events(happened, LinkState.GARBAGE)
    again = sum(700 < value < 800 for value in believed(happened))
    recording.close()
    held = not wrong and bool(told) and again >= 9 and ledger.balanced
    figures = f"{len(wrong)} false readings, told {len(told)} time(s), {again} of 10 lines of the first meter after it; {ledger}"
    taken = sum(LOOSE.search(data or b"") is not None for _, data in other)
    return Outcome(held, figures, f"find-a-number took {taken} of 30 lines", taken > 0)


@fault("S14", "port in use", inject="second process with flock; with TIOCEXCL, asked as user 65534", must="refused, holder's pid and name said, exit code 3")  # fmt: skip
def in_use(bench: Bench) -> Outcome:
    """Both ways of holding a port, and the command line's exit code."""
    with plugged(bench.folder) as pty:
        with _holder(pty.path, "fcntl.flock(fd, fcntl.LOCK_EX)") as (pid, holder):
            said = _refusal(pty)
            code, _, err = run_program(bench.folder, "watch", "--port", str(pty.link), "--plain", *WATCH)
            holder.kill()
        with _holder(pty.path, "fcntl.ioctl(fd, termios.TIOCEXCL)") as (_, holder):
            excluded = _refused_as_nobody(pty.path)
            holder.kill()
    held = f"pid {pid}" in said and code == 3 and f"pid {pid}" in err and "in use" in excluded
    return Outcome(
        held,
        f"flock: exit code {code}, {'named' if f'pid {pid}' in err else 'not named'}; TIOCEXCL: {excluded.strip()[:60]}",
    )


class _holder:  # noqa: N801 - used as a function
    """A process that holds a port until killed."""

    def __init__(self, path: str, act: str) -> None:
        code = f"import fcntl, os, sys, termios\nfd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)\n{act}\nprint(1, flush=True)\nsys.stdin.read()"
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


@fault("S15", "second reader steals bytes", inject="another process reads the same pty in a loop", must="warned within 30 s, no wrong number believed")  # fmt: skip
def stolen(bench: Bench) -> Outcome:
    """A quick thief and one that leaves torn lines; numbers sent are 1000.0 and up, what is left of a line is less."""
    figures, held = [], True
    for pause_s in (0.0, 0.004):
        seen, wrong, told = _robbed(bench, pause_s)
        held = held and told <= 30.0 and wrong == 0
        figures.append(
            f"warned {told:.1f} s after the theft began, {seen} lines read before, then {wrong} torn ones believed"
        )
    return Outcome(held, "; ".join(figures), *_torn())


def _robbed(bench: Bench, pause_s: float) -> tuple[int, int, float]:
    """Lines read before the theft; torn ones believed after the warning; s from the theft to the warning."""
    act = f"import select, time\nwhile select.select([fd], [], []): os.read(fd, 3); time.sleep({pause_s})"
    with plugged(bench.folder) as pty:
        link = MeterLink(str(pty.link), profile_of(), clock=SystemClock())
        before = _lines_for(link, pty, 1.0)
        with _holder(pty.path, f"print(1, flush=True)\n{act}"):
            begun_s = time.monotonic()
            happened = _lines_for(link, pty, bench.many(30, 12))
        link.close()
    told_s = min((event.monotonic_s for event in events(happened) if "(pid" in event.detail), default=float("inf"))
    after = [r for r in readings(happened) if r.monotonic_s > told_s]
    return len(believed(before)), len(believed(after)), told_s - begun_s


def _lines_for(link: MeterLink, pty: Pty, seconds: float) -> Happened:
    """20 lines a second, all above 1000."""
    happened: Happened = []
    for number in range(int(seconds * 20)):
        pty.send(_line(1000.0 + number))
        happened += poll_until(link, lambda h: False, 0.05, 0.05)
    return happened


def _torn() -> tuple[str, bool]:
    """What a whole-line grammar alone makes of lines that lost three bytes somewhere: the control."""
    lines = [_line(1000.0 + n).strip() for n in range(100)]
    torn = [line[:at] + line[at + 3 :] for line in lines for at in range(len(line) - 3)]
    taken = sum(parse_line(profile_of(), line).quality is Quality.GOOD for line in torn)
    return f"the grammar alone takes {100 * taken / len(torn):.0f} % of torn lines", taken > 0


@fault("S16", "permission denied", inject="pty made 0600 and another's, opened as user 65534", must="one sentence that names the group, exit code 3, no traceback")  # fmt: skip
def denied(bench: Bench) -> Outcome:
    """As nobody, through the driver; a traceback would be the whole program's shame."""
    with plugged(bench.folder) as pty:
        os.chmod(pty.path, 0o600)
        said = as_nobody(_OPEN, pty.path)
    held = "dialout" in said and "Traceback" not in said and "\n" not in said.strip()
    return Outcome(held, said.strip()[:90])


@fault("S20", "no device at start", inject="no such path; it appears after 60 s (virtual time)", must="waits visibly, starts by itself")  # fmt: skip
def absent(bench: Bench) -> Outcome:
    """With ``wait``, as --wait does."""
    clock = VirtualClock()
    there_s = clock.now_s + 60.0

    def opener(url: str, settings: SerialSettings) -> Transport:
        if clock.now_s < there_s:
            raise PortMissing("there is no port")
        return Cable(clock, [(0.5, b"\r\n" + _line(500))])

    link = MeterLink("virtual", profile_of(), clock=clock, opener=opener, wait=True)
    happened = poll_for(link, clock, 65.0)
    at_s = [r.monotonic_s - there_s for r in readings(happened) if r.value == 500.0]
    waits = len(events(happened, LinkState.WAITING))
    return Outcome(
        waits == 1 and bool(at_s) and at_s[0] <= 2.0,
        f"{waits} waiting event, read {at_s[0] if at_s else -1:.1f} s after it came",
    )


@fault("S22", "very slow meter", inject="1 line in 5 min, 24 lines, period declared", must="never called silent")  # fmt: skip
def slow(bench: Bench) -> Outcome:
    """In virtual time; without the declared period the control calls it silent."""
    declared, ledger = _slow_run(bench.folder, 300.0)
    return Outcome(
        declared == 0 and ledger[1], f"{declared} false silences in 2 h; {ledger[0]}",
        f"fixed 5 s: {_slow_run(bench.folder / 'control', None)[0]} silences", True,
    )  # fmt: skip


def _slow_run(folder: Path, period_s: float | None) -> tuple[int, tuple[str, bool]]:
    import msgspec

    folder.mkdir(exist_ok=True)
    clock, plain = VirtualClock(), profile_of()
    assert plain.text is not None
    profile = msgspec.structs.replace(plain, text=msgspec.structs.replace(plain.text, period_s=period_s))
    script: Script = [(300.0 * i + 1.0, _line(900 - i)) for i in range(24)]
    link = cable_link(clock, Cable(clock, script), profile)
    recording = Recording(folder, clock)
    happened = poll_for(link, clock, 7200.0, 5.0)
    recording.take(happened)
    ledger = recording.ledger([(data or b"").strip() for _, data in script])
    recording.close()
    return len(events(happened, LinkState.SILENT)), (str(ledger), ledger.balanced)


@fault("S23", "flapping cable", inject="100 unplugs and replugs in 60 s (virtual time), recorded", must="at most one event a second, run survives")  # fmt: skip
def flapping(bench: Bench) -> Outcome:
    """Events in the record, not only those of the driver."""
    clock = VirtualClock()
    cables = [Cable(clock, [(0.1, b"\r\n" + _line(900)), (0.3, None)]) for _ in range(100)]
    link = cable_link(clock, cables[0], later=[*cables[1:], Cable(clock, [(1.0 + i, _line(700)) for i in range(30)])])
    recording = Recording(bench.folder, clock)
    happened = poll_for(link, clock, 75.0)
    for item in happened:
        recording.take([item])
    times = [e.row.time_s for e in recording.entries() if e.row.event.startswith(("fault: meter", "note: meter"))]
    recording.close()
    closest = min((b - a for a, b in zip(times, times[1:], strict=False)), default=9.9)
    alive = 700.0 in believed(happened)
    return Outcome(
        alive and closest >= 1.0,
        f"{len(times)} link events in the record, closest {closest:.2f} s apart, alive: {alive}",
    )


def requires(tool: str) -> None:
    """CannotRun where a tool is not installed."""
    import shutil

    if shutil.which(tool) is None:
        raise CannotRun(f"{tool} is not installed")
