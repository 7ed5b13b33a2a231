"""The dashboard as text, as it stood at a row of a recording: ``python -m rinsewatch.cli.picture FILE ROW``.

The rows go the way of a live rinse (commands and readings into the session, its snapshot onto the screen);
only the meter's thread and the logbook are left out.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

from rinsewatch.cli.present import screen_snapshot
from rinsewatch.logbook.csvfile import read_recording
from rinsewatch.logbook.entry import Entry
from rinsewatch.logbook.settings import setup_from_settings
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.screen.dashboard import compose
from rinsewatch.session.commands import Note, Pause, Pour, Resume, Undo
from rinsewatch.session.live import Item, LiveRinse, Policy
from rinsewatch.session.pouring import begin_pouring
from rinsewatch.session.recorder import Recorder
from rinsewatch.session.stamp import Stamp
from rinsewatch_drivers.reading import Kind, LinkEvent, LinkState, Quality, Reading

_KINDS = {Mark.VALUE: Kind.VALUE, Mark.OVER: Kind.OVER, Mark.UNDER: Kind.UNDER}
_SIMPLE: dict[str, Item] = {"undo": Undo(), "pause": Pause(), "resume": Resume()}
_ANY_DAY = datetime(2026, 1, 31, tzinfo=UTC)  # no date is on the screen
METER, PORT = "plain-number", "/dev/ttyUSB0"


class _NoLogbook:
    """A writer that says yes to everything."""

    def append_many(self, entries: Sequence[Entry]) -> list[int]:
        """As if stored."""
        return [0] * len(entries)

    def close_rinse(self, reason: str, verdict: str, *, utc: str) -> None:
        """Nothing to close."""

    def close(self) -> None:
        """Nothing to close."""


def picture_at(file: Path, row: int, width: int = 80, height: int = 24, ascii_only: bool = False) -> str:
    """The dashboard after ``row`` data rows of ``file``: ``height`` lines, trailing blanks removed.

    Raises RecordingError, SetupError.
    """
    recording = read_recording(file)
    setup = setup_from_settings(recording.settings)
    pouring = begin_pouring(setup.portion_ml, setup.flow_ml_min)
    live = LiveRinse(setup, Rinse(setup), Recorder(_NoLogbook()), pouring, Policy())
    time_s = 0.0
    live.take([(LinkEvent(LinkState.OPEN, f"{PORT} open, meter profile {METER}", 0.0), Stamp(0.0, _ANY_DAY, 0.0))])
    for each, _ in zip(recording.rows, range(row), strict=False):
        time_s = each.time_s
        poured_ml = live.snapshot(with_band=False).rinse_ml
        live.take([(item, Stamp(time_s, _ANY_DAY, time_s)) for item in _items(each, poured_ml)])
    shown = live.snapshot()
    age_s = None if shown.last_shown_s is None else time_s - shown.last_shown_s
    batch = str(recording.settings.get("batch", ""))
    snapshot = screen_snapshot(shown, time_s, age_s=age_s, meter_name=METER, port=PORT, batch=batch)
    lines = compose(snapshot, width, height, ascii_only)
    return "\n".join("".join(text for text, _ in line).rstrip() for line in lines) + "\n"


def _items(row: Row, poured_ml: float) -> Iterator[Item]:
    """What came in live to make this row."""
    if row.has_reading:
        yield Reading(
            b"", _KINDS[row.mark], row.reading, row.decimals, row.unit, row.temperature_c, Quality.GOOD, "", 0,
            row.time_s, _ANY_DAY,
        )  # fmt: skip
    elif row.event == "portion":
        yield Pour((row.rinse_ml or 0.0) - poured_ml)
    elif row.event in _SIMPLE:
        yield _SIMPLE[row.event]
    elif row.event.startswith("note: ") and METER not in row.event:
        yield Note(row.event.removeprefix("note: "))


def main(arguments: Sequence[str]) -> None:
    """``FILE ROW [WIDTHxHEIGHT]``; the encoding of stdout decides the signs."""
    width, height = (int(part) for part in (arguments[2] if len(arguments) > 2 else "80x24").split("x"))
    poor = not (sys.stdout.encoding or "ascii").lower().startswith("utf")
    sys.stdout.write(picture_at(Path(arguments[0]), int(arguments[1]), width, height, poor))


if __name__ == "__main__":
    main(sys.argv[1:])
