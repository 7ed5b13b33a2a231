"""``rinsewatch report`` at work: what is asked for, found, run again and written."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rinsewatch.cli.logbookopen import is_number, opened, records_of
from rinsewatch.errors import UsageError

if TYPE_CHECKING:
    from rinsewatch.report.document import Document
    from rinsewatch.report.rinsedoc import Origin
    from rinsewatch.rinse.row import Row

_MANY_ROWS = 30_000  # some seconds: say what takes so long


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the command line says. ``given``: settings of the rinse that win over its own."""

    what: str | None
    resin: str | None
    out: str | None
    overwrite: bool
    given: Mapping[str, object]
    logbook_file: str | None


def run_report(wanted: Wanted) -> int:
    """Write the report and say where. Errors: UsageError, LogbookError, RecordingError."""
    if (wanted.what is None) == (wanted.resin is None):
        raise UsageError("say what to report: a rinse's number, a recording FILE.csv, or --resin NAME (one of them)")
    if wanted.resin is not None and wanted.given:
        option = "--" + next(iter(wanted.given)).replace("_", "-")
        raise UsageError(f"{option} describes a rinse; a resin's life has no use for it")
    path = Path(default_name(wanted) if wanted.out is None else wanted.out)
    kind = _kind(path)
    _check_place(path, wanted)
    document = _life(wanted) if wanted.resin is not None else _rinse(wanted)
    _write(path, document, kind)
    click.echo(f"written: {path}")
    return 0


def default_name(wanted: Wanted) -> str:
    """'rinse-12.html', 'monday.html', 'resin-blue.html', in the current folder."""
    if wanted.resin is not None:
        return f"resin-{re.sub(r'[^0-9A-Za-z]+', '-', wanted.resin).strip('-').lower() or 'life'}.html"
    what = str(wanted.what)
    return f"rinse-{int(what)}.html" if is_number(what) else f"{Path(what).stem or 'rinse'}.html"


def _kind(path: Path) -> str:
    from rinsewatch.report.render import KINDS

    kind = path.suffix.lower().removeprefix(".")
    if kind not in KINDS:
        raise UsageError(f"--out {path}: end it in {', '.join('.' + one for one in KINDS[:-1])} or .{KINDS[-1]}")
    return kind


def _check_place(path: Path, wanted: Wanted) -> None:
    """Before any work: the file may be written, and is not the recording itself."""
    if path.is_dir():
        raise UsageError(f"--out {path}: is a folder; name a file in it")
    if wanted.what is not None and path.exists() and Path(wanted.what).exists() and path.samefile(wanted.what):
        raise UsageError(f"--out {path}: is the recording itself; give another name")
    if path.exists() and not wanted.overwrite:
        raise UsageError(f"{path} exists already; give another name with --out, or --overwrite")
    if not path.parent.is_dir():
        raise UsageError(f"--out {path}: there is no folder {path.parent}")


def _write(path: Path, document: Document, kind: str) -> None:
    from rinsewatch.logbook.wholefile import write_whole
    from rinsewatch.report.render import rendered

    write_whole(path, [rendered(document, kind)])


# ---- a rinse ------------------------------------------------------------------------------------------


def _rinse(wanted: Wanted) -> Document:
    what = str(wanted.what)
    rows, origin = _from_logbook(int(what), wanted) if is_number(what) else _from_file(Path(what), wanted)
    return _rinse_document(rows, origin)


def _rinse_document(rows: Sequence[Row], origin: Origin) -> Document:
    from rinsewatch.logbook.settings import setup_from_settings
    from rinsewatch.report.rinsedoc import rinse_document
    from rinsewatch.report.story import tell

    setup = setup_from_settings(origin.settings)
    if len(rows) > _MANY_ROWS:
        click.echo(f"rinsewatch: running {len(rows)} rows through the forecast again, some seconds", err=True)
    story = tell(rows, setup)
    if story is None:
        raise UsageError(f"{origin.name}: it has no rows; there is nothing to report")
    return rinse_document(story, origin)


def _from_logbook(number: int, wanted: Wanted) -> tuple[list[Row], Origin]:
    from rinsewatch.logbook.belonging import Belonging
    from rinsewatch.logbook.settings import merge_settings
    from rinsewatch.report.rinsedoc import Origin

    with opened(wanted.logbook_file) as logbook:
        info, rows = logbook.rinse(number), logbook.rows(number)
        batch = Belonging(logbook, records_of(logbook)).batch_of(info)
    ended = "not finished" if info.unfinished else f"{info.end_reason or ''}, verdict then: {info.verdict or 'none'}"
    details = [("How it ended", ended), ("Recorded by", f"rinsewatch {info.program_version}")]
    if batch is not None:
        details.insert(0, ("Batch", str(batch.fields["name"])))
    settings = merge_settings(info.settings | ({"batch": info.batch} if info.batch else {}), wanted.given)
    return rows, Origin(
        name=f"rinse {number}",
        details=tuple(details + _changed(wanted)),
        settings=settings,
        started_utc=info.started_utc,
    )


def _changed(wanted: Wanted) -> list[tuple[str, str]]:
    """What the command line made different from the record."""
    if not wanted.given:
        return []
    return [("Changed for this report", ", ".join(f"{name} = {value}" for name, value in wanted.given.items()))]


def _from_file(path: Path, wanted: Wanted) -> tuple[list[Row], Origin]:
    from rinsewatch.logbook.csvfile import read_recording
    from rinsewatch.logbook.doubts import misspelt_settings
    from rinsewatch.logbook.settings import merge_settings
    from rinsewatch.report.rinsedoc import Origin

    recording = read_recording(path, wanted.given)
    for words in misspelt_settings(recording.settings):
        click.echo(f"rinsewatch: warning: {path}: {words}", err=True)
    settings = merge_settings(recording.settings, wanted.given)
    return list(recording.rows), Origin(name=path.name, details=tuple(_changed(wanted)), settings=settings)


# ---- a resin's life -----------------------------------------------------------------------------------


def _life(wanted: Wanted) -> Document:
    from rinsewatch.logbook.life.life import resin_life
    from rinsewatch.logbook.lifebook import life_input
    from rinsewatch.report.lifedoc import life_document

    with opened(wanted.logbook_file) as logbook:
        records = records_of(logbook)
        resin = records.find("resin", str(wanted.resin))
        found = life_input(logbook, records, str(resin.fields["name"]))
    return life_document(resin_life(found.history), found.notes, str(resin.fields.get("remark", "")))
