"""Stored rows, one by one, through the core."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from rinsewatch.logbook.csvfile import read_recording
from rinsewatch.logbook.settings import merge_settings, setup_from_settings
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.rinse.row import Row
from rinsewatch.session.live import Observed


def observed(rows: Iterable[Row], settings: Mapping[str, object]) -> Iterator[Observed]:
    """Each row with its number and the core's answer. Raises SetupError, QuantityError."""
    rinse = Rinse(setup_from_settings(settings))
    for number, row in enumerate(rows, start=1):
        yield Observed(number, row, rinse.observe(row))


def observed_file(path: Path, given: Mapping[str, object]) -> Iterator[Observed]:
    """The rows of a recording; ``given`` settings win over its own.

    Raises RecordingError (file, row and column named), SetupError, QuantityError.
    """
    recording = read_recording(path, given)
    return observed(recording.rows, merge_settings(recording.settings, given))
