"""Everything as CSV in one folder, readable by any spreadsheet, and back.

A file for each kind of record, ``rinses.csv`` with the list of rinses, and ``rinse-0001.csv`` ... in the recording's
own format. It holds what stands now; old values, raw lines of the meter and clocks are in the JSON export only.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path

from rinsewatch import __version__
from rinsewatch.errors import RecordingError
from rinsewatch.logbook.csvfile import read_recording
from rinsewatch.logbook.csvwrite import write_recording
from rinsewatch.logbook.dump import RinseDump, Whole, restore
from rinsewatch.logbook.entry import Entry, values_of
from rinsewatch.logbook.kinds import KINDS, Kind
from rinsewatch.logbook.ledger import Item
from rinsewatch.logbook.records import New, Records, shown_texts
from rinsewatch.logbook.store import Logbook, RinseInfo
from rinsewatch.rinse.row import Row

_RINSES = "rinses.csv"
_RINSE_COLUMNS = ("number", "uuid", "batch", "started_utc", "ended_utc", "end_reason", "verdict", "settings")


def kind_csv(kind: Kind, items: Iterable[Item], names: Mapping[int, str]) -> str:
    """Records of one kind as CSV text: their number, then every field of the kind."""
    columns = [field.name for field in kind.fields]
    rows = []
    for item in items:
        shown = shown_texts(item, names)
        rows.append([str(item.number), *(shown.get(column, "") for column in columns)])
    return csv_text(["number", *columns], rows)


def csv_text(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """RFC 4180."""
    stream = io.StringIO(newline="")
    csv.writer(stream, lineterminator="\r\n").writerows([head, *rows])
    return stream.getvalue()


def write_folder(logbook: Logbook, folder: Path) -> list[Path]:
    """Write everything into a new or empty folder; returns the files. Errors: RecordingError, LogbookError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise RecordingError(f"{folder}: is not empty; name a new folder")
        names = {item.number: str(item.fields["name"]) for item in logbook.ledger.items("resin")}
        texts = {f"{kind.many}.csv": kind_csv(kind, logbook.ledger.items(kind.name), names) for kind in KINDS.values()}
        rinses = logbook.rinses()
        texts[_RINSES] = csv_text(_RINSE_COLUMNS, map(_rinse_cells, rinses))
        for name, text in texts.items():
            (folder / name).write_bytes(text.encode("utf-8"))
    except OSError as error:
        raise RecordingError(f"{folder}: cannot be written: {error.strerror}") from error
    recordings = [folder / f"rinse-{info.id:04d}.csv" for info in rinses]
    for info, path in zip(rinses, recordings, strict=True):
        write_recording(path, info.settings, logbook.rows(info.id))
    return [*(folder / name for name in texts), *recordings]


def _rinse_cells(info: RinseInfo) -> list[str]:
    ended = [info.ended_utc or "", info.end_reason or "", info.verdict or ""]
    settings = json.dumps(info.settings, ensure_ascii=False)
    return [str(info.id), info.uuid, info.batch, info.started_utc, *ended, settings]


def rinse_dumps(folder: Path) -> Iterator[RinseDump]:
    """The rinses of such a folder, in order. Error: RecordingError."""
    for place, cells in enumerate(read_rows(folder / _RINSES, _RINSE_COLUMNS), start=1):
        number, uuid, batch, started_utc, ended_utc, reason, verdict, settings = cells
        if number != str(place):
            raise RecordingError(f"{folder / _RINSES}: rinse {place} is missing; export the folder again")
        rows = read_recording(folder / f"rinse-{place:04d}.csv", _settings(folder, settings)).rows
        entries = [values_of(_entry(row, started_utc), 0, 0)[2:] for row in rows]
        closings = [(len(entries), ended_utc, reason, verdict)] if ended_utc else []
        yield RinseDump((uuid, batch, started_utc, settings, __version__), entries, closings)


def _settings(folder: Path, text: str) -> dict[str, object]:
    try:
        return dict(json.loads(text))
    except (ValueError, TypeError, RecursionError) as error:
        raise RecordingError(f"{folder / _RINSES}: {text[:40]!r} are no settings; export the folder again") from error


def _entry(row: Row, started_utc: str) -> Entry:
    """An entry of that row; when it came is known from its seconds alone."""
    try:
        moment = datetime.fromisoformat(started_utc) + timedelta(seconds=row.time_s)
    except (ValueError, OverflowError):
        return Entry(row=row, utc=started_utc)
    return Entry(row=row, utc=moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z")


def folder_records(folder: Path) -> list[New]:
    """The records of such a folder with their numbers, resins first. Error: RecordingError."""
    return [record for kind in KINDS.values() for record in read_kind(folder / f"{kind.many}.csv", kind)]


def read_kind(path: Path, kind: Kind) -> Iterator[New]:
    """The records of one kind's file. Error: RecordingError."""
    columns = ("number", *(field.name for field in kind.fields))
    for place, cells in enumerate(read_rows(path, columns), start=1):
        texts = {name: cell for name, cell in zip(columns[1:], cells[1:], strict=True) if cell}
        if not cells[0].isdecimal():
            raise RecordingError(f"{path}, row {place}: {cells[0]!r} is no number")
        yield New(kind.name, texts, f"{path}, row {place}", int(cells[0]))


def read_rows(path: Path, columns: Sequence[str]) -> list[list[str]]:
    """The rows of a file with exactly these columns. Error: RecordingError."""
    try:
        # Not read_text(): it would turn a line break inside a cell into another one.
        text = path.read_bytes().decode("utf-8-sig")
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except (OSError, ValueError, csv.Error) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise RecordingError(f"{path}: cannot be read: {reason}") from error
    if not rows or rows[0] != list(columns):
        raise RecordingError(f"{path}: the columns are not {','.join(columns)}; export the folder again")
    for number, row in enumerate(rows[1:], start=1):
        if len(row) != len(columns):
            raise RecordingError(f"{path}, row {number}: has {len(row)} cells of {len(columns)}")
    return rows[1:]


def restore_folder(path: Path, folder: Path, today: date, utc: str) -> tuple[int, int]:
    """Make the logbook at ``path`` from a folder, all or nothing; returns how many rinses and records.

    Only where there is none yet, or an empty one. Errors: RecordingError, LogbookError.
    """
    records = folder_records(folder)

    def add(logbook: Logbook) -> None:
        for kind in KINDS:
            if new := [record for record in records if record.kind == kind]:
                Records(logbook, today).add(new, utc)

    return restore(path, Whole(rinse_dumps(folder), [], {}), add), len(records)
