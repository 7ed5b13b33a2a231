"""``rinsewatch logbook add``, ``correct``, ``undo`` and ``delete``: every one of them only writes further rows."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

import click

from rinsewatch.cli.logbook_view import kind_word
from rinsewatch.cli.logbookopen import (
    agreed,
    json_option,
    now_utc,
    opened,
    records_of,
    say,
    say_json,
    talks,
    yes_option,
)
from rinsewatch.cli.options import logbook_option
from rinsewatch.logbook.kinds import KINDS, NOTE, Field, Kind

if TYPE_CHECKING:
    from rinsewatch.logbook.ledger import Item
    from rinsewatch.logbook.records import Records

_SHOWN = 20  # lines of an undone import
why_option = click.option("--why", metavar="TEXT", default="", help="The reason; kept with the change.")


@click.group(
    epilog="""\b
Examples:
  rinsewatch logbook add resin --name blue --volume-ml '1 L' --kind "mixed bed" --new 2026-01-10
  rinsewatch logbook add batch --name blue-3 --resin blue --date 2026-03-02 --caustic "120 g NaOH" --acid "3 eq"
  rinsewatch logbook add run --resin blue --installed 2026-02-01 --removed 2026-03-01 --litres 2400 --feed "9 ppm"
  rinsewatch logbook add run
  rinsewatch logbook add note "new membrane in the RO" """
)
def add() -> None:
    """Add a resin, batch, service run, note or rinse summary; on a terminal what is missing is asked for."""


def _adder(kind: Kind) -> Callable[..., int]:
    """The ``add`` command of one kind, its options from the kind's table."""

    def run(as_json: bool, logbook_file: str | None, text: str | None = None, **given: str | None) -> int:
        texts = {name: value for name, value in {"text": text, **given}.items() if value is not None}
        return _add(kind, texts, as_json=as_json, logbook_file=logbook_file)

    function: Callable[..., int] = json_option(logbook_option(run))
    for field in reversed(kind.fields):
        if kind is NOTE and field.name == "text":
            function = click.argument("text", metavar="TEXT", required=False)(function)
        else:
            words = f"{field.words[0].upper()}{field.words[1:]}."
            function = click.option(field.option, field.name, metavar="VALUE", help=words)(function)
    return function


def _add(kind: Kind, texts: Mapping[str, str], *, as_json: bool, logbook_file: str | None) -> int:
    from rinsewatch.logbook import outline
    from rinsewatch.logbook.records import New

    with opened(logbook_file, create=True) as logbook:
        records = records_of(logbook)
        if talks() and not as_json and any(f.needed and f.name not in texts for f in kind.fields):
            item = _add_asking(kind, texts, records)
        else:
            (item,) = records.add([New(kind.name, texts)], now_utc())
        names = records.resin_names()
        if as_json:
            say_json([outline.item_object(item, names)])
        else:
            say([f"added: {outline.title(item, names)}"])
    return 0


def _add_asking(kind: Kind, texts: Mapping[str, str], records: Records) -> Item:
    """Ask for what is missing until the record can be; earlier answers are the defaults. Raises click.Abort."""
    from rinsewatch.errors import UsageError
    from rinsewatch.logbook.records import New

    names = list(records.resin_names().values())
    answers = {field.name: names[0] for field in kind.fields if field.refers and field.needed and len(names) == 1}
    while True:
        answers = _asked(kind, texts, answers, records)
        try:
            (item,) = records.add([New(kind.name, answers)], now_utc())
        except UsageError as error:
            click.echo(f"{error}\nOnce more; Enter keeps an answer, - leaves it out:", err=True)
        else:
            return item


def _asked(kind: Kind, texts: Mapping[str, str], before: Mapping[str, str], records: Records) -> dict[str, str]:
    """``texts`` completed by asking; an empty answer leaves a field out."""
    answers: dict[str, str] = dict(texts)
    for field in kind.fields:
        if field.name in answers or not (field.asked or field.needed):
            continue
        needed = field.needed
        if field.name == "litres":
            if "removed" not in answers:
                continue  # still in service: there is nothing to count yet
            needed = "counter_to" not in answers
        if answer := _ask(field, kind, records, before.get(field.name, ""), needed=needed):
            answers[field.name] = answer
    return answers


