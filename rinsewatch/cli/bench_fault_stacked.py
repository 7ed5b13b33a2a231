"""Fault bench: several faults at once, at random moments of one rinse in virtual time; the ledger must still close."""

from __future__ import annotations

import random
import resource
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from rinsewatch import Rinse
from rinsewatch.cli.bench_fault_rig import Cable, Ledger, Script, VirtualClock, cable_link, setup
from rinsewatch.cli.bench_fault_table import Bench, Outcome, fault
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.row import Row
from rinsewatch.session.commands import Answer, Pour, Undo
from rinsewatch.session.live import Item, LiveRinse, Policy
from rinsewatch.session.pouring import begin_pouring, rebuild_pouring
from rinsewatch.session.recorder import Recorder, Writer
from rinsewatch.session.retract import Retracting
from rinsewatch.session.stamp import Stamp
from rinsewatch_drivers.framing import MAX_FRAME_BYTES
from rinsewatch_drivers.reading import LinkEvent, Reading

_LINES, _STEP_S = 90, 0.25  # one line a second
_SETTINGS: dict[str, object] = {"resin_ml": 500, "portion_ml": 250}
Lines = list[bytes]


def _good(number: int) -> bytes:
    """A falling curve; each line another number, none of which comes about by cutting another."""
    return b"%d.5 uS/cm\r\n" % (3000 - 20 * number)


def _garbage(lines: Lines, at: int, rng: random.Random) -> None:
    lines[at] += rng.randbytes(rng.randint(1, 80)).translate(bytes(range(256)), b"\r\n\f0123456789") + b"!\r\n"


def _glued(lines: Lines, at: int, rng: random.Random) -> None:
    lines[at] = lines[at].rstrip()


def _overlong(lines: Lines, at: int, rng: random.Random) -> None:
    lines[at] += b"x" * rng.randint(300, 5_000) + b"\r\n"


def _no_unit(lines: Lines, at: int, rng: random.Random) -> None:
    for number in range(at, min(at + 10, _LINES)):
        lines[number] = lines[number].replace(b" uS/cm", b"")


def _words(lines: Lines, at: int, rng: random.Random) -> None:
    lines[at] += rng.choice([b"OL uS/cm", b"Err", b"----"]) + b"\r\n"


def _silence(lines: Lines, at: int, rng: random.Random) -> None:
    for number in range(at, min(at + 20, _LINES)):
        lines[number] = b""


_OF_LINES: dict[str, Callable[[Lines, int, random.Random], None]] = {
    "garbage": _garbage, "glued": _glued, "overlong": _overlong, "no unit": _no_unit, "words": _words,
    "silence": _silence,
}  # fmt: skip
_OF_THE_RUN = ("unplugged", "disk full", "killed", "stopped", "asleep", "double key", "undo")
ALL = (*_OF_LINES, *_OF_THE_RUN)


class _Open(Recorder):
    """A recorder whose waiting entries can be looked at, as only a dead process could tell them."""

    @property
    def lines_waiting(self) -> list[bytes]:
        """Lines in memory only."""
        return [entry.raw for entry in self._waiting if entry.raw]


