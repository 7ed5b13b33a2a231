"""``rinsewatch logbook export``: one rinse, one kind of records, or everything."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rinsewatch.cli.logbook_view import RINSES, kind_word
from rinsewatch.cli.logbookopen import is_number, json_option, opened, records_of, say, say_json
from rinsewatch.cli.options import logbook_option

if TYPE_CHECKING:
    from rinsewatch.logbook.store import Logbook

ALL = "all"


def _what(_: click.Context, __: click.Parameter, word: str) -> str:
    if is_number(word) or word == ALL:
        return word
    if word == RINSES:
        raise click.BadParameter("a rinse is exported by its number; 'all' exports everything")
    return kind_word(word)


@click.command(
    epilog="""\b
Examples:
  rinsewatch logbook export 12 rinse.csv
  rinsewatch logbook export 12 - | rinsewatch replay /dev/stdin
  rinsewatch logbook export runs runs.csv
  rinsewatch logbook export all everything.json
  rinsewatch logbook export all everything-as-csv"""
)
@click.argument("what", metavar="WHAT", callback=_what)
@click.argument("target", metavar="TARGET")
@click.option("--overwrite", is_flag=True, help="Replace TARGET if it exists.")
@click.option("--good-only", is_flag=True, help="From a damaged rinse, the rows before the damage.")
@json_option
@logbook_option
def export(what: str, target: str, overwrite: bool, good_only: bool, as_json: bool, logbook_file: str | None) -> int:
    """Write WHAT to TARGET ('-' is stdout): a rinse's NUMBER as CSV; resins, batches, runs, notes or summaries as
    CSV, or as JSON if TARGET ends in .json; 'all' as one .json file with every old value in it, or, without that
    ending, as a new folder of CSV files.
    """
    with opened(logbook_file) as logbook:
        if what == ALL:
            words = _export_all(logbook, target, overwrite=overwrite)
        elif what.isdigit():
            words = _export_rinse(logbook, int(what), target, good_only=good_only, overwrite=overwrite)
        else:
            words = _export_kind(logbook, what, target, overwrite=overwrite)
    if target != "-":
        if as_json:
            say_json([{"written": target, "what": what, "words": words}])
        else:
            say([words])
    return 0


def _export_rinse(logbook: Logbook, number: int, target: str, *, good_only: bool, overwrite: bool) -> str:
    from rinsewatch.logbook.csvwrite import write_recording
    from rinsewatch.logbook.outline import counted

    if target == "-":
        rows = logbook.rows(number, good_only=good_only)
        write_recording(sys.stdout, logbook.recorded_settings(number, good_only=good_only), rows)
        return ""
    _check_free(target, overwrite=overwrite)
    count = logbook.export(number, target, good_only=good_only, overwrite=overwrite)
    return f"{counted(count, 'row', 'rows')} of rinse {number} written to {target}"


def _export_kind(logbook: Logbook, kind: str, target: str, *, overwrite: bool) -> str:
    import json

    from rinsewatch.logbook import outline
    from rinsewatch.logbook.csvfolder import kind_csv
    from rinsewatch.logbook.kinds import KINDS

    records = records_of(logbook)
    items, names = records.items(kind), records.resin_names()
    if target.endswith(".json"):
        text = json.dumps([outline.item_object(item, names) for item in items], ensure_ascii=False, indent=1) + "\n"
    else:
        text = kind_csv(KINDS[kind], items, names)
    _write(target, [text], overwrite=overwrite)
    return f"{outline.counted(len(items), *KINDS[kind].spoken)} written to {target}"


def _export_all(logbook: Logbook, target: str, *, overwrite: bool) -> str:
    from rinsewatch.logbook.csvfolder import write_folder
    from rinsewatch.logbook.dump import json_lines
    from rinsewatch.logbook.outline import counted

    found = f"{counted(logbook.count(), 'rinse', 'rinses')} and {sum(logbook.ledger.counts().values())} records"
    if target == "-" or target.endswith(".json"):
        _write(target, json_lines(logbook), overwrite=overwrite)
        return f"{found} written to {target}"
    files = write_folder(logbook, Path(target))
    return f"{found} written to {target} ({len(files)} files)"


def _write(target: str, parts: Iterable[str], *, overwrite: bool) -> None:
    if target == "-":
        sys.stdout.writelines(parts)
        return
    from rinsewatch.logbook.wholefile import write_whole

    _check_free(target, overwrite=overwrite)
    write_whole(Path(target), (part.encode("utf-8", "backslashreplace") for part in parts))


def _check_free(target: str, *, overwrite: bool) -> None:
    from rinsewatch.errors import RecordingError

    if Path(target).is_file() and not overwrite:
        raise RecordingError(f"{target}: exists already; choose another name, or --overwrite it")
