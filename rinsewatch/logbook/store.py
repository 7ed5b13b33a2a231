"""The logbook: rinses in one SQLite file, viewed by anyone, written by one."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import uuid as uuids
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from rinsewatch import __version__
from rinsewatch.errors import LogbookError
from rinsewatch.logbook import schema
from rinsewatch.logbook.chain import START, Stored, link, text
from rinsewatch.logbook.csvwrite import write_recording
from rinsewatch.logbook.entry import Entry, values_of
from rinsewatch.logbook.ledger import Ledger
from rinsewatch.logbook.lock import WriterLock
from rinsewatch.logbook.settings import Settings
from rinsewatch.logbook.trouble import FAILURES, explain
from rinsewatch.logbook.verify import (
    Damage,
    Verification,
    check_record,
    read_text,
    seal,
    verify_file,
    verify_rinse,
    walk,
    walk_changes,
)
from rinsewatch.logbook.writer import Head, RinseWriter
from rinsewatch.rinse.row import Row

_LISTING = """
    SELECT rinse.id, uuid, batch, started_utc, settings, program_version, head.seq,
           closing.ended_utc, closing.reason, closing.verdict, closing.after_seq
    FROM rinse JOIN head ON head.rinse_id = rinse.id
    LEFT JOIN closing ON closing.id = (SELECT max(id) FROM closing WHERE rinse_id = rinse.id)
