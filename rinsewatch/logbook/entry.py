"""One stored row: what the core observed, and all that was known about where it came from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rinsewatch.logbook.cells import reading_text
from rinsewatch.logbook.chain import Stored, real, text
from rinsewatch.rinse.row import Mark, Row

# The order of the hash chain; never change it without a new schema version.
ENTRY_COLUMNS = (
    "rinse_id", "seq", "kind", "time_s", "utc", "monotonic_s", "boottime_s", "raw", "mark", "reading",
    "shown", "unit", "decimals", "temperature_c", "rinse_ml", "event", "quality", "cause",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A row to store.

    ``row``: what the core observes (``time_s`` of a raw frame nobody observes: ``observed=False``).
    ``utc``: ISO 8601 UTC text. ``monotonic_s``, ``boottime_s``: the machine's clocks, None: unknown.
    ``raw``: the bytes as they came. ``shown``: the value's text, from ``row`` when left empty.
    ``quality``, ``cause``: how the driver or session judged it.
    """

    row: Row
    utc: str
    monotonic_s: float | None = None
    boottime_s: float | None = None
    raw: bytes = b""
    shown: str = ""
    quality: str = ""
    cause: str = ""
    observed: bool = True

    @property
    def kind(self) -> str:
        """``reading``, ``event``, or ``raw`` for what the core never sees."""
        if not self.observed:
            return "raw"
        return "reading" if self.row.has_reading else "event"


def values_of(entry: Entry, rinse_id: int, seq: int) -> tuple[Stored, ...]:
    """The entry in the order of ENTRY_COLUMNS, as SQLite will give it back."""
    row = entry.row
    return (
        rinse_id, seq, entry.kind, real(row.time_s), text(entry.utc), real(entry.monotonic_s),
        real(entry.boottime_s), bytes(entry.raw), row.mark.value, real(row.reading),
        text(entry.shown or reading_text(row)), text(row.unit), row.decimals, real(row.temperature_c),
        real(row.rinse_ml), text(row.event), text(entry.quality), text(entry.cause),
    )  # fmt: skip


def entry_of(values: Sequence[Any]) -> Entry:
    """The entry behind stored values in the order of ENTRY_COLUMNS."""
    _, _, kind, time_s, utc, monotonic_s, boottime_s, raw, mark, reading, shown, unit, *rest = values
    decimals, temperature_c, rinse_ml, event, quality, cause = rest
    row = Row(time_s, rinse_ml, Mark(mark), reading, unit, decimals, temperature_c, event)
    return Entry(
        row=row, utc=utc, monotonic_s=monotonic_s, boottime_s=boottime_s, raw=raw, shown=shown,
        quality=quality, cause=cause, observed=kind != "raw",
    )  # fmt: skip
