"""When something happened, on every clock the record keeps."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import datetime

from rinsewatch.logbook.entry import Entry
from rinsewatch.rinse.row import Row


@dataclass(frozen=True, slots=True)
class Stamp:
    """``time_s`` rinse seconds; ``utc`` aware; ``boottime_s``, unlike ``monotonic_s``, runs on in suspend."""

    time_s: float
    utc: datetime
    monotonic_s: float
    boottime_s: float | None = None

    @property
    def utc_text(self) -> str:
        """ISO 8601, UTC, milliseconds."""
        return utc_text(self.utc)

    def entry(self, row: Row, *, raw: bytes = b"", quality: str = "", cause: str = "", observed: bool = True) -> Entry:
        """The logbook entry of ``row`` at this moment."""
        return Entry(
            row=row,
            utc=self.utc_text,
            monotonic_s=round(self.monotonic_s, 6),
            boottime_s=self.boottime_s,
            raw=raw,
            quality=quality,
            cause=cause,
            observed=observed,
        )


def utc_text(moment: datetime) -> str:
    """``2026-01-31T12:00:00.000Z``."""
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


def boottime_s() -> float | None:
    """Seconds since boot, suspend included; None where the system has no such clock."""
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    return None if clock is None else round(time.clock_gettime(clock), 6)
