"""Service runs from a person's own table: which column is which field, and each row as a record to be added."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches

from rinsewatch.errors import UsageError
from rinsewatch.logbook.foreign import ForeignRow, ForeignTable
from rinsewatch.logbook.foreigncells import date_order, decimal_mark, plain_date, plain_number
from rinsewatch.logbook.kinds import RUN
from rinsewatch.logbook.records import New, known_field
from rinsewatch.quantities import canonical_unit

_DATES, _READINGS = ("installed", "removed"), ("feed", "change")
_NUMBERS = ("litres", "counter_from", "counter_to", "tds_factor", *_READINGS)
# Words in a heading that suggest a field, offered as the default answer only; common speech.
_HINTS = {
    "resin": ("resin", "bed", "column", "vessel"), "cycle": ("cycle", "run no"),
    "installed": ("installed", "install", "put in", "start", "from"),
    "removed": ("removed", "changed", "taken out", "end", "to"),
    "litres": ("litres", "liters", "litre", "liter", "volume", "water made"),
    "counter_from": ("counter from", "count at start"), "counter_to": ("counter to", "count at end"),
    "feed": ("feed", "tds in", "inlet"), "change": ("at change", "tds out", "outlet", "product"),
    "indicator": ("colour", "color", "indicator"), "tds_factor": ("factor",),
    "remark": ("remark", "remarks", "note", "notes", "comment", "comments"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Choices:
    """What a person said about the table. ``columns``: field to heading; ``fixed``: field to text for every row
    in which its cell is empty; ``unit``: of readings that name none; the others None: found out or asked.
    """

    columns: Mapping[str, str]
    fixed: Mapping[str, str] = field(default_factory=dict)
    unit: str | None = None
    order: str | None = None
    decimal: str | None = None


def suggested(table: ForeignTable) -> dict[str, str]:
    """Which heading each field may be, most likely ones only: a default for questions, never taken unasked."""
    found: dict[str, str] = {}
    for name, hints in _HINTS.items():
        free = [column for column in table.columns if column and column not in found.values()]
        fitting = [column for hint in hints for column in free if re.search(rf"\b{hint}\b", _words(column))]
        if fitting:
            found[name] = fitting[0]
    return found


def same_names(table: ForeignTable) -> dict[str, str]:
    """Headings that are a field's own name."""
    columns = {RUN.field(column): column for column in table.columns if column}
    return {field.name: column for field, column in columns.items() if field is not None}


def parse_map(words: Sequence[str], table: ForeignTable) -> dict[str, str]:
    """``FIELD=COLUMN`` words as a mapping. Error: UsageError naming the nearest."""
    found: dict[str, str] = {}
    for word in words:
        name, sign, column = word.partition("=")
        if not sign:
            raise UsageError(f"--map: {word!r} is none; write FIELD=COLUMN, like litres='Liters made'")
        found[known_field(RUN, name).name] = _column(column, table)
    return found


def _column(word: str, table: ForeignTable) -> str:
    place = table.column(word)
    if place is None:
        near = get_close_matches(word, table.columns, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"there are: {', '.join(filter(None, table.columns))}"
        raise UsageError(f"--map: {table.name} has no column {word.strip()!r}; {hint}")
    return table.columns[place]


def new_runs(table: ForeignTable, choices: Choices) -> list[New]:
    """Every row as a service run to be added. Error: UsageError naming row and column."""
    columns = {name: table.columns.index(column) for name, column in choices.columns.items()}
    missing = [f.name for f in RUN.fields if f.needed and f.name not in (*columns, *choices.fixed)]
    if missing:
        raise UsageError(f"{table.name}: which column is {missing[0]}? say {_remedy(missing[0])}")
    reader = _Reader(table, columns, choices)
    return [reader.run(row) for row in table.rows]


def _remedy(name: str) -> str:
    other = {"resin": " or --resin NAME", "feed": " or --feed '9 ppm' (or --feed unknown)"}.get(name, "")
    return f"--map {name}=COLUMN{other}"


class _Reader:
    def __init__(self, table: ForeignTable, columns: Mapping[str, int], choices: Choices) -> None:
        self._table, self._columns, self._choices = table, columns, choices
        self._order = choices.order or self._decided(date_order, _DATES)
        self._mark = choices.decimal or self._decided(lambda cells: decimal_mark(cells, table.separator), _NUMBERS)

    def _decided(self, decide: Callable[[Iterator[str]], str], names: Sequence[str]) -> str:
        places = [place for name, place in self._columns.items() if name in names]
        try:
            return decide(row.cells[place] for row in self._table.rows for place in places if row.cells[place])
        except UsageError as error:
            raise UsageError(f"{self._table.name}: {error}") from error

    def run(self, row: ForeignRow) -> New:
        """One row as a service run to be added; empty cells are left to what holds for every row."""
        where = f"{self._table.name}, row {row.number}"
        texts = dict(self._choices.fixed)
        for name, place in self._columns.items():
            if row.cells[place]:
                texts[name] = self._cell(where, name, place, row.cells[place])
        return New("run", texts, where)

    def _cell(self, where: str, name: str, place: int, cell: str) -> str:
        try:
            if name in _DATES:
                return plain_date(cell, self._order)
            if name not in _NUMBERS:
                return cell
            number = plain_number(cell, self._mark)
            return self._with_unit(name, number, self._table.columns[place])
        except UsageError as error:
            raise UsageError(f"{where}, column {self._table.columns[place]}: {error}") from error

    def _with_unit(self, name: str, number: str, heading: str) -> str:
        """A bare number gets the unit its heading names, a reading else that of --unit."""
        if not re.fullmatch(r"[+-]?[0-9.]+", number):
            return number
        unit = _heading_unit(heading)
        if name in _READINGS:
            unit = unit or self._choices.unit
            if unit is None:
                raise UsageError(f"{number} of what? its unit is neither here nor in the heading; say --unit ppm")
        return f"{number} {unit}" if unit else number


def _heading_unit(heading: str) -> str | None:
    """The unit a heading names: ``Feed (ppm)``, ``Water, L``, ``Made [m3]``."""
    for word in reversed(re.split(r"[\s()\[\],;:]+", heading)):
        if word in ("m3", "m³"):
            return "m3"
        if word and (known := canonical_unit(word)):
            return known
    return None


def _words(heading: str) -> str:
    return " ".join(heading.casefold().replace("_", " ").replace("-", " ").split())
