"""The simulated meter's cable: a pseudo-terminal where the system has them, else a port in memory."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from rinsewatch_drivers.clock import Clock
from rinsewatch_drivers.errors import PortLost
from rinsewatch_drivers.link import Opener
from rinsewatch_drivers.profile import SerialSettings
from rinsewatch_drivers.transport import Transport, open_transport
from rinsewatch_sim.port import MemoryPort
from rinsewatch_sim.stepper import Bench
from rinsewatch_sim.wire import Sample, wire

WIRE = "plain-number"
PERIOD_S = 0.1  # real seconds between the meter's lines
_LOOK_S = 0.02


@dataclass(slots=True)
class DemoMeter:
    """The bench behind a port; ``lock`` guards the bench. ``notice``: a fallback to be announced."""

    bench: Bench
    clock: Clock
    speed: float
    url: str
    lock: threading.RLock
    opener: Opener = open_transport
    notice: str = ""
    began_s: float = 0.0

    def catch_up(self) -> None:
        """Let the bench reach the present; call with the lock held."""
        now_s = (self.clock.monotonic() - self.began_s) * self.speed
        self.bench.advance(max(0.0, now_s - self.bench.time_s))

    def sample(self) -> Sample:
        """What the display shows now."""
        with self.lock:
            self.catch_up()
            return self.bench.sample()


@contextmanager
def open_demo_meter(bench: Bench, link: Path, speed: float, clock: Clock) -> Iterator[DemoMeter]:
    """The meter, plugged in: a pty under ``link``, or in memory with a notice that says so."""
    meter = DemoMeter(bench, clock, speed, str(link), threading.RLock(), began_s=clock.monotonic())
    try:
        pty_meter = import_module("rinsewatch_sim.pty").PtyMeter
    except ImportError:  # no termios: Windows
        meter.url, meter.opener = "simulated", _memory_opener(meter)
        meter.notice = "this system has no pseudo-terminals: the simulated meter is read in memory"
        yield meter
        return
    with pty_meter(link, wire(WIRE), meter.sample, PERIOD_S):
        yield meter


def _memory_opener(meter: DemoMeter) -> Opener:
    def open_memory(url: str, settings: SerialSettings) -> Transport:
        port = MemoryPort(wire(WIRE), lambda _: meter.sample(), meter.clock.monotonic, PERIOD_S)
        return MemoryTransport(port, meter.clock)

    return open_memory


class MemoryTransport:
    """A MemoryPort as the driver's transport."""

    def __init__(self, port: MemoryPort, clock: Clock) -> None:
        self._port, self._clock = port, clock

    def read(self, timeout_s: float) -> bytes:
        """Bytes that come within ``timeout_s``; raises PortLost when unplugged."""
        ends_s = self._clock.monotonic() + timeout_s
        while not (data := self._take()) and self._clock.monotonic() < ends_s:
            self._clock.wait(_LOOK_S)
        return data

    def write(self, data: bytes) -> None:
        """Send to the meter."""
        self._port.write(data)

    def flush_input(self) -> None:
        """Throw away what was not read."""
        self._take()

    def close(self) -> None:
        """Unplug."""
        self._port.close()

    def _take(self) -> bytes:
        try:
            return self._port.read()
        except OSError as error:
            raise PortLost(str(error)) from error
