"""Where frames come from: a meter that talks by itself, one that answers a command, or one not yet known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol

from rinsewatch_drivers.clock import Clock
from rinsewatch_drivers.framing import Frame, FrameKind, LineFramer
from rinsewatch_drivers.late import LateAnswers
from rinsewatch_drivers.profile import Framing, Poll, Profile
from rinsewatch_drivers.reading import Parsed
from rinsewatch_drivers.text import parse_frame, unread
from rinsewatch_drivers.transport import Transport

_END_BYTES = b"\r\n\f"
_SHORTEST_ANSWER = 2  # bytes: a digit and an end of line


@dataclass(frozen=True, slots=True)
class Arrival:
    """A frame, what it means, and when it came."""

    raw: bytes
    parsed: Parsed
    monotonic_s: float
    utc: datetime
    late: bool = False


@dataclass(slots=True)
class Batch:
    """What one look at the cable brought; ``content_bytes`` leaves terminators out, ``seen``: any byte.

    ``hint``: what the user should be told once, if anything.
    """

    arrivals: list[Arrival] = field(default_factory=list)
    content_bytes: int = 0
    seen: bool = False
    hint: str = ""

    def count(self, data: bytes) -> None:
        """Note bytes that came."""
        self.content_bytes += len(data.strip(_END_BYTES))
        self.seen = self.seen or bool(data)


class Source(Protocol):
    """Turns what a transport delivers into arrivals."""

    def poll(self, transport: Transport, timeout_s: float, clock: Clock) -> Batch:
        """Look for up to about ``timeout_s``; raises PortLost."""
        ...

    def lost(self, clock: Clock) -> list[Arrival]:
        """The port went away: what was half there."""
        ...


class Listener:
    """A text meter that sends lines by itself."""

    def __init__(self, profile: Profile) -> None:
        self._profile = profile
        self._framer = framer_of(profile.framing)
        self._gap_s = profile.framing.idle_gap_ms / 1000.0

    def poll(self, transport: Transport, timeout_s: float, clock: Clock) -> Batch:
        """Read until a line is complete or the time is up."""
        batch = Batch()
        deadline_s = clock.monotonic() + timeout_s
        while True:
            frames = self._read(transport, max(0.0, deadline_s - clock.monotonic()), batch)
            batch.arrivals += [self._arrival(frame, clock) for frame in frames]
            if batch.arrivals or clock.monotonic() >= deadline_s:
                return batch

    def lost(self, clock: Clock) -> list[Arrival]:
        """A half line is a fault."""
        return [self._arrival(frame, clock) for frame in self._framer.cut()]

    def _read(self, transport: Transport, left_s: float, batch: Batch) -> list[Frame]:
        waits_for_gap = self._gap_s > 0.0 and self._framer.buffered > 0
        data = transport.read(min(left_s, self._gap_s) if waits_for_gap else left_s)
        batch.count(data)
        if data:
            return self._framer.feed(data)
        return self._framer.idle() if waits_for_gap and left_s >= self._gap_s else []

    def _arrival(self, frame: Frame, clock: Clock) -> Arrival:
        return Arrival(frame.data, parse_frame(self._profile, frame), clock.monotonic(), clock.utc())


def framer_of(framing: Framing, *, joined: bool = False) -> LineFramer:
    """A framer as a profile wants it."""
    return LineFramer(framing.end_bytes, framing.max_bytes, joined=joined)


class Asker:
    """A text meter that answers a command."""

    def __init__(self, profile: Profile, poll: Poll) -> None:
        self._profile = profile
        self._poll = poll
        self._late = LateAnswers(poll.timeout_s, _SHORTEST_ANSWER)
        self._due_s: float | None = None

    def poll(self, transport: Transport, timeout_s: float, clock: Clock) -> Batch:
        """Ask if it is time; takes up to the profile's time-out longer than ``timeout_s``."""
        batch = Batch()
        now_s = clock.monotonic()
        due_s = now_s if self._due_s is None else self._due_s
        if due_s > now_s + timeout_s:
            # reading notices an unplugged cable; what comes unasked is a late answer and no reading
            self._late.came(len(transport.read(timeout_s)))
            return batch
        while (left_s := due_s - clock.monotonic()) > 0.0:
            self._late.came(len(transport.read(left_s)))
        self._due_s = max(due_s, clock.monotonic() - self._poll.interval_s) + self._poll.interval_s
        self._late.asked(answered=self._ask(transport, clock, batch))
        batch.hint = self._late.hint()
        return batch

    def lost(self, clock: Clock) -> list[Arrival]:
        """Nothing is kept between two questions."""
        self._due_s = None
        return []

    def _ask(self, transport: Transport, clock: Clock, batch: Batch) -> bool:
        """True if an answer came in time."""
        framer = framer_of(self._profile.framing, joined=True)
        transport.flush_input()
        transport.write(self._poll.command.encode("ascii"))
        deadline_s = clock.monotonic() + self._poll.timeout_s
        while (left_s := deadline_s - clock.monotonic()) > 0:
            data = transport.read(left_s)
            batch.count(data)
            for frame in framer.feed(data):
                parsed = parse_frame(self._profile, frame)
                batch.arrivals.append(Arrival(frame.data, parsed, clock.monotonic(), clock.utc()))
            if any(arrival.parsed.cause != "echo" for arrival in batch.arrivals):
                return True
        return False


