"""Fault bench: the cable pulled, put back, shaken, in use, forbidden (rows S01-S04, S14-S16, S20, S22, S23)."""

from __future__ import annotations

import re
import statistics
import time
from itertools import pairwise
from pathlib import Path

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
    line_of,
    open_files,
    plugged,
    poll_for,
    poll_until,
    profile_of,
    readings,
)
from rinsewatch.cli.bench_fault_table import Bench, Outcome, fault, in_time
from rinsewatch.rinse.state import Verdict
from rinsewatch_drivers.clock import SystemClock
from rinsewatch_drivers.errors import PortMissing
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.profile import SerialSettings
from rinsewatch_drivers.reading import LinkState
from rinsewatch_drivers.transport import Transport

LOOSE = re.compile(rb"[0-9]+(?:\.[0-9]*)?")  # the control: find a number in the text


@fault(
    "S01",
    "unplug mid-line",
    inject="'123.' sent, then the pty's master closed",
    must="told within 1 s, half line no reading, one event, descriptor closed, processor < 2 %",
)
def unplug(bench: Bench) -> Outcome:
    """On a real pty; then two seconds of waiting are measured."""
    with plugged(bench.folder) as pty:
        before = open_files()
        link = MeterLink(str(pty.link), profile_of(), clock=SystemClock())
        pty.send(b"\r\n" + line_of(900) + line_of(890))
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
    held = believed(happened) == [900.0, 890.0] and len(cut) == 1 and left <= 0 and share < 2
    held = held and len(events(happened, LinkState.LOST)) == 1 and _clock_is_reset(bench.folder)
    figures = (
        f"told after {told_s:.2f} s, {len(cut)} half line flagged, {share:.1f} % of a core, {left} descriptors left"
    )
    naive = LOOSE.search(b"123.")
    return in_time(held, told_s <= 1.0, figures, "find-a-number reads 123 from the half line", naive is not None)


def _clock_is_reset(folder: Path) -> bool:
    """A lost meter gives no stop: verdict check until readings come."""
    clock = VirtualClock()
    script: Script = [(i, line_of(900 - i)) for i in range(1, 30)]
    link = cable_link(clock, Cable(clock, [*script, (30.0, None)]), later=[Cable(clock, [])])
    recording = Recording(folder, clock)
    recording.take(poll_for(link, clock, 32.0))
    state = recording.live.state
    recording.close()
    return state is not None and state.verdict is Verdict.CHECK


