"""Reading rows back with the proof that they are the ones stored."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from rinsewatch.logbook.chain import START, Stored, link
from rinsewatch.logbook.entry import ENTRY_COLUMNS, Entry, entry_of
from rinsewatch.logbook.schema import answers_hash
from rinsewatch.logbook.trouble import FAILURES

_RINSES = "SELECT id, uuid, batch, started_utc, settings, program_version, hash FROM rinse"
_CLOSINGS = "SELECT rinse_id, after_seq, ended_utc, reason, verdict, hash FROM closing WHERE rinse_id = ? ORDER BY id"
# The order of the hash chain of changes.
CHANGE_COLUMNS = (
    "id", "step", "kind", "number", "act", "utc", "gone", "fields", "undoes", "why", "program_version",
)  # fmt: skip
_CHANGES = f"SELECT {', '.join(CHANGE_COLUMNS)}, hash FROM change ORDER BY id"  # noqa: S608 - own names
_ENTRIES = f"SELECT {', '.join(ENTRY_COLUMNS)}, hash FROM entry WHERE rinse_id = ? ORDER BY seq"  # noqa: S608


class Damage(Exception):
    """The first thing of a rinse that is not as it was stored; ``seq`` 0 is the rinse's own record."""

    def __init__(self, seq: int, reason: str) -> None:
        super().__init__(reason)
        self.seq = seq


@dataclass(frozen=True, slots=True)
class Verification:
    """What verifying found. ``rinse_id`` None: the file as a whole. ``reason`` empty: all is well.

    ``good_rows``: rows before the first bad one. ``first_bad``: its number, None where no row is at fault.
    """

    rinse_id: int | None
    good_rows: int
    first_bad: int | None = None
    reason: str = ""

    @property
    def ok(self) -> bool:
        """True when everything is as it was stored."""
        return not self.reason


def read_text(raw: bytes) -> str:
    """A text factory that never fails: damaged text must reach the hash check, not stop before it."""
    return raw.decode("utf-8", "surrogateescape")


@contextmanager
def _one_moment(connection: sqlite3.Connection) -> Iterator[None]:
    """All that is read within is of one moment: a row written between two reads would look like damage."""
    if connection.in_transaction:
        yield
        return
    connection.execute("BEGIN")
    try:
        yield
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def walk(connection: sqlite3.Connection, rinse_id: int) -> Iterator[Entry]:
    """The entries of a rinse, each checked against the chain; raises Damage at the first bad one."""
    seq = 0
    try:
        with _one_moment(connection):
            before = _rinse_hash(connection, rinse_id)
            for *values, stored in connection.execute(_ENTRIES, (rinse_id,)):
                if values[1] != seq + 1:
                    raise Damage(seq + 1, "is missing")
                before = link(before, values)
                if before != stored:
                    raise Damage(seq + 1, "is not as it was stored")
                seq += 1
                yield entry_of(values)
            _check_end(connection, rinse_id, seq, before)
    except FAILURES as error:
        raise Damage(seq + 1, f"cannot be read ({error})") from error


def walk_changes(connection: sqlite3.Connection) -> Iterator[list[Any]]:
    """Every change in the order of CHANGE_COLUMNS, checked against its chain; raises Damage at the first bad one."""
    count, before = 0, START
    for *values, stored in connection.execute(_CHANGES):
        count += 1
        before = link(before, values)
        if values[0] != count or before != stored:
            raise Damage(count, f"record change {count} is missing or not as it was stored")
        yield values
    if connection.execute("SELECT one, id, hash FROM change_head").fetchall() != [(1, count, before)]:
        raise Damage(count + 1, f"record change {count + 1} is missing or not as it was stored")


def seal(connection: sqlite3.Connection) -> str:
    """One hash over the ends of all chains and the answers: two logbooks with the same seal hold the same."""
    queries = (
        "SELECT rinse_id, seq, hash, closing_hash FROM head ORDER BY rinse_id",
        "SELECT one, id, hash FROM change_head",
        "SELECT question, value, hash FROM answer ORDER BY question",
    )
    return link(START, (cell for query in queries for row in connection.execute(query) for cell in row)).hex()


def verify_rinse(connection: sqlite3.Connection, rinse_id: int) -> Verification:
    """Check the rinse's record, every row and every closing."""
    good = 0
    try:
        with _one_moment(connection):
            check_record(connection, rinse_id)
            for _ in walk(connection, rinse_id):
                good += 1
            _check_closings(connection, rinse_id)
    except Damage as damage:
        return Verification(rinse_id, good, damage.seq, str(damage))
    except FAILURES as error:
        return Verification(rinse_id, good, None, f"cannot be read ({error})")
    return Verification(rinse_id, good)


