"""Raw bytes as they came, with their times: written while listening, replayed as if they came again.

A capture is JSON lines: ``{"t": 1.234567, "hex": "3132"}``, ``t`` in s since the first byte.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import msgspec

from rinsewatch_drivers.clock import Clock
from rinsewatch_drivers.errors import PortLost, WireError


class _Line(msgspec.Struct, forbid_unknown_fields=True):
    t: float
    hex: str


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes that came together, ``time_s`` after the first."""

    time_s: float
    data: bytes


class CaptureWriter:
    """Give ``tap`` to a MeterLink; each piece is a line, flushed at once."""

    def __init__(self, path: Path) -> None:
        """Begin a new file; raises OSError (FileExistsError too: a capture is never overwritten)."""
        self._file: TextIO = path.open("x", encoding="ascii", newline="\n")
        self._began_s: float | None = None

    def tap(self, monotonic_s: float, data: bytes) -> None:
        """Write one piece down; raises OSError."""
        self._began_s = monotonic_s if self._began_s is None else self._began_s
        line = msgspec.json.encode(_Line(round(monotonic_s - self._began_s, 6), data.hex()))
        self._file.write(line.decode("ascii") + "\n")
        self._file.flush()

    def close(self) -> None:
        """Finish the file."""
        self._file.close()


def read_capture(path: Path) -> Iterator[Chunk]:
    """The pieces of a capture, in order; raises WireError naming file and line, and OSError."""
    with path.open("r", encoding="ascii", errors="replace") as file:
        for number, text in enumerate(file, start=1):
            if not text.strip():
                continue
            try:
                line = msgspec.json.decode(text, type=_Line)
                yield Chunk(line.t, bytes.fromhex(line.hex))
            except (msgspec.DecodeError, ValueError) as error:
                raise WireError(f"{path}, line {number}: no capture line: {error}") from error


class ReplayTransport:
    """A transport that plays a capture back on a clock; at its end the port goes away.

    With a virtual clock it takes no time at all. What is written to it goes nowhere.
    """

    def __init__(self, chunks: Iterator[Chunk], clock: Clock) -> None:
        self._chunks = chunks
        self._clock = clock
        self._began_s = clock.monotonic()
        self._next = next(chunks, None)

    def read(self, timeout_s: float) -> bytes:
        """The next piece, if its time comes within ``timeout_s``; PortLost after the last."""
        if self._next is None:
            raise PortLost("the capture is at its end")
        left_s = self._began_s + self._next.time_s - self._clock.monotonic()
        if left_s > timeout_s:
            self._clock.wait(timeout_s)
            return b""
        self._clock.wait(max(0.0, left_s))
        data = self._next.data
        self._next = next(self._chunks, None)
        return data

    def write(self, data: bytes) -> None:
        """Nobody listens to a capture."""

    def flush_input(self) -> None:
        """A capture loses nothing."""

    def close(self) -> None:
        """Nothing to close."""
        self._next = None
