"""One row of a recording: what the core observes, live and in replay alike."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from rinsewatch.quantities import CONDUCTIVITY_UNITS, TDS_UNITS


class Mark(StrEnum):
    """What kind of reading a row holds."""

    NONE = ""
    VALUE = "value"
    OVER = "over"
    UNDER = "under"


@dataclass(frozen=True, slots=True)
class Row:
    """A reading or an event at ``time_s`` since the rinse began.

    ``rinse_ml``: rinse water poured so far, cumulative (None: not known, the flow tells it).
    ``reading`` in ``unit`` (``uS/cm`` or ``ppm``), ``decimals`` as shown, None where that is unknown.
    ``event``: ``""``, ``portion``, ``undo``, ``pause``, ``resume``, ``fault: ...``, ``note: ...``.
    Notes the core understands: ``note: feed = 9 ppm``, ``note: rinse-water = 0.6 uS/cm``,
    ``note: portion = 250 mL``, ``note: probe confirmed``, ``note: known = 84 uS/cm, read 81.2 uS/cm``.
    """

    time_s: float
    rinse_ml: float | None = None
    mark: Mark = Mark.NONE
    reading: float | None = None
    unit: str = ""
    decimals: int | None = None
    temperature_c: float | None = None
    event: str = ""

    @property
    def has_reading(self) -> bool:
        """True for a row that holds a reading, ``over`` and ``under`` included."""
        return self.mark is not Mark.NONE


def understood(row: Row, time_s: float) -> Row:
    """The row without what is no number or has no unit of a reading; ``time_s``: now, where it tells no time.

    Meters and recordings are read by parsers that let no such thing through; others may call the core too.
    """
    if not math.isfinite(row.time_s):
        row = replace(row, time_s=time_s)
    if row.rinse_ml is not None and not math.isfinite(row.rinse_ml):
        row = replace(row, rinse_ml=None)
    if row.mark is Mark.VALUE and not _is_reading(row):
        row = replace(row, mark=Mark.NONE, reading=None)
    return row


def _is_reading(row: Row) -> bool:
    known = row.unit in CONDUCTIVITY_UNITS or row.unit in TDS_UNITS
    return known and row.reading is not None and math.isfinite(row.reading)
