"""Fault bench: a cable that takes no real time, a real pseudo-terminal, and a record whose ledger must balance."""

from __future__ import annotations

import os
import threading
import time
import tty
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from rinsewatch import Endpoint, Residue, Rinse, RinseSetup
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.store import Logbook
from rinsewatch.session.live import Item, LiveRinse, Policy
from rinsewatch.session.pouring import begin_pouring
from rinsewatch.session.recorder import Recorder
from rinsewatch.session.retract import Retracting
from rinsewatch.session.stamp import Stamp
from rinsewatch_drivers.errors import PortLost
from rinsewatch_drivers.link import MeterLink
from rinsewatch_drivers.profile import Profile, builtin_profiles
from rinsewatch_drivers.reading import Kind, LinkEvent, LinkState, Quality, Reading

PLAIN = "plain-number"


def profile_of(name: str = PLAIN) -> Profile:
    """A profile that ships with the tool."""
    return builtin_profiles()[name]


def line_of(us_cm: float) -> bytes:
    """A line of the plain meter."""
    return b"%.1f uS/cm\r\n" % us_cm


class VirtualClock:
    """Time that passes only when someone waits; ``slept_s`` moves the date alone, as a sleeping machine does."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.slept_s = 0.0

    def monotonic(self) -> float:
        """Seconds."""
        return self.now_s

    def utc(self) -> datetime:
        """The date."""
        return datetime(2026, 1, 2, tzinfo=UTC) + timedelta(seconds=self.now_s + self.slept_s)

    def wait(self, seconds: float) -> None:
        """Pass."""
        self.now_s += max(0.0, seconds)


Script = list[tuple[float, bytes | None]]


class Cable:
    """A transport in memory. ``script``: (s from the start, bytes; None: unplugged); ``on_write``: answers to it."""

    def __init__(self, clock: VirtualClock, script: Script, on_write: Callable[[bytes], Script] | None = None) -> None:
        self.clock, self.began_s = clock, clock.now_s
        self.script, self.on_write = list(script), on_write
        self.written: list[bytes] = []
        self.closed = False

    def _due_s(self) -> float:
        return self.began_s + self.script[0][0]

    def read(self, timeout_s: float) -> bytes:
        """What is due within the time."""
        if self.script and self._due_s() <= self.clock.now_s + timeout_s:
            self.clock.now_s = max(self.clock.now_s, self._due_s())
            data = self.script.pop(0)[1]
            if data is None:
                raise PortLost("the cable went away")
            return data
        self.clock.wait(timeout_s)
        return b""

    def write(self, data: bytes) -> None:
        """To the meter."""
        self.written.append(data)
        if self.on_write is not None:
            now_s = self.clock.now_s - self.began_s
            self.script += [(now_s + delay_s, reply) for delay_s, reply in self.on_write(data)]
            self.script.sort(key=lambda item: item[0])

    def flush_input(self) -> None:
        """Throw away what is due; not that it was unplugged."""
        while self.script and self._due_s() <= self.clock.now_s and self.script[0][1] is not None:
            self.script.pop(0)

    def close(self) -> None:
        """Nothing to close."""
        self.closed = True


class Pty:
    """A real pseudo-terminal under a link that stays the same, like a by-id name; only the reader holds its far end."""

    def __init__(self, link: Path) -> None:
        self.link, self.master, self.path = link, -1, ""

    def plug(self) -> None:
        """A new terminal under the link."""
        self.master, far = os.openpty()
        tty.setraw(far)
        self.path = os.ttyname(far)
        os.close(far)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(self.path)

    def send(self, data: bytes) -> None:
        """All of it; waits for a slow reader."""
        view = memoryview(data)
        while view:
            view = view[os.write(self.master, view) :]

    def send_aside(self, data: bytes) -> threading.Thread:
        """Send from a thread: more than a terminal's buffer holds."""
        thread = threading.Thread(target=self.send, args=(data,), daemon=True)
        thread.start()
        return thread

    def unplug(self) -> None:
        """Pull it."""
        if self.master >= 0:
            os.close(self.master)
            self.link.unlink(missing_ok=True)
            self.master = -1


@contextmanager
def plugged(folder: Path) -> Iterator[Pty]:
    """A pty, plugged in."""
    pty = Pty(folder / "meter-by-id")
    pty.plug()
    try:
        yield pty
    finally:
        pty.unplug()


Happened = list[Reading | LinkEvent]


def poll_until(link: MeterLink, there: Callable[[Happened], bool], within_s: float, step_s: float = 0.1) -> Happened:
    """Poll a link on the real clock until ``there`` holds or the time is up."""
    happened: Happened = []
    ends_s = time.monotonic() + within_s
    while not there(happened) and time.monotonic() < ends_s:
        happened += link.poll(step_s)
    return happened


