"""A table somebody else's program wrote: its encoding, its separator, its cells."""

from __future__ import annotations

import codecs
import csv
import io
from dataclasses import dataclass
from pathlib import Path

from rinsewatch.errors import RecordingError

_SEPARATORS = (";", "\t", ",")
# Longer ones first: the mark of UTF-32 begins like that of UTF-16.
_MARKS = (
    (codecs.BOM_UTF32_LE, "utf-32"), (codecs.BOM_UTF32_BE, "utf-32"), (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"),
)  # fmt: skip
LARGEST_BYTES = 64_000_000


@dataclass(frozen=True, slots=True)
class ForeignRow:
    """One row: its number in the file (the header is 1, as a spreadsheet counts) and its cells."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ForeignTable:
    """A table with its header; ``encoding`` and ``separator`` as found."""

    name: str
    encoding: str
    separator: str
    columns: tuple[str, ...]
    rows: tuple[ForeignRow, ...]

    def column(self, word: str) -> int | None:
        """The place of a column by its heading, whatever its case; None if there is none."""
        wanted = _folded(word)
        places = [place for place, column in enumerate(self.columns) if _folded(column) == wanted]
        return places[0] if places else None


def read_foreign(path: Path, encoding: str | None = None) -> ForeignTable:
    """Read a CSV of any usual encoding (UTF-8, with or without its mark, UTF-16, cp1252) and separator.

    Error: RecordingError, one line naming file and row.
    """
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise RecordingError(
                f"{path}: is larger than {LARGEST_BYTES // 1_000_000} MB; export only the table itself"
            )
        raw = path.read_bytes()
    except OSError as error:
        raise RecordingError(f"{path}: cannot be read: {error.strerror}") from error
    text, found = decoded(str(path), raw, encoding)
    return parse_table(str(path), text, found)


def decoded(name: str, raw: bytes, encoding: str | None) -> tuple[str, str]:
    """The text and the encoding it was in. Error: RecordingError."""
    if encoding is not None:
        return _as(name, raw, _known(encoding)), encoding
    for mark, found in _MARKS:
        if raw.startswith(mark):
            return _as(name, raw, found), found
    if raw[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
        raise RecordingError(f"{name}: is a spreadsheet file, not CSV; save it as CSV in the spreadsheet program")
    if b"\0" in raw:
        raise RecordingError(f"{name}: is no text, or UTF-16 without its mark; then say --encoding utf-16-le")
    try:
        return raw.decode("utf-8"), "utf-8"
    except UnicodeDecodeError:
        return _as(name, raw, "cp1252"), "cp1252"  # what spreadsheets write where it is not UTF-8


def _known(encoding: str) -> str:
    try:
        "".encode(encoding)
        return codecs.lookup(encoding).name
    except (LookupError, ValueError) as error:
        raise RecordingError(f"--encoding: {encoding!r} is unknown; usual are utf-8, utf-16, cp1252") from error


def _as(name: str, raw: bytes, encoding: str) -> str:
    try:
        return raw.decode(encoding).removeprefix("\ufeff")
    except (UnicodeError, LookupError) as error:
        raise RecordingError(
            f"{name}: is not {encoding}; name its encoding with --encoding, or save it as UTF-8"
        ) from error


def parse_table(name: str, text: str, encoding: str) -> ForeignTable:
    """Header and rows; empty rows are left out. Error: RecordingError naming the row."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = max(_SEPARATORS, key=first.count)
    rows: list[ForeignRow] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append(ForeignRow(reader.line_num, tuple(cell.strip() for cell in cells)))
    except csv.Error as error:
        raise RecordingError(
            f"{name}, line {reader.line_num}: a double quote stands where none can ({error})"
        ) from error
    if not rows:
        raise RecordingError(f"{name}: is empty; its first row must name the columns")
    columns = rows[0].cells
    body = tuple(_even(name, row, len(columns)) for row in rows[1:])
    return ForeignTable(name, encoding, separator, columns, body)


def _even(name: str, row: ForeignRow, width: int) -> ForeignRow:
    """As many cells as the header has; a decimal comma in a table with commas would shift all cells behind it."""
    if any(row.cells[width:]):
        raise RecordingError(
            f"{name}, row {row.number}: has {len(row.cells)} cells and the header {width}; put text and numbers that "
            "hold the separator in double quotes"
        )
    return ForeignRow(row.number, (*row.cells[:width], *([""] * (width - len(row.cells)))))


def _folded(word: str) -> str:
    return " ".join(word.casefold().replace("_", " ").split())
