"""Fault bench: the terminal resized, closed, stopped, flooded, poor; signals (rows O07-O14)."""

from __future__ import annotations

import os
import random
import signal
import time

from rinsewatch.cli.bench_fault_live import PORTIONS, Watched
from rinsewatch.cli.bench_fault_program import stored, wait_for
from rinsewatch.cli.bench_fault_table import Bench, Outcome, fault, in_time
from rinsewatch.logbook.store import Logbook


@fault(
    "O08", "resize storm", inject="5,000 window sizes, 1x1, 10x3, 300x100 among them", must="no line lost, no traceback"
)
def resize(bench: Bench) -> Outcome:
    """``watch`` on a terminal, its meter sending all the while."""
    rng, sizes = random.Random(8), ((1, 1), (3, 10), (100, 300), (24, 80), (5, 200), (60, 20))
    times = bench.many(5_000, 300)
    with Watched(bench.folder, screen=True) as watched:
        begun = watched.begun()
        for number in range(times):
            watched.resize(*rng.choice(sizes))
            if number % 10 == 0:
                watched.speak(1, 0.0)
            watched.look(0.002)
        watched.resize(24, 80)
        watched.speak(10, 0.1)
        stored_all = wait_for(lambda: watched.look(0.1) is not None and watched.missing() == 0, 8.0, 0.1)
        missing, alive = watched.missing(), watched.process.poll() is None
        clean = b"Traceback" not in watched.drawn
    held = begun and stored_all and alive and clean
    return Outcome(
        held, f"{times} sizes, {missing} of {watched.sent_count} lines missing, alive: {alive}, traceback: {not clean}"
    )


@fault(
    "O09",
    "terminal closed",
    inject="the pty's master closed (hang-up)",
    must="exit 129 within a second or two, all rows there, rinse can be continued",
)
def closed(bench: Bench) -> Outcome:
    """Exit within 2 s."""
    with Watched(bench.folder, screen=True) as watched:
        begun = watched.begun()
        watched.speak(20, 0.05)
        watched.look(0.6)
        began_s = time.monotonic()
        watched.hang_up()
        code = watched.ended(5.0)
        took_s = time.monotonic() - began_s
        missing = watched.missing()
        info = watched.info()
    held = begun and code == 129 and missing == 0 and info is not None and info.unfinished
    return in_time(
        held, took_s < 2.0, f"exit code {code} after {took_s:.2f} s, {missing} of {watched.sent_count} lines missing"
    )


@fault(
    "O10",
    "Ctrl-C anywhere",
    inject="SIGINT at random moments, a second one 0-30 ms later, 200 times; on a terminal by the key, 20 times",
    must="exit 130, every row that was stored is there and verifies, terminal restored",
)
def interrupted(bench: Bench) -> Outcome:
    """Moments are drawn from the start of recording on."""
    rng, times, right, lost = random.Random(10), bench.many(200, 4), 0, 0
    for number in range(times):
        folder = bench.folder / f"s{number}"
        folder.mkdir()
        with Watched(folder) as watched:
            watched.begun()
            watched.look(rng.uniform(0.0, 0.03))
            seen = stored(watched.path)
            watched.signal(signal.SIGINT)
            watched.look(rng.uniform(0.0, 0.03))
            watched.signal(signal.SIGINT)
            code = watched.ended()
            lost += max(0, seen - stored(watched.path))
            right += code == 130 and _verifies(watched)
    plain = sum(_key(bench, rng, number) for number in range(bench.many(20, 2)))
    held = right == times and lost == 0 and plain == bench.many(20, 2)
    return Outcome(
        held, f"exit 130 and verified {right}/{times}, {lost} rows lost, terminal restored {plain}/{bench.many(20, 2)}"
    )


def _verifies(watched: Watched) -> bool:
    with Logbook.open(watched.path, create=False) as book:
        return book.rinse(1).unfinished and all(found.ok for found in book.verify_all())


def _key(bench: Bench, rng: random.Random, number: int) -> bool:
    """Ctrl-C as a key; is the terminal as it was?"""
    folder = bench.folder / f"k{number}"
    folder.mkdir()
    with Watched(folder, screen=True) as watched:
        watched.begun()
        watched.look(rng.uniform(0.0, 0.3))
        watched.type(b"\x03")
        code = watched.ended()
        watched.look(0.2)
        return code == 130 and watched.plain_again()


def _stopped(bench: Bench, number: int, seconds: float) -> Outcome:
    """Stop the program while the meter goes on, let it go on: what queued up must be marked late, the gap told."""
    with Watched(bench.folder) as watched:
        begun = watched.begun()
        watched.speak(20, 0.1)
        watched.signal(number)
        watched.look(0.1)
        before = watched.sent_count
        watched.speak(int(seconds), 1.0)
        watched.signal(signal.SIGCONT)
        watched.look(1.0)
        after = watched.sent_count
        watched.speak(10, 0.2)
        stored_all = wait_for(lambda: watched.missing() == 0, 5.0, 0.2)
        late, fresh = _late(watched, before, after)
        gap = [event for event in _events(watched) if "continued after" in event]
    held = begun and stored_all and late == after - before and fresh == 0 and len(gap) == 1
    figures = f"{late} of {after - before} queued lines marked late, {fresh} others too, none lost: {stored_all}"
    return Outcome(held, f"{figures}; told: {', '.join(gap)}")


