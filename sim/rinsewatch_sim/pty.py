"""A meter on a real pseudo-terminal under a stable link, fed by a thread: the simulator's only wall clock."""

from __future__ import annotations

import fcntl
import os
import select
import struct
import termios
import threading
import time
import tty
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from rinsewatch_sim.faults import Fault
from rinsewatch_sim.wire import Mess, Sample, Wire, line_state

_STALE_BYTES = 1024  # a real cable forgets what nobody reads; so many unread bytes are thrown away


class PtyMeter:
    """Context manager: opens a pty, links ``link`` to it, and speaks ``wire`` until closed.

    ``sample()`` is called with ``lock`` held, every ``period_s`` real seconds and for each query.
    ``mess``: a share of spoiled lines all along; ``faults``: line faults scheduled in real seconds from the
    start (garbage, half, glued, unplug); ``unplug`` and ``replug`` by hand, under the same link.
    """

    def __init__(
        self,
        link: Path,
        wire: Wire,
        sample: Callable[[], Sample],
        period_s: float,
        mess: Mess | None = None,
        rng: np.random.Generator | None = None,
        faults: Sequence[Fault] = (),
    ) -> None:
        self.link, self.lock = link, threading.RLock()
        self._wire, self._sample, self._period_s = wire, sample, period_s
        self._mess, self._rng = mess or Mess(), rng or np.random.default_rng(0)
        self._faults = tuple(faults)
        self._ends: tuple[int, int] | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._feed, name="pty-meter", daemon=True)

    def __enter__(self) -> Self:
        self.replug()
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Stop the thread, close the pty, remove the link."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        self.unplug()

    def unplug(self, last_words: bytes = b"") -> None:
        """Pull the cable, perhaps in the middle of a line: the reader gets a hang-up."""
        with self.lock:
            if self._ends is None:
                return
            if last_words:
                os.write(self._ends[0], last_words)
            for end in self._ends:
                os.close(end)
            self._ends = None
            self.link.unlink(missing_ok=True)

    def replug(self) -> None:
        """Plug in again: a new pty under the same link."""
        with self.lock:
            self.unplug()
            master, slave = os.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            self._ends = (master, slave)
            fresh = self.link.with_name(self.link.name + ".new")
            fresh.unlink(missing_ok=True)
            fresh.symlink_to(os.ttyname(slave))
            fresh.replace(self.link)

    def send(self, data: bytes) -> None:
        """Put bytes on the wire at once."""
        with self.lock:
            if self._ends is None or not data:
                return
            master, slave = self._ends
            if _unread(slave) > _STALE_BYTES:
                termios.tcflush(slave, termios.TCIFLUSH)
            try:
                os.write(master, data)
            except BlockingIOError:
                termios.tcflush(slave, termios.TCIFLUSH)

    def _feed(self) -> None:
        begin_s = due_s = time.monotonic()
        while not self._stop.is_set():
            due_s += self._period_s
            self._speak(time.monotonic() - begin_s)
            while not self._stop.is_set() and (left_s := due_s - time.monotonic()) > 0:
                self._listen(min(left_s, 0.05))
            due_s = max(due_s, time.monotonic() - self._period_s)

    def _speak(self, time_s: float) -> None:
        mess, plugged = line_state(self._faults, time_s)
        with self.lock:
            if self._faults and plugged != (self._ends is not None):
                self.replug() if plugged else self.unplug()
            line = self._wire.push(self._sample())
            self.send(self._mess.spoil(line, self._rng) if mess == Mess() else mess.spoil(line, self._rng))

    def _listen(self, wait_s: float) -> None:
        """Answer queries for ``wait_s``."""
        ends = self._ends
        if ends is None:
            self._stop.wait(wait_s)
            return
        try:
            ready, _, _ = select.select([ends[0]], [], [], wait_s)
        except (OSError, ValueError):  # unplugged while waiting: the descriptor is gone
            return
        if ready:
            self._answer()

    def _answer(self) -> None:
        with self.lock:
            if self._ends is None:
                return
            try:
                received = os.read(self._ends[0], 4096)
            except BlockingIOError:
                return
            self.send(self._mess.spoil(self._wire.answer(received, self._sample()), self._rng))


def _unread(slave: int) -> int:
    """Bytes waiting on the reader's side."""
    answer = fcntl.ioctl(slave, termios.FIONREAD, b"\0\0\0\0")
    return int(struct.unpack("i", answer)[0])