def verify_file(connection: sqlite3.Connection) -> Verification:
    """Check what is not part of one rinse: SQLite's structure, the list of rinses, the last answers."""
    try:
        with _one_moment(connection):
            count, reason = _check_file(connection)
    except FAILURES as error:
        return Verification(None, 0, None, f"cannot be read ({error})")
    return Verification(None, count, None, reason)


def _check_file(connection: sqlite3.Connection) -> tuple[int, str]:
    (verdict,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    if verdict != "ok":
        return 0, f"SQLite finds damage: {str(verdict).splitlines()[0]}"
    count, before = 0, START
    for *values, stored in connection.execute(f"{_RINSES} ORDER BY id"):
        count += 1
        before = link(before, values)
        if values[0] != count or before != stored:
            return count - 1, f"rinse {count} is missing or its record is not as it was stored"
    query = "SELECT rinse_id, seq, hash, closing_hash FROM head ORDER BY rinse_id"
    heads = connection.execute(query).fetchall()
    if [head[0] for head in heads] != list(range(count + 1)) or heads[0][1:] != (count, before, START):
        return count, "the list of rinses is not complete"
    return count, _check_strays(connection, count) or _check_answers(connection) or _check_changes(connection)


def _check_strays(connection: sqlite3.Connection, count: int) -> str:
    """Rows of rinses that are not in the list, which no rinse's own check would meet; closings left out or put in."""
    for table in ("entry", "closing"):
        stray = "typeof(rinse_id) <> 'integer' OR rinse_id NOT BETWEEN 1 AND ?"
        if connection.execute(f"SELECT 1 FROM {table} WHERE {stray} LIMIT 1", (count,)).fetchone():  # noqa: S608
            return "there are rows of a rinse that is not in the list"
    closings, first, last = connection.execute("SELECT count(*), min(id), max(id) FROM closing").fetchone()
    return "" if not closings or (first, last) == (1, closings) else "how the rinses ended is not as it was stored"


def _check_answers(connection: sqlite3.Connection) -> str:
    """The last answers, each and all."""
    words = "the last answers are not as they were stored"
    for question, value, stored in connection.execute("SELECT question, value, hash FROM answer"):
        if link(START, [question, value]) != stored:
            return words
    sealed = connection.execute("SELECT one, hash FROM answer_head").fetchall()
    return "" if sealed == [(1, answers_hash(connection))] else words


def _check_changes(connection: sqlite3.Connection) -> str:
    """What people wrote down: every change, and none lost at the end."""
    try:
        for _ in walk_changes(connection):
            pass
    except Damage as damage:
        return str(damage)
    return ""


def _rinse_hash(connection: sqlite3.Connection, rinse_id: int) -> bytes:
    found = connection.execute("SELECT hash FROM rinse WHERE id = ?", (rinse_id,)).fetchone()
    if found is None:
        raise Damage(0, "is missing")
    return _hash(found[0])


def _hash(cell: Stored) -> bytes:
    """A stored hash; anything else that stands in its place fits no chain."""
    return cell if isinstance(cell, bytes) else b"not a hash"


def check_record(connection: sqlite3.Connection, rinse_id: int) -> None:
    """The rinse's own record (batch, settings, when it began); raises Damage, sqlite3.Error."""
    found = connection.execute(f"{_RINSES} WHERE id = ?", (rinse_id,)).fetchone()
    if found is None:
        raise Damage(0, "is missing")
    before = connection.execute("SELECT hash FROM rinse WHERE id = ?", (rinse_id - 1,)).fetchone()
    *values, stored = found
    if link(_hash(before[0]) if before else START, values) != stored:
        raise Damage(0, "the rinse's own record is not as it was stored")


def _check_end(connection: sqlite3.Connection, rinse_id: int, seq: int, last: bytes) -> None:
    head = connection.execute("SELECT seq, hash FROM head WHERE rinse_id = ?", (rinse_id,)).fetchone()
    if head != (seq, last):
        raise Damage(seq + 1, "is missing or not as it was stored")


def _check_closings(connection: sqlite3.Connection, rinse_id: int) -> None:
    before = START
    for *values, stored in connection.execute(_CLOSINGS, (rinse_id,)).fetchall():
        before = link(link(before, [_hash_at(connection, rinse_id, values[1])]), values)
        if before != stored:
            raise Damage(0, "how the rinse ended is not as it was stored")
    found = connection.execute("SELECT closing_hash FROM head WHERE rinse_id = ?", (rinse_id,)).fetchone()
    if found is None or found[0] != before:
        raise Damage(0, "how the rinse ended is missing or not as it was stored")


def _hash_at(connection: sqlite3.Connection, rinse_id: int, seq: Stored) -> Stored:
    if seq == 0:
        return _rinse_hash(connection, rinse_id)
    found = connection.execute("SELECT hash FROM entry WHERE rinse_id = ? AND seq = ?", (rinse_id, seq)).fetchone()
    return found[0] if found else None
