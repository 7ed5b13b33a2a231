"""Writing a recording: the contract's CSV, whole or not at all."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable
from pathlib import Path
from typing import TextIO

from rinsewatch.errors import RecordingError
from rinsewatch.logbook.cells import cells_from_row
from rinsewatch.logbook.csvfile import COLUMNS
from rinsewatch.logbook.settings import Settings
from rinsewatch.rinse.row import Row


def write_recording(
    target: Path | str | TextIO, settings: Settings, rows: Iterable[Row], *, overwrite: bool = False
) -> int:
    """Write settings and rows to a file or an open text stream; returns the number of rows.

    A file appears whole or not at all (written beside, synced, then renamed); one that exists is only
    replaced with ``overwrite``. Raises RecordingError with one line.
    """
    if isinstance(target, Path | str):
        return _to_path(Path(target), settings, rows, overwrite=overwrite)
    target.write(settings_lines(settings))
    return _write_rows(target, rows)


def settings_lines(settings: Settings) -> str:
    """The settings as TOML, each line behind ``# ``; None is left out."""
    import tomlkit  # 30 ms that --help must not pay

    text = tomlkit.dumps({name: _sayable(value) for name, value in settings.items() if value is not None})
    # Not splitlines(): that also breaks at characters that may stand inside a batch's name (U+0085, U+2028).
    return "".join(f"# {line}\r\n" for line in text.split("\n") if line)


def _sayable(value: object) -> object:
    """Lone surrogates (a name typed in another encoding) spelled out: TOML has no escape for them."""
    return value.encode("utf-8", "backslashreplace").decode() if isinstance(value, str) else value


def _write_rows(stream: TextIO, rows: Iterable[Row]) -> int:
    writer = csv.writer(stream, lineterminator="\r\n")  # RFC 4180, section 2, rule 1
    writer.writerow(COLUMNS)
    count = 0
    for row in rows:
        writer.writerow(cells_from_row(row))
        count += 1
    return count


def _to_path(path: Path, settings: Settings, rows: Iterable[Row], *, overwrite: bool) -> int:
    special = path.exists() and not path.is_file()
    if path.exists() and not special and not overwrite:
        raise RecordingError(f"{path}: exists already; choose another name, or replace it with --overwrite")
    buffer = io.StringIO(newline="")
    count = write_recording(buffer, settings, rows)
    # A lone surrogate can come in with a note typed in another encoding; the export must not fail on it.
    raw = buffer.getvalue().encode("utf-8", "backslashreplace")
    try:
        if special:
            path.write_bytes(raw)
        else:
            _write_beside(path, raw)
    except OSError as error:
        raise RecordingError(f"{path}: cannot be written: {error.strerror}") from error
    return count


def _write_beside(path: Path, raw: bytes) -> None:
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with beside.open("xb") as stream:
            stream.write(raw)
            stream.flush()
            os.fsync(stream.fileno())
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
