"""The SQLite file: how it is recognised, made, upgraded and opened.

Journal DELETE with synchronous EXTRA: one slow writer needs no WAL, a copied file is whole, and a
commit that returned survives a power cut.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import stat
import struct
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from urllib.parse import quote

from rinsewatch.errors import LogbookError
from rinsewatch.logbook.chain import START, link
from rinsewatch.logbook.entry import ENTRY_COLUMNS
from rinsewatch.logbook.trouble import FAILURES, explain

APPLICATION_ID = 0x524E5357  # "RNSW"; chosen by this project, not registered anywhere
# A writer gives up within a second (the session keeps the row and tries again), a viewer can wait for a gap.
BUSY_S, VIEWER_BUSY_S = 0.8, 5.0
Step = Callable[[sqlite3.Connection], None]

_MAGIC = b"SQLite format 3\0"
# Offsets in the 100-byte header: sqlite.org/fileformat2.html, section 1.3.
_VERSION_AT, _APPLICATION_AT = 60, 68

_FIRST = (
    """CREATE TABLE rinse (
        id INTEGER PRIMARY KEY, uuid TEXT NOT NULL UNIQUE, batch TEXT NOT NULL, started_utc TEXT NOT NULL,
        settings TEXT NOT NULL, program_version TEXT NOT NULL, hash BLOB NOT NULL)""",
    """CREATE TABLE entry (
        rinse_id INTEGER NOT NULL REFERENCES rinse(id), seq INTEGER NOT NULL, kind TEXT NOT NULL,
        time_s REAL NOT NULL, utc TEXT NOT NULL, monotonic_s REAL, boottime_s REAL, raw BLOB NOT NULL,
        mark TEXT NOT NULL, reading REAL, shown TEXT NOT NULL, unit TEXT NOT NULL, decimals INTEGER,
        temperature_c REAL, rinse_ml REAL, event TEXT NOT NULL, quality TEXT NOT NULL, cause TEXT NOT NULL,
        hash BLOB NOT NULL, PRIMARY KEY (rinse_id, seq)) WITHOUT ROWID""",
    """CREATE TABLE closing (
        id INTEGER PRIMARY KEY, rinse_id INTEGER NOT NULL REFERENCES rinse(id), after_seq INTEGER NOT NULL,
        ended_utc TEXT NOT NULL, reason TEXT NOT NULL, verdict TEXT NOT NULL, hash BLOB NOT NULL)""",
    "CREATE INDEX closing_of ON closing (rinse_id, id)",
    # Where each chain ends (rinse_id 0: the chain of rinses), or a lost last row would go unnoticed.
    """CREATE TABLE head (
        rinse_id INTEGER PRIMARY KEY, seq INTEGER NOT NULL, hash BLOB NOT NULL,
        closing_hash BLOB NOT NULL)""",
    "CREATE TABLE answer (question TEXT PRIMARY KEY, value TEXT NOT NULL, hash BLOB NOT NULL) WITHOUT ROWID",
)
TABLES = (
    "table rinse", "table entry", "table closing", "table head", "table answer", "table change", "table change_head",
    "table answer_head",
)  # fmt: skip
NOTES = "event >= 'note:' AND event < 'note;'"  # ';' comes right after ':'
_APPEND_ONLY = ("rinse", "entry", "closing")
# What people write down beside the rinses. ``fields`` is JSON; ``gone`` 1: the item is no longer there after this
# change; ``step``: the first id of those written together; ``undoes``: the step this one takes back.
_SECOND = (
    """CREATE TABLE change (
        id INTEGER PRIMARY KEY, step INTEGER NOT NULL, kind TEXT NOT NULL, number INTEGER NOT NULL, act TEXT NOT NULL,
        utc TEXT NOT NULL, gone INTEGER NOT NULL, fields TEXT NOT NULL, undoes INTEGER, why TEXT NOT NULL,
        program_version TEXT NOT NULL, hash BLOB NOT NULL)""",
    "CREATE INDEX change_of ON change (kind, number, id)",
    "CREATE TABLE change_head (one INTEGER PRIMARY KEY CHECK (one = 1), id INTEGER NOT NULL, hash BLOB NOT NULL)",
    "CREATE INDEX rinse_batch ON rinse (batch)",
    # People's notes alone: a search must not read a million readings.
    f"CREATE INDEX entry_note ON entry (rinse_id) WHERE {NOTES}",
)


def _first(connection: sqlite3.Connection) -> None:
    for statement in _FIRST:
        connection.execute(statement)
    for table in _APPEND_ONLY:
        _append_only(connection, table)
    connection.execute("INSERT INTO head VALUES (0, 0, ?, ?)", (START, START))


def _second(connection: sqlite3.Connection) -> None:
    for statement in _SECOND:
        connection.execute(statement)
    _append_only(connection, "change")
    connection.execute("INSERT INTO change_head VALUES (1, 0, ?)", (START,))


def _third(connection: sqlite3.Connection) -> None:
    # Each answer vouches for itself; this vouches that none is missing.
    connection.execute("CREATE TABLE answer_head (one INTEGER PRIMARY KEY CHECK (one = 1), hash BLOB NOT NULL)")
    connection.execute("INSERT INTO answer_head VALUES (1, ?)", (answers_hash(connection),))


def answers_hash(connection: sqlite3.Connection) -> bytes:
    """One hash over all last answers. Raises sqlite3.Error."""
    rows = connection.execute("SELECT question, value FROM answer ORDER BY question")
    return link(START, (cell for row in rows for cell in row))


def seal_answers(connection: sqlite3.Connection) -> None:
    """To be called in each transaction that changed an answer. Raises sqlite3.Error."""
    connection.execute("UPDATE answer_head SET hash = ?", (answers_hash(connection),))


def _append_only(connection: sqlite3.Connection, table: str) -> None:
    for action in ("UPDATE", "DELETE"):
        connection.execute(
            f"CREATE TRIGGER {table}_no_{action.lower()} BEFORE {action} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
        )


_DEFINITIONS = "SELECT type || ' ' || name, tbl_name || ' ' || coalesce(sql, '') FROM sqlite_master"

# One step per schema version; the file's user_version is how many of them it has had.
STEPS: tuple[Step, ...] = (_first, _second, _third)


def entry_insert() -> str:
    """The INSERT for one entry with its hash."""
    names = (*ENTRY_COLUMNS, "hash")
    return f"INSERT INTO entry ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"  # noqa: S608 - own names


def file_version(path: Path, steps: Sequence[Step] = STEPS) -> int:
    """The schema version of an existing logbook, from its header alone; the file is not changed.

    Raises LogbookError for a directory, a pipe, an empty file, another program's file, a newer one.
    """
    try:
        if not stat.S_ISREG(os.stat(path).st_mode):
            raise LogbookError(f"{path}: is no regular file; name another with --logbook FILE")
        with path.open("rb") as stream:
            header = stream.read(100)
    except OSError as error:
        raise explain(path, error) from error
    if not header:
        raise LogbookError(f"{path}: is empty, so no logbook; remove it or name another with --logbook FILE")
    if len(header) < 100 or not header.startswith(_MAGIC):
        raise LogbookError(f"{path}: is no logbook; name another file with --logbook FILE")
    (application,) = struct.unpack_from(">I", header, _APPLICATION_AT)
    (version,) = struct.unpack_from(">I", header, _VERSION_AT)
    return _known(path, application, version, len(steps))


def _known(path: Path, application: int, version: int, newest: int) -> int:
    if application != APPLICATION_ID or version == 0:
        raise LogbookError(f"{path}: is another program's database; name another file with --logbook FILE")
    if version > newest:
        raise LogbookError(
            f"{path}: was written by a newer rinsewatch (schema {version}, this one knows {newest}); "
            "update rinsewatch; the file was not changed"
        )
    return version


def bent_definitions(connection: sqlite3.Connection, steps: Sequence[Step] = STEPS) -> list[str]:
    """Names of tables, indexes and triggers that are not as the steps make them.

    A flipped bit in a definition changes what every column means, and no integrity check looks at it.
    """
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
        for step in steps:
            step(fresh)
        wanted = dict(fresh.execute(_DEFINITIONS))
    found = dict(connection.execute(_DEFINITIONS))
    return [name for name in (*wanted, *found) if wanted.get(name) != found.get(name)]


def connect(path: Path, *, write: bool, busy_s: float = BUSY_S, keep_mode: bool = False) -> sqlite3.Connection:
    """A connection in autocommit mode: transactions are always explicit. Raises sqlite3.Error.

    ``keep_mode``: for looking only; setting the journal's mode may change the file's header.
    """
    mode = "rw" if write else "ro"
    uri = f"file:{quote(str(path.absolute()))}?mode={mode}"
    connection = sqlite3.connect(uri, uri=True, timeout=busy_s, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        if write and not keep_mode:
            connection.execute("PRAGMA journal_mode = DELETE")
            connection.execute("PRAGMA synchronous = EXTRA")
    except FAILURES:
        connection.close()
        raise
    return connection


@contextlib.contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """One explicit transaction: committed at the end of the block, rolled back on any way out before."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield connection
        connection.execute("COMMIT")
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def create(path: Path, steps: Sequence[Step] = STEPS) -> None:
    """Make a new logbook, mode 0600: built beside and renamed, so a half-made one never bears the name.

    The caller holds the writer lock. Raises LogbookError.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        os.close(os.open(beside, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        try:
            _upgrade_in_place(beside, 0, steps)
            beside.rename(path)
        finally:
            beside.unlink(missing_ok=True)
        _sync_folder(path.parent)
    except (OSError, *FAILURES) as error:
        raise explain(path, error) from error


def upgrade(path: Path, version: int, steps: Sequence[Step] = STEPS) -> Path:
    """Bring an older logbook up to date in one transaction, after copying it; returns the copy's path.

    The caller holds the writer lock. Killed at any time it leaves the old or the new version, never
    something between. Raises LogbookError.
    """
    kept = _free_name(path, version)
    try:
        copy_whole(path, kept)
        _upgrade_in_place(path, version, steps)
    except (OSError, *FAILURES) as error:
        raise explain(path, error) from error
    return kept


def copy_whole(path: Path, target: Path) -> None:
    """Copy a logbook to a new file, mode 0600, whole even while it is written to.

    Built beside ``target`` and renamed at the end. Raises OSError, sqlite3.Error.
    """
    beside = target.with_name(f".{target.name}.{os.getpid()}.part")
    os.close(os.open(beside, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    try:
        with contextlib.ExitStack() as opened:
            source = opened.enter_context(contextlib.closing(viewing(path)))
            copy = opened.enter_context(contextlib.closing(connect(beside, write=True)))
            source.backup(copy, sleep=0.02)
        beside.rename(target)
    finally:
        beside.unlink(missing_ok=True)
    _sync_folder(target.parent)


def viewing(path: Path) -> sqlite3.Connection:
    """A connection that only reads; the file is opened writable where possible (file and folder are
    ours), so that a commit cut off in the middle can be played back. Raises sqlite3.Error.
    """
    writable = os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)
    connection = connect(path, write=writable, busy_s=VIEWER_BUSY_S, keep_mode=True)
    connection.execute("PRAGMA query_only = ON")
    return connection


def out_of_wal(path: Path, viewer: sqlite3.Connection) -> sqlite3.Connection:
    """The viewer, or a new one: a write-ahead log that another program has set can be left only while nobody looks."""
    if viewer.execute("PRAGMA journal_mode").fetchone() != ("wal",):
        return viewer
    viewer.close()
    connect(path, write=True).close()
    again = viewing(path)
    again.text_factory = viewer.text_factory
    return again


def _upgrade_in_place(path: Path, version: int, steps: Sequence[Step]) -> None:
    with contextlib.closing(connect(path, write=True)) as connection, transaction(connection):
        for step in steps[version:]:
            step(connection)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(steps)}")


def _free_name(path: Path, version: int) -> Path:
    names = (path.with_name(f"{path.stem}.schema{version}{tail}{path.suffix}") for tail in _tails())
    return next(name for name in names if not name.exists())


def _tails() -> Iterator[str]:
    yield ""
    yield from (f"-{number}" for number in range(2, 10_000))


def _sync_folder(folder: Path) -> None:
    """Make a rename or a new name last through a power cut (POSIX only; Windows has no such call)."""
    if os.name == "posix":
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
