"""What a person writes in one field, as the logbook keeps it: text in, a checked value out.

Readings and amounts stay text ("9 ppm", "120 g NaOH"), because that is what was seen; their figures are derived.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from datetime import date, datetime

from rinsewatch.errors import QuantityError
from rinsewatch.quantities import parse_quantity, parse_reading, parse_volume_ml, reading_us_cm

Value = str | int | float
Reader = Callable[[str, str], Value]

UNKNOWN = "unknown"
LONGEST_TEXT = 4000
MOST_LITRES = 1e9  # an Olympic pool holds 2.5 million (common knowledge): more is a slip
# g/mol per equivalent: IUPAC standard atomic weights (Na 22.990, K 39.098, H 1.008, O 15.999, Cl 35.45, S 32.06).
_EQ_WEIGHT_G = {"NaOH": 39.997, "KOH": 56.105, "HCl": 36.458, "H2SO4": 98.072 / 2.0}
_AMOUNT = re.compile(r"\s*([0-9]*\.?[0-9]+)\s*(eq|meq|mol|g|kg)\s*([A-Za-z0-9]*)\s*")
_PER_UNIT = {"eq": 1.0, "meq": 1e-3, "g": 1.0, "kg": 1000.0, "mol": 1.0}
_MOST_DIGITS = 15


def read_text(text: str, what: str) -> Value:
    """Any words, not empty. Error: QuantityError."""
    words = text.strip()
    if not words:
        raise QuantityError(f"{what}: is empty; write something")
    if len(words) > LONGEST_TEXT:
        raise QuantityError(f"{what}: is longer than {LONGEST_TEXT} characters; write less")
    whole = words.replace("\r\n", "\n").replace("\r", "\n").encode("utf-8", "backslashreplace").decode()
    return "".join(c if c.isprintable() or c in "\n\t" else _spelled(c) for c in whole)


def _spelled(character: str) -> str:
    """A control character as text: shown raw it could rewrite the terminal."""
    return character.encode("unicode_escape").decode()


def read_line(text: str, what: str) -> Value:
    """A name: words on one line. Error: QuantityError."""
    words = " ".join(str(read_text(text, what)).split())
    if len(words) > 80 or not " ".join(text.split()).isprintable():
        raise QuantityError(f"{what}: {words[:30]!r} is no name; use up to 80 printable characters")
    return words


def read_date(text: str, what: str) -> Value:
    """A day like 2026-03-31. Error: QuantityError."""
    words = text.strip()
    try:
        if re.fullmatch(r"\d{4}-\d{2}-\d{2}", words, re.ASCII):
            return date.fromisoformat(words).isoformat()
    except ValueError as error:
        raise QuantityError(f"{what}: there is no day {words}; write it as year-month-day, like 2026-03-31") from error
    raise QuantityError(f"{what}: cannot read the date {words!r}; write year-month-day, like 2026-03-31")


def read_volume_ml(text: str, what: str) -> Value:
    """mL, or '1.5 L'; above 0. Error: QuantityError."""
    volume_ml = parse_volume_ml(text, what)
    if volume_ml > 1000.0 * MOST_LITRES:
        raise QuantityError(f"{what}: {text.strip()!r} is more than any bed or rinse has; check the unit")
    return _plain(volume_ml)


def read_litres(text: str, what: str) -> Value:
    """Litres (a bare number), or '1.2 m3'; above 0. Error: QuantityError."""
    return _litres(text, what, least_above=0.0)


def read_counter(text: str, what: str) -> Value:
    """A water meter's count in litres, 0 or more. Error: QuantityError."""
    return _litres(text, what, least_above=-1e-9)


def _litres(text: str, what: str, *, least_above: float) -> Value:
    match = re.fullmatch(r"(.*?)\s*(m3|m³)", text.strip())
    quantity = parse_quantity(match[1] if match else text, what, "640 L", "L, mL, m3")
    if quantity.unit not in ("", "L", "mL") or (match and quantity.unit):
        raise QuantityError(f"{what}: {quantity.unit} is no volume; write litres, like '640 L'")
    litres = quantity.value * (1000.0 if match else 0.001 if quantity.unit == "mL" else 1.0)
    if not (litres <= MOST_LITRES and litres > least_above):
        raise QuantityError(f"{what}: {text.strip()!r} is not possible; write litres above 0")
    return _plain(litres)


def read_reading(text: str, what: str) -> Value:
    """A meter reading with its unit, kept as written: '9 ppm', '18.0 uS/cm'. Error: QuantityError."""
    quantity = parse_reading(text, what)
    shown = str(quantity)
    return shown if float(shown.split()[0]) == quantity.value else f"{quantity.value!r} {quantity.unit}"


def read_feed(text: str, what: str) -> Value:
    """A reading, or 'unknown'. Error: QuantityError."""
    return UNKNOWN if text.strip().lower() == UNKNOWN else read_reading(text, what)


def read_amount(text: str, what: str) -> Value:
    """A regenerant: '3 eq', or the pure substance in grams or moles, '120 g NaOH'. Error: QuantityError."""
    amount_eq(text, what)
    number, unit, substance = _AMOUNT.fullmatch(text).groups()  # type: ignore[union-attr]  # amount_eq has checked it
    return f"{number} {unit} {_substance(substance, what)}".strip()


