"""Corrections in a record, as events of it: a reading typed by mistake is taken back, a forgotten portion put in.

``note: struck row 12 (125 ppm)`` (rows count from 1) and ``note: portion of 250 mL was poured at 812.5 s``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from rinsewatch.rinse.row import Row

# Seeing a rinse again takes as long as it has rows: about a second for so many.
MOST_ROWS: Final = 5000
_STRUCK = re.compile(r"note: struck row ([0-9]{1,6})(?: \(.*\))?")
_FORGOTTEN = re.compile(
    r"note: portion of ([0-9]{1,7}(?:\.[0-9]{1,3})?) mL was poured at ([0-9]{1,9}(?:\.[0-9]{1,3})?) s"
)


def strike_note(number: int, shown: str) -> str:
    """The event that strikes row ``number``, whose reading was ``shown``."""
    return f"note: struck row {number} ({shown})"


def struck_number(event: str) -> int | None:
    """The number in such an event, else None."""
    found = _STRUCK.fullmatch(event)
    return None if found is None else int(found[1])


def forgotten_note(volume_ml: float, time_s: float) -> str:
    """The event that puts in a portion poured at ``time_s`` of the rinse and not told then."""
    return f"note: portion of {_decimal(volume_ml)} mL was poured at {_decimal(time_s)} s"


def forgotten_portion(event: str) -> tuple[float, float] | None:
    """(mL, rinse s) in such an event, else None."""
    found = _FORGOTTEN.fullmatch(event)
    return None if found is None else (float(found[1]), float(found[2]))


def portion_change(event: str) -> int:
    """By how many portions an event changes their number."""
    return int(event == "portion" or forgotten_portion(event) is not None) - int(event == "undo")


def can_strike(rows: Sequence[Row], number: int) -> bool:
    """Whether the strike that is the last of ``rows`` strikes a reading among them; else it is an ordinary note."""
    return len(rows) <= MOST_ROWS and 0 < number <= len(rows) and rows[number - 1].has_reading


def corrects(rows: Sequence[Row]) -> bool:
    """Whether the last of ``rows`` changes what the ones before it mean."""
    event = rows[-1].event
    if len(rows) > MOST_ROWS:
        return False
    if event == "undo":
        return any(forgotten_portion(row.event) for row in rows)
    number = struck_number(event)
    return forgotten_portion(event) is not None or (number is not None and can_strike(rows, number))


def struck_rows(rows: Sequence[Row]) -> list[Row]:
    """The readings that were taken back."""
    first, numbers = rows[:MOST_ROWS], set()
    for place, row in enumerate(first, start=1):
        number = struck_number(row.event)
        if number is not None and number <= place and can_strike(first, number):
            numbers.add(number)
    return [rows[number - 1] for number in sorted(numbers)]


def corrected(rows: Sequence[Row]) -> list[Row]:
    """The rows as they were meant: without struck readings, forgotten portions at their time, later volumes so."""
    struck, meant = {id(row) for row in struck_rows(rows)}, list[Row]()
    told = list[tuple[float, float] | None]()  # portions in the order of telling; a forgotten one with mL and s
    for place, row in enumerate(rows, start=1):
        late = forgotten_portion(row.event) if place <= MOST_ROWS else None
        if late is not None:
            _put_in(meant, *late)
        if late is not None or row.event == "portion":
            told.append(late)
        elif row.event == "undo" and told and (late := told.pop()) is not None:
            _take_out(meant, *late)
        if id(row) not in struck:
            meant.append(row)
    return meant


def _put_in(meant: list[Row], volume_ml: float, time_s: float) -> None:
    at = next((place for place, row in enumerate(meant) if row.time_s >= time_s), len(meant))
    before_ml = next((row.rinse_ml for row in reversed(meant[:at]) if row.rinse_ml is not None), 0.0)
    meant[at:] = [_shifted(row, volume_ml) for row in meant[at:]]
    meant.insert(at, _shifted(Row(time_s, before_ml, event="portion"), volume_ml))


def _take_out(meant: list[Row], volume_ml: float, time_s: float) -> None:
    at = next(place for place, row in enumerate(meant) if (row.event, row.time_s) == ("portion", time_s))
    meant[at:] = [_shifted(row, -volume_ml) for row in meant[at + 1 :]]


def _shifted(row: Row, volume_ml: float) -> Row:
    return row if row.rinse_ml is None else replace(row, rinse_ml=round(row.rinse_ml + volume_ml, 3))


def _decimal(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")
