"""The link to one meter: opens, listens or asks, notices every loss, comes back by itself."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence

import msgspec

from rinsewatch_drivers.clock import Clock
from rinsewatch_drivers.errors import PortError, PortLost, PortMissing
from rinsewatch_drivers.holder import other_opener
from rinsewatch_drivers.modbus_source import ModbusPoller
from rinsewatch_drivers.profile import Profile, SerialSettings, builtin_profiles
from rinsewatch_drivers.reading import Kind, LinkEvent, LinkState, Quality, Reading, fault
from rinsewatch_drivers.sources import Arrival, Asker, Batch, Finder, Listener, Source
from rinsewatch_drivers.speeds import SpeedSearch, looks_like_text
from rinsewatch_drivers.transport import Transport, open_transport, set_speed
from rinsewatch_drivers.watch import LinkWatch

Opener = Callable[[str, SerialSettings], Transport]
Tap = Callable[[float, bytes], None]

_FIRST_RETRY_S = 0.1
_LAST_RETRY_S = 1.0  # a meter plugged in again is heard within 2 s
# How often it is looked whether another program has opened this port too: it would take bytes off it.
_SHARED_EVERY_S = 5.0
# causes that say nothing about whether the profile fits
_NO_EVIDENCE = frozenset(("first-line", "cut", "late"))


class MeterLink:
    """A meter on a port. ``poll`` it from one thread; it never raises for a loss after the first opening."""

    def __init__(
        self,
        url: str,
        profile: Profile | None,
        *,
        baud: int | None = None,
        clock: Clock,
        opener: Opener = open_transport,
        wait: bool = False,
        candidates: Sequence[Profile] = (),
        tap: Tap | None = None,
    ) -> None:
        """Open ``url`` with the profile's settings (``baud`` wins).

        ``profile`` None: the text profile is found by listening, among ``candidates`` or the built-in ones.
        ``wait``: a port that is not there yet is waited for (event WAITING). ``tap`` gets (monotonic s,
        bytes) of all that is read. Raises PortMissing (without ``wait``), PortDenied, PortBusy, PortError.
        """
        self._url = url
        self._clock = clock
        self._opener = opener
        self._tap = tap
        self._settings = _settings(profile, baud)
        self._profile = profile
        self._candidates = [profile] if profile is not None else list(candidates or builtin_profiles().values())
        self._source = source_of(profile, candidates)
        self._odd: deque[bytes] = deque(maxlen=8)  # the last frames that did not fit
        self._search: SpeedSearch | None = None
        self._watch: LinkWatch | None = None
        self._sequence = 0
        self._closed = False
        self._retry_s = _FIRST_RETRY_S
        self._next_try_s = clock.monotonic()
        self._told_waiting: type[PortError] | None = None
        self._events: list[LinkEvent] = []
        self._last_look: tuple[float, float] | None = None
        self._look_for_others_s = clock.monotonic()
        self._other = ""  # another program that has this port open
        self._transport = self._first_opening(wait)

    @property
    def profile(self) -> Profile | None:
        """The profile in use; None while it is still being found."""
        return self._profile

    @property
    def connected(self) -> bool:
        """True while the port is open."""
        return self._transport is not None

    def poll(self, timeout_s: float) -> list[Reading | LinkEvent]:
        """What has happened, waiting up to ``timeout_s`` for something.

        A meter that is asked may take its own time-out longer. Losses are events, not errors.
        """
        if self._closed:
            return []
        if self._transport is None:
            self._reopen(timeout_s)
        readings = [] if self._transport is None else self._look(self._transport, timeout_s)
        if self._watch is not None:
            self._events += self._watch.check(self._clock.monotonic())
            self._look_for_speed(self._watch.state)
        happened: list[Reading | LinkEvent] = [*self._events, *readings]
        self._events = []
        return happened

    def close(self) -> None:
        """Close the port for good; ``poll`` then gives nothing more."""
        self._closed = True
        self._release()

    def _release(self) -> None:
        if self._transport is not None:
            self._transport.close()
            self._transport = None

    def _first_opening(self, wait: bool) -> Transport | None:
        try:
            transport = self._open()
        except PortMissing as missing:
            if not wait:
                raise
            self._tell_waiting(missing)
            return None
        self._opened()
        return transport

    def _open(self) -> Transport:
        transport = self._opener(self._url, self._settings)
        return transport if self._tap is None else _Tapped(transport, self._tap, self._clock)

    def _opened(self) -> None:
        now_s = self._clock.monotonic()
        self._retry_s, self._told_waiting, self._last_look = _FIRST_RETRY_S, None, None
        if self._watch is not None:
            self._watch.reopened(now_s)
            return
        self._watch = LinkWatch(self._url, now_s, self._profile.period_s if self._profile else None)
        if self._profile is not None:
            self._tell_open(self._profile)

    def _tell_open(self, profile: Profile) -> None:
        detail = f"{self._url} open at {self._settings.baud} baud, meter profile {profile.name}"
        self._events.append(LinkEvent(LinkState.OPEN, detail, self._clock.monotonic()))

    def _tell_waiting(self, error: PortError) -> None:
        """Once per reason."""
        if self._told_waiting is not type(error):
            self._told_waiting = type(error)
            self._events.append(LinkEvent(LinkState.WAITING, str(error), self._clock.monotonic()))

    def _reopen(self, timeout_s: float) -> None:
        now_s = self._clock.monotonic()
        if self._next_try_s > now_s + timeout_s:
            self._clock.wait(timeout_s)
            return
        self._clock.wait(self._next_try_s - now_s)
        try:
            self._transport = self._open()
        except PortError as error:
            # right after a loss a missing port is no news
            if self._watch is None or not isinstance(error, PortMissing):
                self._tell_waiting(error)
            self._next_try_s = self._clock.monotonic() + self._retry_s
            self._retry_s = min(2.0 * self._retry_s, _LAST_RETRY_S)
            return
        self._opened()

    def _look(self, transport: Transport, timeout_s: float) -> list[Reading]:
        if self._search is not None and self._search.trying is not None:
            return self._listen_elsewhere(self._search, transport, timeout_s)
        try:
            batch = self._source.poll(transport, timeout_s, self._clock)
            # asked afterwards: it is in the middle of waiting for bytes that a program is stopped
            if batch.arrivals and self._was_away(timeout_s):
                batch.arrivals = self._drain(transport, batch)
        except PortLost as lost:
            return self._lose(lost)
        self._last_look = (self._clock.monotonic(), self._clock.utc().timestamp())
        self._count(batch)
        if batch.hint and self._watch is not None:
            self._watch.known_cause = batch.hint
            self._events.append(LinkEvent(self._watch.state, batch.hint, self._last_look[0]))
        self._adopt()
        if batch.seen:
            self._look_for_others(self._last_look[0])
        return [self._stamped(arrival) for arrival in batch.arrivals]

    def _lose(self, lost: PortLost) -> list[Reading]:
        halves = self._source.lost(self._clock)
        self._search = None
        self._release()
        now_s = self._clock.monotonic()
        if self._watch is not None:
            self._events += self._watch.lost(str(lost), now_s)
        self._retry_s, self._next_try_s = _FIRST_RETRY_S, now_s + _FIRST_RETRY_S
        return [self._stamped(half) for half in halves]

    def _was_away(self, waited_s: float) -> bool:
        """True if nobody has read for long: suspended, stopped, or kept busy. Then lines have queued up.

        ``waited_s``: what this look itself may have taken.

        The monotonic clock stands still while the machine sleeps, so the date is asked too.
        """
        if self._last_look is None or self._watch is None:
            return False
        mono_s, utc_s = self._last_look
        gap_s = max(self._clock.monotonic() - mono_s, self._clock.utc().timestamp() - utc_s)
        return gap_s - waited_s > self._watch.stale_after_s

    def _drain(self, transport: Transport, batch: Batch) -> list[Arrival]:
        """All that has queued up: when any of it was sent nobody knows, not even of the last line."""
        arrivals = list(batch.arrivals)
        while (more := self._source.poll(transport, 0.0, self._clock)).arrivals:
            arrivals += more.arrivals
        if len(arrivals) < 2:
            return arrivals
        return [Arrival(a.raw, a.parsed, a.monotonic_s, a.utc, late=True) for a in arrivals]

    def _count(self, batch: Batch) -> None:
        if self._watch is None:
            return
        if batch.seen:
            self._watch.bytes_came(batch.content_bytes, self._clock.monotonic())
        for arrival in batch.arrivals:
            if not arrival.late and arrival.parsed.cause not in _NO_EVIDENCE:
                self._watch.frame_came(arrival.parsed.fits, arrival.monotonic_s)
                if not arrival.parsed.fits:
                    self._odd.append(arrival.raw)

    def _look_for_speed(self, state: LinkState) -> None:
        """Garbage that is no text, from a meter that talks by itself: try the usual speeds, one after another."""
        now_s, transport = self._clock.monotonic(), self._transport
        if state is not LinkState.GARBAGE or transport is None:
            self._search = None
            return
        if self._search is None and any(event.state is state for event in self._events):
            listens = isinstance(self._source, Listener | Finder) and not looks_like_text(self._odd)
            known = [p for p in self._candidates if p.listens_only] if listens else []
            self._search = SpeedSearch(known, self._settings.baud)
        if self._search is None:
            return
        if self._search.due(now_s):
            self._tune(self._search, transport, self._search.start(now_s))
        elif (baud := self._search.tell(now_s)) is not None:
            detail = f"lines from {self._url} fit at {baud} baud, not at {self._settings.baud}: add --baud {baud}"
            self._events.append(LinkEvent(state, detail, now_s))

    def _tune(self, search: SpeedSearch, transport: Transport, baud: int) -> None:
        """Listen at this speed from now on; a cable without a speed to set ends the search."""
        self._source.lost(self._clock)
        try:
            if not set_speed(transport, baud):
                search.give_up()
        except PortLost as lost:
            self._lose(lost)

    def _listen_elsewhere(self, search: SpeedSearch, transport: Transport, timeout_s: float) -> list[Reading]:
        """A trial at another speed: what is heard is kept, but no reading."""
        try:
            data = transport.read(timeout_s)
        except PortLost as lost:
            return self._lose(lost)
        now_s, utc = self._clock.monotonic(), self._clock.utc()
        frames = search.feed(data, now_s)
        if data and self._watch is not None:
            self._watch.bytes_came(0, now_s)
        if search.trying is None:
            self._tune(search, transport, self._settings.baud)
        return [self._stamped(Arrival(frame.data, fault("other-speed"), now_s, utc)) for frame in frames]

    def _look_for_others(self, now_s: float) -> None:
        """A second reader steals bytes, and what it leaves of a line may look whole: nothing counts meanwhile."""
        if now_s < self._look_for_others_s or self._watch is None:
            return
        self._look_for_others_s = now_s + _SHARED_EVERY_S
        other = other_opener(self._url)
        if other and other != self._other:
            detail = f"another program, {other}, has {self._url} open too and takes readings away: close it"
            self._events.append(LinkEvent(self._watch.state, detail, now_s))
        self._other = other

    def _adopt(self) -> None:
        """The profile has been found: keep it for the whole run."""
        finder = self._source
        if isinstance(finder, Finder) and finder.chosen is not None:
            self._profile = finder.chosen
            self._source = finder.successor(finder.chosen)
            self._tell_open(finder.chosen)

    def _stamped(self, arrival: Arrival) -> Reading:
        self._sequence += 1
        parsed = arrival.parsed
        quality, cause = parsed.quality, parsed.cause
        if arrival.late and quality in (Quality.GOOD, Quality.MISSING) and parsed.kind is not Kind.FAULT:
            quality, cause = Quality.UNCERTAIN, "late"
        if self._other and parsed.kind is not Kind.FAULT:
            quality, cause = Quality.BAD, "shared"
        return Reading(
            arrival.raw, parsed.kind, parsed.value, parsed.decimals, parsed.unit, parsed.temperature_c,
            quality, cause, self._sequence, arrival.monotonic_s, arrival.utc,
        )  # fmt: skip


class _Tapped:
    """A transport whose bytes are also written down."""

    def __init__(self, transport: Transport, tap: Tap, clock: Clock) -> None:
        self._transport = transport
        self._tap = tap
        self._clock = clock

    def read(self, timeout_s: float) -> bytes:
        """Read, and tell the tap."""
        data = self._transport.read(timeout_s)
        if data:
            self._tap(self._clock.monotonic(), data)
        return data

    def write(self, data: bytes) -> None:
        """Send."""
        self._transport.write(data)

    def set_speed(self, baud: int) -> bool:
        """Listen at another speed, if the cable has one."""
        return set_speed(self._transport, baud)

    def flush_input(self) -> None:
        """Throw away what was not read."""
        self._transport.flush_input()

    def close(self) -> None:
        """Close."""
        self._transport.close()


def source_of(profile: Profile | None, candidates: Sequence[Profile] = ()) -> Source:
    """What reads the frames of a profile; without one, what finds it."""
    if profile is None:
        known = candidates or list(builtin_profiles().values())
        return Finder([p for p in known if p.listens_only])
    if profile.modbus is not None:
        return ModbusPoller(profile.modbus, profile.serial)
    if profile.poll is not None:
        return Asker(profile, profile.poll)
    return Listener(profile)


def _settings(profile: Profile | None, baud: int | None) -> SerialSettings:
    settings = profile.serial if profile is not None else SerialSettings()
    return settings if baud is None else msgspec.structs.replace(settings, baud=baud)
