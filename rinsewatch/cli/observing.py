"""A recording, row by row, through the core."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from rinsewatch.logbook.csvfile import read_recording
from rinsewatch.logbook.settings import merge_settings, setup_from_settings
from rinsewatch.rinse.monitor import Rinse
from rinsewatch.session.live import Observed


def observed_rows(path: Path, given: Mapping[str, object]) -> Iterator[Observed]:
    """Each row of the recording with its number and the core's answer; ``given`` settings win over its own.

    Raises RecordingError (file, row and column named), SetupError, QuantityError.
    """
    recording = read_recording(path, given)
    rinse = Rinse(setup_from_settings(merge_settings(recording.settings, given)))
    for record in recording.records:
        yield Observed(record.number, record.row, rinse.observe(record.row))
