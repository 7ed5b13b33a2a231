"""Stored rows, one by one, through the core."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path

from rinsewatch.logbook.csvfile import Recording, read_recording
from rinsewatch.logbook.doubts import RowDoubts, misspelt_settings
from rinsewatch.logbook.sanity import setup_warnings
from rinsewatch.logbook.settings import merge_settings, setup_from_settings
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Row
from rinsewatch.session.live import Observed
from rinsewatch.session.retract import Retracting


def observed(rows: Iterable[Row], settings: Mapping[str, object]) -> Iterator[Observed]:
    """Each row with its number and the core's answer. Raises SetupError, QuantityError."""
    setup = setup_from_settings(settings)
    rinse = Retracting(lambda: Rinse(setup))
    for number, row in enumerate(rows, start=1):
        yield Observed(number, row, rinse.observe(row))


def observed_file(path: Path, given: Mapping[str, object], warn: Callable[[str], None]) -> Iterator[Observed]:
    """The rows of a recording; ``given`` settings win over its own.

    ``warn`` hears what looks wrong but can be replayed. Raises RecordingError (file, row and column
    named), SetupError, QuantityError.
    """
    recording = read_recording(path, given)
    settings = merge_settings(recording.settings, given)
    for words in (*misspelt_settings(recording.settings), *setup_warnings(settings)):
        warn(words)
    return observed(_doubted(recording, warn), settings)


def _doubted(recording: Recording, warn: Callable[[str], None]) -> Iterator[Row]:
    doubts = RowDoubts()
    for record in recording.records:
        for words in doubts.look(record.number, record.row):
            warn(words)
        yield record.row
