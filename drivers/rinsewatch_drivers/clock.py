"""The clock the drivers wait on; tests pass a virtual one."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """What a link needs of time."""

    def monotonic(self) -> float:
        """Seconds that never run backwards."""
        ...

    def utc(self) -> datetime:
        """The date and time, aware, UTC."""
        ...

    def wait(self, seconds: float) -> None:
        """Let that many seconds pass."""
        ...


class SystemClock:
    """The machine's own clock."""

    def __init__(self) -> None:
        # an Event, because time.sleep misbehaves under a faked wall clock on Python 3.11
        self._never = threading.Event()

    def monotonic(self) -> float:
        """Seconds since some fixed moment."""
        return time.monotonic()

    def utc(self) -> datetime:
        """Now, aware, UTC."""
        return datetime.now(UTC)

    def wait(self, seconds: float) -> None:
        """Block for that many seconds."""
        self._never.wait(max(0.0, seconds))