class Finder:
    """A meter whose profile is not known yet: listens, then picks the text profile that fits most lines.

    ``chosen`` is the profile once three lines fit it, or once some do and five seconds are over.
    """

    FITS_WANTED = 3
    LISTEN_S = 5.0
    _KEPT = 64  # frames kept for reading them again; the oldest go first

    def __init__(self, candidates: Sequence[Profile]) -> None:
        self._candidates = list(candidates)
        self._framer = LineFramer()
        self._began_s: float | None = None
        self._frames: list[tuple[Frame, float, datetime]] = []
        self.chosen: Profile | None = None

    def poll(self, transport: Transport, timeout_s: float, clock: Clock) -> Batch:
        """Listen; the arrivals come all at once when the profile is found."""
        now_s = clock.monotonic()
        self._began_s = now_s if self._began_s is None else self._began_s
        data = transport.read(timeout_s)
        batch = Batch()
        batch.count(data)
        stamps = (clock.monotonic(), clock.utc())
        self._frames += [(frame, *stamps) for frame in self._framer.feed(data)]
        self.chosen = self._choose(clock.monotonic())
        if self.chosen is not None:
            chosen = self.chosen
            batch.arrivals = [Arrival(f.data, parse_frame(chosen, f), at_s, utc) for f, at_s, utc in self._frames]
        else:
            batch.arrivals = self._overflow()
        return batch

    def lost(self, clock: Clock) -> list[Arrival]:
        """Begin again."""
        self._framer.cut()
        self._frames.clear()
        self._began_s = None
        return []

    def successor(self, profile: Profile) -> Listener:
        """The listener that goes on in the middle of the line where this one stopped."""
        listener = Listener(profile)
        listener._framer = self._framer
        return listener

    def _choose(self, now_s: float) -> Profile | None:
        if not self._candidates:
            return None
        best, fits = max(((p, count_fits(p, self.lines)) for p in self._candidates), key=lambda pair: pair[1])
        enough = fits >= self.FITS_WANTED
        return best if enough or (fits > 0 and now_s - (self._began_s or now_s) >= self.LISTEN_S) else None

    @property
    def lines(self) -> list[bytes]:
        """The whole lines heard so far."""
        return [frame.data for frame, _, _ in self._frames if frame.kind is FrameKind.LINE]

    def _overflow(self) -> list[Arrival]:
        over = self._frames[: max(0, len(self._frames) - self._KEPT)]
        del self._frames[: len(over)]
        return [Arrival(f.data, unread(f), at_s, utc) for f, at_s, utc in over]


def count_fits(profile: Profile, lines: Sequence[bytes]) -> float:
    """How many lines fit as a whole; a reading that lacks its unit counts half."""
    parsed = [parse_frame(profile, Frame(line)) for line in lines]
    return sum(0.5 if p.cause == "no-unit" else 1.0 for p in parsed if p.fits)
