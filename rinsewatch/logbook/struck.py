"""Strikes in a record: ``note: struck row 12 (125 ppm)`` takes a reading typed by mistake back; rows count from 1."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from rinsewatch.rinse.row import Row

# Seeing a rinse again takes as long as it has rows; rinses with readings typed by hand have some dozens.
MOST_ROWS: Final = 5000
_STRUCK = re.compile(r"note: struck row ([0-9]{1,6})(?: \(.*\))?")


def strike_note(number: int, shown: str) -> str:
    """The event that strikes row ``number``, whose reading was ``shown``."""
    return f"note: struck row {number} ({shown})"


def struck_number(event: str) -> int | None:
    """The number in such an event, else None."""
    found = _STRUCK.fullmatch(event)
    return None if found is None else int(found[1])


def can_strike(rows: Sequence[Row], number: int) -> bool:
    """Whether the strike that is the last of ``rows`` strikes a reading among them; else it is an ordinary note."""
    return len(rows) <= MOST_ROWS and 0 < number <= len(rows) and rows[number - 1].has_reading


def without_struck(rows: Sequence[Row]) -> list[Row]:
    """The rows that count."""
    first, struck = rows[:MOST_ROWS], set()
    for place, row in enumerate(first, start=1):
        number = struck_number(row.event)
        if number is not None and number <= place and can_strike(first, number):
            struck.add(number)
    return [row for place, row in enumerate(rows, start=1) if place not in struck]
