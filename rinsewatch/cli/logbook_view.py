"""``rinsewatch logbook list``, ``show`` and ``search``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from rinsewatch.cli.logbookopen import is_number, json_option, opened, records_of, say, say_json
from rinsewatch.cli.options import logbook_option

if TYPE_CHECKING:
    from rinsewatch.logbook.ledger import Item
    from rinsewatch.logbook.store import Logbook, RinseInfo

RINSES = "rinses"


def kind_word(word: str) -> str:
    """The kind a word on the command line means, in the singular. Error: BadParameter."""
    from rinsewatch.logbook.kinds import KINDS, kind_named

    kind = kind_named(word)
    if kind is None:
        raise click.BadParameter(f"{word!r} is none of: {', '.join(KINDS)}")
    return kind.name


def _listed(_: click.Context, __: click.Parameter, word: str) -> str:
    return RINSES if word in ("rinse", RINSES) else kind_word(word)


def _which(_: click.Context, __: click.Parameter, words: tuple[str, ...]) -> tuple[str, str]:
    """``12`` is a rinse, ``run 7`` and ``resin blue`` are records. Error: BadParameter."""
    if len(words) == 2 and words[0] == "rinse":
        words = words[1:]
    if len(words) == 1:
        if not is_number(words[0]):
            raise click.BadParameter(f"{words[0]!r} is no rinse's number; write 12, or 'run 7', 'resin NAME'")
        return "rinse", words[0]
    if len(words) != 2:
        raise click.BadParameter("write a rinse's number, or a kind and a number or name, like 'run 7'")
    return kind_word(words[0]), words[1]


@click.command("list")
@click.argument("kind", metavar="[WHAT]", default=RINSES, callback=_listed)
@click.option("--resin", metavar="NAME", help="Only what belongs to this resin.")
@json_option
@logbook_option
def list_command(kind: str, resin: str | None, as_json: bool, logbook_file: str | None) -> int:
    """List rinses, or WHAT: resins, batches, runs, notes, summaries (of rinses)."""
    with opened(logbook_file) as logbook:
        if kind == RINSES:
            _list_rinses(logbook, resin, as_json=as_json)
        else:
            _list_records(logbook, kind, resin, as_json=as_json)
    return 0


@click.command()
@click.argument("which", metavar="NUMBER | KIND NAME", nargs=-1, required=True, callback=_which)
@click.option("--history", is_flag=True, help="Every change of the record, old values too.")
@click.option("--replay", is_flag=True, help="Run the rinse's rows through the forecast again, as 'replay' does.")
@json_option
@logbook_option
def show(which: tuple[str, str], history: bool, replay: bool, as_json: bool, logbook_file: str | None) -> int:
    """Show rinse NUMBER (settings, what it came to, events), or one record, like 'run 7' or 'resin NAME'."""
    with opened(logbook_file) as logbook:
        if which[0] == "rinse":
            from rinsewatch.cli.logbookrinse import show_rinse

            show_rinse(logbook, int(which[1]), replay=replay, as_json=as_json)
        else:
            _show_record(logbook, which, history=history, as_json=as_json)
    return 0


@click.command()
@click.argument("words", metavar="WORDS...", nargs=-1, required=True)
@json_option
@logbook_option
def search(words: tuple[str, ...], as_json: bool, logbook_file: str | None) -> int:
    """Find records and rinses that hold all WORDS: names, remarks, batches, settings, notes."""
    from rinsewatch.cli.logbookrinse import rinse_object, rinse_table
    from rinsewatch.logbook import outline

    with opened(logbook_file) as logbook:
        records = records_of(logbook)
        items, names = records.search(" ".join(words)), records.resin_names()
        rinses = logbook.rinses_holding(" ".join(words).split())
    if as_json:
        say_json([*(outline.item_object(item, names) for item in items), *map(rinse_object, rinses)])
        return 0
    for item in items:
        say([outline.title(item, names)])
    say(rinse_table(rinses, logbook.path) if rinses else [])
    if not items and not rinses:
        say(["nothing found"])
    return 0


def _list_rinses(logbook: Logbook, resin: str | None, *, as_json: bool) -> None:
    from rinsewatch.cli.logbookrinse import rinse_object, rinse_table

    rinses: list[RinseInfo] = logbook.rinses()
    if resin is not None:
        from rinsewatch.logbook.belonging import Belonging

        own = Belonging(logbook, records_of(logbook)).rinses_of(resin)
        rinses = [info for info in rinses if info.id in own]
    if as_json:
        say_json(map(rinse_object, rinses))
        return
    say(rinse_table(rinses, logbook.path))
    from rinsewatch.logbook.kinds import KINDS
    from rinsewatch.logbook.outline import counted

    found = logbook.ledger.counts()
    others = [counted(found[name], *kind.spoken) for name, kind in KINDS.items() if name in found]
    if others:
        say(["", "Also noted: " + ", ".join(others) + "; list them with 'rinsewatch logbook list WHAT'"])


def _list_records(logbook: Logbook, kind: str, resin: str | None, *, as_json: bool) -> None:
    from rinsewatch.logbook import outline
    from rinsewatch.logbook.kinds import KINDS

    records = records_of(logbook)
    names, items = records.resin_names(), records.items(kind)
    if resin is not None:
        number = records.find("resin", resin).number
        items = _of_resin(logbook, items, kind, number, resin)
    if as_json:
        say_json(outline.item_object(item, names) for item in items)
    else:
        say(outline.item_lines(KINDS[kind], items, names))


def _of_resin(logbook: Logbook, items: list[Item], kind: str, number: int, resin: str) -> list[Item]:
    if kind == "summary":
        from rinsewatch.logbook.rinsesummary import summaries_of

        return [item for item, _ in summaries_of(logbook, records_of(logbook), resin)]
    own = "about" if kind == "note" else "resin"
    return [i for i in items if i.fields.get(own) == number or (kind == "resin" and i.number == number)]


def _rinses_of_record(logbook: Logbook, item: Item) -> list[RinseInfo] | None:
    """The recorded rinses of a batch or a resin; None for other kinds."""
    if item.kind not in ("batch", "resin"):
        return None
    from rinsewatch.logbook.belonging import Belonging

    belonging = Belonging(logbook, records_of(logbook))
    if item.kind == "batch":
        return belonging.rinses_in(item)
    return list(belonging.rinses_of(str(item.fields["name"])).values())


def _show_record(logbook: Logbook, which: tuple[str, str], *, history: bool, as_json: bool) -> None:
    from rinsewatch.logbook import outline
    from rinsewatch.logbook.kinds import KINDS

    records = records_of(logbook)
    names = records.resin_names()
    if history:
        changes = records.history(*which)
        if as_json:
            say_json(outline.change_object(change, names) for change in changes)
        else:
            say([f"{KINDS[changes[0].kind].spoken[0]} {changes[0].number}", *outline.history_lines(changes, names)])
        return
    item = records.find(*which)
    rinses = _rinses_of_record(logbook, item)
    if as_json:
        from rinsewatch.cli.logbookrinse import endpoint_objects

        own = {"recorded_rinses": endpoint_objects(rinses, records.items("summary"))} if rinses is not None else {}
        say_json([{**outline.item_object(item, names), **own}])
        return
    say(outline.detail_lines(item, names))
    if rinses:
        from rinsewatch.cli.logbookrinse import endpoint_table

        say(endpoint_table(rinses, records.items("summary")))
    changes = records.history(item.kind, str(item.number))
    if len(changes) > 1:
        say([f"  changed {outline.counted(len(changes) - 1, 'time', 'times')}; --history shows the old values"])
