"""One row of a recording between CSV cells and the core's Row, exact both ways."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from decimal import Decimal

from rinsewatch.quantities import canonical_unit
from rinsewatch.rinse.row import Mark, Row

# What another program may have written, and the power of ten to the base unit.
_BASE_UNITS = {"uS/cm": ("uS/cm", 0), "mS/cm": ("uS/cm", 3), "ppm": ("ppm", 0), "ppt": ("ppm", 3)}
_NUMBER = re.compile(r"[+-]?(?:[0-9]{1,40}(?:\.[0-9]{0,40})?|\.[0-9]{1,40})(?:[eE][+-]?[0-9]{1,3})?")
_EVENT_WORDS = ("", "portion", "undo", "pause", "resume")
_EVENT_PREFIXES = ("fault:", "note:")


class CellError(ValueError):
    """A cell that cannot be read; the caller adds file and row."""

    def __init__(self, column: str, message: str) -> None:
        super().__init__(message)
        self.column = column


def row_from_cells(cells: Mapping[str, str], *, has_flow: bool) -> Row:
    """The Row of one data row; columns that are absent count as empty.

    ``has_flow``: the flow tells the volume, so ``rinse_ml`` may be missing beside a reading.

    mS/cm and ppt become uS/cm and ppm exactly, and ``decimals`` moves with the point: 1.41 mS/cm is
    1410 uS/cm in steps of 10, so -1. Raises CellError naming the column.
    """
    event = _event(cells.get("event", ""))
    unit, power = _unit(cells["unit"])
    mark, reading, decimals = _reading(cells["reading"].strip(), power)
    if mark is Mark.NONE and not event:
        raise CellError("reading", "empty on a row without an event; write a number, over or under")
    if mark is Mark.VALUE and not unit:
        raise CellError("unit", f"missing; {cells['reading'].strip()} of what? write ppm or uS/cm")
    volume_ml = _volume(cells.get("rinse_ml", ""))
    if volume_ml is None and mark is not Mark.NONE and not has_flow:
        raise CellError("rinse_ml", "missing beside a reading; write the mL poured, or give --flow-ml-min")
    return Row(
        time_s=_needed(cells["time_s"], "time_s"),
        rinse_ml=volume_ml,
        mark=mark,
        reading=reading,
        unit=unit,
        decimals=decimals,
        temperature_c=_optional(cells.get("temperature_c", ""), "temperature_c"),
        event=event,
    )


def cells_from_row(row: Row) -> list[str]:
    """The six cells of a row, such that ``row_from_cells`` gives the same Row again.

    ``decimals`` is not a column: it survives as the way the reading is written (12.50, 1.41E+3).
    """
    return [
        number_text(row.time_s),
        reading_text(row),
        row.unit,
        "" if row.temperature_c is None else number_text(row.temperature_c),
        "" if row.rinse_ml is None else number_text(row.rinse_ml),
        row.event,
    ]


def reading_text(row: Row) -> str:
    """The reading as the meter showed it: ``12.50``, ``over``, ``under`` or nothing."""
    if row.mark is not Mark.VALUE or row.reading is None:
        return row.mark.value
    if row.decimals is None:
        return number_text(row.reading)
    shown = f"{row.reading:.{max(row.decimals, 0)}f}"
    if row.decimals < 0:
        shown = str(Decimal(shown).quantize(Decimal(1).scaleb(-row.decimals)))
    return shown if float(shown) == row.reading else number_text(row.reading)


def number_text(value: float) -> str:
    """The shortest plain text that reads back as the very same float: ``118``, ``0.25``."""
    rounded = f"{value:.3f}"
    if float(rounded) == value and abs(value) < 1e15:
        return rounded.rstrip("0").rstrip(".")
    return repr(value)


def _number(text: str, column: str) -> Decimal:
    if _NUMBER.fullmatch(text) is None:
        hint = "; write decimals with a point" if "," in text else ""
        raise CellError(column, f"{_short(text)} is no number{hint}")
    if not math.isfinite(float(text)):
        raise CellError(column, f"{_short(text)} is too large")
    return Decimal(text)


def _needed(text: str, column: str) -> float:
    if not text.strip():
        raise CellError(column, "missing; write a number")
    return float(_number(text.strip(), column))


def _optional(text: str, column: str) -> float | None:
    return float(_number(text.strip(), column)) if text.strip() else None


def _volume(text: str) -> float | None:
    value = _optional(text, "rinse_ml")
    if value is not None and value < 0:
        raise CellError("rinse_ml", f"{text.strip()} is negative; it counts the rinse water poured so far")
    return value


def _reading(text: str, power: int) -> tuple[Mark, float | None, int | None]:
    if text == "":
        return Mark.NONE, None, None
    if text in (Mark.OVER, Mark.UNDER):
        return Mark(text), None, None
    number = _number(text, "reading").scaleb(power)
    if number < 0:
        raise CellError("reading", f"{text} is negative; a reading cannot be below 0")
    exponent = number.as_tuple().exponent
    value = float(number)
    if not isinstance(exponent, int) or not math.isfinite(value):
        raise CellError("reading", f"{_short(text)} is too large")
    return Mark.VALUE, abs(value), -exponent


def _unit(text: str) -> tuple[str, int]:
    if not text.strip():
        return "", 0
    known = canonical_unit(text) or ""
    if known not in _BASE_UNITS:
        raise CellError("unit", f"{_short(text)} is no unit of a reading; write ppm or uS/cm")
    return _BASE_UNITS[known]


def _event(text: str) -> str:
    word = text.strip()
    if word in _EVENT_WORDS:
        return word
    if not word.startswith(_EVENT_PREFIXES):
        raise CellError(
            "event", f"{_short(word)} is unknown; known: portion, undo, pause, resume, fault: ..., note: ..."
        )
    return text


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")
