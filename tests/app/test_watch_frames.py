"""When the dashboard draws: at most two frames a second, but what a key does at once. On a clock that takes no time."""

from __future__ import annotations

import itertools
import threading
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Self

import pytest
from test_session_live import PORTIONS

from rinsewatch.cli.faces import DRAW_S, LATE_WAIT_S, DashboardFace
from rinsewatch.cli.stage import Means, begin_stage
from rinsewatch.logbook.store import Logbook
from rinsewatch.screen import keys, live
from rinsewatch.screen.snapshot import Snapshot
from rinsewatch.session.commands import Command, TogglePause
from rinsewatch.session.live import Policy
from rinsewatch.session.snapshot import SessionSnapshot
from rinsewatch_drivers.clock import SystemClock

ENDS_S = 5.0


class Bench:
    """Session, keys and screen in one, with news all the time: whoever waits lets the time pass."""

    def __init__(self, pressed_s: list[float], answer_s: float) -> None:
        self.time_s, self._pressed_s, self._answer_s = 0.0, list(pressed_s), answer_s
        self._asked: list[tuple[float, threading.Event]] = []
        self.latest = SessionSnapshot(setup=PORTIONS)
        self.changed = threading.Event()
        self.drawn: list[tuple[float, bool]] = []  # when, and whether PAUSED could be seen

    def pass_to(self, time_s: float) -> None:
        """Until then, or until the session answers: that wakes whoever waits for it."""
        if self._asked and self._asked[0][0] <= time_s:
            time_s, answered = self._asked.pop()
            self.latest = replace(self.latest, paused=not self.latest.paused)
            answered.set()
        self.time_s = time_s
        self.changed.set()

    @property
    def running(self) -> bool:
        return self.time_s < ENDS_S

    def now_s(self) -> float:
        return self.time_s

    def reading_age_s(self) -> None:
        return None

    def send(self, command: Command) -> threading.Event:
        assert isinstance(command, TogglePause)
        answered = Answered(self)
        self._asked.append((self.time_s + self._answer_s, answered))
        return answered

    def read(self, timeout_s: float) -> tuple[str, ...]:
        if self._pressed_s and self._pressed_s[0] <= self.time_s + timeout_s:
            self.pass_to(self._pressed_s.pop(0))
            return (" ",)
        self.pass_to(self.time_s + timeout_s)
        return ()

    def draw(self, snapshot: Snapshot) -> bool:
        self.drawn.append((self.time_s, snapshot.paused))
        return True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None: ...


class Answered(threading.Event):
    """An event whose wait takes the bench's time."""

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self._bench = bench

    def wait(self, timeout: float | None = None) -> bool:
        assert timeout is not None
        self._bench.pass_to(self._bench.time_s + timeout)
        return self.is_set()


def drawn(monkeypatch: pytest.MonkeyPatch, pressed_s: list[float], answer_s: float) -> list[tuple[float, bool]]:
    """The frames of a rinse in which the pause key is pressed then."""
    bench = Bench(pressed_s, answer_s)
    monkeypatch.setattr(keys, "open_keys", lambda: bench)
    monkeypatch.setattr(live, "LiveScreen", lambda ascii_only: bench)
    clock = SimpleNamespace(monotonic=lambda: bench.time_s)
    words = {"port": "hand", "meter_name": "by hand", "batch": "", "warnings": (), "starts_from": ""}
    stage: Any = SimpleNamespace(clock=clock, session=bench, link=None, **words)
    guard: Any = SimpleNamespace(disarm=lambda: None)
    DashboardFace().run(stage, guard)
    return bench.drawn


def test_without_keys_two_frames_a_second(monkeypatch: pytest.MonkeyPatch) -> None:
    times = [time_s for time_s, _ in drawn(monkeypatch, [], 0.0)]
    assert min(later - one for one, later in itertools.pairwise(times)) >= DRAW_S
    assert len(times) >= ENDS_S / (DRAW_S + 0.2)  # a frame is looked for every 0.2 s


@pytest.mark.parametrize("answer_s", [0.0, 0.04, 0.3, 0.9])
def test_what_a_key_does_is_drawn_as_soon_as_it_is_done(monkeypatch: pytest.MonkeyPatch, answer_s: float) -> None:
    """However long after the last frame it is pressed, and however long the recording takes (a slow disk)."""
    for pressed_s in (1.0, 1.13, 1.26, 1.39):
        first_s = next(time_s for time_s, paused in drawn(monkeypatch, [pressed_s], answer_s) if paused)
        assert first_s - pressed_s - answer_s <= LATE_WAIT_S + 1e-9


def test_a_command_is_answered_once_the_session_shows_it(tmp_path: Path) -> None:
    """The real session, on which the frames wait: never before it shows what the key did."""
    settings = {"resin_ml": 500, "portion_ml": 250, "residue": "NaOH", "endpoint": "12 uS/cm"}
    with Logbook.open(tmp_path / "logbook.sqlite") as logbook:
        means = Means(clock=SystemClock(), link=None, port="hand", policy=Policy())
        session = begin_stage(logbook, settings, "", means).session
        session.start()
        for paused in (True, False, True):
            assert session.send(TogglePause()).wait(60.0)
            assert session.latest.paused is paused
        session.finish("finished")