@fault(
    "S02",
    "replug, same path",
    inject="link removed and made again after 0.1, 2 s (real), 60, 3600 s (virtual time)",
    must="reading <= 2 s after the path appears; gap told with its seconds",
)
def replug(bench: Bench) -> Outcome:
    """The worst of the four gaps."""
    took = [_replug_s(bench.folder, gap_s) for gap_s in (0.1, 2.0)]
    told = [_virtual_gap(gap_s) for gap_s in (60.0, 3600.0)]
    worst = max(took + [seconds for seconds, _ in told])
    gaps = all(right for _, right in told)
    back = worst < float("inf")
    return in_time(
        back and gaps,
        worst <= 2.0,
        f"reading after at most {worst:.2f} s, gap told rightly in {sum(r for _, r in told)}/2",
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
        pty.send(b"\r\n" + line_of(700))  # opening a port throws away what came before
        found += link.poll(0.05)
    return time.monotonic() - plugged_s if believed(found) else float("inf")


def _virtual_gap(gap_s: float) -> tuple[float, bool]:
    clock = VirtualClock()
    back_s = clock.now_s + 5.0 + gap_s
    cables = [Cable(clock, [(1.0, b"\r\n" + line_of(900)), (5.0, None)])]

    def opener(url: str, settings: SerialSettings) -> Transport:
        if cables:
            return cables.pop()
        if clock.now_s < back_s:
            raise PortMissing("not there")
        return Cable(clock, [(0.01, b"\r\n" + line_of(800))])

    link = MeterLink("virtual", profile_of(), clock=clock, opener=opener)
    happened = poll_for(link, clock, gap_s + 10.0)
    got = [r.monotonic_s for r in readings(happened) if r.value == 800.0]
    back = events(happened, LinkState.BACK)
    said = [float(word) for word in re.findall(r"after ([0-9.]+) s", back[0].detail)] if back else []
    return (got[0] - back_s if got else float("inf")), bool(said) and abs(said[0] - gap_s) < 2.5


@fault(
    "S03",
    "replug under another number",
    inject="100 times: the link points to a new pty",
    must="100 of 100 read again, no descriptor leaked, 95 % within 2 s",
)
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
    return in_time(back == times and leaked <= 0, p95 <= 2.0, figures)


@fault(
    "S04",
    "different device on the same path",
    inject="after a replug another meter speaks key=value, then the first again",
    must="none of its lines a reading, told within 10 s, run stays open, first meter read again",
)
def other_device(bench: Bench) -> Outcome:
    """In virtual time, recorded."""
    clock = VirtualClock()
    first: Script = [(i, line_of(900 - i)) for i in range(1, 6)]
    other: Script = [(i, b"K1: 3.0; ID: 7 !\r\n") for i in range(1, 31)]
    third: Script = [(i, line_of(800 - i)) for i in range(1, 11)]
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
    figures = f"{len(wrong)} false readings, told {len(told)} time(s), {again} of 10 lines after it; {ledger}"
    taken = sum(LOOSE.search(data or b"") is not None for _, data in other)
    return Outcome(held, figures, f"find-a-number took {taken} of 30 lines", taken > 0)


@fault("S22", "very slow meter", inject="1 line in 5 min, 24 lines, period declared", must="never called silent")
def slow(bench: Bench) -> Outcome:
    """In virtual time; without the declared period the control calls it silent."""
    declared, ledger = _slow_run(bench.folder, 300.0)
    figures, naive = f"{declared} false silences in 2 h; {ledger[0]}", _slow_run(bench.folder / "control", None)[0]
    return Outcome(declared == 0 and ledger[1], figures, f"fixed 5 s: {naive} silences", naive > 0)


def _slow_run(folder: Path, period_s: float | None) -> tuple[int, tuple[str, bool]]:
    import msgspec

    folder.mkdir(exist_ok=True)
    clock, plain = VirtualClock(), profile_of()
    assert plain.text is not None
    profile = msgspec.structs.replace(plain, text=msgspec.structs.replace(plain.text, period_s=period_s))
    script: Script = [(300.0 * i + 1.0, line_of(900 - i)) for i in range(24)]
    link = cable_link(clock, Cable(clock, script), profile)
    recording = Recording(folder, clock)
    happened = poll_for(link, clock, 7200.0, 5.0)
    recording.take(happened)
    ledger = recording.ledger([(data or b"").strip() for _, data in script])
    recording.close()
    return len(events(happened, LinkState.SILENT)), (str(ledger), ledger.balanced)


@fault(
    "S23",
    "flapping cable",
    inject="100 unplugs and replugs in 60 s (virtual time), recorded",
    must="at most one event a second, run survives",
)
def flapping(bench: Bench) -> Outcome:
    """Events in the record, not only those of the driver."""
    clock = VirtualClock()
    cables = [Cable(clock, [(0.1, b"\r\n" + line_of(900)), (0.3, None)]) for _ in range(100)]
    link = cable_link(clock, cables[0], later=[*cables[1:], Cable(clock, [(1.0 + i, line_of(700)) for i in range(30)])])
    recording = Recording(bench.folder, clock)
    happened = poll_for(link, clock, 75.0)
    for item in happened:
        recording.take([item])
    times = [e.row.time_s for e in recording.entries() if e.row.event.startswith(("fault: meter", "note: meter"))]
    recording.close()
    closest = min((b - a for a, b in pairwise(times)), default=9.9)
    alive = 700.0 in believed(happened)
    return Outcome(
        alive and closest >= 1.0,
        f"{len(times)} link events in the record, closest {closest:.2f} s apart, alive: {alive}",
    )
