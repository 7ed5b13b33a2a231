"""What went wrong with the file, in one line that says what to do."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from rinsewatch.errors import LogbookError

# By the start of SQLite's own name of the error (sqlite.org/rescode.html).
_ADVICE = {
    "SQLITE_FULL": "the disk is full; free some space",
    "SQLITE_READONLY": "is read-only; make it and its folder writable, or use --logbook FILE",
    "SQLITE_BUSY": "is held by another program; close that one",
    "SQLITE_LOCKED": "is held by another program; close that one",
    "SQLITE_CANTOPEN": "cannot be opened; check that its folder exists and is yours",
    "SQLITE_PERM": "cannot be opened; check that it is yours",
    "SQLITE_CORRUPT": "is damaged; 'rinsewatch logbook verify' names the first bad row; else use a backup",
    "SQLITE_NOTADB": "is no logbook; name another file with --logbook FILE",
    "SQLITE_IOERR": "the disk reports an error or a limit; check it, or use --logbook FILE on another one",
    "SQLITE_TOOBIG": "a note or a raw line is too long to be stored",
}


# A damaged name in the schema makes the sqlite3 module fail to decode its own message.
FAILURES = (sqlite3.Error, UnicodeDecodeError)


def explain(path: Path, error: sqlite3.Error | UnicodeDecodeError | OSError) -> LogbookError:
    """The LogbookError for what SQLite or the system said about ``path``."""
    if isinstance(error, OSError):
        return LogbookError(f"{path}: {error.strerror or error}; choose another file with --logbook FILE")
    undecodable = isinstance(error, UnicodeDecodeError)
    code = "SQLITE_CORRUPT" if undecodable else getattr(error, "sqlite_errorname", "")
    for start, advice in _ADVICE.items():
        if code.startswith(start):
            return LogbookError(f"{path}: {advice}")
    return LogbookError(f"{path}: the logbook failed: {error}")


def identity(path: Path) -> tuple[int, int] | None:
    """Device and inode behind a path now, None where nothing is: tells a replaced file from ours."""
    try:
        status = os.stat(path)
    except OSError:
        return None
    return status.st_dev, status.st_ino