def poll_for(link: MeterLink, clock: VirtualClock, seconds: float, step_s: float = 0.25) -> Happened:
    """Poll a link for so many virtual seconds."""
    happened: Happened = []
    ends_s = clock.now_s + seconds
    while clock.now_s < ends_s:
        happened += link.poll(min(step_s, ends_s - clock.now_s))
    return happened


def readings(happened: Sequence[Reading | LinkEvent]) -> list[Reading]:
    """The frames among it."""
    return [item for item in happened if isinstance(item, Reading)]


def believed(happened: Sequence[Reading | LinkEvent]) -> list[float]:
    """The values a naive user of the driver would take: numbers of quality GOOD."""
    found = (item for item in readings(happened) if item.kind is Kind.VALUE and item.quality is Quality.GOOD)
    return [item.value for item in found if item.value is not None]


def events(happened: Sequence[Reading | LinkEvent], state: LinkState | None = None) -> list[LinkEvent]:
    """The link's events, all or of one kind."""
    found = [item for item in happened if isinstance(item, LinkEvent)]
    return [item for item in found if state is None or item.state is state]


def cable_link(
    clock: VirtualClock, cable: Cable, profile: Profile | None = None, *, later: Sequence[Cable] = ()
) -> MeterLink:
    """A link on a cable in memory; after each loss the next of ``later`` is found plugged in."""
    cables = iter([cable, *later])
    return MeterLink("virtual", profile or profile_of(), clock=clock, opener=lambda url, settings: next(cables))


def setup(**changes: object) -> RinseSetup:
    """An ordinary rinse: 500 mL of anion resin, portions of 250 mL, down to 12 uS/cm."""
    usual: dict[str, object] = {
        "resin_ml": 500.0, "residue": Residue.NAOH, "endpoint": Endpoint.parse("12 uS/cm", 0.5), "portion_ml": 250.0,
    }  # fmt: skip
    return RinseSetup(**(usual | changes))  # type: ignore[arg-type]


@dataclass(slots=True)
class Ledger:
    """Nothing lost: lines sent = stored + flagged. ``same``: the stored bytes are the sent ones, in order."""

    sent: int
    stored: int
    flagged: Counter[str] = field(default_factory=Counter)
    same: bool = True

    @property
    def balanced(self) -> bool:
        """To the line."""
        return self.same and self.sent == self.stored + self.flagged.total()

    def __str__(self) -> str:
        causes = ", ".join(f"{count} {cause}" for cause, count in sorted(self.flagged.items()))
        return f"ledger {self.sent} sent = {self.stored} stored + {self.flagged.total()} flagged" + (
            f" ({causes})" if causes else ""
        )


class Recording:
    """What comes over a link, recorded as ``watch`` does: LiveRinse, then the logbook, in a file of its own."""

    def __init__(self, folder: Path, clock: VirtualClock, made: RinseSetup | None = None) -> None:
        self.setup, self._clock, self._began_s = made or setup(), clock, clock.monotonic()
        self.book = Logbook.open(folder / "ledger.sqlite")
        writer = self.book.begin_rinse({"resin_ml": self.setup.resin_ml}, "", "2026-01-02T00:00:00Z")
        self.rinse_id = writer.rinse_id
        pouring = begin_pouring(self.setup.portion_ml, self.setup.flow_ml_min)
        rinse = Retracting(lambda: Rinse(self.setup))
        self.live = LiveRinse(self.setup, rinse, Recorder(writer), pouring, Policy())

    def take(self, items: Sequence[Item]) -> None:
        """Store and observe."""
        if items:
            self.live.take([(item, self._stamp(item)) for item in items])

    def take_all(self, items: Sequence[Item], at_once: int = 500) -> None:
        """The same for many, in several transactions."""
        for start in range(0, len(items), at_once):
            self.take(items[start : start + at_once])

    def _stamp(self, item: Item) -> Stamp:
        at_s = item.monotonic_s if isinstance(item, Reading | LinkEvent) else self._clock.monotonic()
        return Stamp(max(0.0, at_s - self._began_s), self._clock.utc(), at_s)

    def entries(self) -> list[Entry]:
        """What is stored, checked against the hash chain."""
        return self.book.entries(self.rinse_id)

    def events(self) -> list[str]:
        """The events in the record."""
        return [entry.row.event for entry in self.entries() if entry.row.event]

    def ledger(self, sent: Sequence[bytes]) -> Ledger:
        """Lines sent (without their ends) against what is stored."""
        kept = [entry for entry in self.entries() if entry.kind != "event"]
        flagged = Counter(entry.cause or "raw" for entry in kept if entry.kind == "raw")
        same = [entry.raw for entry in kept] == list(sent)
        return Ledger(len(sent), len(kept) - flagged.total(), flagged, same)

    def close(self) -> None:
        """Close the file."""
        self.book.close()


def open_files() -> int:
    """Descriptors this process holds."""
    return len(os.listdir("/proc/self/fd"))


def resident_mb() -> float:
    """Resident memory of this process, MB."""
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6
