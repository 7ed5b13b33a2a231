"""The real program on a terminal of 80x24, for tests."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pexpect
import pyte

from rinsewatch.cli.bench_fault_program import environment as environment_for

PATIENCE_S = 60.0  # what is waited for comes in well under a second where nothing else runs


class Terminal:
    """80x24 with the program on it."""

    def __init__(self, child: pexpect.spawn[str]) -> None:
        self.child = child
        self._screen = pyte.Screen(80, 24)
        self._stream = pyte.Stream(self._screen)
        self.raw = ""

    def text(self) -> str:
        return "\n".join(self._screen.display)

    def until(self, there: Callable[[str], bool]) -> str:
        """Feed the screen until ``there`` holds for its text."""
        deadline = time.monotonic() + PATIENCE_S
        while not there(self.text()):
            assert time.monotonic() < deadline, self.text()
            self.feed_once()
        return self.text()

    def shows(self, words: str) -> str:
        return self.until(lambda text: words in text)

    def end(self) -> int:
        """Wait for the program's end; its exit code, 128 and the number if a signal ended it, as shells count."""
        deadline = time.monotonic() + PATIENCE_S
        while self.feed_once():
            assert time.monotonic() < deadline, self.text()
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
def terminal(folder: Path, *arguments: str, cwd: Path | None = None, **environment: str) -> Iterator[Terminal]:
    """``rinsewatch`` with these arguments; ``folder`` is its data folder."""
    with python_on_terminal(folder, "-m", "rinsewatch", *arguments, cwd=cwd, **environment) as screen:
        yield screen


@contextmanager
def python_on_terminal(
    folder: Path, *arguments: str, cwd: Path | None = None, **environment: str
) -> Iterator[Terminal]:
    """The interpreter with the program on its path; killed at the end if it still runs."""
    world = environment_for(folder, **{"TERM": "xterm", **environment})
    world.pop("PYTHONUNBUFFERED", None)  # users do not set it, and it hides what is left in a stream at the end
    child = pexpect.spawn(
        sys.executable, [*arguments], cwd=cwd, dimensions=(24, 80), env=world, encoding="utf-8", timeout=PATIENCE_S
    )
    try:
        yield Terminal(child)
    finally:
        child.close(force=True)
