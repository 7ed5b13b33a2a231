"""The one grammar of numbers, and what is wrong with a number that fits it.

ASCII digits only; no nan, no inf, no thousands mark, no bare ".5" or "5."; an exponent only where declared.
"""

from __future__ import annotations

import math
import re

from rinsewatch_drivers.reading import Kind, Parsed, Quality

UNIT_SPELLINGS = {
    "uS/cm": "uS/cm", "us/cm": "uS/cm", "US/CM": "uS/cm", "uS": "uS/cm", "us": "uS/cm", "US": "uS/cm",
    "µS/cm": "uS/cm", "μS/cm": "uS/cm", "µS": "uS/cm", "μS": "uS/cm",
    "mS/cm": "mS/cm", "ms/cm": "mS/cm", "MS/CM": "mS/cm", "mS": "mS/cm", "MS": "mS/cm",
    "ppm": "ppm", "PPM": "ppm", "mg/L": "ppm", "mg/l": "ppm", "MG/L": "ppm",
    "ppt": "ppt", "PPT": "ppt", "g/L": "ppt", "g/l": "ppt", "G/L": "ppt",
}  # fmt: skip

# Beyond any aqueous solution: the strongest acids in water stay below about 0.85 S/cm (8.5e5 uS/cm), and no
# solution holds more than a million parts per million. Such a number is a wrong word order, not a reading.
_GROSS_TOP = {"": 2e6, "uS/cm": 2e6, "mS/cm": 2e3, "ppm": 1e6, "ppt": 1e3}
# Far below the purest water (0.055 uS/cm) and any converter's last digit, in whatever unit.
SMALLEST = 1e-6
# A meter in liquid water; wider than the bench, so that only nonsense is caught.
_COLDEST_C, _HOTTEST_C = -10.0, 110.0

_PLAIN = re.compile(r"([+-]?[0-9]{1,12})(?:\.([0-9]{1,9}))?")
_EXPONENT = re.compile(r"([+-]?[0-9]{1,12})(?:\.([0-9]{1,9}))?[eE][+-]?[0-9]{1,2}")
_NO_NUMBERS = frozenset(("nan", "inf", "infinity"))


def parse_number(text: str, *, comma: bool = False, exponent: bool = False) -> tuple[float, int | None] | None:
    """The value and its decimals as written (None with an exponent); None if it is no such number."""
    if comma:
        text = "" if "." in text else text.replace(",", ".", 1)
    match = _PLAIN.fullmatch(text)
    if match is not None:
        return float(text) + 0.0, len(match[2] or "")  # + 0.0 turns -0.0 into 0.0
    if exponent and _EXPONENT.fullmatch(text) is not None and math.isfinite(float(text)):
        return float(text) + 0.0, None
    return None


def is_no_number(text: str) -> bool:
    """True for the spellings of nan and infinity."""
    return text.strip("+-").lower() in _NO_NUMBERS


def gross_top(unit: str) -> float:
    """The largest number in this unit (canonical or empty) that can be a reading of anything in water."""
    return _GROSS_TOP[unit]


def judge_number(
    value: float, decimals: int | None, unit: str, *, temperature_c: float | None = None, condition: str = ""
) -> Parsed:
    """A reading with the quality its number deserves.

    ``condition`` is ``hold``, ``battery`` or empty, as the meter said; ``unit`` is canonical or empty. The
    worst finding wins. The value is never altered.
    """
    temperature_odd = temperature_c is not None and not _COLDEST_C <= temperature_c <= _HOTTEST_C
    quality, cause = _finding(value, unit, condition, temperature_odd)
    shown_c = None if temperature_odd else temperature_c
    return Parsed(Kind.VALUE, value, decimals, unit, shown_c, quality, cause)


def _finding(value: float, unit: str, condition: str, temperature_odd: bool) -> tuple[Quality, str]:
    findings = (
        (value < 0.0, Quality.BAD, "negative"),
        (value > _GROSS_TOP[unit], Quality.BAD, "out-of-range"),
        # on hold a meter repeats an old number: true once, but not a reading of now
        (condition == "hold", Quality.BAD, "hold"),
        (not unit, Quality.UNCERTAIN, "no-unit"),
        (condition == "battery", Quality.UNCERTAIN, "battery"),
        (temperature_odd, Quality.UNCERTAIN, "temperature"),
    )
    return next(((quality, cause) for found, quality, cause in findings if found), (Quality.GOOD, ""))
