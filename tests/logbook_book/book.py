"""What the tests of the logbook's records share: a small logbook, a fixed day."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.records import New, Records
from rinsewatch.logbook.store import Logbook
from rinsewatch.rinse.row import Mark, Row

TODAY = date(2026, 6, 1)
UTC = "2026-06-01T10:00:00.000Z"
BLUE = {"name": "blue", "volume_ml": "1 L", "kind": "mixed", "new": "2026-01-10"}
RUN = {"resin": "blue", "installed": "2026-02-01", "removed": "2026-03-01", "litres": "2400", "feed": "9 ppm"}
LATER = {"resin": "blue", "installed": "2026-03-01", "removed": "2026-04-01", "litres": "2300", "feed": "9 ppm"}
SETTINGS: dict[str, object] = {
    "resin_ml": 500, "portion_ml": 500, "residue": "NaOH", "endpoint": "feed", "feed": "9 ppm", "rinse_water": "0 ppm",
}  # fmt: skip
# The recording of the README: invented.
READINGS = ((200, "over"), (440, 6810), (680, 2260), (920, 790), (1160, 284), (1400, 108), (1640, 44), (1880, 19),
            (2120, 9), (2360, 4))  # fmt: skip


def records(book: Logbook) -> Records:
    """Its records on the fixed day."""
    return Records(book, TODAY)


def add(book: Logbook, what: str, /, **texts: str) -> int:
    """Add one record; its number."""
    return records(book).add([New(what, texts)], UTC)[0].number


def with_resin(path: Path) -> Logbook:
    """A new logbook with the resin blue."""
    book = Logbook.open(path)
    add(book, "resin", **BLUE)
    return book


def rinsed(book: Logbook, batch: str = "blue", utc: str = UTC, settings: dict[str, object] | None = None) -> int:
    """Record a whole rinse of ten portions; its number."""
    rows = []
    for portion, (time_s, reading) in enumerate(READINGS, start=1):
        rows.append(Row(time_s - 190.0, 500.0 * portion, event="portion"))
        mark = Mark.OVER if reading == "over" else Mark.VALUE
        value = None if reading == "over" else float(reading)
        rows.append(Row(float(time_s), 500.0 * portion, mark, value, "ppm", None if value is None else 0, 21.5))
    with book.begin_rinse(settings or SETTINGS, batch, utc) as writer:
        writer.append_many([Entry(row=row, utc=utc, raw=b"x\xff", quality="good") for row in rows])
        writer.append(Entry(row=Row(2400.0, 5000.0, event='note: a "quoted", noted\nthing'), utc=utc))
        writer.append(Entry(row=Row(2401.0), utc=utc, raw=b"?", cause="syntax", observed=False))
        writer.close_rinse("finished", "stop", utc=utc)
        return writer.rinse_id