"""
RAW_RINSE = "SELECT uuid, batch, started_utc, settings, program_version FROM rinse WHERE id = ?"
RAW_CLOSINGS = "SELECT after_seq, ended_utc, reason, verdict FROM closing WHERE rinse_id = ? ORDER BY id"


@dataclass(frozen=True, slots=True)
class RinseInfo:
    """A rinse in the list. ``rows`` counts stored rows, raw ones included.

    ``ended_utc``, ``end_reason``, ``verdict`` are None while it is unfinished: never closed, or
    continued after its last closing.
    """

    id: int
    uuid: str
    batch: str
    started_utc: str
    settings: dict[str, object]
    program_version: str
    rows: int
    ended_utc: str | None
    end_reason: str | None
    verdict: str | None

    @property
    def unfinished(self) -> bool:
        """True for a rinse that was cut off (or is running now)."""
        return self.ended_utc is None


class Logbook:
    """An open logbook; close it, or use it as a context manager. One thread at a time.

    The first write takes the writer lock, which is held until ``close``; viewing needs none.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, bent: Sequence[str]) -> None:
        self.path = path
        self._bent = bent
        self._connection = connection
        self._lock = WriterLock(path)
        self.ledger = Ledger(self._changes, self.writing)

    @classmethod
    def open(cls, path: Path | str, *, create: bool = True, steps: Sequence[schema.Step] = schema.STEPS) -> Logbook:
        """Open the logbook, making it (mode 0600) or upgrading it first where needed.

        A file that is no logbook, or a newer one, is refused and left as it is. ``steps`` are the
        schema's versions. Raises LogbookError.
        """
        path = Path(path)
        try:
            if not path.exists():
                _make(path, steps, create=create)
        except OSError as error:
            raise explain(path, error) from error
        if schema.file_version(path, steps) < len(steps):
            with WriterLock(path):
                version = schema.file_version(path, steps)
                if version < len(steps):
                    schema.upgrade(path, version, steps)
        return cls(path, *_viewer(path, steps))

    def reserve(self) -> None:
        """Take the writer lock now; raises LogbookError naming the process that has it."""
        if not self._lock.held:
            self._lock.acquire()
            with self._explained():
                self._connection = schema.out_of_wal(self.path, self._connection)

    def close(self) -> None:
        """Close the file and let the next writer in."""
        self._connection.close()
        self._lock.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def begin_rinse(self, settings: Settings, batch: str, utc: str, *, uuid: str | None = None) -> RinseWriter:
        """Store a new rinse and return its writer. ``utc``: when it began, ISO 8601 UTC.

        ``settings`` are the options in snake case, kept as JSON. Raises LogbookError.
        """
        record = (uuid or str(uuids.uuid4()), text(batch), text(utc), _json(settings), __version__)
        with self.writing() as connection:
            count, before = connection.execute("SELECT seq, hash FROM head WHERE rinse_id = 0").fetchone()
            rinse_id = count + 1
            head = Head(0, link(before, (rinse_id, *record)))
            row = (rinse_id, *record, head.hash)
            connection.execute("INSERT INTO rinse VALUES (?, ?, ?, ?, ?, ?, ?)", row)
            connection.execute("INSERT INTO head VALUES (?, 0, ?, ?)", (rinse_id, head.hash, START))
            connection.execute("UPDATE head SET seq = ?, hash = ? WHERE rinse_id = 0", (rinse_id, head.hash))
        return RinseWriter(self.path, rinse_id, head)

    def continue_rinse(self, rinse_id: int) -> tuple[RinseWriter, list[Row]]:
        """A writer that goes on with a stored rinse, and the rows the core observed so far.

        Raises LogbookError where the rinse is damaged: export its good rows and begin a new one.
        """
        self.reserve()
        rows = self.rows(rinse_id)
        with self._explained():
            query = "SELECT seq, hash FROM head WHERE rinse_id = ?"
            seq, last_hash = self._connection.execute(query, (rinse_id,)).fetchone()
        return RinseWriter(self.path, rinse_id, Head(seq, last_hash)), rows

    def rinses(self) -> list[RinseInfo]:
        """All rinses, oldest first."""
        with self._explained():
            found = self._connection.execute(_LISTING + "ORDER BY rinse.id").fetchall()
        return [_info(self.path, cells) for cells in found]

    def rinse(self, rinse_id: int) -> RinseInfo:
        """One rinse; raises LogbookError where there is none with this number."""
        with self._explained():
            found = self._connection.execute(_LISTING + "WHERE rinse.id = ?", (rinse_id,)).fetchone()
        if found is None:
            raise self._no_rinse(rinse_id)
        return _info(self.path, found)

    def rinses_holding(self, words: Sequence[str]) -> list[RinseInfo]:
        """Rinses whose batch, settings, day (UTC) and notes together hold all these words, whatever their case."""
        with self._explained():
            query = f"SELECT rinse_id, group_concat(event, ' ') FROM entry WHERE {schema.NOTES} GROUP BY rinse_id"  # noqa: S608
            notes = dict(self._connection.execute(query).fetchall())
        wanted = [word.casefold() for word in words]
        return [info for info in self.rinses() if _holds(info, notes.get(info.id, ""), wanted)]

    def rinses_of(self, batches: Collection[str], numbers: Collection[int]) -> list[RinseInfo]:
        """Rinses of these batches (case does not matter) or with these numbers, oldest first."""
        with self._explained():
            names = [name for (name,) in self._connection.execute("SELECT DISTINCT batch FROM rinse")]
            found: dict[int, tuple[Any, ...]] = {}
            for name in names:
                if name.casefold() in batches:
                    cells = self._connection.execute(_LISTING + "WHERE rinse.batch = ?", (name,)).fetchall()
                    found |= {row[0]: row for row in cells}
            for number in numbers:
                cells = self._connection.execute(_LISTING + "WHERE rinse.id = ?", (number,)).fetchall()
                found |= {row[0]: row for row in cells}
        return [_info(self.path, found[number]) for number in sorted(found)]

    def count(self) -> int:
        """How many rinses there are; their numbers run from 1 to this."""
        with self._explained():
            found = self._connection.execute("SELECT seq FROM head WHERE rinse_id = 0").fetchone()
        if found is not None and not isinstance(found[0], int):
            raise _damaged(self.path)
        return int(found[0]) if found else 0

    def open_rinses(self) -> list[RinseInfo]:
        """The unfinished rinses, oldest first; one that is being recorded now is among them."""
        return [info for info in self.rinses() if info.unfinished]

    def entries(self, rinse_id: int, *, good_only: bool = False) -> list[Entry]:
        """Everything stored of a rinse, raw frames included, checked against the hash chain.

        A damaged rinse raises LogbookError naming the first bad row; with ``good_only`` the rows before
        it are returned instead.
        """
        spoilt = self._record_damage(rinse_id)
        if spoilt and not good_only:
            raise LogbookError(f"{self.path}: rinse {rinse_id}: {spoilt}; 'export --good-only' saves its good rows")
        good: list[Entry] = []
        try:
            good.extend(walk(self._connection, rinse_id))
        except Damage as damage:
            if not good_only:
                where = f"{self.path}: rinse {rinse_id}, row {damage.seq}"
                raise LogbookError(f"{where} {damage}; the {len(good)} rows before it are good") from damage
        return good

    def _record_damage(self, rinse_id: int) -> str:
        """What is wrong with a rinse's own record, "" if nothing; LogbookError where there is no such rinse."""
        with self._explained():
            if self._connection.execute("SELECT 1 FROM rinse WHERE id = ?", (rinse_id,)).fetchone() is None:
                raise self._no_rinse(rinse_id)
            try:
                check_record(self._connection, rinse_id)
            except Damage as damage:
                return str(damage)
        return ""

    def _no_rinse(self, rinse_id: int) -> LogbookError:
        return LogbookError(f"{self.path}: has no rinse {rinse_id}; see 'rinsewatch logbook list'")

    def recorded_settings(self, rinse_id: int, *, good_only: bool = False) -> dict[str, object]:
        """The settings a recording of this rinse begins with, its batch among them.

        With ``good_only`` none where the rinse's own record is damaged: a wrong setting is worse than a missing one.
        """
        if good_only and self._record_damage(rinse_id):
            return {}
        info = self.rinse(rinse_id)
        return info.settings | ({"batch": info.batch} if info.batch else {})

    def rows(self, rinse_id: int, *, good_only: bool = False) -> list[Row]:
        """The rows exactly as the core observed them; damage as in ``entries``."""
        return [entry.row for entry in self.entries(rinse_id, good_only=good_only) if entry.observed]

    def verify(self, rinse_id: int) -> Verification:
        """Check one rinse: its record, every row, how it ended."""
        return verify_rinse(self._connection, rinse_id)

    def verify_all(self) -> list[Verification]:
        """Check the file as a whole (first) and each rinse."""
        if self._bent:
            return [Verification(None, 0, None, f"the definition of {self._bent[0]} is not as it was made")]
        whole = verify_file(self._connection)
        try:
            numbers = [number for (number,) in self._connection.execute("SELECT id FROM rinse ORDER BY id")]
        except FAILURES:
            return [whole]
        return [whole, *(self.verify(number) for number in numbers)]

    def last_answers(self) -> dict[str, object]:
        """What was answered last, per question (setting name). Raises LogbookError."""
        return {question: _loads(self.path, value) for question, value in self.raw_answers().items()}

    def save_answers(self, answers: Mapping[str, object]) -> None:
        """Remember answers as the next rinse's defaults; None forgets one. Raises LogbookError."""
        kept = [(text(name), _json(value)) for name, value in answers.items() if value is not None]
        with self.writing() as connection:
            asked = [(text(name),) for name in answers]
            connection.executemany("DELETE FROM answer WHERE question = ?", asked)
            rows = [(*pair, link(START, pair)) for pair in kept]
            connection.executemany("INSERT INTO answer VALUES (?, ?, ?)", rows)
            schema.seal_answers(connection)

    def export(self, rinse_id: int, path: Path | str, *, good_only: bool = False, overwrite: bool = False) -> int:
        """Write a rinse as the contract's CSV; returns the number of rows.

        Raises LogbookError (no such rinse, damaged) or RecordingError (file exists, cannot be written).
        """
        rows = self.rows(rinse_id, good_only=good_only)
        settings = self.recorded_settings(rinse_id, good_only=good_only)
        return write_recording(path, settings, rows, overwrite=overwrite)

    def backup(self, path: Path | str) -> None:
        """Copy the whole logbook to a new file, also while a rinse is being recorded. Raises LogbookError."""
        path = Path(path)
        if path.exists():
            raise LogbookError(f"{path}: exists already; choose another name or remove it first")
        try:
            schema.copy_whole(self.path, path)
        except (OSError, *FAILURES) as error:
            raise explain(path, error) from error

    def raw_rinse(self, rinse_id: int) -> tuple[Sequence[Stored], list[tuple[Stored, ...]], list[Sequence[Stored]]]:
        """A rinse exactly as it is stored: record without number and hash, entries, closings; checked.

        Raises LogbookError where it is damaged or not there.
        """
        entries = self.entries(rinse_id)
        with self._explained():
            record = self._connection.execute(RAW_RINSE, (rinse_id,)).fetchone()
            closings = self._connection.execute(RAW_CLOSINGS, (rinse_id,)).fetchall()
        return record, [values_of(entry, rinse_id, seq) for seq, entry in enumerate(entries, start=1)], closings

    def raw_answers(self) -> dict[str, str]:
        """The last answers as they are stored, JSON. Raises LogbookError where they are no text."""
        with self._explained():
            found = dict(self._connection.execute("SELECT question, value FROM answer ORDER BY question").fetchall())
        if not all(isinstance(cell, str) for pair in found.items() for cell in pair):
            raise _damaged(self.path)
        return found

    def seal(self) -> str:
        """One hash of everything in it (hexadecimal). Raises LogbookError."""
        with self._explained():
            return seal(self._connection)

    def _changes(self) -> list[list[Any]]:
        try:
            with self._explained():
                return list(walk_changes(self._connection))
        except Damage as damage:
            raise LogbookError(f"{self.path}: is damaged ({damage}); go back to a backup of it") from damage

    @contextlib.contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except FAILURES as error:
            raise explain(self.path, error) from error

    @contextlib.contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction under the writer lock, all or nothing. Raises LogbookError."""
        self.reserve()
        with contextlib.ExitStack() as opened:
            opened.enter_context(self._explained())
            connection = opened.enter_context(contextlib.closing(schema.connect(self.path, write=True)))
            yield opened.enter_context(schema.transaction(connection))


def _holds(info: RinseInfo, notes: str, wanted: Sequence[str]) -> bool:
    settings = " ".join(f"{name} {value}" for name, value in info.settings.items())
    held = f"{info.batch} {info.started_utc} {settings} {notes}".casefold()
    return all(word in held for word in wanted)


def _make(path: Path, steps: Sequence[schema.Step], *, create: bool) -> None:
    if not create:
        raise LogbookError(
            f"{path}: there is no logbook yet; 'rinsewatch watch' or 'rinsewatch logbook add' begins one"
        )
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with WriterLock(path):
        if not path.exists():
            schema.create(path, steps)


def _viewer(path: Path, steps: Sequence[schema.Step]) -> tuple[sqlite3.Connection, list[str]]:
    """A connection for reading, and which definitions are bent; a bent table is refused at once."""
    try:
        connection = schema.viewing(path)
        connection.text_factory = read_text
        bent = schema.bent_definitions(connection, steps)
    except FAILURES as error:
        raise explain(path, error) from error
    ours = [name for name in bent if name in schema.TABLES]
    if ours:
        connection.close()
        raise LogbookError(f"{path}: is damaged (the definition of {ours[0]}); go back to a backup of it")
    return connection, bent


def _json(value: object) -> str:
    return text(json.dumps(value, ensure_ascii=False, default=str))


def _loads(path: Path, raw: str) -> Any:
    try:
        return json.loads(raw)
    except (ValueError, TypeError, RecursionError) as error:
        raise _damaged(path) from error


def _damaged(path: Path) -> LogbookError:
    return LogbookError(f"{path}: is damaged; 'rinsewatch logbook verify' names what")


def _info(path: Path, cells: Sequence[Any]) -> RinseInfo:
    number, uuid, batch, started_utc, settings, program_version, rows, *closing, after_seq = cells
    ended_utc, end_reason, verdict = closing if after_seq == rows else (None, None, None)
    known = _loads(path, settings)
    if not isinstance(known, dict):
        raise _damaged(path)
    return RinseInfo(
        number, uuid, batch, started_utc, known, program_version, rows,
        ended_utc, end_reason, verdict,
    )  # fmt: skip
