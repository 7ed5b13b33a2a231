"""Three ways to look at a live rinse: the dashboard, plain lines, JSON lines. None of them can stop it."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import IO, Protocol

from rinsewatch.cli.keydesk import KeyDesk
from rinsewatch.cli.lines import INPUT_ENDED, LineReader, parse_line
from rinsewatch.cli.present import recorded_words, screen_snapshot
from rinsewatch.cli.signals import SignalGuard
from rinsewatch.cli.stage import Stage
from rinsewatch.errors import UsageError
from rinsewatch.rinse.state import Verdict
from rinsewatch.screen.snapshot import Snapshot
from rinsewatch.session.commands import BreakOff
from rinsewatch.session.snapshot import SessionSnapshot

WAIT_S = 0.5
KEY_WAIT_S = 0.2
ANSWER_WAIT_S = 0.1  # for the answer to a key, before the screen is drawn without it
LATE_WAIT_S = 0.03  # then it is looked for this often
DRAW_S = 0.5  # two frames a second are enough for water


class Face(Protocol):
    """Shows a stage until its session ends."""

    def run(self, stage: Stage, guard: SignalGuard) -> None: ...


class Outlet:
    """A stream that may go away: then nothing is printed any more, and nothing else happens.

    ``complaints``: where it is said if that is no reader who left, but a full disk.
    """

    def __init__(self, stream: IO[str], complaints: Outlet | None = None) -> None:
        self._stream = stream
        self._complaints = complaints
        self.gone = False

    def line(self, text: str) -> None:
        """Print one line at once."""
        if self.gone:
            return
        try:
            self._stream.write(text + "\n")
            self._stream.flush()
        except (OSError, ValueError) as error:
            self.gone = True
            if self._complaints is not None and isinstance(error, OSError) and not isinstance(error, BrokenPipeError):
                words = error.strerror or str(error)
                self._complaints.line(f"rinsewatch: nothing more can be printed ({words}); the rinse goes on")
                self._drop()

    def _drop(self) -> None:
        """What is still in the buffer has been told lost; the exit code is the rinse's."""
        with open(os.devnull, "w") as nothing, suppress(OSError, ValueError):
            os.dup2(nothing.fileno(), self._stream.fileno())


def read_lines(stage: Stage, errors: Outlet) -> None:
    """Take commands from stdin. Where readings are typed its end breaks the rinse off."""

    def on_line(line: str) -> None:
        """Hand the line's command over, or say why it is none."""
        try:
            command = parse_line(line, stage.clock)
        except UsageError as error:
            errors.line(f"rinsewatch: {error}")
            return
        if command is not None:
            stage.session.send(command)

    def on_end() -> None:
        if stage.link is None:
            stage.session.send(BreakOff(INPUT_ENDED))

    LineReader(on_line, on_end).start()


class JsonFace:
    """One JSON line on stdout for each reading, events and messages on stderr."""

    def __init__(self, out: IO[str] = sys.stdout, err: IO[str] = sys.stderr) -> None:
        self._err = Outlet(err)
        self._out = Outlet(out, self._err)
        self._told = 0
        self._trouble = ""

    def run(self, stage: Stage, guard: SignalGuard) -> None:
        """Print until the session ends."""
        read_lines(stage, self._err)
        session = stage.session
        while session.running:
            session.changed.wait(WAIT_S)
            session.changed.clear()
            self._print(stage)
        guard.disarm()
        self._print(stage)

    def _print(self, stage: Stage) -> None:
        from rinsewatch.screen.jsonlines import json_line

        for seen in stage.session.rows():
            if seen.row.has_reading:
                self._out.line(json_line(seen.state, row=seen.number))
            else:
                self._err.line(f"{seen.row.time_s:.1f} s: {seen.row.event}")
        self._tell(stage.session.latest)

    def _tell(self, shown: SessionSnapshot) -> None:
        """Messages that are no rows (a refused command, a question), and trouble with the logbook."""
        for number, words in shown.said:
            if number > self._told:
                self._told = number
                self._err.line(f"{shown.time_s:.1f} s: {words}")
        if shown.trouble != self._trouble:
            self._trouble = shown.trouble
            self._err.line(recorded_words(shown))