def amount_eq(text: str, what: str = "regenerant") -> float:
    """Equivalents in an amount as ``read_amount`` takes it. Error: QuantityError."""
    match = _AMOUNT.fullmatch(text)
    if match is None:
        raise QuantityError(f"{what}: cannot read {text!r}; write '3 eq' or '120 g NaOH' (pure substance)")
    number, unit, name = match.groups()
    substance = _substance(name, what)
    if unit in ("g", "kg", "mol") and not substance:
        raise QuantityError(f"{what}: {text.strip()!r} of what? write '120 g NaOH' ({', '.join(_EQ_WEIGHT_G)})")
    eq = float(number) * _PER_UNIT[unit]
    if unit in ("g", "kg"):
        eq /= _EQ_WEIGHT_G[substance]
    if unit == "mol" and substance == "H2SO4":
        eq *= 2.0
    if not (math.isfinite(eq) and eq > 0.0):
        raise QuantityError(f"{what}: {text.strip()!r} must be more than 0")
    return eq


def _substance(name: str, what: str) -> str:
    known = {known.lower(): known for known in _EQ_WEIGHT_G}
    if name and name.lower() not in known:
        raise QuantityError(f"{what}: {name!r} is none of {', '.join(_EQ_WEIGHT_G)}; write equivalents, like '3 eq'")
    return known[name.lower()] if name else ""


def read_share(text: str, what: str) -> Value:
    """A share of 1, '0.7' or '70 %'. Error: QuantityError."""
    match = re.fullmatch(r"\s*([0-9]*\.?[0-9]+)\s*(%?)\s*", text)
    share = float(match[1]) / (100.0 if match[2] else 1.0) if match else -1.0
    if not 0.0 < share < 1.0:
        raise QuantityError(f"{what}: {text.strip()!r} is no share; write it like 0.7 or '70 %'")
    return round(share, 6)


def read_ratio(text: str, what: str) -> Value:
    """A volume per volume of resin, 0 or more. Error: QuantityError."""
    quantity = parse_quantity(text, what, "0.08")
    if quantity.unit or not 0.0 <= quantity.value < 100.0:
        raise QuantityError(f"{what}: {text.strip()!r} is no volume per volume of resin; write it like 0.08")
    return _plain(quantity.value)


def read_factor(text: str, what: str) -> Value:
    """ppm per uS/cm, 0.3 to 1. Error: QuantityError."""
    quantity = parse_quantity(text, what, "0.5")
    if quantity.unit or not 0.3 <= quantity.value <= 1.0:
        raise QuantityError(f"{what}: {text.strip()} is no TDS scale; usual are 0.5, 0.64 and 0.7")
    return _plain(quantity.value)


def read_number(text: str, what: str) -> Value:
    """A whole number from 1. Error: QuantityError."""
    words = text.strip()
    if not re.fullmatch(r"[1-9][0-9]{0,8}", words, re.ASCII):
        raise QuantityError(f"{what}: {words!r} is no number; write a whole number from 1")
    return int(words)


def read_numbers(text: str, what: str) -> Value:
    """Whole numbers with commas or spaces, kept as '3, 4'. Error: QuantityError."""
    words = text.replace(",", " ").split()
    if not words:
        raise QuantityError(f"{what}: is empty; write numbers, like 3, 4")
    return ", ".join(str(number) for number in sorted({int(read_number(word, what)) for word in words}))


def one_of(*choices: str, short: dict[str, str] | None = None) -> Reader:
    """A reader for one of these words; ``short`` forms are taken for what they mean."""
    known = {choice.lower(): choice for choice in choices} | {k.lower(): v for k, v in (short or {}).items()}

    def read(text: str, what: str) -> Value:
        word = " ".join(text.strip().lower().split())
        if word not in known:
            raise QuantityError(f"{what}: {text.strip()!r} is none of: {', '.join(choices)}")
        return known[word]

    return read


def us_cm(reading: Value | None, tds_factor: Value | None) -> float | None:
    """A kept reading in uS/cm at 25 C (``tds_factor`` ppm per uS/cm, 0.5 if None); None if absent or unknown."""
    if reading is None or reading == UNKNOWN:
        return None
    quantity = parse_reading(str(reading))
    return reading_us_cm(quantity.value, quantity.unit, float(tds_factor or 0.5))


def day(value: Value | None) -> date | None:
    """A kept date, None if absent."""
    return None if value is None else date.fromisoformat(str(value))


def value_text(value: Value) -> str:
    """A kept value as a reader takes it again: 640, 0.7, '9 ppm'."""
    return value if isinstance(value, str) else repr(value)


def local_minute(utc: str) -> str:
    """A stored UTC time on this machine's clock, like 2026-10-25 02:30+01:00; what is no time comes back as it is.

    With its offset: in the night on which summer time ends 02:30 comes twice.
    """
    try:
        return datetime.fromisoformat(utc).astimezone().isoformat(" ", "minutes")
    except ValueError:
        return utc


def _plain(value: float) -> int | float:
    return int(value) if value == int(value) and value < 10.0**_MOST_DIGITS else value
