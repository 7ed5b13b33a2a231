"""Reading a recording: RFC 4180 CSV with the rinse's settings in ``# `` lines on top.

Strict on purpose: a row that cannot be read is named with file, row and column, never skipped.
"""

from __future__ import annotations

import codecs
import csv
import io
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from rinsewatch.errors import RecordingError
from rinsewatch.logbook.cells import CellError, row_from_cells
from rinsewatch.logbook.settings import Settings, merge_settings
from rinsewatch.rinse.row import Row

COLUMNS = ("time_s", "reading", "unit", "temperature_c", "rinse_ml", "event")
REQUIRED = ("time_s", "reading", "unit")


@dataclass(frozen=True, slots=True)
class Record:
    """One data row: its number (from 1), what the core observes, and the cells of unknown columns."""

    number: int
    row: Row
    extra: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording whose header has been read; its rows are read as they are asked for.

    ``settings`` are the file's own, raw from TOML. ``rows`` and ``records`` start anew at each use
    and raise RecordingError at the first row that cannot be read.
    """

    name: str
    settings: dict[str, object]
    columns: tuple[str, ...]
    has_flow: bool
    body: str

    @property
    def extra_columns(self) -> tuple[str, ...]:
        """Columns the contract does not know; kept in each Record, otherwise ignored."""
        return tuple(column for column in self.columns if column not in COLUMNS)

    @property
    def rows(self) -> Iterator[Row]:
        """What the core observes, in file order, times as written."""
        return (record.row for record in self.records)

    @property
    def records(self) -> Iterator[Record]:
        """The data rows with their numbers and unknown columns; empty rows are not counted."""
        for number, cells in _numbered(self.name, self.body):
            yield self._record(number, cells)

    def _record(self, number: int, cells: list[str]) -> Record:
        where = f"{self.name}, row {number}"
        if len(cells) < len(self.columns):
            missing = self.columns[len(cells)]
            raise RecordingError(
                f"{where}, column {missing}: missing, the row has {len(cells)} of {len(self.columns)} cells"
            )
        if len(cells) > len(self.columns):
            raise RecordingError(
                f"{where}, column {len(self.columns) + 1}: the header has only {len(self.columns)} columns; "
                "put text with commas in double quotes and write decimals with a point"
            )
        by_name = dict(zip(self.columns, cells, strict=True))
        try:
            row = row_from_cells(by_name, has_flow=self.has_flow)
        except CellError as error:
            raise RecordingError(f"{where}, column {error.column}: {error}") from error
        return Record(number, row, {name: by_name[name] for name in self.extra_columns})


def read_recording(path: Path | str, overrides: Settings | None = None) -> Recording:
    """Open a recording; ``overrides`` (settings from the command line) may supply the flow.

    Returns at once after the header; the rows are read lazily from the text held in memory.
    Raises RecordingError: no such file, not UTF-8, settings that are no TOML, missing columns.
    """
    name = str(path)
    text = _decoded(name, _bytes_of(name, Path(path)))
    settings_text, body = _split(text)
    settings = _settings(name, settings_text)
    header, rows = _header(name, body)
    has_flow = "flow_ml_min" in merge_settings(settings, overrides or {})
    _check_columns(name, header, has_flow=has_flow)
    return Recording(name, settings, header, has_flow, rows)


def _bytes_of(name: str, path: Path) -> bytes:
    try:
        return path.read_bytes()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise RecordingError(f"{name}: cannot be read: {reason}") from error


def _decoded(name: str, raw: bytes) -> str:
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise RecordingError(f"{name}: is UTF-16, not UTF-8; save it again as CSV UTF-8")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise RecordingError(
            f"{name}, line {line}: byte 0x{raw[error.start]:02x} is not UTF-8; save it again as CSV UTF-8"
        ) from error


def _split(text: str) -> tuple[str, str]:
    """The ``#`` lines on top without their mark, and the rest."""
    lines: list[str] = []
    stream = io.StringIO(text, newline="")
    rest = 0
    for line in stream:
        if not line.startswith("#"):
            break
        lines.append(line[1:].strip())
        rest += len(line)
    return "\n".join(lines), text[rest:]


def _settings(name: str, text: str) -> dict[str, object]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RecordingError(
            f"{name}: the '# ' lines before the header are not TOML: {error}; "
            "write '# name = value', and a remark as '# # text'"
        ) from error
    except (ValueError, RecursionError) as error:
        raise RecordingError(
            f"{name}: in the '# ' lines before the header a number is too long, or lists lie too deep in each other"
        ) from error


def _reader(stream: io.StringIO) -> Iterator[list[str]]:
    return csv.reader(stream, strict=True)


def _header(name: str, body: str) -> tuple[tuple[str, ...], str]:
    stream = io.StringIO(body, newline="")
    try:
        cells = next((row for row in _reader(stream) if any(cell.strip() for cell in row)), None)
    except csv.Error as error:
        raise RecordingError(f"{name}, header: {error}") from error
    if cells is None:
        raise RecordingError(f"{name}: is empty; the first row must name the columns: {','.join(COLUMNS)}")
    return tuple(cell.strip() for cell in cells), body[stream.tell() :]


def _check_columns(name: str, header: tuple[str, ...], *, has_flow: bool) -> None:
    if any(header.count(column) > 1 for column in COLUMNS):
        twice = next(column for column in COLUMNS if header.count(column) > 1)
        raise RecordingError(f"{name}: the column {twice} is there twice")
    missing = [column for column in REQUIRED if column not in header]
    if missing:
        hint = "; separate the columns with commas" if ";" in header[0] or "\t" in header[0] else ""
        raise RecordingError(f"{name}: no column {', '.join(missing)} in the header{hint}")
    if "rinse_ml" not in header and not has_flow:
        raise RecordingError(f"{name}: no column rinse_ml in the header; give the flow: --flow-ml-min 100")


def _numbered(name: str, body: str) -> Iterator[tuple[int, list[str]]]:
    reader = _reader(io.StringIO(body, newline=""))
    number = 0
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            raise RecordingError(f"{name}, row {number + 1}, quoting: {error}") from error
        if cells is None:
            return
        if any(cell.strip() for cell in cells):
            number += 1
            yield number, cells
