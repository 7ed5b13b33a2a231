"""The threads of a live rinse: one reads the meter, one stores and observes; the screen only looks on."""

from __future__ import annotations

import queue
import threading
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Protocol

from rinsewatch.rinse.row import Row
from rinsewatch.session.clockwatch import ClockWatch, Jump
from rinsewatch.session.commands import BreakOff, Command, Finish
from rinsewatch.session.live import Item, LiveRinse, Observed
from rinsewatch.session.snapshot import SessionSnapshot
from rinsewatch.session.stamp import Stamp, boottime_s
from rinsewatch.session.timebase import TimeBase
from rinsewatch_drivers.clock import Clock
from rinsewatch_drivers.reading import LinkEvent, Reading

POLL_S = 0.25  # how long the reader waits for bytes; an unplugged cable is noticed within it
TICK_S = 0.5
PUBLISH_S = 0.4  # between two snapshots: the screen draws at most twice a second
_AT_ONCE = 500  # items taken in one transaction
_OUTBOX_LIMIT = 100_000  # rows kept for a reader of ours that has stopped reading


class Link(Protocol):
    """What the session needs of a MeterLink."""

    def poll(self, timeout_s: float) -> Sequence[Reading | LinkEvent]: ...
    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class _Arrived:
    item: Item
    monotonic_s: float
    answered: threading.Event | None = None