@contextmanager
def _no_room() -> Iterator[None]:
    """Every write to a file fails, as on a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@dataclass(slots=True)
class _Run:
    """A rinse that can die and be continued. ``gone``: lines that were in memory only when it died."""

    book: Logbook
    clock: VirtualClock
    live: LiveRinse = field(init=False)
    recorder: _Open = field(init=False)
    writer: Writer = field(init=False)
    gone: list[bytes] = field(default_factory=list)
    full: bool = False
    most_waiting: int = 0

    def begin(self) -> None:
        """A new rinse."""
        self._live(self.book.begin_rinse(_SETTINGS, "", "2026-01-02T00:00:00Z"), [])

    def die(self) -> None:
        """Killed, and continued at once."""
        self.gone += self.recorder.lines_waiting
        self.writer.close()
        self._live(*self.book.continue_rinse(1))

    def _live(self, writer: Writer, rows: list[Row]) -> None:
        made = setup()
        self.writer, self.recorder = writer, _Open(writer)
        pouring = rebuild_pouring(begin_pouring(250.0, None), rows)
        self.live = LiveRinse(made, Retracting(lambda: Rinse(made)), self.recorder, pouring, Policy())
        self.live.restore(rows)

    def take(self, items: list[Item]) -> None:
        """Store and observe, on a full disk or a good one; then a tick."""
        stamped = [(item, self._stamp(item)) for item in items]
        if self.full:
            with _no_room():
                self.live.take(stamped)
                self.live.tick(self._stamp(None))
        else:
            self.live.take(stamped)
            self.live.tick(self._stamp(None))
        self.most_waiting = max(self.most_waiting, len(self.recorder.lines_waiting))

    def _stamp(self, item: Item | None) -> Stamp:
        at_s = item.monotonic_s if isinstance(item, Reading | LinkEvent) else self.clock.monotonic()
        return Stamp(at_s - 1000.0, self.clock.utc(), at_s)


@fault(
    "X21",
    "several faults at once",
    inject="2 to 4 of 13 faults of line, cable, disk, process, clock, person, at random moments or the same, 200 times",
    must="no false reading; sent = stored + flagged (or in memory when killed); record sound, in order, volume right",
)
def stacked(bench: Bench) -> Outcome:
    """The control keeps no queue: what waited for the disk would be gone."""
    rng, wrong, waited = random.Random(21), list[str](), 0
    total = Ledger(0, 0)
    times = bench.often(200, 8)
    for number in range(times):
        names = rng.sample(ALL, rng.randint(2, 4))
        moment = rng.randint(10, 60)
        moments = {name: moment if number % 2 else rng.randint(10, 60) for name in names}
        folder = bench.folder / str(number)
        folder.mkdir()
        problem, ledger, waiting = _one(folder, moments, rng)
        waited += waiting
        wrong += [f"{'+'.join(names)}: {problem}"] if problem else []
        total.sent, total.stored = total.sent + ledger.sent, total.stored + ledger.stored
        total.flagged += ledger.flagged
        total.same = total.same and ledger.same
    figures = f"{times - len(wrong)}/{times} combinations survived; {total}" + "".join(
        f"; {words}" for words in wrong[:3]
    )
    return Outcome(not wrong and total.balanced, figures, f"without a queue {waited} lines gone", waited > 0)


def _one(folder: Path, moments: dict[str, int], rng: random.Random) -> tuple[str, Ledger, int]:
    """What is wrong with a rinse with these faults ("" nothing), its ledger, and how many lines waited at most."""
    lines = [_good(number) for number in range(_LINES)]
    for name, at in moments.items():
        if name in _OF_LINES:
            _OF_LINES[name](lines, at, rng)
    clock = VirtualClock()
    cables, sent = _cables(clock, lines, moments.get("unplugged"))
    with Logbook.open(folder / "stacked.sqlite") as book:
        run = _Run(book, clock)
        run.begin()
        _play(run, cables, moments)
        entries = book.entries(1)
        sound = all(found.ok for found in book.verify_all())
    ledger = _ledger(entries, sent, run.gone)
    return _problem(run, entries, sound, ledger), ledger, run.most_waiting


def _cables(clock: VirtualClock, lines: Lines, unplugged: int | None) -> tuple[list[Cable], list[bytes]]:
    """The cable, or two with a half line between them, and the frames that they deliver."""
    due: Script = [(number + 1.0, line) for number, line in enumerate(lines) if line]
    if unplugged is None:
        return [Cable(clock, due)], _frames(lines)
    first = [item for item in due if item[0] < unplugged + 0.9]
    rest = due[len(first) :]
    pulled: Script = [(unplugged + 0.95, b"29"), (unplugged + 0.96, None)]
    parts = [[line or b"" for _, line in part] for part in (first, rest)]
    return [Cable(clock, first + pulled), Cable(clock, rest)], _frames([*parts[0], b"29"]) + _frames(parts[1])


def _frames(lines: Lines) -> list[bytes]:
    """Split by hand, not by the driver."""
    text = b"".join(lines).replace(b"\r", b"\n").replace(b"\f", b"\n")
    return [piece[:MAX_FRAME_BYTES] for piece in text.split(b"\n") if piece]


def _play(run: _Run, cables: list[Cable], moments: dict[str, int]) -> None:
    """The rinse in steps; what happens to the run happens at its moment."""
    clock, link = run.clock, cable_link(run.clock, cables[0], later=cables[1:])
    begun_s, left = clock.now_s, dict(moments)
    full_s = moments.get("disk full", 10_000)
    run.take([Pour()])
    while (now_s := clock.now_s - begun_s) < _LINES + 30.0:
        run.full = full_s <= now_s < full_s + 15.0
        for name in [name for name, at in left.items() if at <= now_s]:
            del left[name]
            _happen(run, name)
        run.take(list(link.poll(_STEP_S)))
    run.full = False
    run.take([])
    link.close()


def _happen(run: _Run, name: str) -> None:
    if name == "killed":
        run.die()
    elif name == "stopped":
        run.clock.wait(20.0)
    elif name == "asleep":
        run.clock.slept_s += 3_600.0
    elif name == "double key":
        run.take([Pour(keyed=True), Pour(keyed=True), Answer(False)])
    elif name == "undo":
        run.take([Undo()])


def _ledger(entries: list[Entry], sent: list[bytes], gone: list[bytes]) -> Ledger:
    """``same``: what is kept are the frames sent, in order, without those that were in memory only."""
    kept = [entry for entry in entries if entry.kind != "event"]
    wanted, missing = list[bytes](), list(gone)
    for frame in sent:
        if missing and frame == missing[0]:
            missing.pop(0)
        else:
            wanted.append(frame)
    ledger = Ledger(len(sent), sum(entry.kind != "raw" for entry in kept))
    ledger.flagged.update(entry.cause or "raw" for entry in kept if entry.kind == "raw")
    ledger.flagged.update({"in memory when killed": len(gone)} if gone else {})
    ledger.same = [entry.raw for entry in kept] == wanted
    return ledger


def _problem(run: _Run, entries: list[Entry], sound: bool, ledger: Ledger) -> str:
    true = {float(_good(number).split()[0]) for number in range(_LINES)}
    false = [e.row.reading for e in entries if e.row.reading is not None and e.row.reading not in true]
    rows = [entry.row for entry in entries if entry.observed]
    volume_ml = run.live.snapshot().rinse_ml
    faults = {
        "the ledger does not close": not ledger.balanced,
        f"false readings {false[:3]}": bool(false),
        "the record is not sound": not sound,
        "times run backwards": [row.time_s for row in rows] != sorted(row.time_s for row in rows),
        "the volume is not the record's": rows[-1].rinse_ml != volume_ml,
        f"{run.recorder.waiting} rows were not written": bool(run.recorder.waiting),
    }
    return ", ".join(words for words, true in faults.items() if true)
