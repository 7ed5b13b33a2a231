"""A clock and a cable that take no real time, and a pty for when the real thing is wanted."""

from __future__ import annotations

import os
import tty
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from rinsewatch_drivers.errors import PortLost


class VirtualClock:
    """Time that passes only when someone waits."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.slept_s = 0.0  # date moved on by a sleeping machine, which the monotonic clock does not see

    def monotonic(self) -> float:
        return self.now_s

    def utc(self) -> datetime:
        return datetime(2026, 1, 2, tzinfo=UTC) + timedelta(seconds=self.now_s + self.slept_s)

    def wait(self, seconds: float) -> None:
        self.now_s += max(0.0, seconds)


class Cable:
    """A transport in memory. ``script``: (at s from the start, bytes, or None: unplugged)."""

    def __init__(self, clock: VirtualClock, script: list[tuple[float, bytes | None]]) -> None:
        self.clock = clock
        self.began_s = clock.now_s
        self.script = list(script)
        self.written: list[bytes] = []
        self.on_write: Callable[[bytes], list[tuple[float, bytes | None]]] = lambda _: []
        self.closed = False

    def _due_s(self) -> float:
        return self.began_s + self.script[0][0]

    def read(self, timeout_s: float) -> bytes:
        if self.script and self._due_s() <= self.clock.now_s + timeout_s:
            self.clock.now_s = max(self.clock.now_s, self._due_s())
            data = self.script.pop(0)[1]
            if data is None:
                raise PortLost("the cable went away")
            return data
        self.clock.wait(timeout_s)
        return b""

    def write(self, data: bytes) -> None:
        self.written.append(data)
        now_s = self.clock.now_s - self.began_s
        self.script += [(now_s + delay_s, reply) for delay_s, reply in self.on_write(data)]
        self.script.sort(key=lambda item: item[0])

    def flush_input(self) -> None:
        while self.script and self._due_s() <= self.clock.now_s and self.script[0][1] is not None:
            self.script.pop(0)

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


@pytest.fixture
def cable(clock: VirtualClock) -> Callable[..., Cable]:
    return lambda script=(): Cable(clock, list(script))


class Pty:
    """A real pseudo terminal under a link that stays the same, like a by-id name."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.master = -1

    def plug(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        path = os.ttyname(slave)
        os.close(slave)
        self.link.symlink_to(path)

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def unplug(self) -> None:
        if self.master >= 0:
            os.close(self.master)
            self.link.unlink()
            self.master = -1


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[Pty]:
    meter = Pty(tmp_path / "meter-by-id")
    meter.plug()
    yield meter
    meter.unplug()
