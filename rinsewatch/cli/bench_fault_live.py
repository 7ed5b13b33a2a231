"""Fault bench: ``rinsewatch watch`` itself, its meter a pty of ours, on a terminal of ours or without one."""

from __future__ import annotations

import fcntl
import os
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Self

from rinsewatch.cli.bench_fault_program import environment, kill_group, stored, wait_for
from rinsewatch.cli.bench_fault_rig import Pty
from rinsewatch.errors import LogbookError
from rinsewatch.logbook.store import Logbook, RinseInfo

RINSE = ("--resin-ml", "500", "--flow-ml-min", "60", "--residue", "NaOH", "--endpoint", "12 uS/cm")
PORTIONS = ("--resin-ml", "500", "--portion-ml", "250", "--residue", "NaOH", "--endpoint", "12 uS/cm")


class Watched:
    """The program under watch. ``screen``: on a terminal of 80x24 (else JSON lines to nowhere); killed at the end.

    Each line sent is a number of its own, so that what is stored can be told to the line.
    """

    def __init__(
        self, folder: Path, *, screen: bool = False, before: Sequence[str] = (), rinse: Sequence[str] = RINSE,
        words: Sequence[str] = (), out: int | None = None, **more: str,
    ) -> None:  # fmt: skip
        self.folder, self.path = folder, folder / "logbook.sqlite"
        self.meter = Pty(folder / "meter")
        self.meter.plug()
        self.sent_count, self.drawn, self.master = 0, b"", -1
        face = () if screen else ("--json",)
        port = ("--port", str(self.meter.link), "--meter", "plain-number")
        continued = () if "--continue" in words else rinse
        command = [*before, sys.executable, "-m", "rinsewatch", "watch", *port, *continued, *face, *words]
        streams = self._terminal() if screen else (subprocess.PIPE, subprocess.DEVNULL if out is None else out)
        self.process = subprocess.Popen(
            command, stdin=streams[0], stdout=streams[1], stderr=streams[1] if screen else subprocess.PIPE,
            env=environment(folder, **{"TERM": "xterm", **more}), start_new_session=screen,
            process_group=None if screen else 0,  # the kernel drops SIGTSTP for a group without a parent in its session
            preexec_fn=_own_terminal if screen else None,
        )  # fmt: skip
        if screen:
            os.close(streams[0])

    def _terminal(self) -> tuple[int, int]:
        self.master, far = os.openpty()
        self.resize(24, 80)
        self.found = termios.tcgetattr(far)
        return far, far

    def resize(self, rows: int, columns: int) -> None:
        """A window of that size; the kernel tells the program."""
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        kill_group(self.process)
        self.process.wait()
        if self.process.stderr is not None:
            self.process.stderr.close()
        if self.process.stdin is not None:
            self.process.stdin.close()
        if self.master >= 0:
            os.close(self.master)
        self.meter.unplug()

    def begun(self, within_s: float = 15.0) -> bool:
        """True once lines that are sent are being stored."""
        return wait_for(lambda: self._one_more() and stored(self.path) >= 3, within_s, 0.1)

    def _one_more(self) -> bool:
        self.speak(1, 0.0)
        return True

    def speak(self, lines: int, every_s: float) -> None:
        """Send so many lines, and swallow what the program draws."""
        for _ in range(lines):
            self.sent_count += 1
            # slowly falling, each another number
            self.meter.send(b"%.3f uS/cm\r\n" % (3000.0 * 0.9999**self.sent_count))
            self.look(every_s)

    def look(self, seconds: float) -> bytes:
        """Swallow what is drawn for so long."""
        ends_s = time.monotonic() + seconds
        while True:
            left_s = max(0.0, ends_s - time.monotonic())
            if self.master < 0:
                time.sleep(left_s)
                return self.drawn
            if select.select([self.master], [], [], left_s)[0]:
                try:
                    self.drawn += os.read(self.master, 65536)
                except OSError:  # the program has gone, and its end of the terminal with it
                    time.sleep(left_s)
                    return self.drawn
            elif left_s == 0.0:
                return self.drawn

    def type(self, keys: bytes) -> None:
        """Press keys."""
        os.write(self.master, keys)

    def shows(self, words: bytes, within_s: float = 15.0) -> bool:
        """True once that has been drawn."""
        ends_s = time.monotonic() + within_s
        while words not in self.drawn and time.monotonic() < ends_s:
            self.look(0.05)
        return words in self.drawn

    def hang_up(self) -> None:
        """Close the terminal's window."""
        os.close(self.master)
        self.master = -1

    def ended(self, within_s: float = 15.0) -> int | None:
        """Exit code, None if it still runs after that time."""
        wait_for(lambda: self.look(0.02) is not None and self.process.poll() is not None, within_s, 0.01)
        return self.process.poll()

    def signal(self, number: int) -> None:
        """Send it a signal."""
        self.process.send_signal(number)

    def errors(self) -> str:
        """What it said on stderr, once it has ended."""
        return b"".join(self.process.stderr or ()).decode("utf-8", "replace") if self.process.stderr else ""

    def numbers(self) -> list[bytes]:
        """The raw lines in the record, over all rinses."""
        with Logbook.open(self.path, create=False) as book:
            return [e.raw for info in book.rinses() for e in book.entries(info.id) if e.raw]

    def missing(self, since: int = 4) -> int:
        """Lines sent after the first few that are not in the record (opening a port throws away what came before)."""
        wanted = {b"%.3f uS/cm" % (3000.0 * 0.9999**n) for n in range(self.joined(), self.sent_count + 1)}
        return len(wanted - set(self.numbers()))

    def joined(self) -> int:
        """The number of the first line that was stored."""
        kept = set(self.numbers())
        return next((n for n in range(1, self.sent_count + 1) if b"%.3f uS/cm" % (3000.0 * 0.9999**n) in kept), 1)

    def info(self) -> RinseInfo | None:
        """The first rinse as the logbook lists it."""
        try:
            with Logbook.open(self.path, create=False) as book:
                return book.rinse(1)
        except LogbookError:
            return None

    def plain_again(self) -> bool:
        """Is the terminal as it was found: cooked, cursor shown, alternate screen left?"""
        left = self.drawn.rfind(b"\x1b[?1049l") > self.drawn.rfind(b"\x1b[?1049h") or b"\x1b[?1049h" not in self.drawn
        shown = self.drawn.rfind(b"\x1b[?25h") >= self.drawn.rfind(b"\x1b[?25l")
        return left and shown and termios.tcgetattr(self.master)[3] == self.found[3]


def _own_terminal() -> None:
    """The far end becomes the controlling terminal of the new session, so that a closed window is a hang-up."""
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
    signal.signal(signal.SIGTTOU, signal.SIG_IGN)