class Session:
    """Runs a LiveRinse. Commands may come from any thread; ``latest`` never blocks.

    ``link`` None: readings are typed by hand. ``wants_rows``: keep each observed row for ``rows()``.
    """

    def __init__(
        self,
        live: LiveRinse,
        link: Link | None,
        clock: Clock,
        timebase: TimeBase,
        *,
        wants_rows: bool = False,
        boottime: Callable[[], float | None] = boottime_s,
    ) -> None:
        self._live, self._link, self._clock, self._timebase = live, link, clock, timebase
        self._boottime, self._clocks = boottime, ClockWatch()
        self._arrived: queue.SimpleQueue[_Arrived] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self.changed = threading.Event()
        self._outbox: deque[Observed] | None = deque(maxlen=_OUTBOX_LIMIT) if wants_rows else None
        self._latest = live.snapshot(with_band=False)
        self._pool = ThreadPoolExecutor(max_workers=2, thread_name_prefix="rinsewatch")
        self._futures: list[Future[None]] = []

    def start(self) -> None:
        """Begin to read and to record."""
        self._futures.append(self._pool.submit(self._work))
        if self._link is not None:
            self._futures.append(self._pool.submit(self._read, self._link))

    def send(self, command: Command) -> threading.Event:
        """Hand over a person's command; never blocks, also safe in a signal handler.

        The event is set once ``latest`` shows what became of it.
        """
        answered = threading.Event()
        self._arrived.put(_Arrived(command, self._clock.monotonic(), answered))
        return answered

    @property
    def latest(self) -> SessionSnapshot:
        """The newest snapshot."""
        return self._latest

    @property
    def running(self) -> bool:
        """False once the record is closed, or a thread failed."""
        return not any(future.done() for future in self._futures)

    def rows(self) -> list[Observed]:
        """Rows observed since the last call (only with ``wants_rows``)."""
        rows: list[Observed] = []
        while self._outbox:
            rows.append(self._outbox.popleft())
        return rows

    def unsaved_rows(self) -> list[Row]:
        """Rows that were not stored, once the session has ended."""
        return self._live.unsaved_rows

    def now_s(self) -> float:
        """Rinse seconds now."""
        return self._timebase.rinse_s(self._clock.monotonic())

    def reading_age_s(self) -> float | None:
        """Seconds on the clock, not of the rinse, since the last reading came; None before the first."""
        last_s = self._latest.last_shown_s
        return None if last_s is None else max(0.0, self.now_s() - last_s) / self._timebase.speed

    def abandon(self) -> None:
        """Stop without ending the rinse: it can be continued. For when the program itself fails."""
        self._stopping.set()
        self.join()

    def finish(self, reason: str) -> None:
        """End the rinse, wait until its record is closed; raises what a thread failed with."""
        self.end(Finish(reason))

    def end(self, last: Finish | BreakOff) -> None:
        """End the rinse, or only its watching, unless it has ended; raises what a thread failed with."""
        self.send(last)
        self.join()

    def join(self) -> None:
        """Wait until the record is closed; raises what a thread failed with."""
        try:
            for future in self._futures[:1]:
                future.result()
        finally:
            self._stopping.set()
            self._pool.shutdown(wait=True)
        for future in self._futures:
            future.result()

    # ---- the reader's thread --------------------------------------------------------------------

    def _read(self, link: Link) -> None:
        try:
            while not self._stopping.is_set():
                for item in link.poll(POLL_S):
                    self._arrived.put(_Arrived(item, item.monotonic_s))
        finally:
            link.close()

    # ---- the recording thread -------------------------------------------------------------------

    def _work(self) -> None:
        published_s = ticked_s = float("-inf")
        try:
            while not (self._live.ended or self._stopping.is_set() or self._reader_failed()):
                arrived = self._next()
                jumped = self._look_at_clocks()
                items = [self._stamped(each.item, each.monotonic_s) for each in arrived]
                self._out(self._live.take(items))
                jumped = self._look_at_clocks() or jumped  # it may have been stopped in the middle of it
                now_s = self._clock.monotonic()
                if now_s - ticked_s >= TICK_S:
                    self._out(self._live.tick(self._stamp(now_s)))
                    ticked_s = now_s
                at_once = jumped or any(not isinstance(item, Reading) for item, _ in items)
                if at_once or now_s - published_s >= PUBLISH_S:
                    self._publish()
                    published_s = now_s
                for each in arrived:
                    if each.answered is not None:
                        each.answered.set()
        finally:
            self._close()

    def _close(self) -> None:
        self._stopping.set()
        self._out(self._live.close(self._stamp()))
        self._publish()

    def _next(self) -> list[_Arrived]:
        """What has arrived, at most _AT_ONCE; waits up to a tick for the first."""
        items: list[_Arrived] = []
        try:
            items.append(self._arrived.get(timeout=TICK_S))
            while len(items) < _AT_ONCE:
                items.append(self._arrived.get_nowait())
        except queue.Empty:
            return items
        return items

    def _look_at_clocks(self) -> bool:
        """After a sleep of the computer the rinse is that much older; water may have run meanwhile, as in a stop.

        True if something had to be written down.
        """
        now_s = self._clock.monotonic()
        jump = self._clocks.look(now_s, self._clock.utc().timestamp(), self._boottime())
        if jump.slept_s:
            offset_s = self._timebase.offset_s + jump.slept_s * self._timebase.speed
            self._timebase = replace(self._timebase, offset_s=offset_s)
        if jump.slept_s or jump.stood_s:
            self._out(self._live.go_on(self._stamp(now_s)))
        if jump.moved_s:
            self._out(self._live.clock_moved(jump.moved_s, self._stamp(now_s)))
        return jump != Jump()

    def _stamped(self, item: Item, monotonic_s: float) -> tuple[Item, Stamp]:
        if isinstance(item, Reading):
            return item, Stamp(self._timebase.rinse_s(monotonic_s), item.utc, monotonic_s)
        return item, self._stamp(monotonic_s)

    def _stamp(self, monotonic_s: float | None = None) -> Stamp:
        at_s = self._clock.monotonic() if monotonic_s is None else monotonic_s
        return Stamp(self._timebase.rinse_s(at_s), self._clock.utc(), at_s, self._boottime())

    def _reader_failed(self) -> bool:
        return len(self._futures) > 1 and self._futures[1].done()

    def _out(self, rows: Sequence[Observed]) -> None:
        if self._outbox is not None and rows:
            self._outbox.extend(rows)
            self.changed.set()

    def _publish(self) -> None:
        self._latest = self._live.snapshot()
        self.changed.set()
