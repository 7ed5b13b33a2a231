"""Records by name: added, corrected, deleted, found; each checked against all others before it is written."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches

from rinsewatch.errors import UsageError
from rinsewatch.logbook import rules
from rinsewatch.logbook.kinds import KINDS, RESIN, Field, Kind
from rinsewatch.logbook.ledger import ADDED, CORRECTED, DELETED, Change, Draft, Item
from rinsewatch.logbook.rules import Scene
from rinsewatch.logbook.store import Logbook
from rinsewatch.logbook.values import Value, value_text

Texts = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class New:
    """A record to be added: its fields as text, and its name in a message ("row 3"). ``number`` None: the next."""

    kind: str
    texts: Texts
    name: str = ""
    number: int | None = None


class Records:
    """The records of one logbook. ``today`` is injected: nothing may lie after it."""

    def __init__(self, logbook: Logbook, today: date) -> None:
        self._ledger, self._logbook, self._today = logbook.ledger, logbook, today

    def items(self, kind: str) -> list[Item]:
        """The records of a kind, by number."""
        return self._ledger.items(kind)

    def find(self, kind: str, word: str) -> Item:
        """The record with this name or number. Error: UsageError, naming what is near."""
        label, items = KINDS[kind].label, self.items(kind)
        named = [i for i in items if label and str(i.fields[label]).casefold() == word.strip().casefold()]
        found = named or [item for item in items if str(item.number) == word.strip()]
        if found:
            return found[0]
        if word.strip().isdecimal() and self._ledger.history(kind, int(word)):
            raise UsageError(
                f"{kind} {word.strip()} is deleted; 'rinsewatch logbook show {kind} {int(word)} --history'"
            )
        names = [str(item.fields[label]) for item in items] if label else []
        near = get_close_matches(word, names, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"see 'rinsewatch logbook list {KINDS[kind].many}'"
        raise UsageError(f"there is no {kind} {word.strip()!r}; {hint}")

    def history(self, kind: str, word: str) -> list[Change]:
        """All that happened to a record, deleted ones by their number too. Error: UsageError."""
        gone = self._ledger.history(kind, int(word)) if word.isascii() and word.isdigit() else []
        return gone or self._ledger.history(kind, self.find(kind, word).number)

    def read(self, kind: str, texts: Texts, base: Mapping[str, Value] | None = None) -> dict[str, Value]:
        """Checked fields from texts, over those of ``base``; an empty text takes a field away. Error: UsageError."""
        table, fields = KINDS[kind], dict(base or {})
        for name, text in texts.items():
            field = known_field(table, name)
            if text.strip():
                fields[field.name] = self.value(kind, field.name, text)
            else:
                fields.pop(field.name, None)
        for field in table.fields:
            if field.needed and field.name not in fields:
                raise UsageError(f"{field.name}: missing; {field.words}")
        return {field.name: fields[field.name] for field in table.fields if field.name in fields}

    def value(self, kind: str, name: str, text: str) -> Value:
        """One field's value from text; a resin's name becomes its number. Error: UsageError."""
        field = known_field(KINDS[kind], name)
        value = field.read(text, field.name)
        return self.find(field.refers, str(value)).number if field.refers else value

    def add(self, new: Sequence[New], utc: str) -> list[Item]:
        """Add records, all or none, each checked against those before it. Errors: UsageError, LogbookError."""
        drafts = self.prepare(new)
        step = self._ledger.write(drafts, ADDED, utc)
        written = [change for change in self._ledger.changes if change.step == step]
        return [Item(change.kind, change.number, change.fields) for change in written]

    def prepare(self, new: Iterable[New]) -> list[Draft]:
        """What ``add`` would write; nothing is written. Error: UsageError naming the record."""
        scene, drafts = self._scene(), []
        for record in new:
            try:
                fields = self.read(record.kind, record.texts)
                rules.check(record.kind, fields, scene)
            except UsageError as error:
                raise (type(error)(f"{record.name}: {error}") if record.name else error) from error
            drafts.append(Draft(record.kind, fields, record.number))
            if record.kind == "run":
                scene.add_run(record.name or "another new service run", fields)
            else:
                scene.items[record.kind].append(Item(record.kind, record.number or 0, fields))
        return drafts

    def correct(self, kind: str, word: str, texts: Texts, utc: str, why: str = "") -> tuple[Item, Item]:
        """Change some fields by a further row; returns it before and after. Errors: UsageError, LogbookError."""
        before = self.find(kind, word)
        fields = self.read(kind, texts, before.fields)
        if fields == before.fields:
            raise UsageError("nothing would change; give field=value with another value")
        rules.check(kind, fields, self._scene(without=before), before.number)
        self._ledger.write([Draft(kind, fields, before.number)], CORRECTED, utc, why=why)
        return before, Item(kind, before.number, fields)

    def delete(self, kind: str, word: str, utc: str, why: str = "") -> Item:
        """Note that a record is no longer there; its history stays. Errors: UsageError, LogbookError."""
        item = self.find(kind, word)
        for other in KINDS.values() if kind == RESIN.name else ():
            uses = [i for i in self.items(other.name) if _refers(other, i, item)]
            if uses:
                raise UsageError(f"{kind} {word}: {other.many} belong to it ({len(uses)}); delete those first")
        self._ledger.write([Draft(kind, item.fields, item.number, gone=True)], DELETED, utc, why=why)
        return item

    def search(self, words: str) -> list[Item]:
        """Records that hold all of these words, in any field, names of resins included."""
        wanted = words.casefold().split()
        names = self.resin_names()
        every = (item for kind in KINDS for item in self.items(kind))
        return [item for item in every if all(word in _haystack(item, names) for word in wanted)]

    def resin_names(self) -> dict[int, str]:
        """Each resin's number and present name."""
        return {item.number: str(item.fields["name"]) for item in self.items("resin")}

    def texts(self, item: Item, names: Mapping[int, str] | None = None) -> dict[str, str]:
        """A record's fields as text, in the table's order, resins by name."""
        return shown_texts(item, self.resin_names() if names is None else names)

    def _scene(self, without: Item | None = None) -> Scene:
        items = {kind: [item for item in self.items(kind) if item != without] for kind in KINDS}
        return Scene(self._today, items, range(1, self._logbook.count() + 1))


def known_field(kind: Kind, name: str) -> Field:
    """The kind's field of this name. Error: UsageError, naming the nearest."""
    field = kind.field(name)
    if field is None:
        names = [field.name for field in kind.fields]
        near = get_close_matches(name, names, n=1)
        hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(names)}"
        raise UsageError(f"{name}: a {kind.name} has no such field; {hint}")
    return field


def shown_texts(item: Item, names: Mapping[int, str]) -> dict[str, str]:
    """A record's fields as text, in the table's order, resins by the names given."""
    shown = {}
    for field in KINDS[item.kind].fields:
        if field.name in item.fields:
            value = item.fields[field.name]
            shown[field.name] = names.get(int(value), str(value)) if field.refers else value_text(value)
    return shown


def _refers(kind: Kind, item: Item, to: Item) -> bool:
    return any(field.refers == to.kind and item.fields.get(field.name) == to.number for field in kind.fields)


def _haystack(item: Item, names: Mapping[int, str]) -> str:
    return " ".join([item.kind, *shown_texts(item, names).values()]).casefold()
