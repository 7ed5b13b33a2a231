"""What every subcommand of ``logbook`` shares: the file, the day, the way to ask and to print."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable
from datetime import date, datetime
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rinsewatch.logbook.records import Records
    from rinsewatch.logbook.store import Logbook

json_option = click.option("--json", "as_json", is_flag=True, help="JSON instead of words, one object a line.")
yes_option = click.option("--yes", "-y", is_flag=True, help="Do not ask.")


def opened(logbook_file: str | None, *, create: bool = False) -> Logbook:
    """The logbook asked for; one that was brought up to date says so. Raises LogbookError."""
    from rinsewatch.logbook import schema
    from rinsewatch.logbook.location import logbook_path
    from rinsewatch.logbook.store import Logbook

    path = logbook_path(logbook_file, os.environ)
    before = schema.file_version(path) if path.exists() else len(schema.STEPS)
    logbook = Logbook.open(path, create=create)
    if before < len(schema.STEPS):
        kept = f"{path.stem}.schema{before}{path.suffix}"
        click.echo(f"rinsewatch: {path} was brought up to date; the old file is kept beside it as {kept}", err=True)
    return logbook


def records_of(logbook: Logbook) -> Records:
    """Its records, with today's date from the system."""
    from rinsewatch.logbook.records import Records

    return Records(logbook, today())


def today() -> date:
    """The day on this machine."""
    return datetime.now().astimezone().date()


def now_utc() -> str:
    """This moment, as the logbook keeps it."""
    from rinsewatch.session.stamp import utc_text
    from rinsewatch_drivers.clock import SystemClock

    return utc_text(SystemClock().utc())


def is_number(word: str) -> bool:
    """Whether a word is a number that a rinse could have; longer ones SQLite cannot even look for."""
    return word.isascii() and word.isdigit() and len(word) < 16


def talks() -> bool:
    """Whether a person can be asked."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def agreed(question: str, *, yes: bool) -> bool:
    """Whether a person agrees; where nobody can be asked, only ``yes`` does."""
    return yes or (talks() and click.confirm(question, default=False, err=True))


def say(lines: Iterable[str]) -> None:
    """Print lines, fit for a terminal: a direction mark in a name must not turn the rest of its line round."""
    _print("".join(c if c.isprintable() or c in "\n\t" else " " for c in line) for line in lines)


def say_json(objects: Iterable[object]) -> None:
    """Print objects, one a line, with every character as it was stored."""
    _print(json.dumps(one, ensure_ascii=False) for one in objects)


def _print(lines: Iterable[str]) -> None:
    """In one go: a long list is slow otherwise."""
    text = "\n".join(lines)
    if text:
        click.echo(text)
