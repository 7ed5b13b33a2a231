"""A cable that takes no real time; the fault bench's clock and pty."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from rinsewatch.cli.bench_fault_rig import Pty, VirtualClock, plugged
from rinsewatch_drivers.errors import PortLost


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


@pytest.fixture
def pty(tmp_path: Path) -> Iterator[Pty]:
    with plugged(tmp_path) as meter:
        yield meter
