"""Lines on stdin as commands: ``p``, ``p 250``, ``u``, ``= 12.5 ppm``, ``n TEXT``, ``q`` and a few more."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace

from rinsewatch.errors import UsageError
from rinsewatch.quantities import parse_reading, parse_volume_ml
from rinsewatch.session.commands import (
    Answer,
    CheckMeter,
    Command,
    ConfirmProbe,
    Finish,
    Note,
    Pause,
    Pour,
    Resume,
    SetPortion,
    TakeFeed,
    TakeRinseWater,
    Typed,
    Undo,
)
from rinsewatch_drivers.clock import Clock
from rinsewatch_drivers.errors import WireError
from rinsewatch_drivers.hand import parse_hand

FINISHED = "finished"
INPUT_ENDED = "input ended"
HELP = (
    "p or p 250: portion poured (mL) | u: undo it, or the last reading typed | "
    "= 12.5 ppm: a reading typed by hand | n TEXT: note | v 250: portion volume from now on | "
    "feed, water: take this reading as feed or rinse water | "
    "k 84 uS/cm: the probe is in water known to read so | "
    "pause, resume | ok or c: the probe is in the filtrate | y, n: answer | q: finish"
)
_PLAIN: dict[str, Callable[[], Command]] = {
    "p": Pour, "u": Undo, "pause": Pause, "resume": Resume, "feed": TakeFeed, "water": TakeRinseWater,
    # "c" and a bare "n" are the dashboard's keys, and what its sentences name
    "ok": ConfirmProbe, "c": ConfirmProbe, "y": lambda: Answer(True), "yes": lambda: Answer(True),
    "n": lambda: Answer(False), "no": lambda: Answer(False),
    "q": lambda: Finish(FINISHED),
}  # fmt: skip
_LONGEST_LINE = 4096  # bytes; what comes after is another line


def parse_line(line: str, clock: Clock) -> Command | None:
    """The command in a line, None for an empty one. Raises UsageError with one line to show."""
    line = line.strip()
    if not line:
        return None
    if line.startswith("="):
        return typed(line, clock)
    word, _, rest = line.partition(" ")
    rest = rest.strip()
    if word in ("n", "note") and rest:
        return Note(rest)
    if word == "p" and rest:
        return Pour(parse_volume_ml(rest, "portion"))
    if word == "v" and rest:
        return SetPortion(parse_volume_ml(rest, "portion volume"))
    if word == "k" and rest:
        return known(rest)
    if word in _PLAIN and not rest:
        return _PLAIN[word]()
    raise UsageError(f"{line[:60]!r} is no command; {HELP}")


def known(text: str) -> CheckMeter:
    """``84 uS/cm``, or by hand ``84 uS/cm, read 81 uS/cm``: a check in a known water. Raises UsageError."""
    should, _, read = text.partition(",")
    read = read.strip().removeprefix("read").strip()
    return CheckMeter(parse_reading(should.strip(), "known water"), parse_reading(read, "reading") if read else None)


def typed(text: str, clock: Clock) -> Typed:
    """A reading typed by hand; ``over`` and ``under`` need no unit. Raises UsageError."""
    words = text.strip().removeprefix("=").strip()
    try:
        if words.lower() in ("over", "under"):
            return Typed(replace(parse_hand(f"{words.lower()} ppm", clock=clock), raw=words.encode(), unit=""))
        return Typed(parse_hand(words, clock=clock))
    except WireError as error:
        raise UsageError(str(error)) from error


class LineReader:
    """Reads lines from a descriptor in a thread of its own, as a daemon: nothing waits for a silent stdin."""

    def __init__(self, on_line: Callable[[str], None], on_end: Callable[[], None], descriptor: int = 0) -> None:
        self._on_line, self._on_end, self._descriptor = on_line, on_end, descriptor

    def start(self) -> None:
        """Begin to read."""
        threading.Thread(target=self._run, name="rinsewatch-stdin", daemon=True).start()

    def _run(self) -> None:
        for line in _lines(self._descriptor):
            self._on_line(line)
        self._on_end()


def _lines(descriptor: int) -> Iterator[str]:
    """Lines as they come; os.read, because a buffered reader's lock would hang the interpreter's exit."""
    buffer = b""
    while data := _read(descriptor):
        buffer += data
        while b"\n" in buffer or len(buffer) > _LONGEST_LINE:
            line, _, buffer = buffer.partition(b"\n")
            yield line[:_LONGEST_LINE].decode("utf-8", "replace")
    if buffer:
        yield buffer.decode("utf-8", "replace")


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 4096)
    except OSError:
        return b""
