"""Signals end a rinse properly: the first one is raised in the main thread once, later ones only noted."""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType

_REASONS = {"SIGINT": "interrupted", "SIGTERM": "terminated", "SIGHUP": "terminal closed", "SIGQUIT": "quit"}
_LOOK_UP_S = 0.2
_TAKEN_S = 0.1  # a terminal that is there takes a few lines in far less
_LAST_WORDS_S = 1.0  # by then they are out, or the terminal takes none


class EndedBySignal(BaseException):
    """Not an Exception: nothing on the way may take it for an error it knows."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number

    @property
    def reason(self) -> str:
        """For the record."""
        return _REASONS[signal.Signals(self.number).name]

    @property
    def exit_code(self) -> int:
        """128 and the number, as shells count: 130 for Ctrl-C."""
        return 128 + self.number


class SignalGuard:
    """From ``arm`` on, the first of the signals raises EndedBySignal; after ``disarm`` none does.

    ``at_once`` is called with the reason before: the record is closed even if the terminal takes no more
    output and the main thread hangs on it.
    """

    def __init__(self, at_once: Callable[[str], object]) -> None:
        self._at_once = at_once
        self._armed = False
        self._last_words_since_s: float | None = None
        self._before: dict[int, object] = {}

    def arm(self) -> None:
        """Install the handlers (main thread only)."""
        self._armed = True
        for name in _REASONS:
            number = getattr(signal, name, None)  # Windows has no SIGHUP
            if number is not None:
                self._before[number] = signal.signal(number, self._handle)

    def disarm(self) -> None:
        """The rinse is being closed: further signals must not get between."""
        self._armed = False

    def last_words(self) -> None:
        """The rinse is closed: a signal cuts its last words short only if they do not come to an end."""
        self._last_words_since_s = time.monotonic()

    def restore(self) -> None:
        """Give the signals back."""
        for number, handler in self._before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]  # what signal.signal gave us
        self._before.clear()

    def _handle(self, number: int, frame: FrameType | None) -> None:
        if self._armed:
            self._armed = False
            ended = EndedBySignal(number)
            self._at_once(ended.reason)
            raise ended
        since_s = self._last_words_since_s
        if since_s is not None and time.monotonic() - since_s > _LAST_WORDS_S:
            self.restore()
            signal.raise_signal(number)


@contextmanager
def kept_on_terminal() -> Iterator[None]:
    """Around what a Ctrl-C must not throw away, the words that give the terminal back and the last ones: it discards
    what the terminal has not taken yet (termios, NOFLSH).

    At its end the terminal gets a moment to take them; how much it has taken, a pseudo-terminal does not tell.
    """
    if not sys.stdin.isatty() or sys.platform == "win32":
        yield
        return
    import termios

    number = sys.stdin.fileno()
    try:
        before, kept = termios.tcgetattr(number), termios.tcgetattr(number)
        kept[3] |= termios.NOFLSH
        termios.tcsetattr(number, termios.TCSANOW, kept)
    except termios.error:  # closed under us
        yield
        return
    try:
        yield
    finally:
        time.sleep(_TAKEN_S)
        with suppress(termios.error):
            termios.tcsetattr(number, termios.TCSANOW, before)


@contextmanager
def ctrl_c_counts() -> Iterator[None]:
    """Around a question on a terminal (main thread only): Ctrl-C is seen at once, whenever it comes.

    One that came between the question's words and the wait for the answer would be seen with the next line only, and
    one that comes while ``input`` flushes the streams is lost in it: so the wait is broken off and taken up again
    several times a second, and a Ctrl-C that has not ended it by then is raised again.
    """
    said = signal.getsignal(signal.SIGINT)
    if not hasattr(signal, "setitimer") or not sys.stdin.isatty() or not callable(said):  # Windows needs none of this
        yield
        return
    pressed_s: float | None = None

    def press(number: int, frame: FrameType | None) -> None:
        nonlocal pressed_s
        pressed_s = time.monotonic()
        said(number, frame)

    def look_up(number: int, frame: FrameType | None) -> None:
        if pressed_s is not None and time.monotonic() - pressed_s > 0.5 * _LOOK_UP_S:
            press(signal.SIGINT, frame)

    signal.signal(signal.SIGINT, press)
    before = signal.signal(signal.SIGALRM, look_up)
    signal.setitimer(signal.ITIMER_REAL, _LOOK_UP_S, _LOOK_UP_S)
    try:
        yield
    finally:
        pressed_s = None
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)
        signal.signal(signal.SIGINT, said)
