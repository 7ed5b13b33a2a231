"""Fault bench: the date moved, summer time, suspend (rows H05-H07)."""

from __future__ import annotations

import csv
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

from rinsewatch import Rinse
from rinsewatch.cli.bench_fault_program import run_program, wait_for
from rinsewatch.cli.bench_fault_rig import setup
from rinsewatch.cli.bench_fault_table import Bench, Outcome, fault
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.session.commands import Note
from rinsewatch.session.live import LiveRinse, Policy
from rinsewatch.session.pouring import begin_pouring
from rinsewatch.session.recorder import Recorder
from rinsewatch.session.runner import Session
from rinsewatch.session.timebase import TimeBase


class ThreeClocks:
    """Monotonic time, the date and the time since boot, each moved by hand."""

    def __init__(self) -> None:
        self.monotonic_s = self.asleep_s = self.moved_s = 0.0
        self._never = threading.Event()

    def monotonic(self) -> float:
        """Stands still in sleep."""
        return self.monotonic_s

    def utc(self) -> datetime:
        """Goes on in sleep, and can be moved."""
        passed_s = self.monotonic_s + self.asleep_s + self.moved_s
        return datetime(2026, 10, 24, 22, 30, tzinfo=UTC) + timedelta(seconds=passed_s)

    def wait(self, seconds: float) -> None:
        """A moment of real time."""
        self._never.wait(0.001)

    def boottime(self) -> float:
        """Goes on in sleep."""
        return self.monotonic_s + self.asleep_s


