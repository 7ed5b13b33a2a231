"""What people write down beside the rinses: items that only ever change by further rows.

An item (a resin, a service run, a note ...) is what its newest change says. Corrections, deletions and undoing are
changes too, so every earlier value stays where it was.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from rinsewatch import __version__
from rinsewatch.errors import LogbookError, UsageError
from rinsewatch.logbook.chain import Stored, link, text
from rinsewatch.logbook.verify import CHANGE_COLUMNS

Value = str | int | float
Fields = Mapping[str, Value]
ADDED, CORRECTED, DELETED, UNDONE = "added", "corrected", "deleted", "undone"
RECORDED = "recorded"  # written by the program itself at the end of a rinse; undo passes it over
_BY_PEOPLE = (ADDED, CORRECTED, DELETED)


@dataclass(frozen=True, slots=True)
class Change:
    """One change: afterwards item ``number`` of ``kind`` is ``fields``, or is ``gone``. ``utc``: ISO 8601."""

    id: int
    step: int
    kind: str
    number: int
    act: str
    utc: str
    gone: bool
    fields_text: str
    undoes: int | None
    why: str
    program_version: str

    @property
    def fields(self) -> dict[str, Value]:
        """The item after this change; for one that is gone, as it was before."""
        loaded: dict[str, Value] = json.loads(self.fields_text)
        return loaded


@dataclass(frozen=True, slots=True)
class Item:
    """An item as it stands now."""

    kind: str
    number: int
    fields: Fields


@dataclass(frozen=True, slots=True)
class Draft:
    """A change to be written. ``number`` None: a new item gets the next one of its kind."""

    kind: str
    fields: Fields
    number: int | None = None
    gone: bool = False


class Ledger:
    """All changes of a logbook, checked against their chain, and the way to write further ones.

    ``changes`` gives the stored ones, checked; ``writing`` a transaction under the writer lock.
    """

    def __init__(
        self,
        changes: Callable[[], Iterable[Sequence[Any]]],
        writing: Callable[[], AbstractContextManager[sqlite3.Connection]],
    ) -> None:
        self._changes, self._writing = changes, writing

    @cached_property
    def changes(self) -> list[Change]:
        """Every change, oldest first. Raises LogbookError where one is damaged."""
        return [change_of(values) for values in self._changes()]

    @cached_property
    def _newest(self) -> dict[tuple[str, int], Change]:
        return {(change.kind, change.number): change for change in self.changes}

    @cached_property
    def _items(self) -> dict[str, list[Item]]:
        return {}

    def items(self, kind: str) -> list[Item]:
        """The items of a kind that are there now, by number."""
        if kind not in self._items:
            found = [change for (of, _), change in self._newest.items() if of == kind and not change.gone]
            found.sort(key=lambda change: change.number)
            self._items[kind] = [Item(kind, change.number, change.fields) for change in found]
        return list(self._items[kind])

    def item(self, kind: str, number: int) -> Item | None:
        """One item as it stands, None where there is none or it was deleted."""
        change = self._newest.get((kind, number))
        return None if change is None or change.gone else Item(kind, number, change.fields)

    def counts(self) -> dict[str, int]:
        """How many items of each kind there are now; kinds without any are left out."""
        found: dict[str, int] = {}
        for (kind, _), change in self._newest.items():
            if not change.gone:
                found[kind] = found.get(kind, 0) + 1
        return found

    def history(self, kind: str, number: int) -> list[Change]:
        """Everything that ever happened to an item, oldest first."""
        return [change for change in self.changes if (change.kind, change.number) == (kind, number)]

    def write(self, drafts: Sequence[Draft], act: str, utc: str, *, why: str = "", undoes: int | None = None) -> int:
        """Store drafts together, all or none; returns their step (their first change's id). Raises LogbookError.

        What was read before must still be the newest, or another program has written in between.
        """
        with self._writing() as connection:
            last, before = connection.execute("SELECT id, hash FROM change_head").fetchone()
            if last != len(self.changes):
                raise LogbookError("the logbook was changed by another program meanwhile; do it again")
            step = last + 1
            for change in self._numbered(drafts, step, act, utc, why, undoes):
                before = insert_change(connection, change, before)
            connection.execute("UPDATE change_head SET id = ?, hash = ?", (last + len(drafts), before))
        self.forget()
        return int(step)

    def forget(self) -> None:
        """Read anew next time."""
        for name in ("changes", "_newest", "_items"):
            self.__dict__.pop(name, None)

    def _numbered(
        self, drafts: Sequence[Draft], step: int, act: str, utc: str, why: str, undoes: int | None
    ) -> Iterator[Change]:
        highest: dict[str, int] = {}
        for kind, number in self._newest:
            highest[kind] = max(number, highest.get(kind, 0))
        for at, draft in enumerate(drafts):
            number = draft.number or highest.get(draft.kind, 0) + 1
            highest[draft.kind] = max(number, highest.get(draft.kind, 0))
            fields = text(json.dumps(dict(draft.fields), ensure_ascii=False, allow_nan=False))
            yield Change(
                step + at, step, draft.kind, number, act, text(utc), draft.gone, fields, undoes, text(why), __version__
            )

    def last_step(self) -> list[Change]:
        """The changes a person made last and has not yet taken back; empty where there are none."""
        undone = {change.undoes for change in self.changes if change.act == UNDONE}
        steps = [c.step for c in self.changes if c.act in _BY_PEOPLE and c.step not in undone]
        return [change for change in self.changes if steps and change.step == steps[-1]]

    def undo(self, utc: str) -> list[Change]:
        """Take back the last step by further changes; returns what was taken back. Errors: UsageError, LogbookError."""
        last = self.last_step()
        if not last:
            raise UsageError("there is nothing to undo")
        drafts = [self._before(change) for change in reversed(last)]
        self.write(drafts, UNDONE, utc, undoes=last[0].step)
        return last

    def _before(self, change: Change) -> Draft:
        earlier = [c for c in self.history(change.kind, change.number) if c.id < change.id]
        if not earlier or earlier[-1].gone:
            return Draft(change.kind, change.fields, change.number, gone=True)
        return Draft(change.kind, earlier[-1].fields, change.number)


def change_of(values: Sequence[Any]) -> Change:
    """The change behind stored values in the order of CHANGE_COLUMNS."""
    number, step, kind, item, act, utc, gone, fields, undoes, why, version = values
    return Change(number, step, kind, item, act, utc, bool(gone), fields, undoes, why, version)


def values_of_change(change: Change) -> tuple[Stored, ...]:
    """The change in the order of CHANGE_COLUMNS, as SQLite will give it back."""
    return (
        change.id, change.step, change.kind, change.number, change.act, change.utc, int(change.gone),
        change.fields_text, change.undoes, change.why, change.program_version,
    )  # fmt: skip


def insert_change(connection: sqlite3.Connection, change: Change, before: bytes) -> bytes:
    """Store one change behind the hash ``before``; returns its own. The caller moves the head."""
    values = values_of_change(change)
    own = link(before, values)
    marks = ", ".join("?" * (len(CHANGE_COLUMNS) + 1))
    connection.execute(f"INSERT INTO change VALUES ({marks})", (*values, own))  # noqa: S608 - marks only
    return own
