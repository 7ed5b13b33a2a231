"""A driver's reading as the core's row wants it: base unit, decimals moved along, nothing else changed."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.rinse.row import Mark, Row
from rinsewatch_drivers.reading import Kind, Quality, Reading

_MARKS = {Kind.VALUE: Mark.VALUE, Kind.OVER: Mark.OVER, Kind.UNDER: Mark.UNDER}
_BASE = {"uS/cm": ("uS/cm", 0), "mS/cm": ("uS/cm", 3), "ppm": ("ppm", 0), "ppt": ("ppm", 3)}


@dataclass(frozen=True, slots=True)
class Shown:
    """What the meter showed: ``reading`` in ``unit`` (uS/cm or ppm), ``decimals`` may be negative."""

    mark: Mark
    reading: float | None = None
    unit: str = ""
    decimals: int | None = None
    temperature_c: float | None = None

    def __str__(self) -> str:
        if self.reading is None:
            return self.mark.value
        return f"{self.reading:.{max(0, self.decimals or 0)}f} {self.unit}"


def shown_from_reading(reading: Reading) -> Shown | None:
    """The row's part of a driver's reading; None for a frame that must not count as one."""
    if reading.kind is Kind.FAULT or reading.quality is Quality.BAD:
        return None
    if reading.kind is not Kind.VALUE:
        unit = _BASE[reading.unit][0] if reading.unit in _BASE else ""
        return Shown(_MARKS[reading.kind], unit=unit, temperature_c=reading.temperature_c)
    if reading.value is None or reading.unit not in _BASE:
        return None
    return _in_base(reading.value, reading.unit, reading.decimals, reading.temperature_c)


def shown_from_row(row: Row) -> Shown:
    """What the meter showed, from the row it made."""
    return Shown(row.mark, row.reading, row.unit, row.decimals, row.temperature_c)


def _in_base(value: float, unit: str, decimals: int | None, temperature_c: float | None) -> Shown:
    base, power = _BASE[unit]
    if not power:
        return Shown(Mark.VALUE, value, base, decimals, temperature_c)
    if decimals is None:
        return Shown(Mark.VALUE, float(f"{value * 10**power:.12g}"), base, None, temperature_c)
    # 1.41 mS/cm is 1410 uS/cm in steps of 10: rounding takes off what binary multiplication added
    exact = round(value * 10**power, max(0, decimals - power))
    return Shown(Mark.VALUE, exact, base, decimals - power, temperature_c)


def reading_row(shown: Shown, time_s: float, rinse_ml: float) -> Row:
    """The row of a reading at ``time_s`` with ``rinse_ml`` poured."""
    return Row(
        time_s=time_s,
        rinse_ml=rinse_ml,
        mark=shown.mark,
        reading=shown.reading,
        unit=shown.unit,
        decimals=shown.decimals,
        temperature_c=shown.temperature_c,
    )
