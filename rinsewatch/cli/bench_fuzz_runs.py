"""Fuzz campaign: a person's own table of service runs, as ``logbook import`` reads it, up to what would be added."""

from __future__ import annotations

import random
import re
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from rinsewatch.cli.bench_fuzz_core import Given, Tried
from rinsewatch.cli.bench_fuzz_mutate import NASTY, bent
from rinsewatch.errors import UsageError
from rinsewatch.logbook.foreign import ForeignTable, read_foreign
from rinsewatch.logbook.foreignruns import Choices, new_runs, same_names
from rinsewatch.logbook.ledger import Draft
from rinsewatch.logbook.records import New, Records
from rinsewatch.logbook.store import Logbook

_COLUMNS = ("resin", "installed", "removed", "litres", "feed", "change", "remark")
_OTHER = {"litres": "Litres (L)", "feed": "Feed (ppm)", "change": "Change [uS/cm]"}
_TODAY = date(2026, 6, 30)
_CELLS = tuple(word.decode("latin-1") for word in NASTY if len(word) < 500)
_DATES = ("{y}-{m:02d}-{d:02d}", "{d:02d}.{m:02d}.{y}", "{m}/{d}/{y}", "{d}/{m}/{y}", "{d} March {y}")
_ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "cp1252")
_LOOSE = re.compile(r"[0-9]+(?:\.[0-9]*)?")


class Runs:
    """Tables with other separators, decimal marks, date orders, encodings; bent as text and cell by cell."""

    name, weight, control = "runs", 50, "any number in the cell, a point before decimals"

    def __init__(self, folder: Path) -> None:
        self._path = folder / "fuzzed-runs.csv"
        self._book = Logbook.open(folder / "runs.sqlite")
        records = Records(self._book, _TODAY)
        resin = {"name": "blue", "volume_ml": "20 L", "kind": "mixed bed", "new": "2020-01-01"}
        records.add([New("resin", resin)], "2026-01-01T00:00:00Z")
        self._records = records

    def make(self, rng: random.Random) -> Given:
        """A table and how the person said it is written; one in ten is sound and plain."""
        some = rng.random()
        sound = some < 0.1
        separator = "," if sound else rng.choice(",;\t")
        comma, dates = (not sound and rng.random() < 0.3), _DATES[0] if sound else rng.choice(_DATES)
        head = [_OTHER.get(c, c) if not sound and rng.random() < 0.2 else c for c in _COLUMNS]
        rows = [_row(rng, number, dates, comma=comma) for number in range(rng.randint(1, 5))]
        if 0.1 <= some < 0.7:
            row = rng.choice((head, *rows))
            row[rng.randrange(len(row))] = rng.choice(_CELLS)
        text = "\r\n".join(separator.join(_quoted(cell, separator) for cell in row) for row in (head, *rows))
        encoding = "utf-8" if sound else rng.choice(_ENCODINGS)
        data = text.encode(encoding, "replace")
        return Given("" if sound else _said(rng), data if some < 0.6 else bent(rng, data), sound or None)

    def look(self, given: Given) -> Tried:
        """What would be added must hold the digits of its cells, none lost and none made up."""
        self._path.write_bytes(given.data)
        order, decimal, unit = [*given.what.split("|"), "", "", ""][:3]
        tried = Tried()
        try:
            table = read_foreign(self._path)
            choices = Choices(same_names(table), {"resin": "blue", "feed": "9 ppm"}, unit or None, order or None,
                              decimal or None)  # fmt: skip
            tried.fooled = _loose_and_wrong(table)
            drafts = self._records.prepare(new_runs(table, choices))
            tried.accepted = True
            tried.false = _false(table, drafts)
        except UsageError as error:
            tried.refused(error)
            tried.false = "a sound table was refused" if given.truth else ""
        return tried

    def close(self) -> None:
        """Close the logbook the runs would go into."""
        self._book.close()
        self._path.unlink(missing_ok=True)


def _row(rng: random.Random, number: int, dates: str, *, comma: bool) -> list[str]:
    def day(month: int) -> str:
        return dates.format(y=2025, m=month, d=rng.randint(1, 28))

    litres = rng.choice((f"{rng.randint(50, 900)}", f"{rng.uniform(1, 900):.1f}", f"{rng.randint(1, 9)},250"))
    litres = litres.replace(".", ",") if comma else litres.replace(",", "")
    feed, change = rng.choice(("9 ppm", "12.5 uS/cm", "unknown")), rng.choice(("", "3 ppm"))
    feed = feed.replace(".", ",") if comma else feed
    first, last = (day(3), day(3)) if "March" in dates else (day(2 * number + 1), day(2 * number + 2))
    return ["blue", first, last if "March" not in dates else "", litres, feed, change, rng.choice(("", "fine, so far"))]


def _quoted(cell: str, separator: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if any(c in cell for c in f'{separator}"\r\n') else cell


def _said(rng: random.Random) -> str:
    """Date order, decimal mark, unit: as options would say them, or nothing."""
    return "|".join(
        (rng.choice(("", "", "dmy", "mdy", "ymd")), rng.choice(("", "point", "comma")), rng.choice(("", "ppm")))
    )


def _digits(text: str) -> str:
    """The digits that count: none before the first that is not 0, none after the last."""
    return "".join(char for char in text if char in "0123456789").strip("0")


def _false(table: ForeignTable, drafts: Sequence[Draft]) -> str:
    place = table.column("litres")
    for row, draft in zip(table.rows, drafts, strict=True):
        cell = "" if place is None else row.cells[place]
        litres = draft.fields.get("litres")
        # a unit such as m3 has a digit of its own; a float holds no more than 15 of them for sure
        digits = _digits(re.split("[^0-9.,'\u2019+\\s-]", cell)[0])
        if isinstance(litres, int | float) and len(digits) <= 15 and _digits(f"{litres:.15g}") != digits:
            return f"{litres!r} litres from {cell!r}"
        if litres is None and cell:
            return f"the litres {cell!r} were dropped"
    return ""


def _loose_and_wrong(table: ForeignTable) -> bool:
    """The control reads a decimal comma as an end, and a number out of words."""
    place = table.column("litres")
    cells = [row.cells[place] for row in table.rows if place is not None and row.cells[place]]
    return any((match := _LOOSE.search(cell)) and match[0] != cell for cell in cells)
