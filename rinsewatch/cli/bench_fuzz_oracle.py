"""Fuzz campaign: what a line says, read off the formats' descriptions by hand.

No regular expression, nothing of the drivers: another way to the same answer, so that both are not wrong alike.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction

import msgspec

_DIGITS = frozenset("0123456789")
_CAPITALS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ")
_LETTERS = _CAPITALS | frozenset("abcdefghijklmnopqrstuvwxyz")
_MICRO = ("u", "\u00b5", "\u03bc")
# Spellings of a meter: the unit's own, or all small or all capital; the length may be left out of a conductivity.
_UNITS = {
    **{f"{micro}S{per}": "uS/cm" for micro in _MICRO for per in ("", "/cm")},
    "us": "uS/cm", "us/cm": "uS/cm", "US": "uS/cm", "US/CM": "uS/cm",
    "mS": "mS/cm", "mS/cm": "mS/cm", "ms/cm": "mS/cm", "MS": "mS/cm", "MS/CM": "mS/cm",
    "ppm": "ppm", "PPM": "ppm", "mg/L": "ppm", "mg/l": "ppm", "MG/L": "ppm",
    "ppt": "ppt", "PPT": "ppt", "g/L": "ppt", "g/l": "ppt", "G/L": "ppt",
}  # fmt: skip
# No water conducts or holds more; no probe in liquid water is colder or hotter.
_TOPS = {"": 2e6, "uS/cm": 2e6, "mS/cm": 2e3, "ppm": 1e6, "ppt": 1e3}
_COLDEST, _HOTTEST = -10, 110
_FINE, _STALE = ("", "OK", "Ok", "ok", "ATC", "0"), ("HOLD", "Hold", "hold")
_DOUBTED = ("BAT", "BATT", "LOBAT", "LOWBAT", "battery")
_NO_TEMPERATURE = ("Err", "ERR", "err", "Error", "ERROR", "error", "E", "--", "---", "----", "-----")


@dataclass(frozen=True, slots=True)
class Said:
    """One way to read a line: value, canonical unit ("" if none is named), and whether it may be trusted."""

    value: float
    unit: str
    good: bool


def number_of(text: str, *, exponent: bool = False, digits: int = 12, decimals: int = 9) -> Fraction | None:
    """A plain decimal number, None if it is none."""
    power = 0
    if exponent and (at := max(text.find("e"), text.find("E"))) > 0:
        tail = text[at + 1 :]
        size = tail[1:] if tail[:1] in ("+", "-") else tail
        if not 1 <= len(size) <= 2 or not _DIGITS.issuperset(size):
            return None
        text, power = text[:at], -int(size) if tail[0] == "-" else int(size)
    body = text[1:] if text[:1] in ("+", "-") else text
    whole, point, rest = body.partition(".")
    if not 1 <= len(whole) <= digits or not _DIGITS.issuperset(whole) or not _DIGITS.issuperset(rest):
        return None
    if bool(point) != bool(rest) or len(rest) > decimals:
        return None
    found = Fraction(int(whole + rest), 10 ** len(rest)) * Fraction(10) ** power
    return -found if text[0] == "-" else found


def decoded(line: bytes) -> str:
    """UTF-8, or one byte a character where it is none; blanks at both ends do not count."""
    try:
        text = line.decode("utf-8")
    except UnicodeDecodeError:
        text = line.decode("latin-1")
    return text.strip(" \t")


def _said(number: Fraction | None, unit: str, temperature: str, flag: str, exponent: bool = False) -> Iterator[Said]:
    """Nothing where a part is not what it may be."""
    warmth = number_of(temperature, exponent=exponent) if temperature else None
    if number is None or flag not in (*_FINE, *_DOUBTED, *_STALE) or (unit and unit not in _UNITS):
        return
    if temperature and warmth is None and temperature not in _NO_TEMPERATURE:
        return
    known = _UNITS.get(unit, "")
    good = bool(known) and flag in _FINE and 0 <= number <= _TOPS[known]
    yield Said(float(number), known, good and (warmth is None or _COLDEST <= warmth <= _HOTTEST))


# ---- a number, its unit, a temperature, a flag, one after the other ---------------------------------


def _run(text: str, at: int, allowed: frozenset[str]) -> int:
    while at < len(text) and text[at] in allowed:
        at += 1
    return at


_BLANK, _PARTING, _NUMERIC = frozenset(" "), frozenset(" ,;"), frozenset("+-.") | _DIGITS
_UNIT_LETTERS = _LETTERS | {"\u00b5", "\u03bc"}


def _in_a_row(text: str, *, loose: bool) -> Iterator[Said]:
    """``loose``: the unit may stand right at the number, and commas before the temperature."""
    end = _run(text, 0, _NUMERIC)
    number = number_of(text[:end])
    if number is None:
        return
    for unit, after in _units(text, end, loose=loose):
        for temperature, behind in _temperatures(text, after, loose=loose):
            for flag in _flags(text, behind):
                yield from _said(number, unit, temperature, flag)


def _units(text: str, at: int, *, loose: bool) -> Iterator[tuple[str, int]]:
    yield "", at
    begin = _run(text, at, _BLANK)
    if begin == at and not loose:
        return
    end = _run(text, begin, _UNIT_LETTERS)
    for stop in range(begin + 1, end + 1):
        yield text[begin:stop], stop
    if end > begin and text[end : end + 1] == "/":
        last = _run(text, end + 1, _LETTERS)
        for stop in range(end + 2, last + 1):
            yield text[begin:stop], stop


def _temperatures(text: str, at: int, *, loose: bool) -> Iterator[tuple[str, int]]:
    yield "", at
    begin = _run(text, at, _PARTING if loose else _BLANK)
    end = _run(text, begin, _NUMERIC)
    mark = _run(text, end, _BLANK)
    mark += text[mark : mark + 1] == "\u00b0"
    if begin > at and text[mark : mark + 1] == "C" and number_of(text[begin:end], digits=99, decimals=99) is not None:
        yield text[begin:end], mark + 1


def _flags(text: str, at: int) -> Iterator[str]:
    begin = _run(text, at, _BLANK)
    if at == len(text):
        yield ""
    elif begin > at and begin < len(text) and _run(text, begin, _CAPITALS) == len(text):
        yield text[begin:]


# ---- pairs, columns, JSON ---------------------------------------------------------------------------


def _tokens(text: str) -> list[str]:
    """Words, ``=`` for both signs, and the blanks, commas and semicolons between; no blanks around a sign."""
    found: list[str] = []
    for char in text:
        kind = "=" if char in "=:" else " " if char in " \t" else char if char in ",;" else ""
        if kind == " " and found and found[-1] in ("=", " "):
            continue
        if kind == "=" and found and found[-1] == " ":
            found.pop()
        if kind:
            found.append(kind)
        elif found and found[-1] not in ("=", " ", ",", ";"):
            found[-1] += char
        else:
            found.append(char)
    return found


def _pairs(text: str) -> Iterator[Said]:
    pairs: dict[str, tuple[str, str]] = {}
    rest = _tokens(text)
    while rest:
        if len(rest) < 3 or rest[1] != "=" or rest[0] in pairs or any(t in ("=", " ", ",", ";") for t in rest[::2][:2]):
            return
        key, value, unit = rest[0], rest[2], ""
        rest = rest[3:]
        if len(rest) >= 2 and rest[0] == " " and rest[1] not in ",;" and rest[2:3] != ["="]:
            unit, rest = rest[1], rest[2:]
        parting = 0
        while parting < len(rest) and rest[parting] in (" ", ",", ";"):
            parting += 1
        if (rest and not parting) or sum(token != " " for token in rest[:parting]) > 1:
            return
        pairs[key], rest = (value, unit), rest[parting:]
    yield from _of_pairs(pairs)


def _of_pairs(pairs: dict[str, tuple[str, str]]) -> Iterator[Said]:
    def first(*keys: str) -> tuple[str, str]:
        return next((pairs[key] for key in keys if key in pairs), ("", ""))

    (value, unit), (temperature, degree), (flag, _) = (
        first("EC", "COND", "TDS"),
        first("T", "TEMP"),
        first("S", "STATUS"),
    )
    value, unit = _parted(value, unit)
    temperature, degree = _parted(temperature, degree)
    if degree in ("", "C", "\u00b0C", "degC"):
        yield from _said(number_of(value), unit, temperature, flag)


def _parted(value: str, unit: str) -> tuple[str, str]:
    end = _run(value, 0, _NUMERIC)
    return (value[:end], value[end:]) if not unit and 0 < end < len(value) else (value, unit)


_RUNNING = _DIGITS | _LETTERS | frozenset(" .:+_/-")


def _columns(text: str) -> Iterator[Said]:
    cells = [cell.strip(" \t") for cell in text.split(",")]
    if len(cells) == 4 and _RUNNING.issuperset(cells[0]) and len(cells[0]) <= 64:
        yield from _said(number_of(cells[1]), cells[2], cells[3], "")


def _json(text: str) -> Iterator[Said]:
    # half a surrogate pair is legal in JSON (RFC 8259, section 8.2), but not for this decoder
    text = text.replace("\\ud", "\\u0").replace("\\uD", "\\u0")
    try:
        found = msgspec.json.decode(text.encode("utf-8"), type=dict[str, msgspec.Raw])
        cells = {key: _json_text(bytes(raw)) for key, raw in found.items()}
    except (msgspec.DecodeError, UnicodeEncodeError, RecursionError):
        return

    def first(*keys: str) -> str:
        return next((cells[key] for key in keys if key in cells), "")

    value, unit, temperature = first("value", "ec", "tds"), first("unit"), first("temperature", "temp_c")
    number = number_of(value, exponent=True)
    yield from _said(number, unit, temperature, first("status"), exponent=True)


def _json_text(raw: bytes) -> str:
    """A string's text, a number as it was written; anything else is no word of the format."""
    raw = raw.strip()
    if raw.startswith(b'"'):
        return str(msgspec.json.decode(raw))
    return raw.decode("utf-8") if raw[:1] in (b"-", *(b"%d" % digit for digit in range(10))) else "(no word)"


_READERS: dict[str, Callable[[str], Iterator[Said]]] = {
    "plain-number": lambda text: _in_a_row(text, loose=True),
    "polled-ascii": lambda text: _in_a_row(text, loose=False),
    "key-value": _pairs,
    "csv-columns": _columns,
    "json-lines": _json,
}


def said_by(profile: str, line: bytes) -> list[Said]:
    """All ways in which a line of a shipped text profile holds a number; empty if it holds none."""
    return list(_READERS[profile](decoded(line)))
