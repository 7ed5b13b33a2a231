"""The writing side of one rinse: append, and only then say it is stored."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from rinsewatch.errors import LogbookError
from rinsewatch.logbook.chain import Stored, link, text
from rinsewatch.logbook.entry import Entry, values_of
from rinsewatch.logbook.schema import connect, entry_insert, transaction
from rinsewatch.logbook.trouble import FAILURES, explain, identity


@dataclass(frozen=True, slots=True)
class Head:
    """Where a chain stands: the last sequence number and its hash."""

    seq: int
    hash: bytes


@dataclass(frozen=True, slots=True)
class _Planned:
    head: Head
    values: tuple[Stored, ...]


class RinseWriter:
    """Appends to one rinse. One thread at a time; the logbook's writer lock is held by its Logbook.

    After an append failed it is unknown whether it was stored. The same entries, given again, are
    settled by their own sequence numbers and hashes: stored ones are acknowledged, not doubled.
    """

    def __init__(self, path: Path, rinse_id: int, head: Head) -> None:
        self.rinse_id = rinse_id
        self._path = path
        self._place = identity(path)
        self._head = head
        self._unknown: dict[int, bytes] = {}
        self._connection: sqlite3.Connection | None = None

    @property
    def last_seq(self) -> int:
        """The last acknowledged sequence number, 0 before the first."""
        return self._head.seq

    def append(self, entry: Entry) -> int:
        """Store one entry; returns its sequence number (from 1) once it is on the disk.

        Raises LogbookError: then nothing is promised, and the entry is to be given again.
        """
        return self.append_many([entry])[0]

    def append_many(self, entries: Sequence[Entry]) -> list[int]:
        """Store entries in one transaction, all or none; for draining what waited in memory."""
        if not entries:
            return []
        with self._guarded() as connection:
            planned = self._settled_plan(connection, entries)
            stored = self._stored_head(connection).seq
            new = [plan for plan in planned if plan.head.seq > stored]
            self._unknown |= {plan.head.seq: plan.head.hash for plan in new}
            connection.executemany(entry_insert(), [(*plan.values, plan.head.hash) for plan in new])
            if new:
                self._move_head(connection, new[-1].head)
        self._head = planned[-1].head
        self._unknown = {seq: known for seq, known in self._unknown.items() if seq > self._head.seq}
        return [plan.head.seq for plan in planned]

    def close_rinse(self, reason: str, verdict: str, *, utc: str) -> None:
        """Write down that the rinse ended: when (ISO 8601 UTC), why, and the last verdict.

        Given again after a failure it is not doubled. Raises LogbookError.
        """
        with self._guarded() as connection:
            head = self._stored_head(connection)
            (before,) = connection.execute(
                "SELECT closing_hash FROM head WHERE rinse_id = ?", (self.rinse_id,)
            ).fetchone()
            values = (self.rinse_id, head.seq, text(utc), text(reason), text(verdict))
            if self._is_closed(connection, values):
                return
            closing_hash = link(link(before, [head.hash]), values)
            connection.execute(
                "INSERT INTO closing (rinse_id, after_seq, ended_utc, reason, verdict, hash) VALUES (?, ?, ?, ?, ?, ?)",
                (*values, closing_hash),
            )
            connection.execute("UPDATE head SET closing_hash = ? WHERE rinse_id = ?", (closing_hash, self.rinse_id))

    def close(self) -> None:
        """Close the file; the rinse stays open for continuation unless ``close_rinse`` was called."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextlib.contextmanager
    def _guarded(self) -> Iterator[sqlite3.Connection]:
        """One transaction on the very file we began with; after a failure the next one reopens it."""
        self._check_place()
        try:
            if self._connection is None:
                self._connection = connect(self._path, write=True)
            with transaction(self._connection) as connection:
                yield connection
        except (*FAILURES, LogbookError) as error:
            # An open rollback journal is played back when the file is opened again.
            self.close()
            raise error if isinstance(error, LogbookError) else explain(self._path, error) from error
        self._check_place()

    def _check_place(self) -> None:
        """A removed or replaced file would swallow every later row; SQLite alone may not notice."""
        if self._place is None or identity(self._path) != self._place:
            self.close()
            raise LogbookError(
                f"{self._path}: was moved, removed or replaced while the rinse was recorded; put it back, "
                "or go on in a new one with --logbook FILE"
            )

    def _stored_head(self, connection: sqlite3.Connection) -> Head:
        """The head in the file: ours, or one a failed commit left; anything else is a second writer."""
        query = "SELECT seq, hash FROM head WHERE rinse_id = ?"
        found = connection.execute(query, (self.rinse_id,)).fetchone()
        head = Head(*found) if found else Head(-1, b"")
        if head != self._head and self._unknown.get(head.seq) != head.hash:
            raise LogbookError(
                f"{self._path}: was changed by another program while the rinse was recorded; "
                "go on in a new one with --logbook FILE"
            )
        return head

    def _settled_plan(self, connection: sqlite3.Connection, entries: Sequence[Entry]) -> list[_Planned]:
        """Numbers and hashes for the entries: again those of the failed attempt, if that one was stored."""
        planned = self._plan(entries)
        stored = self._stored_head(connection)
        seen = [plan for plan in planned if plan.head.seq <= stored.seq]
        if stored != self._head and any(self._unknown.get(plan.head.seq) != plan.head.hash for plan in seen):
            self._head = stored  # the caller moved on to other entries; what was stored stays stored
            return self._plan(entries)
        return planned

    def _plan(self, entries: Sequence[Entry]) -> list[_Planned]:
        planned: list[_Planned] = []
        head = self._head
        for entry in entries:
            values = values_of(entry, self.rinse_id, head.seq + 1)
            head = Head(head.seq + 1, link(head.hash, values))
            planned.append(_Planned(head, values))
        return planned

    def _move_head(self, connection: sqlite3.Connection, head: Head) -> None:
        connection.execute("UPDATE head SET seq = ?, hash = ? WHERE rinse_id = ?", (head.seq, head.hash, self.rinse_id))

    def _is_closed(self, connection: sqlite3.Connection, values: tuple[Stored, ...]) -> bool:
        last = connection.execute(
            "SELECT rinse_id, after_seq, ended_utc, reason, verdict FROM closing WHERE rinse_id = ? "
            "ORDER BY id DESC LIMIT 1",
            (self.rinse_id,),
        ).fetchone()
        return bool(last == values)
