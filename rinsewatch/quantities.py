"""Quantities as people write them: "12.5 ppm", "1413 uS/cm", "500 mL".

One strict parser. A bare number is refused where the unit matters; nothing is guessed.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from rinsewatch.errors import QuantityError

# Display units and how many of the base unit (uS/cm or ppm) one of them is.
CONDUCTIVITY_UNITS = {"uS/cm": 1.0, "mS/cm": 1000.0}
TDS_UNITS = {"ppm": 1.0, "ppt": 1000.0}
VOLUME_UNITS_ML = {"mL": 1.0, "L": 1000.0}
FLOW_UNITS_ML_MIN = {"mL/min": 1.0, "L/min": 1000.0, "L/h": 1000.0 / 60.0}

_ALIASES = {
    "us/cm": "uS/cm", "µs/cm": "uS/cm", "μs/cm": "uS/cm", "us": "uS/cm", "µs": "uS/cm", "μs": "uS/cm",
    "ms/cm": "mS/cm", "ms": "mS/cm", "ppm": "ppm", "mg/l": "ppm", "ppt": "ppt", "g/l": "ppt",
    "ml": "mL", "l": "L", "litre": "L", "litres": "L", "liter": "L", "liters": "L",
    "ml/min": "mL/min", "l/min": "L/min", "l/h": "L/h",
}  # fmt: skip
_PATTERN = re.compile(r"\s*([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*([^\s0-9.,][^\s]*)?\s*")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit and the decimals it was written with (``12.50 ppm`` has two)."""

    value: float
    unit: str
    decimals: int = 0

    def __str__(self) -> str:
        return f"{self.value:.{self.decimals}f} {self.unit}" if self.unit else f"{self.value:.{self.decimals}f}"


def canonical_unit(text: str) -> str | None:
    """The canonical spelling of a unit, or None if it is not one of ours."""
    return _ALIASES.get(text.strip().lower())


def parse_quantity(
    text: str, what: str = "value", example: str = "12.5 ppm", units: str = "uS/cm, mS/cm, ppm, ppt"
) -> Quantity:
    """Read ``"12.5 ppm"``; the unit may be absent here (the callers below insist on it).

    ``example`` and ``units`` are shown where it cannot be read. Raises QuantityError with one line that says
    what was read and what is wanted.
    """
    match = _PATTERN.fullmatch(text)
    if match is None:
        if "," in text:
            raise QuantityError(f"{what}: {text!r} has a comma; write decimals with a point, like {example}")
        raise QuantityError(f"{what}: cannot read {text!r}; write a number and its unit, like {example}")
    number, unit_text = match.groups()
    value = float(number)
    if not math.isfinite(value):
        raise QuantityError(f"{what}: {text!r} is too large")
    unit = ""
    if unit_text:
        known = canonical_unit(unit_text)
        if known is None:
            raise QuantityError(f"{what}: unknown unit {unit_text!r}; known: {units}")
        unit = known
    mantissa = re.split("[eE]", number)[0]
    decimals = len(mantissa.split(".")[1]) if "." in mantissa else 0
    return Quantity(value, unit, decimals)


def parse_reading(text: str, what: str = "reading") -> Quantity:
    """A meter reading with its unit (uS/cm, mS/cm, ppm or ppt); never negative."""
    quantity = parse_quantity(text, what)
    if not quantity.unit:
        raise QuantityError(
            f"{what}: {text.strip()!r} has no unit; write it as your meter shows it, "
            f"like '{text.strip()} ppm' or '{text.strip()} uS/cm'"
        )
    if quantity.unit not in CONDUCTIVITY_UNITS and quantity.unit not in TDS_UNITS:
        raise QuantityError(f"{what}: {quantity.unit} is no unit of a reading; use uS/cm, mS/cm, ppm or ppt")
    if quantity.value < 0:
        raise QuantityError(f"{what}: {text.strip()!r} is negative; a reading cannot be below 0")
    return quantity


def reading_us_cm(value: float, unit: str, tds_factor: float) -> float:
    """Conductivity in uS/cm on the meter's 25 C scale; ``tds_factor`` is ppm per uS/cm."""
    if unit in CONDUCTIVITY_UNITS:
        return value * CONDUCTIVITY_UNITS[unit]
    if unit in TDS_UNITS:
        return value * TDS_UNITS[unit] / tds_factor
    raise QuantityError(f"{unit!r} is no unit of a reading; use uS/cm, mS/cm, ppm or ppt")


def parse_volume_ml(text: str, what: str = "volume") -> float:
    """A volume in mL; a bare number is mL where the option says so (``--resin-ml 500``)."""
    quantity = parse_quantity(text, what, "250 mL or 1.5 L", "mL, L")
    if quantity.unit and quantity.unit not in VOLUME_UNITS_ML:
        raise QuantityError(f"{what}: {quantity.unit} is no volume; use mL or L")
    if quantity.value <= 0:
        raise QuantityError(f"{what}: {text.strip()!r} must be more than 0")
    return quantity.value * VOLUME_UNITS_ML[quantity.unit or "mL"]


def parse_flow_ml_min(text: str, what: str = "flow") -> float:
    """A flow in mL/min; a bare number is mL/min."""
    quantity = parse_quantity(text, what, "100 mL/min", "mL/min, L/min, L/h")
    if quantity.unit and quantity.unit not in FLOW_UNITS_ML_MIN:
        raise QuantityError(f"{what}: {quantity.unit} is no flow; use mL/min, L/min or L/h")
    if quantity.value <= 0:
        raise QuantityError(f"{what}: {text.strip()!r} must be more than 0")
    return quantity.value * FLOW_UNITS_ML_MIN[quantity.unit or "mL/min"]
