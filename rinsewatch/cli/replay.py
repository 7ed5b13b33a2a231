"""``rinsewatch replay``: recordings through exactly the code that watches a live rinse."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rinsewatch.cli.options import given_settings, rinse_options
from rinsewatch.cli.replaysum import Tally, summary_lines

if TYPE_CHECKING:
    from rinsewatch.session.live import Observed


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
    Several files are several independent rinses; one that cannot be read does not keep the others back.
    Without --json a summary is printed: verdict, where it would have said stop, the water that would have
    been saved, and the faults on the way.
    """
    from rinsewatch.errors import UsageError

    given, code = given_settings(values), 0
    for file in files:
        try:
            _replay(file, given, as_json=as_json)
        except UsageError as error:  # the other files are rinses of their own
            named = str(error).startswith(file) or len(files) == 1
            click.echo(f"rinsewatch: {error}" if named else f"rinsewatch: {file}: {error}", err=True)
            code = error.exit_code
    return code


def _replay(file: str, given: dict[str, object], *, as_json: bool) -> None:
    if as_json:
        for line in json_lines(file, given):
            click.echo(line)
    else:
        click.echo("\n".join(summary_lines(file, tally(file, given))))


def json_lines(file: str, given: dict[str, object]) -> Iterator[str]:
    """One line for each row of ``file`` that holds a reading, as they are read. Errors: UsageError."""
    from rinsewatch.screen.jsonlines import json_line

    for seen in _observed(file, given):
        if seen.row.has_reading:
            yield json_line(seen.state, row=seen.number, file=file)


def tally(file: str, given: dict[str, object]) -> Tally:
    """What happened in ``file``, row by row."""
    account = Tally()
    for seen in _observed(file, given):
        account.add(seen.row, seen.state)
    return account


def _observed(file: str, given: dict[str, object]) -> Iterator[Observed]:
    from rinsewatch.cli.observing import observed_file

    def warn(words: str) -> None:
        click.echo(f"rinsewatch: warning: {file}: {words}", err=True)

    return observed_file(Path(file), given, warn)
