"""Bytes to frames: bounded, resynchronising, and the same whatever the chunks the bytes came in."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

DEFAULT_ENDS = (b"\r", b"\n", b"\f")
MAX_FRAME_BYTES = 256
_SLICE = 4096  # keeps the copying linear when megabytes come at once


class FrameKind(StrEnum):
    """What a frame is."""

    LINE = "line"
    FIRST = "first"  # joined in its middle, perhaps: the line was running when the port was opened
    OVERLONG = "overlong"
    CUT = "cut"  # no terminator: the port went away


@dataclass(frozen=True, slots=True)
class Frame:
    """The bytes between two terminators, without them (an overlong one holds its beginning only)."""

    data: bytes
    kind: FrameKind = FrameKind.LINE


def reduced_ends(ends: Sequence[bytes]) -> tuple[bytes, ...]:
    """The terminators without those that only repeat others, like CR LF beside CR and LF."""
    singles = {end for end in ends if len(end) == 1}
    made_of_singles = [end for end in ends if len(end) > 1 and all(bytes([b]) in singles for b in end)]
    return tuple(dict.fromkeys(end for end in ends if end not in made_of_singles))


class LineFramer:
    """Cuts a byte stream at terminators; never keeps more than ``max_bytes`` and part of a terminator.

    A line longer than ``max_bytes`` gives one OVERLONG frame, then nothing until the next terminator. Empty
    lines give nothing. The first line is FIRST unless ``joined`` or the first byte is part of a terminator.
    """

    def __init__(
        self, ends: Sequence[bytes] = DEFAULT_ENDS, max_bytes: int = MAX_FRAME_BYTES, *, joined: bool = False
    ) -> None:
        kept = reduced_ends(ends)
        self._end = re.compile(b"|".join(re.escape(end) for end in kept))
        self._longest_end = max(len(end) for end in kept)
        self._max = max_bytes
        self._tail = b""
        self._skipping = False
        self._joined = joined

    @property
    def buffered(self) -> int:
        """Bytes held back until their terminator comes."""
        return len(self._tail)

    def feed(self, data: bytes) -> list[Frame]:
        """The frames completed by ``data``, in order."""
        frames: list[Frame] = []
        for start in range(0, len(data), _SLICE):
            self._take(data[start : start + _SLICE], frames)
        return frames

    def idle(self) -> list[Frame]:
        """The line has been silent: for meters that end a line by silence, what is buffered is a frame."""
        frames: list[Frame] = []
        self._complete(self._tail, frames)
        self._tail = b""
        return frames

    def cut(self) -> list[Frame]:
        """The port went away: a half line is a CUT frame; the next line may be joined in its middle again."""
        frames = [Frame(self._tail[: self._max], FrameKind.CUT)] if self._tail and not self._skipping else []
        self._tail, self._skipping, self._joined = b"", False, False
        return frames

    def _take(self, piece: bytes, frames: list[Frame]) -> None:
        buffer = self._tail + piece
        start = 0
        for match in self._end.finditer(buffer):
            self._complete(buffer[start : match.start()], frames)
            start = match.end()
        self._keep(buffer[start:], frames)

    def _complete(self, line: bytes, frames: list[Frame]) -> None:
        if self._skipping:
            self._skipping = False
        elif len(line) > self._max:
            frames.append(Frame(line[: self._max], FrameKind.OVERLONG))
        elif line:
            frames.append(Frame(line, FrameKind.LINE if self._joined else FrameKind.FIRST))
        self._joined = True

    def _keep(self, rest: bytes, frames: list[Frame]) -> None:
        # the rest may end in part of a terminator, so it is overlong only when the line surely is
        if not self._skipping and len(rest) >= self._max + self._longest_end:
            frames.append(Frame(rest[: self._max], FrameKind.OVERLONG))
            self._skipping = True
        if self._skipping:
            rest = rest[len(rest) - min(len(rest), self._longest_end - 1) :]
        self._tail = rest
