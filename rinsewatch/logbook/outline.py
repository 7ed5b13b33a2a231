"""Records in lines for people and as JSON objects; no colours, no widths but the columns' own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from rinsewatch.logbook.kinds import KINDS, Kind
from rinsewatch.logbook.ledger import RECORDED, UNDONE, Change, Item
from rinsewatch.logbook.records import shown_texts
from rinsewatch.logbook.rules import litres_of
from rinsewatch.logbook.values import local_minute, us_cm

# What a list shows of each kind, beside the number.
_COLUMNS = {
    "resin": ("name", "volume_ml", "kind", "new", "discard_share"),
    "batch": ("name", "resin", "date", "cycle", "caustic", "acid", "rinses"),
    "run": ("resin", "cycle", "installed", "removed", "litres", "feed", "change", "indicator"),
    "note": ("date", "about", "text"),
    "summary": ("resin", "date", "residue", "resin_ml", "endpoint", "endpoint_ml", "used_ml", "rinse"),
}
_WIDEST = 48


def counted(number: int, one: str, many: str) -> str:
    """``1 row``, ``2 rows``."""
    return f"{number} {one if number == 1 else many}"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Lines of columns as wide as they need to be; long cells are cut, line breaks shown as spaces."""
    cells = [[_short(cell) for cell in row] for row in (head, *rows)]
    widths = [max(len(cell) for cell in column) for column in zip(*cells, strict=True)]
    lines = (zip(row, widths, strict=True) for row in cells)
    return ["  ".join(f"{cell:{width}}" for cell, width in line).rstrip() for line in lines]


def _short(cell: str) -> str:
    flat = " ".join(cell.split())
    return flat if len(flat) <= _WIDEST else flat[: _WIDEST - 3] + "..."


def item_lines(kind: Kind, items: Sequence[Item], names: Mapping[int, str]) -> list[str]:
    """A list of records of one kind."""
    columns = _COLUMNS[kind.name]
    rows = []
    for item in items:
        shown = list_texts(item, names)
        rows.append([str(item.number), *(shown.get(column, "") for column in columns)])
    return [counted(len(items), *kind.spoken), *(table(["no", *columns], rows) if rows else [])]


def list_texts(item: Item, names: Mapping[int, str]) -> dict[str, str]:
    """The record's fields as text; litres too where only the counts were noted."""
    shown = shown_texts(item, names)
    if item.kind == "run" and (litres := litres_of(item.fields)) is not None:
        shown["litres"] = f"{litres:g}"
    return shown


def title(item: Item, names: Mapping[int, str]) -> str:
    """One line that tells which record it is: ``run 7 (blue, 2026-03-01)``."""
    shown = shown_texts(item, names)
    words = [shown[key] for key in ("name", "resin", "installed", "date", "text") if key in shown][:2]
    return f"{KINDS[item.kind].spoken[0]} {item.number} ({', '.join(_short(word) for word in words)})"


def detail_lines(item: Item, names: Mapping[int, str]) -> list[str]:
    """Every field of one record on a line of its own."""
    shown = list_texts(item, names)
    width = max(len(name) for name in shown)
    return [
        f"{KINDS[item.kind].spoken[0]} {item.number}",
        *(f"  {name:{width}}  {text}" for name, text in shown.items()),
    ]


def history_lines(changes: Sequence[Change], names: Mapping[int, str]) -> list[str]:
    """Every change of a record, oldest first: when, what was done, and each field's old and new value."""
    lines: list[str] = []
    before: dict[str, str] = {}
    for change in changes:
        why = f" ({change.why})" if change.why else ""
        lines.append(f"{local_minute(change.utc)}  {_act_words(change)}{why}")
        after = {} if change.gone else shown_texts(Item(change.kind, change.number, change.fields), names)
        if not change.gone:
            lines += [f"    {line}" for line in difference(before, after)]
        before = after
    return lines


def difference(before: Mapping[str, str], after: Mapping[str, str]) -> list[str]:
    """``litres: 640 -> 460`` for each field that differs; a new one without the arrow."""
    lines = []
    for name in [*before, *(name for name in after if name not in before)]:
        old, new = before.get(name, ""), after.get(name, "")
        if old != new:
            lines.append(f"{name}: {old} -> {new or '(nothing)'}" if old else f"{name}: {new}")
    return lines


def _act_words(change: Change) -> str:
    if change.act == UNDONE:
        return "undone: no longer there" if change.gone else "undone: back to"
    return "written by the program" if change.act == RECORDED else change.act


def item_object(item: Item, names: Mapping[int, str]) -> dict[str, object]:
    """A record as a JSON object: resins by name, and what follows from its fields (litres, uS/cm)."""
    found: dict[str, object] = {"record": item.kind, "number": item.number, **item.fields}
    for field in KINDS[item.kind].fields:
        if field.refers and field.name in item.fields:
            found[field.name] = names.get(int(item.fields[field.name]), "")
    for name in ("feed", "change", "floor", "water"):
        if name in item.fields:
            found[f"{name}_us_cm"] = us_cm(item.fields[name], item.fields.get("tds_factor"))
    if item.kind == "run":
        found["litres"] = litres_of(item.fields)
    return found


def change_object(change: Change, names: Mapping[int, str]) -> dict[str, object]:
    """A change as a JSON object; ``fields`` None: the record was gone after it."""
    item = item_object(Item(change.kind, change.number, change.fields), names)
    return {
        "change": change.id, "record": change.kind, "number": change.number, "act": change.act, "utc": change.utc,
        "why": change.why, "undoes": change.undoes, "fields": None if change.gone else item,
    }  # fmt: skip
