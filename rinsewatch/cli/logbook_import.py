"""``rinsewatch logbook import``: a person's own table of service runs, or an export of this program; shown first."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rinsewatch.cli.logbookopen import (
    agreed,
    json_option,
    now_utc,
    opened,
    records_of,
    say,
    say_json,
    talks,
    today,
    yes_option,
)
from rinsewatch.cli.options import logbook_option

if TYPE_CHECKING:
    from rinsewatch.logbook.foreign import ForeignTable
    from rinsewatch.logbook.kinds import Kind
    from rinsewatch.logbook.ledger import Item
    from rinsewatch.logbook.records import New, Records

_SHOWN = 200  # rows of a dry run; the rest is counted


@click.command(
    "import",
    epilog="""\b
Examples:
  rinsewatch logbook import runs-until-now.csv
  rinsewatch logbook import old.csv --resin blue --map litres="Liters made" --map installed=Start --map removed=End
  rinsewatch logbook import old.csv --resin blue --feed unknown --date-order dmy --decimal comma --yes
  rinsewatch logbook import everything.json --logbook new.sqlite""",
)
@click.argument("source", metavar="FILE")
@click.option("--map", "maps", metavar="FIELD=COLUMN", multiple=True, help="Which column is which field; repeat it.")
@click.option("--resin", metavar="NAME", help="The resin of every row that names none.")
@click.option("--feed", metavar="READING", help="The feed's reading for rows without one, or 'unknown'.")
@click.option("--tds-factor", metavar="FACTOR", help="ppm per uS/cm of the meter: 0.5, 0.64 or 0.7.")
@click.option("--unit", metavar="UNIT", help="Of readings that name none: ppm or uS/cm.")
@click.option("--date-order", type=click.Choice(["dmy", "mdy", "ymd"]), help="How the file writes its dates.")
@click.option("--decimal", type=click.Choice(["point", "comma"]), help="The decimal mark, where it cannot be told.")
@click.option("--encoding", metavar="NAME", help="The file's encoding, where it cannot be told: cp1252, utf-16-le ...")
@click.option("--dry-run", is_flag=True, help="Only show what would be added.")
@yes_option
@json_option
@logbook_option
def import_command(
    source: str, dry_run: bool, yes: bool, as_json: bool, logbook_file: str | None, **given: object
) -> int:
    """Add past service runs from a CSV file of your own, all or none of them; what would be added is shown first.

    Columns that are named like the fields (see 'rinsewatch logbook add run --help') are found; for others say --map, or
    answer the questions. An export of this program is brought back: records of one kind, or everything ('export all')
    into a new logbook.
    """
    path = Path(source)
    if path.is_dir() or path.suffix.lower() == ".json":
        return _restore(path, logbook_file, as_json=as_json)
    from rinsewatch.logbook.foreign import read_foreign

    encoding = given["encoding"]
    table = read_foreign(path, None if encoding is None else str(encoding))
    with opened(logbook_file, create=True) as logbook:
        records = records_of(logbook)
        kind = _own_kind(table)
        new = _own_records(table, kind) if kind else _runs(table, given, asks=talks() and not as_json)
        drafts = records.prepare(new)
        items = [_as_item(place, draft.kind, draft.fields) for place, draft in enumerate(drafts, start=1)]
        return _add(records, new, items, table, dry_run=dry_run, yes=yes, as_json=as_json)


def _as_item(place: int, kind: str, fields: Mapping[str, str | int | float]) -> Item:
    from rinsewatch.logbook.ledger import Item

    return Item(kind, place, fields)


def _add(
    records: Records,
    new: Sequence[New],
    items: Sequence[Item],
    table: ForeignTable,
    *,
    dry_run: bool,
    yes: bool,
    as_json: bool,
) -> int:
    from rinsewatch.logbook import outline
    from rinsewatch.logbook.kinds import KINDS

    names = records.resin_names()
    if not items:
        say([f"{table.name}: has no rows to add"])
        return 0
    count = outline.counted(len(items), *KINDS[items[0].kind].spoken)
    if not as_json:
        say([f"{table.name}: {table.encoding}, {count}. Nothing is written yet. This would be added:"])
        say(outline.item_lines(KINDS[items[0].kind], items[:_SHOWN], names)[1:])
        say([f"and {len(items) - _SHOWN} more"] if len(items) > _SHOWN else [])
    adds = not dry_run and agreed(f"Add {count}?", yes=yes)
    added = records.add(new, now_utc()) if adds else items
    if as_json:
        say_json({"added": adds, **outline.item_object(item, names)} for item in added)
    else:
        say([f"{count} added; 'rinsewatch logbook undo' takes all of them back" if adds else _not_added(dry_run)])
    return 0


def _not_added(dry_run: bool) -> str:
    return "nothing was added" + ("" if dry_run or talks() else "; say --yes to add it")


def _restore(path: Path, logbook_file: str | None, *, as_json: bool) -> int:
    from rinsewatch.logbook.csvfolder import restore_folder
    from rinsewatch.logbook.dump import read_json, restore
    from rinsewatch.logbook.location import logbook_path
    from rinsewatch.logbook.outline import counted

    target = logbook_path(logbook_file, os.environ)
    if path.is_dir():
        rinses, records = restore_folder(target, path, today(), now_utc())
    else:
        whole = read_json(path)
        newest = {(change.kind, change.number): change for change in whole.changes}
        rinses, records = restore(target, whole), sum(not change.gone for change in newest.values())
    if as_json:
        say_json([{"logbook": str(target), "rinses": rinses, "records": records}])
    else:
        found = f"{counted(rinses, 'rinse', 'rinses')} and {counted(records, 'record', 'records')}"
        say([f"{found} brought back from {path} into {target}"])
    return 0


def _own_kind(table: ForeignTable) -> Kind | None:
    """The kind of records whose export this table is, None if it is none."""
    from rinsewatch.logbook.kinds import KINDS

    headings = {("number", *(field.name for field in kind.fields)): kind for kind in KINDS.values()}
    return headings.get(table.columns)


def _own_records(table: ForeignTable, kind: Kind) -> list[New]:
    from rinsewatch.logbook.records import New

    rows = ((row.number, zip(table.columns[1:], row.cells[1:], strict=True)) for row in table.rows)
    return [New(kind.name, {k: v for k, v in cells if v}, f"{table.name}, row {number}") for number, cells in rows]


def _runs(table: ForeignTable, given: Mapping[str, object], *, asks: bool) -> list[New]:
    from rinsewatch.errors import RecordingError
    from rinsewatch.logbook.foreignruns import Choices, new_runs, parse_map, same_names

    heads = (table.columns, *(row.cells for row in table.rows[:30]))  # below the recording's settings
    if any(",".join(cells).startswith("time_s,reading,unit") for cells in heads):
        raise RecordingError(f"{table.name}: is the recording of a rinse; 'rinsewatch replay' runs it")
    maps = given["maps"]
    assert isinstance(maps, tuple)
    columns = {**same_names(table), **parse_map(maps, table)}
    fixed = {name: str(given[name]) for name in ("resin", "feed", "tds_factor") if given[name] is not None}
    if asks:
        columns, fixed = _asked(table, columns, fixed)
    unit, order, decimal = (None if given[n] is None else str(given[n]) for n in ("unit", "date_order", "decimal"))
    return new_runs(table, Choices(columns, fixed, unit, order, decimal))


def _asked(
    table: ForeignTable, columns: Mapping[str, str], fixed: Mapping[str, str]
) -> tuple[dict[str, str], dict[str, str]]:
    """Both completed by asking which column is which field. Raises click.Abort."""
    from rinsewatch.logbook.foreignruns import suggested
    from rinsewatch.logbook.kinds import RUN

    found, said = dict(columns), dict(fixed)
    likely = suggested(table)
    headings = [column for column in table.columns if column]
    for place, column in enumerate(headings, start=1):
        click.echo(f"  {place}  {column}", err=True)
    for field in RUN.fields:
        if field.name in found or field.name in said or not (field.asked or field.name in likely):
            continue
        answer = _ask_column(field.words, headings, likely.get(field.name))
        if answer:
            found[field.name] = answer
        elif field.needed and field.name in ("resin", "feed"):
            said[field.name] = str(click.prompt(f"then for all rows: {field.words}", type=str, err=True)).strip()
    return found, said


def _ask_column(words: str, headings: Sequence[str], likely: str | None) -> str:
    """The heading of the column chosen by its number or name; empty for none."""
    while True:
        default = str(headings.index(likely) + 1) if likely in headings else "-"
        question = f"Which column is {words}? (number, or - for none)"
        answer = str(click.prompt(question, default=default, type=str, err=True)).strip()
        if answer == "-":
            return ""
        if answer in headings:
            return answer
        if answer.isdecimal() and 1 <= int(answer) <= len(headings):
            return headings[int(answer) - 1]
        click.echo(f"there is no column {answer!r}", err=True)
