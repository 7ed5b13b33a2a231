"""``rinsewatch replay``: recordings through exactly the code that watches a live rinse."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import click

from rinsewatch.cli.options import given_settings, rinse_options
from rinsewatch.cli.replaysum import Tally, summary_lines


@click.command(
    epilog="""\b
Examples:
  rinsewatch replay rinse.csv
  rinsewatch replay --json monday.csv tuesday.csv > verdicts.jsonl
  rinsewatch replay foreign.csv --resin-ml 500 --flow-ml-min 100 --residue NaOH --endpoint '12 uS/cm'"""
)
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@rinse_options
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line for each reading.")
def command(files: tuple[str, ...], as_json: bool, **values: object) -> int:
    """Run recordings (CSV) through exactly the code that watches a live rinse.

    Settings come from the lines starting with '# ' at the top of a recording; options given here win.
    Several files are several independent rinses. Without --json a summary is printed: verdict, where it
    would have said stop, the water that would have been saved, and the faults on the way.
    """
    given = given_settings(values)
    for file in files:
        if as_json:
            for line in json_lines(file, given):
                click.echo(line)
        else:
            click.echo("\n".join(summary_lines(file, tally(file, given))))
    return 0


def json_lines(file: str, given: dict[str, object]) -> Iterator[str]:
    """One line for each row of ``file`` that holds a reading, as they are read. Errors: UsageError."""
    from rinsewatch.cli.observing import observed_file
    from rinsewatch.screen.jsonlines import json_line

    for seen in observed_file(Path(file), given):
        if seen.row.has_reading:
            yield json_line(seen.state, row=seen.number, file=file)


def tally(file: str, given: dict[str, object]) -> Tally:
    """What happened in ``file``, row by row."""
    from rinsewatch.cli.observing import observed_file

    account = Tally()
    for seen in observed_file(Path(file), given):
        account.add(seen.row, seen.state)
    return account