def _ask(field: Field, kind: Kind, records: Records, default: str, *, needed: bool) -> str:
    """Ask until the answer can be read; empty or "-": left out."""
    from rinsewatch.errors import UsageError

    words = field.words if needed or default else f"{field.words} (Enter: leave out)"
    while True:
        answer = str(click.prompt(words, default=default, show_default=bool(default), type=str, err=True)).strip()
        if answer in ("", "-") and not needed:
            return ""
        try:
            records.value(kind.name, field.name, answer)
        except UsageError as error:
            click.echo(str(error), err=True)
        else:
            return answer


for _kind in KINDS.values():
    add.command(_kind.name, help=f"Add: {_kind.words[0].lower()}{_kind.words[1:]}")(_adder(_kind))


def _kind_callback(_: click.Context, __: click.Parameter, word: str) -> str:
    return kind_word(word)


kind_argument = click.argument("kind", metavar="KIND", callback=_kind_callback)


@click.command(
    epilog="""\b
Examples:
  rinsewatch logbook correct run 7 litres=2140 feed="9 ppm" --why "misread the water meter"
  rinsewatch logbook correct resin blue discard_share="65 %"
  rinsewatch logbook correct run 7 change= """
)
@kind_argument
@click.argument("which", metavar="NUMBER|NAME")
@click.argument("fields", metavar="FIELD=VALUE...", nargs=-1, required=True)
@why_option
@json_option
@logbook_option
def correct(kind: str, which: str, fields: tuple[str, ...], why: str, as_json: bool, logbook_file: str | None) -> int:
    """Correct fields of a record; the old values stay in its history. FIELD= takes a value away."""
    from rinsewatch.logbook import outline

    texts = dict(_pair(word) for word in fields)
    with opened(logbook_file) as logbook:
        records = records_of(logbook)
        before, after = records.correct(kind, which, texts, now_utc(), why)
        names = records.resin_names()
        if as_json:
            say_json([{"before": outline.item_object(before, names), "after": outline.item_object(after, names)}])
            return 0
        changed = outline.difference(records.texts(before, names), records.texts(after, names))
        say([f"corrected: {outline.title(after, names)}", *(f"  {line}" for line in changed)])
    return 0


def _pair(word: str) -> tuple[str, str]:
    from rinsewatch.errors import UsageError

    name, sign, value = word.partition("=")
    if not sign or not name.strip():
        raise UsageError(f"{word!r} is no correction; write FIELD=VALUE, like litres=640")
    return name.strip(), value


@click.command()
@json_option
@logbook_option
def undo(as_json: bool, logbook_file: str | None) -> int:
    """Take back the last change: an addition, a correction, a deletion, or a whole import. Again: the one before."""
    from rinsewatch.logbook import outline
    from rinsewatch.logbook.ledger import Item

    with opened(logbook_file) as logbook:
        names = records_of(logbook).resin_names()
        undone = logbook.ledger.undo(now_utc())
        names = {**names, **records_of(logbook).resin_names()}
        if as_json:
            say_json(outline.change_object(change, names) for change in undone)
            return 0
        for change in undone[:_SHOWN]:
            item = Item(change.kind, change.number, change.fields)
            say([f"undone: {outline.title(item, names)} is not {change.act} any more"])
        say([f"and {len(undone) - _SHOWN} more"] if len(undone) > _SHOWN else [])
    return 0


@click.command()
@kind_argument
@click.argument("which", metavar="NUMBER|NAME")
@why_option
@yes_option
@json_option
@logbook_option
def delete(kind: str, which: str, why: str, yes: bool, as_json: bool, logbook_file: str | None) -> int:
    """Delete a record, after asking. Only a mark is written: 'show --history' still shows it, 'undo' brings it back."""
    from rinsewatch.errors import UsageError
    from rinsewatch.logbook import outline

    with opened(logbook_file) as logbook:
        records = records_of(logbook)
        item, names = records.find(kind, which), records.resin_names()
        say([] if as_json else outline.detail_lines(item, names))
        if not agreed(f"Delete {outline.title(item, names)}?", yes=yes):
            if not talks():
                raise UsageError("nothing was deleted; say --yes to delete it")
            say(["nothing was deleted"])
            return 0
        gone: Item = records.delete(kind, which, now_utc(), why)
        if as_json:
            say_json([{"deleted": outline.item_object(gone, names)}])
        else:
            again = f"{kind} {gone.number}"
            say([f"deleted: {outline.title(gone, names)}; 'rinsewatch logbook show {again} --history' still shows it"])
    return 0
