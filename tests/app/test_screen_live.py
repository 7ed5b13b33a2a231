"""The live screen on a pty: what is drawn, and that the terminal comes back on every way out."""

from __future__ import annotations

import io
import os
import select
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pyte
import pytest

from rinsewatch.rinse.state import Verdict
from rinsewatch.screen.live import LiveScreen, PipeSafeConsole, make_console, stop_hooks
from rinsewatch.screen.picture import invented_snapshot

fcntl = pytest.importorskip("fcntl", reason="ptys are POSIX only")
termios = pytest.importorskip("termios", reason="ptys are POSIX only")

ENTER_SCREEN, LEAVE_SCREEN, SHOW_CURSOR = b"\x1b[?1049h", b"\x1b[?1049l", b"\x1b[?25h"
CHILD = """
import sys
from rinsewatch.rinse.state import Verdict
from rinsewatch.screen.keys import open_keys
from rinsewatch.screen.live import LiveScreen, stop_hooks
from rinsewatch.screen.picture import invented_snapshot
screen, keys = LiveScreen(), open_keys()
def leave():
    screen.suspend(); keys.suspend()
def back():
    keys.resume(); screen.resume()
with keys, screen, stop_hooks(leave, back):
    screen.draw(invented_snapshot(Verdict.RINSE))
    while True:
        for key in keys.read(0.05):
            if key == "r": screen.draw(invented_snapshot(Verdict.STOP))
            if key == "b": screen.bell()
            if key == "x": raise RuntimeError("on purpose")
            if key == "e": sys.exit(7)
            if key == "q": raise SystemExit(0)
"""


class Terminal:
    """A program on a pty, and a model of the screen it draws."""

    def __init__(self, columns: int, rows: int) -> None:
        self.master, self.slave = os.openpty()
        self.screen = pyte.Screen(columns, rows)
        self._stream, self.raw = pyte.ByteStream(self.screen), b""
        self.resize(columns, rows)
        self.before = termios.tcgetattr(self.slave)
        root = str(Path(__file__).parents[2])
        env = {"PYTHONPATH": root, "TERM": "xterm-256color", "LANG": "C.UTF-8", "PATH": os.environ["PATH"]}
        # Its own process group in our session, so that a stop signal stops it as a shell's would.
        self.child = subprocess.Popen(
            [sys.executable, "-c", CHILD],
            stdin=self.slave,
            stdout=self.slave,
            stderr=subprocess.PIPE,
            env=env,
            process_group=0,
        )

    def resize(self, columns: int, rows: int) -> None:
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        self.screen.resize(rows, columns)

    def press(self, key: str) -> None:
        os.write(self.master, key.encode())

    def until(self, wanted: bytes, limit_s: float = 15.0) -> None:
        """Read until ``wanted`` has come in since the last call, then what follows it at once."""
        seen, end = b"", time.monotonic() + limit_s
        while time.monotonic() < end:
            if select.select([self.master], [], [], 0.05)[0]:
                data = os.read(self.master, 65536)
                seen += data
                self.raw += data
                self._stream.feed(data)
            elif wanted in seen:
                return
        pytest.fail(f"{wanted!r} did not come; got {seen[-300:]!r}")

    def restored(self) -> bool:
        tail = self.raw[self.raw.rfind(ENTER_SCREEN) :]
        return LEAVE_SCREEN in tail and SHOW_CURSOR in tail and termios.tcgetattr(self.slave) == self.before

    def close(self) -> None:
        if self.child.poll() is None:
            self.child.kill()
        self.child.communicate()
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    program = Terminal(80, 24)
    program.until(b"? help")
    yield program
    program.close()


def test_draws_grows_rings_and_restores(terminal: Terminal) -> None:
    assert terminal.screen.display[0].startswith(" rinsewatch")
    assert "5 more portions (4 to 7)" in terminal.screen.display[1]
    assert "? help" in terminal.screen.display[23]
    terminal.resize(120, 40)
    terminal.press("r")
    terminal.until(b"? help")
    assert "STOP" in terminal.screen.display[2] and terminal.screen.display[1] == "#" * 120
    assert "? help" in terminal.screen.display[39]
    terminal.resize(30, 6)
    terminal.press("r")
    terminal.until(b"too small")
    terminal.press("b")
    terminal.until(b"\a")
    terminal.press("q")
    assert terminal.child.wait(15) == 0
    terminal.until(LEAVE_SCREEN)
    assert terminal.restored()


@pytest.mark.parametrize(("key", "code"), [("x", 1), ("e", 7)])
def test_restores_after_an_exception_and_an_exit(terminal: Terminal, key: str, code: int) -> None:
    terminal.press(key)
    assert terminal.child.wait(15) == code
    terminal.until(LEAVE_SCREEN)
    assert terminal.restored()


def test_ctrl_z_gives_the_terminal_back_and_fg_draws_again(terminal: Terminal) -> None:
    terminal.child.send_signal(signal.SIGTSTP)
    _, status = os.waitpid(terminal.child.pid, os.WUNTRACED)
    assert os.WIFSTOPPED(status)
    terminal.until(LEAVE_SCREEN)
    assert terminal.restored()
    terminal.child.send_signal(signal.SIGCONT)
    terminal.until(b"? help")
    assert "RINSE ON" in terminal.screen.display[1]
    terminal.press("q")
    assert terminal.child.wait(15) == 0
    terminal.until(LEAVE_SCREEN)
    assert terminal.restored()


def test_ctrl_c_restores_the_terminal(terminal: Terminal) -> None:
    terminal.child.send_signal(signal.SIGINT)
    assert terminal.child.wait(15) != 0
    terminal.until(LEAVE_SCREEN)
    assert terminal.restored()


def test_a_closed_pipe_is_false_and_never_an_exception() -> None:
    end, other = os.pipe()
    with os.fdopen(other, "w", encoding="utf-8") as stream:
        console = make_console(stream, force_terminal=True)
        screen = LiveScreen(console)
        assert screen.start()
        assert screen.draw(invented_snapshot())
        os.close(end)
        assert not screen.draw(invented_snapshot())
        assert not screen.draw(invented_snapshot())
        assert not screen.bell()
        screen.stop()
        with suppress(BrokenPipeError):  # its own last flush; the point is that the screen raised nothing
            stream.close()


def test_a_stream_closed_under_it_is_false_and_never_an_exception() -> None:
    stream = io.StringIO()
    screen = LiveScreen(PipeSafeConsole(file=stream, width=80, height=24, force_terminal=True))
    screen.start()
    stream.close()
    assert not screen.draw(invented_snapshot())
    screen.stop()
    assert not screen.start()


def test_start_and_stop_may_be_called_twice() -> None:
    stream = io.StringIO()
    screen = LiveScreen(PipeSafeConsole(file=stream, width=80, height=24, force_terminal=True))
    assert not screen.draw(invented_snapshot(Verdict.STOP))  # not started yet
    for act in (screen.start, screen.start, screen.resume, screen.stop, screen.stop):
        act()
    assert stream.getvalue().count("\x1b[?1049h") == stream.getvalue().count("\x1b[?1049l") == 1
    assert "pour no more" in stream.getvalue()  # resume shows the last frame


def test_hooks_are_taken_out_again() -> None:
    before = signal.getsignal(signal.SIGTSTP), signal.getsignal(signal.SIGCONT)
    with stop_hooks(lambda: None, lambda: None):
        assert signal.getsignal(signal.SIGTSTP) != before[0]
    assert (signal.getsignal(signal.SIGTSTP), signal.getsignal(signal.SIGCONT)) == before
