"""Storing first: a bounded memory queue in front of the logbook for when it fails."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from rinsewatch.errors import LogbookError
from rinsewatch.logbook.entry import Entry
from rinsewatch.rinse.row import Row

MEMORY_LIMIT = 10_000  # entries kept while the logbook cannot be written
_BATCH = 500  # entries in one transaction while catching up


class Writer(Protocol):
    """What the recorder needs of a RinseWriter."""

    def append_many(self, entries: Sequence[Entry]) -> list[int]: ...
    def close_rinse(self, reason: str, verdict: str, *, utc: str) -> None: ...
    def close(self) -> None: ...


class Recorder:
    """Stores entries in order; what cannot be stored waits, and ``trouble`` says so until it is."""

    def __init__(self, writer: Writer, *, limit: int = MEMORY_LIMIT) -> None:
        self._writer = writer
        self._limit = limit
        self._waiting: list[Entry] = []
        self.stored = 0
        self.dropped = 0
        self.trouble = ""

    @property
    def waiting(self) -> int:
        """Entries in memory only."""
        return len(self._waiting)

    @property
    def waiting_rows(self) -> list[Row]:
        """The rows of those entries, for a file of last resort."""
        return [entry.row for entry in self._waiting if entry.observed]

    def store(self, entries: Sequence[Entry]) -> bool:
        """Store these after all that wait; False (and ``trouble`` set) when they now wait in memory."""
        self._waiting += entries
        done = self.retry()
        if len(self._waiting) > self._limit:
            # the newest are dropped, so that what will be written stays gapless up to a known point
            self.dropped += len(self._waiting) - self._limit
            del self._waiting[self._limit :]
        return done

    def retry(self) -> bool:
        """Try again to write what waits; True when nothing waits any more."""
        while self._waiting:
            batch = self._waiting[:_BATCH]
            try:
                self._writer.append_many(batch)
            except LogbookError as error:
                self.trouble = str(error)
                return False
            self.stored += len(batch)
            del self._waiting[: len(batch)]
        self.trouble = ""
        return True

    def close(self, reason: str | None, verdict: str, utc: str) -> None:
        """Write the rinse's end (not for ``reason`` None: it stays open to be continued) and close."""
        if self.retry() and reason is not None:
            try:
                self._writer.close_rinse(reason, verdict, utc=utc)
            except LogbookError as error:
                self.trouble = str(error)
        self._writer.close()
