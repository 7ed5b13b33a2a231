"""The whole logbook as plain data and back: every row as it was stored, so that even its hashes come out the same."""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rinsewatch.errors import LogbookError, RecordingError
from rinsewatch.logbook.chain import START, Stored, link
from rinsewatch.logbook.entry import ENTRY_COLUMNS
from rinsewatch.logbook.ledger import Change, change_of, insert_change, values_of_change
from rinsewatch.logbook.lock import WriterLock
from rinsewatch.logbook.schema import create, entry_insert, seal_answers
from rinsewatch.logbook.store import Logbook
from rinsewatch.logbook.trouble import FAILURES, explain
from rinsewatch.logbook.verify import seal

MARK = "rinsewatch_logbook"
VERSION = 1
RINSE_COLUMNS = ("uuid", "batch", "started_utc", "settings", "program_version")
CLOSING_COLUMNS = ("after_seq", "ended_utc", "reason", "verdict")
# A rinse's number is its place; an entry's rinse and place are its first two values.
_ENTRY_COLUMNS = ENTRY_COLUMNS[2:]
_RAW = _ENTRY_COLUMNS.index("raw")


@dataclass(frozen=True, slots=True)
class RinseDump:
    """One rinse: values in the order of RINSE_COLUMNS, entries without rinse and place, CLOSING_COLUMNS each."""

    record: Sequence[Stored]
    entries: Sequence[Sequence[Stored]]
    closings: Sequence[Sequence[Stored]]


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole logbook. ``answers``: question and value (JSON) of the last rinse; ``seal``: its hash, "" if unknown."""

    rinses: Iterable[RinseDump]
    changes: Sequence[Change]
    answers: Mapping[str, str]
    seal: str = ""


def json_lines(logbook: Logbook) -> Iterator[str]:
    """The whole logbook as JSON text, a rinse at a time. Raises LogbookError where it is damaged."""
    yield f'{{"{MARK}": {VERSION},\n"entry_columns": {_text(_ENTRY_COLUMNS)},\n"rinses": ['
    for number in range(1, logbook.count() + 1):
        yield f"{',' if number > 1 else ''}\n{_text(_rinse_object(logbook, number))}"
    yield '\n],\n"changes": ['
    for change in logbook.ledger.changes:
        yield f"{',' if change.id > 1 else ''}\n{_text(values_of_change(change))}"
    yield f'\n],\n"answers": {_text(logbook.raw_answers())},\n"seal": "{logbook.seal()}"}}\n'


def _rinse_object(logbook: Logbook, number: int) -> dict[str, object]:
    record, entries, closings = logbook.raw_rinse(number)
    plain = [[value.hex() if isinstance(value, bytes) else value for value in entry[2:]] for entry in entries]
    return {"record": dict(zip(RINSE_COLUMNS, record, strict=True)), "entries": plain, "closings": closings}


def _text(value: object) -> str:
    return json.dumps(value, ensure_ascii=False)


def read_json(path: Path) -> Whole:
    """Read a file that ``json_lines`` wrote. Error: RecordingError."""
    try:
        return whole_from_json(str(path), path.read_text("utf-8-sig"))
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "is not UTF-8"
        raise RecordingError(f"{path}: cannot be read: {reason}") from error


def whole_from_json(name: str, raw: str) -> Whole:
    """Read what ``json_lines`` wrote. Error: RecordingError."""
    try:
        found = json.loads(raw)
        if not isinstance(found, dict) or found.get(MARK) != VERSION:
            raise RecordingError(f"{name}: is no export of a rinsewatch logbook (version {VERSION})")
        rinses = [_rinse_of(rinse) for rinse in found["rinses"]]
        return Whole(
            rinses, [change_of(values) for values in found["changes"]], dict(found["answers"]), str(found["seal"])
        )
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, RecursionError) as error:
        raise RecordingError(f"{name}: is not whole or was changed by hand ({error}); export it again") from error


def _rinse_of(found: Mapping[str, Any]) -> RinseDump:
    entries = [[*values[:_RAW], bytes.fromhex(values[_RAW]), *values[_RAW + 1 :]] for values in found["entries"]]
    return RinseDump([found["record"][name] for name in RINSE_COLUMNS], entries, found["closings"])


def restore(path: Path, whole: Whole, then: Callable[[Logbook], None] | None = None) -> int:
    """Make the logbook at ``path`` from ``whole``, all or nothing; returns the number of rinses.

    ``then`` may add to it before it takes its place.
    Only where there is none yet, or an empty one. Raises LogbookError, RecordingError.
    """
    with contextlib.suppress(FileExistsError):
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with WriterLock(path):
        _check_empty(path)
        beside = path.with_name(f".{path.name}.{os.getpid()}.import")
        try:
            create(beside)
            count = _fill(beside, whole, then)
            beside.replace(path)
        except OSError as error:
            raise explain(path, error) from error
        finally:
            with contextlib.suppress(OSError):  # a disk that takes nothing takes no tidying either
                beside.unlink(missing_ok=True)
                beside.with_name(beside.name + ".lock").unlink(missing_ok=True)
    return count


def _check_empty(path: Path) -> None:
    if not path.exists():
        return
    with Logbook.open(path, create=False) as logbook:
        if logbook.count() or logbook.ledger.changes:
            raise LogbookError(
                f"{path}: holds records already; bring everything back into a new one with --logbook NEW.sqlite"
            )


def _fill(path: Path, whole: Whole, then: Callable[[Logbook], None] | None) -> int:
    with Logbook.open(path) as logbook:
        try:
            with logbook.writing() as connection:
                count = _insert(connection, whole)
        except (TypeError, ValueError, IndexError, OverflowError, *FAILURES) as error:
            raise RecordingError(
                f"the export is not whole or was changed by hand ({error}); export it again"
            ) from error
        if then is not None:
            then(logbook)
    return count


def _insert(connection: sqlite3.Connection, whole: Whole) -> int:
    number, before = 0, START
    for number, rinse in enumerate(whole.rinses, start=1):
        before = _insert_rinse(connection, number, before, rinse)
    connection.execute("UPDATE head SET seq = ?, hash = ? WHERE rinse_id = 0", (number, before))
    _insert_changes(connection, whole.changes)
    rows = [(question, value, link(START, (question, value))) for question, value in whole.answers.items()]
    connection.executemany("INSERT INTO answer VALUES (?, ?, ?)", rows)
    seal_answers(connection)
    if whole.seal and seal(connection) != whole.seal:
        raise ValueError("its contents do not fit its seal")
    return number


def _insert_changes(connection: sqlite3.Connection, changes: Sequence[Change]) -> None:
    before = START
    for place, change in enumerate(changes, start=1):
        if change.id != place:
            raise ValueError(f"change {place} is missing")
        before = insert_change(connection, change, before)
    connection.execute("UPDATE change_head SET id = ?, hash = ?", (len(changes), before))


def _insert_rinse(connection: sqlite3.Connection, number: int, before: bytes, rinse: RinseDump) -> bytes:
    own = link(before, (number, *rinse.record))
    connection.execute("INSERT INTO rinse VALUES (?, ?, ?, ?, ?, ?, ?)", (number, *rinse.record, own))
    hashes = [own]
    for seq, values in enumerate(rinse.entries, start=1):
        hashes.append(link(hashes[-1], (number, seq, *values)))
    rows = ((number, seq, *values, hashes[seq]) for seq, values in enumerate(rinse.entries, start=1))
    connection.executemany(entry_insert(), rows)
    closing = _insert_closings(connection, number, hashes, rinse.closings)
    connection.execute("INSERT INTO head VALUES (?, ?, ?, ?)", (number, len(rinse.entries), hashes[-1], closing))
    return own


def _insert_closings(
    connection: sqlite3.Connection, number: int, hashes: Sequence[bytes], closings: Sequence[Sequence[Any]]
) -> bytes:
    before = START
    for after_seq, *rest in closings:
        values = (number, after_seq, *rest)
        before = link(link(before, [hashes[after_seq]]), values)
        connection.execute(
            "INSERT INTO closing (rinse_id, after_seq, ended_utc, reason, verdict, hash) VALUES (?, ?, ?, ?, ?, ?)",
            (*values, before),
        )
    return before