class PlainFace:
    """A line for each change worth telling."""

    def __init__(self, out: IO[str] = sys.stdout, err: IO[str] = sys.stderr) -> None:
        self._err = Outlet(err)
        self._out = Outlet(out, self._err)

    def run(self, stage: Stage, guard: SignalGuard) -> None:
        """Print until the session ends."""
        from rinsewatch.screen.plain import PlainTeller

        read_lines(stage, self._err)
        teller, session = PlainTeller(), stage.session
        while session.running:
            session.changed.wait(WAIT_S)
            session.changed.clear()
            self._tell(teller.line_for(look(stage)))
        guard.disarm()
        self._tell(teller.line_for(look(stage)))

    def _tell(self, line: str | None) -> None:
        if line:
            self._out.line(line)


class DashboardFace:
    """The full screen with single keys. ``idle`` is called each round (the demo's operator)."""

    def __init__(self, idle: Callable[[], None] | None = None) -> None:
        self._idle = idle
        self._rang: Verdict | None = None
        self._drawn_s = float("-inf")
        self._drawn_second = -1
        self._answered: threading.Event | None = None  # of the last key, until the screen has shown its effect

    def run(self, stage: Stage, guard: SignalGuard) -> None:
        """Draw and take keys until the session ends."""
        from rinsewatch.screen.charset import started_with, wants_ascii
        from rinsewatch.screen.keys import open_keys
        from rinsewatch.screen.live import LiveScreen, stop_hooks

        first = "; ".join(words for words in (*stage.warnings, stage.starts_from) if words)
        desk, session = KeyDesk(stage.clock, first), stage.session
        poor = wants_ascii(started_with(os.environ), sys.stdout.encoding or "ascii")
        with open_keys() as keys, LiveScreen(ascii_only=poor) as screen:

            def suspend() -> None:
                screen.suspend()
                keys.suspend()

            def resume() -> None:
                keys.resume()
                screen.resume()

            with stop_hooks(suspend, resume):
                self._draw(stage, desk, screen)
                while session.running:
                    pressed = keys.read(LATE_WAIT_S if self._answered else KEY_WAIT_S)
                    for key in pressed:
                        self._press(desk, stage, key)
                    if pressed and self._answered:
                        self._answered.wait(ANSWER_WAIT_S)
                    if pressed or self._is_due(stage):
                        self._draw(stage, desk, screen)
                guard.disarm()

    def _press(self, desk: KeyDesk, stage: Stage, key: str) -> None:
        shown = stage.session.latest
        stopped = shown.state is not None and shown.state.verdict is Verdict.STOP
        command = desk.press(key, asked=bool(shown.question), stopped=stopped)
        if command is not None:
            self._answered = stage.session.send(command)

    def _is_due(self, stage: Stage) -> bool:
        """Draw only what has changed: the answer to a key at once; new rows, or the second on the clock, in time."""
        if self._answered is not None and self._answered.is_set():
            return True
        news = stage.session.changed.is_set() or int(stage.session.now_s()) != self._drawn_second
        return news and stage.clock.monotonic() - self._drawn_s >= DRAW_S

    def _draw(self, stage: Stage, desk: KeyDesk, screen: Screen) -> None:
        stage.session.changed.clear()
        if self._answered is not None and self._answered.is_set():
            self._answered = None
        snapshot = look(stage, message=desk.message, question=desk.question, show_help=desk.show_help)
        screen.draw(snapshot)
        self._drawn_s, self._drawn_second = stage.clock.monotonic(), int(snapshot.elapsed_s)
        verdict = snapshot.state.verdict if snapshot.state else None
        if verdict is not self._rang and verdict in (Verdict.STOP, Verdict.CHECK, Verdict.STALLED):
            screen.bell()
        self._rang = verdict


class Screen(Protocol):
    """The part of LiveScreen a face draws on."""

    def draw(self, snapshot: Snapshot) -> bool: ...
    def bell(self) -> bool: ...


def look(stage: Stage, *, message: str = "", question: str = "", show_help: bool = False) -> Snapshot:
    """The stage's present moment for the screen."""
    session = stage.session
    return screen_snapshot(
        session.latest,
        session.now_s(),
        age_s=session.reading_age_s(),
        meter_name=stage.meter_name,
        port="" if stage.link is None else stage.port,
        batch=stage.batch,
        by_hand=stage.link is None,
        message=message,
        question=question,
        show_help=show_help,
    )
