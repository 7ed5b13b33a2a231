"""The real program on a terminal of 80x24, for tests."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pexpect
import pyte

import rinsewatch

ROOT = Path(rinsewatch.__file__).parents[1]


class Terminal:
    """80x24 with the program on it."""

    def __init__(self, child: pexpect.spawn[str]) -> None:
        self.child = child
        self._screen = pyte.Screen(80, 24)
        self._stream = pyte.Stream(self._screen)
        self.raw = ""

    def text(self) -> str:
        return "\n".join(self._screen.display)

    def until(self, there: Callable[[str], bool], timeout_s: float = 10.0) -> str:
        """Feed the screen until ``there`` holds for its text."""
        deadline = time.monotonic() + timeout_s
        while not there(self.text()):
            assert time.monotonic() < deadline, self.text()
            self.feed_once()
        return self.text()

    def shows(self, words: str) -> str:
        return self.until(lambda text: words in text)

    def end(self, *, ctrl_c: bool = False) -> int:
        """Wait for the program's end; returns its exit code, 128 and the number if a signal ended it, as shells count.

        ``ctrl_c``: press it until then. One that comes in the instant between a question's words and the wait for
        the answer is seen by the interpreter with the next key only; no person is that quick, a test is.
        """
        deadline = time.monotonic() + 15.0
        pressed = -3.0
        while self.feed_once():
            assert time.monotonic() < deadline, self.text()
            if ctrl_c and time.monotonic() > pressed + 3.0:
                self.child.sendintr()
                pressed = time.monotonic()
        self.child.close()
        if self.child.signalstatus is not None:
            return 128 + int(self.child.signalstatus)
        assert isinstance(self.child.exitstatus, int)
        return self.child.exitstatus

    def feed_once(self, timeout_s: float = 0.1) -> bool:
        """Take what the program writes within the time; False at its end."""
        try:
            data = self.child.read_nonblocking(65536, timeout=timeout_s)
        except pexpect.TIMEOUT:
            return True
        except pexpect.EOF:
            return False
        self.raw += data
        self._stream.feed(data)
        return True


@contextmanager
def terminal(folder: Path, *arguments: str, **environment: str) -> Iterator[Terminal]:
    path = os.pathsep.join(str(ROOT / part) for part in ("", "drivers", "sim"))
    env = {**os.environ, "PYTHONPATH": path, "RINSEWATCH_DATA": str(folder), "TERM": "xterm", **environment}
    child = pexpect.spawn(
        sys.executable, ["-m", "rinsewatch", *arguments], dimensions=(24, 80), env=env, encoding="utf-8"
    )
    try:
        yield Terminal(child)
    finally:
        child.close(force=True)