def _late(watched: Watched, before: int, after: int) -> tuple[int, int]:
    queued = {b"%.3f uS/cm" % (3000.0 * 0.9999**n) for n in range(before + 1, after + 1)}
    with Logbook.open(watched.path, create=False) as book:
        marked = [entry.raw for entry in book.entries(1) if entry.cause == "late"]
    return sum(raw in queued for raw in marked), sum(raw not in queued for raw in marked)


def _events(watched: Watched) -> list[str]:
    with Logbook.open(watched.path, create=False) as book:
        return [row.event for row in book.rows(1) if row.event]


@fault(
    "O11",
    "Ctrl-Z and fg",
    inject="SIGTSTP for 60 s while the meter sends, then SIGCONT",
    must="gap told, queued lines marked late, none lost, recording goes on",
)
def stopped(bench: Bench) -> Outcome:
    """The kernel hands all of them over at once."""
    return _stopped(bench, signal.SIGTSTP, bench.many(60, 7))


@fault(
    "O07",
    "laptop closed",
    inject="SIGSTOP for 60 s while the meter sends; in virtual time a sleep of 8 h that only the date shows",
    must="gap told, queued lines marked late, elapsed time right",
)
def laptop(bench: Bench) -> Outcome:
    """The sleep itself, as the session's clocks see it, is row H07."""
    from rinsewatch.cli.bench_fault_clock import slept

    found, (told, error_s, _) = _stopped(bench, signal.SIGSTOP, bench.many(60, 7)), slept(bench.folder / "h", 28_800.0)
    held = found.held and told and error_s <= 1.0
    return Outcome(held, f"{found.figures}; sleep of 8 h told: {told}, elapsed off by {error_s:.1f} s")


@fault(
    "O12",
    "stdout closed, slow terminal",
    inject="the pipe's reader gone; a terminal that nobody reads",
    must="recording goes on",
)
def nobody_listens(bench: Bench) -> Outcome:
    """In both cases 60 lines are sent after nobody reads any more."""
    reader, writer = os.pipe()
    folders = [bench.folder / name for name in ("pipe", "screen")]
    for folder in folders:
        folder.mkdir()
    with Watched(folders[0], out=writer) as piped:
        os.close(writer)
        begun = piped.begun()
        os.close(reader)
        piped.speak(60, 0.05)
        wait_for(lambda: piped.missing() == 0, 8.0, 0.2)
        missing = [piped.missing()]
    with Watched(folders[1], screen=True) as hung:
        begun = hung.begun() and begun
        master, hung.master = hung.master, -1  # from now on it is not read
        hung.speak(bench.many(400, 120), 0.05)
        wait_for(lambda: hung.missing() == 0, 8.0, 0.2)
        missing.append(hung.missing())
        hung.master = master
    # the control: a reader that prints first stops at the first full or broken pipe
    return Outcome(
        begun and missing == [0, 0],
        f"lines missing: {missing[0]} with a closed pipe, {missing[1]} with a terminal nobody reads",
    )


@fault(
    "O13",
    "pasted keys",
    inject="5,000 keys pasted, mouse bytes, halves of UTF-8 characters",
    must="no portion that was not meant",
)
def pasted(bench: Bench) -> Outcome:
    """Bracketed as terminals do, and in one lump as those do that know no brackets; no y may answer."""
    keys = "".join(random.Random(13).choice("pvnc= 0123456789\r") for _ in range(bench.many(5_000, 1_000)))
    with Watched(bench.folder, screen=True, rinse=PORTIONS) as watched:
        begun = watched.begun()
        watched.type(b"\x1b[200~" + keys.encode() + b"\x1b[201~")
        watched.look(0.5)
        for piece in (b"p" * 500, b"\x1b[M !!pp\x1b[<0;10;10Mpp", b"\xc3", b"\xe2\x82", b"\xff\xfe"):
            watched.type(piece)
            watched.look(0.3)
        watched.look(1.0)
        poured = sum(event == "portion" for event in _events(watched))
        watched.type(b"\x1b")
        watched.look(1.0)
        watched.type(b"p")
        counted = wait_for(lambda: sum(e == "portion" for e in _events(watched)) == poured + 1, 5.0)
        alive = watched.process.poll() is None
    return Outcome(
        begun and poured == 0 and alive,
        f"{poured} portions from it, alive: {alive}, a key by hand after it counts: {counted}",
        lacking="" if counted else "a single key right after the flood did not count",
    )


@fault(
    "O14",
    "poor terminals",
    inject="TERM=dumb, LC_ALL=C, NO_COLOR, 20 columns, TERM unset",
    must="starts, records, ends with 130, no traceback",
)
def poor(bench: Bench) -> Outcome:
    """Each with its own environment."""
    worlds = [{"TERM": "dumb"}, {"LC_ALL": "C", "LANG": "C"}, {"NO_COLOR": "1"}, {"COLUMNS": "20"}, {"TERM": ""}]
    right = 0
    for number, world in enumerate(worlds):
        folder = bench.folder / str(number)
        folder.mkdir()
        with Watched(folder, screen=True, **world) as watched:  # type: ignore[arg-type]  # names of variables
            if "COLUMNS" in world:
                watched.resize(24, 20)
            begun = watched.begun()
            watched.look(0.5)
            ascii_only = "LC_ALL" not in world or watched.drawn.isascii()
            colour = b"\x1b[31m" in watched.drawn or b"\x1b[1;31m" in watched.drawn
            watched.type(b"\x03")
            code = watched.ended()
            right += begun and code == 130 and b"Traceback" not in watched.drawn and ascii_only
            right -= "NO_COLOR" in world and colour
    return Outcome(right == len(worlds), f"{right}/{len(worlds)} work")
