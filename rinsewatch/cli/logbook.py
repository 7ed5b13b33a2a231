"""``rinsewatch logbook``: what was recorded."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import click

from rinsewatch.cli.options import logbook_option

if TYPE_CHECKING:
    from rinsewatch.logbook.store import Logbook, RinseInfo
    from rinsewatch.logbook.verify import Verification


@click.group(
    name="logbook",
    epilog="""\b
Examples:
  rinsewatch logbook list
  rinsewatch logbook show 12
  rinsewatch logbook export 12 rinse.csv
  rinsewatch logbook export 12 - | rinsewatch replay /dev/stdin
  rinsewatch logbook verify""",
)
def command() -> None:
    """List, show, export and verify recorded rinses."""


@command.command("list")
@logbook_option
def list_rinses(logbook_file: str | None) -> int:
    """List all rinses, oldest first."""
    with _viewed(logbook_file) as logbook:
        rinses = logbook.rinses()
        click.echo(f"{len(rinses)} rinses in {logbook.path}")
        for info in rinses:
            click.echo(_line(info))
    return 0


@command.command("show")
@click.argument("rinse_id", metavar="NUMBER", type=int)
@logbook_option
def show(rinse_id: int, logbook_file: str | None) -> int:
    """Show one rinse: its settings, what it came to, its events."""
    from rinsewatch.cli.observing import observed
    from rinsewatch.cli.replaysum import Tally, summary_lines

    with _viewed(logbook_file) as logbook:
        info, rows = logbook.rinse(rinse_id), logbook.rows(rinse_id)
    tally = Tally()
    for seen in observed(rows, info.settings):
        tally.add(seen.row, seen.state)
    click.echo(_line(info))
    for name, value in info.settings.items():
        click.echo(f"  {name} = {value}")
    click.echo("\n".join(summary_lines(f"rinse {info.id}", tally)))
    for row in rows:
        if row.event:
            click.echo(f"  {row.time_s:9.1f} s {row.rinse_ml or 0:9.0f} mL  {row.event}")
    return 0


@command.command("export")
@click.argument("rinse_id", metavar="NUMBER", type=int)
@click.argument("target", metavar="FILE")
@click.option("--overwrite", is_flag=True, help="Replace FILE if it exists.")
@click.option("--good-only", is_flag=True, help="From a damaged rinse, the rows before the damage.")
@logbook_option
def export(rinse_id: int, target: str, overwrite: bool, good_only: bool, logbook_file: str | None) -> int:
    """Write a rinse as CSV; FILE '-' is stdout."""
    from rinsewatch.logbook.csvwrite import write_recording

    with _viewed(logbook_file) as logbook:
        if target == "-":
            info = logbook.rinse(rinse_id)
            settings = info.settings | ({"batch": info.batch} if info.batch else {})
            write_recording(sys.stdout, settings, logbook.rows(rinse_id, good_only=good_only))
            return 0
        count = logbook.export(rinse_id, target, good_only=good_only, overwrite=overwrite)
    click.echo(f"{count} rows of rinse {rinse_id} written to {target}")
    return 0


@command.command("verify")
@click.argument("rinse_id", metavar="[NUMBER]", type=int, required=False)
@logbook_option
def verify(rinse_id: int | None, logbook_file: str | None) -> int:
    """Check that every stored row is as it was stored; exit 4 if one is not."""
    from rinsewatch.errors import LogbookError

    with _viewed(logbook_file) as logbook:
        found = logbook.verify_all() if rinse_id is None else [logbook.verify(rinse_id)]
        path = logbook.path
    for result in found:
        click.echo(_verdict(result))
    bad = [result for result in found if not result.ok]
    if bad:
        raise LogbookError(f"{path}: {len(bad)} of {len(found)} checks failed; export saves the good rows")
    return 0


def _viewed(logbook_file: str | None) -> Logbook:
    from rinsewatch.logbook.location import logbook_path
    from rinsewatch.logbook.store import Logbook

    return Logbook.open(logbook_path(logbook_file, os.environ), create=False)


def _line(info: RinseInfo) -> str:
    ended = "unfinished" if info.unfinished else f"{info.end_reason}, verdict {info.verdict or 'none'}"
    batch = f" {info.batch}" if info.batch else ""
    return f"{info.id:5d}  {info.started_utc}{batch}  {info.rows} rows  {ended}"


def _verdict(result: Verification) -> str:
    name = "the file" if result.rinse_id is None else f"rinse {result.rinse_id}"
    if result.ok:
        return f"{name}: in order" + ("" if result.rinse_id is None else f", {result.good_rows} rows")
    where = "" if result.first_bad is None else f"row {result.first_bad} "
    return f"{name}: {where}{result.reason}; {result.good_rows} rows before are good"
