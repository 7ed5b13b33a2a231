"""The dashboard on a real terminal, driven by its caller: it draws when told to and never by itself.

The screen stands outside the recording's path: whatever happens to the terminal, ``draw`` answers False
and nothing is raised into the caller.
"""

from __future__ import annotations

import atexit
import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType, TracebackType
from typing import IO, NoReturn, Self

from rich.console import Console
from rich.live import Live

from rinsewatch.screen.dashboard import Dashboard
from rinsewatch.screen.snapshot import Snapshot

# What a terminal that went away, or a stream closed under us, raises on writing.
_GONE = (OSError, ValueError)


class PipeSafeConsole(Console):
    """A console that reports a broken pipe; rich's own would end the program, and the recording with it."""

    def on_broken_pipe(self) -> NoReturn:
        raise BrokenPipeError


def make_console(file: IO[str] | None = None, force_terminal: bool | None = None) -> PipeSafeConsole:
    """The console for LiveScreen, on stdout unless ``file`` is given; text is never taken as markup."""
    return PipeSafeConsole(file=file, force_terminal=force_terminal, highlight=False, markup=False, emoji=False)


class LiveScreen:
    """Start, draw, bell, stop; also a context manager. All from one thread.

    ``stop`` also runs at interpreter exit. A size change needs nothing: each draw asks for the size.
    """

    def __init__(self, console: PipeSafeConsole | None = None, ascii_only: bool | None = None) -> None:
        self.console = console or make_console()
        self._dashboard = Dashboard(self.console, ascii_only)
        self._live: Live | None = None
        self._last: Snapshot | None = None
        self._broken = False

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> bool:
        """Take the alternate screen; False when the terminal is gone."""
        if self._live is None and not self._broken:
            self._live = Live(
                console=self.console,
                screen=True,
                auto_refresh=False,
                redirect_stdout=False,
                redirect_stderr=False,
            )
            atexit.register(self.stop)
            self._guarded(self._live.start)
        return not self._broken

    def draw(self, snapshot: Snapshot) -> bool:
        """Draw one frame; False (now and from now on) when the terminal cannot be written."""
        self._last = snapshot
        live = self._live
        if live is None or self._broken:
            return False
        return self._guarded(lambda: live.update(self._dashboard.render(snapshot), refresh=True))

    def bell(self) -> bool:
        """Ring the terminal's bell, where there is one."""
        return not self._broken and self._guarded(self.console.bell)

    def stop(self) -> None:
        """Give the terminal back; harmless when called twice."""
        live, self._live = self._live, None
        if live is not None:
            atexit.unregister(self.stop)
            self._guarded(live.stop)

    def suspend(self) -> None:
        """Before Ctrl-Z stops the process."""
        self.stop()

    def resume(self) -> None:
        """After ``fg``: take the screen again and show the last frame."""
        if self.start() and self._last is not None:
            self.draw(self._last)

    def _guarded(self, act: Callable[[], object]) -> bool:
        try:
            act()
        except _GONE:
            self._broken = True
        return not self._broken


@contextmanager
def stop_hooks(before: Callable[[], None], after: Callable[[], None]) -> Iterator[None]:
    """While inside, Ctrl-Z calls ``before``, stops the process, and ``after`` runs once it goes on.

    ``after`` also follows any other SIGCONT, so it must be harmless when nothing was suspended. Without
    these signals (Windows), or outside the main thread, nothing is installed.
    """
    if not hasattr(signal, "SIGTSTP") or threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(number: int, frame: FrameType | None) -> None:
        before()
        signal.signal(signal.SIGTSTP, signal.SIG_DFL)
        os.kill(os.getpid(), signal.SIGTSTP)  # stops here, until fg
        signal.signal(signal.SIGTSTP, stop)
        after()

    saved = {number: signal.getsignal(number) for number in (signal.SIGTSTP, signal.SIGCONT)}
    signal.signal(signal.SIGTSTP, stop)
    signal.signal(signal.SIGCONT, lambda number, frame: after())
    try:
        yield
    finally:
        for number, handler in saved.items():
            signal.signal(number, handler)