class _Run:
    """A session on three clocks, recorded."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.clocks, self._made = ThreeClocks(), setup(portion_ml=None, flow_ml_min=60.0)
        self.book = Logbook.open(folder / "clock.sqlite")
        writer = self.book.begin_rinse({"resin_ml": 500}, "", "2026-10-24T22:30:00.000Z")
        live = LiveRinse(self._made, Rinse(self._made), Recorder(writer), begin_pouring(None, 60.0), Policy())
        self.session = Session(live, None, self.clocks, TimeBase(0.0), boottime=self.clocks.boottime)
        self.session.start()

    def note(self, words: str) -> None:
        """Write a note and wait until it is stored."""
        self.session.send(Note(words))
        assert wait_for(lambda: self.session.latest.message == words, 10.0, 0.005), "the session hangs"

    def end(self) -> list[Entry]:
        """What is in the record."""
        self.session.finish("finished")
        entries = self.book.entries(1)
        self.book.close()
        return entries


def _over(folder: Path, *, asleep_s: float = 0.0, moved_s: float = 0.0) -> list[Entry]:
    """The record of a rinse of 8 s on the monotonic clock, with a sleep and a change of the date in its middle."""
    run = _Run(folder)
    run.clocks.monotonic_s = 4.0
    run.note("before")
    run.clocks.asleep_s, run.clocks.moved_s = asleep_s, moved_s
    run.note("then")
    run.clocks.monotonic_s = 8.0
    run.note("after")
    return run.end()


def slept(folder: Path, asleep_s: float) -> tuple[bool, float, list[Entry]]:
    """Was a sleep of so many seconds told, by how much is the elapsed time off, and the record."""
    entries = _over(folder, asleep_s=asleep_s)
    told = any(f"continued after {asleep_s:.0f} s" in entry.row.event for entry in entries)
    return told, abs(entries[-1].row.time_s - 8.0 - asleep_s), entries


@fault(
    "H07",
    "suspend",
    inject="the boot-time clock and the date go on while the monotonic one stands: 2 min, 8 h, 3 days",
    must="gap told, elapsed time right to 1 s",
)
def suspend(bench: Bench) -> Outcome:
    """The control counts monotonic seconds only."""
    sleeps = (120.0, 28_800.0, 259_200.0)
    found = [slept(bench.folder / str(int(s)), s) for s in sleeps]
    told, worst = sum(f[0] for f in found), max(f[1] for f in found)
    figures = f"gap told {told}/3, elapsed time off by at most {worst:.1f} s"
    naive = [s + 8.0 - _monotonic_s(entries) for s, (_, _, entries) in zip(sleeps, found, strict=True)]
    control = f"monotonic clock alone: off by {min(naive):.0f} to {max(naive):.0f} s"
    return Outcome(told == 3 and worst <= 1.0, figures, control, min(naive) > 1.0)


def _monotonic_s(entries: list[Entry]) -> float:
    return entries[-1].monotonic_s or 0.0


@fault(
    "H05",
    "clock set",
    inject="date moved by +1 h, -1 h, -1 day, from 1970 to now, between two rows",
    must="elapsed time right to 1 s, order kept, told",
)
def clock_set(bench: Bench) -> Outcome:
    """The control takes the date for the elapsed time."""
    moves, worst, told, ordered, naive = (3_600.0, -3_600.0, -86_400.0, 1.7e9), 0.0, 0, 0, 0.0
    for number, moved_s in enumerate(moves):
        entries = _over(bench.folder / str(number), moved_s=moved_s)
        worst = max(worst, abs(entries[-1].row.time_s - 8.0))
        told += any("clock moved by" in entry.row.event for entry in entries)
        times = [entry.row.time_s for entry in entries]
        ordered += times == sorted(times)
        by_date = datetime.fromisoformat(entries[-1].utc) - datetime.fromisoformat(entries[0].utc)
        naive = max(naive, abs(by_date.total_seconds() - 4.0))
    held = worst <= 1.0 and told == ordered == len(moves)
    figures = f"elapsed time off by at most {worst:.1f} s, told {told}/4, in order {ordered}/4"
    return Outcome(held, figures, f"by the date: off by up to {naive:.0f} s", naive > 1.0)


@fault(
    "H06",
    "summer time",
    inject="TZ=Europe/Berlin, rinses over 2026-10-25 03:00 and 2027-03-28 02:00",
    must="UTC stored, elapsed time right, local time shown with its offset",
)
def summer_time(bench: Bench) -> Outcome:
    """Two rinses begun half an hour before the change; what ``logbook`` prints and exports."""
    path = bench.folder / "logbook.sqlite"
    starts = ("2026-10-25T00:30:00.000Z", "2027-03-28T00:30:00.000Z")
    with Logbook.open(path) as book:
        for start in starts:
            with book.begin_rinse({"resin_ml": 500, "portion_ml": 250}, "B1", start) as writer:
                begun = datetime.fromisoformat(start)
                for number in range(5):
                    utc = (begun + timedelta(seconds=900 * number)).strftime("%Y-%m-%dT%H:%M:%S.000Z")
                    row = Row(900.0 * number, 0.0, Mark.VALUE, 500.0 - number, "ppm", 0)
                    writer.append(Entry(row=row, utc=utc))
                writer.close_rinse("finished", "rinse", utc=utc)
    world = {"TZ": "Europe/Berlin"}
    shown = run_program(bench.folder, "logbook", "list", "--logbook", str(path), world=world)[1]
    with Logbook.open(path, create=False) as book:
        times = [[row.time_s for row in book.rows(number)] for number in (1, 2)]
        utc_kept = [info.started_utc for info in book.rinses()] == list(starts)
        book.export(1, bench.folder / "one.csv")
    exported = [line for line in csv.reader((bench.folder / "one.csv").read_text("utf-8").splitlines()) if line]
    right = times == [[0.0, 900.0, 1800.0, 2700.0, 3600.0]] * 2 and utc_kept
    local = "2026-10-25 02:30" in shown and "2027-03-28 01:30" in shown
    offset = "+02:00" in shown and "+01:00" in shown
    lacking = "" if offset else "local times are shown without their offset"
    return Outcome(
        right and local and len(exported) > 5,
        f"UTC kept: {utc_kept}, elapsed right: {right}, local time shown: {local}",
        lacking=lacking,
    )
