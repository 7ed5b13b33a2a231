"""A meter on a real pty that knows nothing of the tool: text lines at 5 Hz, exponential washout in flow."""

from __future__ import annotations

import contextlib
import math
import os
import random
import select
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path


@dataclass
class Washout:
    """k(V) = floor + start exp(-V/efold), V = flow x time; uS/cm, mL, s."""

    start: float = 3000.0
    floor: float = 1.0
    efold_ml: float = 30.0
    flow_ml_min: float = 600.0

    def true_us_cm(self, time_s: float) -> float:
        return self.floor + self.start * math.exp(-self.flow_ml_min / 60.0 * time_s / self.efold_ml)


@dataclass
class FakeMeter:
    """Writes ``412.3 uS/cm`` lines to a pty behind ``link``.

    Washout and faults go by the time since somebody first opened it: however slowly a program starts, it meets the
    whole rinse.
    """

    link: Path
    washout: Washout = field(default_factory=Washout)
    garbage_share: float = 0.0
    zeros: tuple[float, float] | None = None
    unplugged: tuple[float, float] | None = None
    rate_hz: float = 5.0
    line: Callable[[float], bytes] = lambda value: b"%.1f uS/cm\r\n" % value
    seed: int = 1

    def __enter__(self) -> FakeMeter:
        self._random = random.Random(self.seed)
        self._stop = threading.Event()
        self._master, self._slave = -1, -1
        self._plug()
        self._thread = threading.Thread(target=self._feed, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self._unplug()

    def _plug(self) -> None:
        self._master, self._slave = os.openpty()
        os.set_blocking(self._master, False)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self._slave))

    def _unplug(self) -> None:
        self.link.unlink(missing_ok=True)
        for descriptor in (self._master, self._slave):
            if descriptor >= 0:
                os.close(descriptor)
        self._master = self._slave = -1

    def _wait_until_opened(self) -> None:
        """A pty whose far end was closed says so until another opens it."""
        far_end = os.ttyname(self._slave)
        os.close(self._slave)
        ask = select.poll()
        ask.register(self._master, select.POLLHUP)
        while ask.poll(0) and not self._stop.wait(0.01):
            pass
        self._slave = os.open(far_end, os.O_RDWR | os.O_NOCTTY)

    def _feed(self) -> None:
        self._wait_until_opened()
        began = time.monotonic()
        while not self._stop.wait(1.0 / self.rate_hz):
            at = time.monotonic() - began
            gone = self.unplugged is not None and self.unplugged[0] <= at < self.unplugged[1]
            if gone and self._master >= 0:
                self._unplug()
            elif not gone and self._master < 0:
                self._plug()
            if self._master >= 0:
                self._write(self._line(at))

    def _line(self, at: float) -> bytes:
        if self._random.random() < self.garbage_share:
            return self._random.randbytes(self._random.randint(3, 20)) + b"\r\n"
        if self.zeros is not None and self.zeros[0] <= at < self.zeros[1]:
            return self.line(0.0)
        return self.line(self.washout.true_us_cm(at) * self._random.gauss(1.0, 0.005))

    def _write(self, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):  # nobody reads: a real meter does not care either
            os.write(self._master, data)
