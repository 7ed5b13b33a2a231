"""A whole line to its meaning. Never "find a number in the text": a line that does not fit is a fault."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import TypeVar

from rinsewatch_drivers.framing import Frame, FrameKind
from rinsewatch_drivers.numbers import UNIT_SPELLINGS, is_no_number, judge_number, parse_number
from rinsewatch_drivers.profile import Profile, Text
from rinsewatch_drivers.reading import Kind, Parsed, Quality, fault

_FRAME_FAULTS = {
    FrameKind.FIRST: fault("first-line", Quality.MISSING),
    FrameKind.OVERLONG: fault("overlong"),
    FrameKind.CUT: fault("cut"),
}
_SYNTAX = fault("syntax")
# KEY=VALUE or KEY: VALUE, a unit may follow; blanks, commas and semicolons part the pairs
_PAIR = re.compile(
    r"([A-Za-z][A-Za-z0-9_.-]{0,31})[ \t]*[=:][ \t]*"
    r"([^\s=:,;]{1,32})"
    r"(?:[ \t]+([A-Za-z%µμ°][A-Za-z/%µμ°]{0,11})(?![A-Za-z0-9_.-]*[ \t]*[=:]))?"
    r"(?:[ \t]*[,;][ \t]*|[ \t]+|\Z)"
)
_GLUED_UNIT = re.compile(r"([+-]?[0-9][0-9.]*)([A-Za-zµμ°][A-Za-z/µμ°]*)")
_IGNORED_COLUMN = re.compile(r"[0-9A-Za-z .:+_/-]{0,64}")
_DEGREE_UNITS = ("", "C", "°C", "degC")


class _Unfit(Exception):
    """A part of the line is no word of the profile's language."""

    def __init__(self, cause: str) -> None:
        super().__init__(cause)
        self.cause = cause


@dataclass(frozen=True, slots=True)
class Fields:
    """The parts of a line, as text, blanks removed."""

    value: str
    unit: str = ""
    temperature: str = ""
    flag: str = ""


def parse_frame(profile: Profile, frame: Frame) -> Parsed:
    """The meaning of a frame; anything but a whole line is a fault."""
    return _FRAME_FAULTS.get(frame.kind) or parse_line(profile, frame.data)


def unread(frame: Frame) -> Parsed:
    """The fault of a frame that no profile reads."""
    return _FRAME_FAULTS.get(frame.kind, _SYNTAX)


def parse_line(profile: Profile, line: bytes) -> Parsed:
    """The meaning of a line (without its terminator) in a text profile's language.

    The line is read as UTF-8, or as Latin-1 where it is none (for the one byte micro and degree signs).
    """
    text = profile.text
    if text is None:
        return _SYNTAX
    if profile.poll is not None and line == profile.poll.command.encode("ascii").strip():
        return fault("echo")
    fields = _SPLITTERS[text.format](text, _decoded(line).strip(" \t"))
    if fields is None:
        return _SYNTAX
    try:
        return _judge(text, fields)
    except _Unfit as unfit:
        return fault(unfit.cause)


def _decoded(line: bytes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("latin-1")


@lru_cache(maxsize=64)
def _compiled(pattern: str) -> re.Pattern[str]:
    return re.compile(pattern, re.ASCII)


def _split_pattern(text: Text, line: str) -> Fields | None:
    match = _compiled(text.pattern).fullmatch(line)
    if match is None:
        return None
    groups = {name: (group or "").strip() for name, group in match.groupdict().items()}
    return Fields(**groups)


def _split_csv(text: Text, line: str) -> Fields | None:
    parts = [part.strip(" \t") for part in line.split(text.separator)]
    if len(parts) != len(text.columns):
        return None
    ignored = [part for name, part in zip(text.columns, parts, strict=True) if name == "-"]
    if any(_IGNORED_COLUMN.fullmatch(part) is None for part in ignored):
        return None
    return Fields(**{name: part for name, part in zip(text.columns, parts, strict=True) if name != "-"})


def _split_pairs(text: Text, line: str) -> Fields | None:
    pairs: dict[str, tuple[str, str]] = {}
    position = 0
    while position < len(line):
        match = _PAIR.match(line, position)
        if match is None or match[1] in pairs:
            return None
        pairs[match[1]] = _with_unit(match[2], match[3] or "")
        position = match.end()
    value, unit = _first(pairs, text.value_keys, ("", ""))
    temperature, degree = _first(pairs, text.temperature_keys, ("", ""))
    if not value or degree not in _DEGREE_UNITS:
        return None
    named_unit, _ = _first(pairs, text.unit_keys, ("", ""))
    flag, _ = _first(pairs, text.flag_keys, ("", ""))
    return Fields(value, unit or named_unit, temperature, flag)


def _with_unit(value: str, unit: str) -> tuple[str, str]:
    glued = None if unit else _GLUED_UNIT.fullmatch(value)
    return (glued[1], glued[2]) if glued else (value, unit)


_T = TypeVar("_T")


def _first(found: dict[str, _T], keys: tuple[str, ...], default: _T) -> _T:
    return next((found[key] for key in keys if key in found), default)


class _Number(str):
    """A JSON number, kept as it was written."""


def _unique(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice")
    return found


def _split_json(text: Text, line: str) -> Fields | None:
    try:
        found = json.loads(
            line, object_pairs_hook=_unique, parse_float=_Number, parse_int=_Number, parse_constant=_Number
        )
    except (ValueError, RecursionError):
        return None
    if not isinstance(found, dict) or not any(key in found for key in text.value_keys):
        return None
    keys = (text.value_keys, text.unit_keys, text.temperature_keys, text.flag_keys)
    parts = [_first(found, names, "") for names in keys]
    # null in place of the value is the JSON way to say that there is none
    parts[0] = text.error_words[0] if parts[0] is None and text.error_words else parts[0]
    words = ["" if part is None else part for part in parts]
    return Fields(*words) if all(isinstance(word, str) for word in words) else None


_SPLITTERS: dict[str, Callable[[Text, str], Fields | None]] = {
    "pattern": _split_pattern,
    "pairs": _split_pairs,
    "csv": _split_csv,
    "json": _split_json,
}


def _judge(text: Text, fields: Fields) -> Parsed:
    condition = _condition(text, fields.flag)
    temperature_c = _temperature_c(text, fields.temperature)
    unit = _unit(text, fields.unit)
    if condition in ("over", "under", "error"):
        return _no_value(condition, unit, temperature_c)
    number = parse_number(fields.value, comma=text.decimal_comma, exponent=text.exponent)
    if number is None:
        return _no_value(_word(text, fields.value), unit, temperature_c)
    value, decimals = number
    return judge_number(value, decimals, unit, temperature_c=temperature_c, condition=condition)


def _no_value(word: str, unit: str, temperature_c: float | None) -> Parsed:
    if word == "error":
        return fault("sensor-error")
    kind = Kind.OVER if word == "over" else Kind.UNDER
    return Parsed(kind, None, None, unit, temperature_c, Quality.MISSING, f"{kind}-range")


def _word(text: Text, value: str) -> str:
    """Which list of words the value stands in; a word may be followed by a number, like ``>1999``."""
    for name, words in (("over", text.over_words), ("under", text.under_words), ("error", text.error_words)):
        for word in words:
            if value == word or (value.startswith(word) and parse_number(value[len(word) :].strip()) is not None):
                return name
    raise _Unfit("not-a-number" if is_no_number(value) else "syntax")


def _condition(text: Text, flag: str) -> str:
    known = {
        "": ("", *text.ok_words), "hold": text.hold_words, "battery": text.battery_words,
        "over": text.over_words, "under": text.under_words, "error": text.error_words,
    }  # fmt: skip
    for name, words in known.items():
        if flag in words:
            return name
    raise _Unfit("syntax")


def _unit(text: Text, spelling: str) -> str:
    if not spelling:
        return text.unit or ""
    found = text.units.get(spelling) or UNIT_SPELLINGS.get(spelling)
    if found is None:
        raise _Unfit("unit")
    return found


def _temperature_c(text: Text, shown: str) -> float | None:
    number = parse_number(shown, comma=text.decimal_comma, exponent=text.exponent) if shown else None
    if number is not None:
        return number[0]
    # a temperature probe of its own may fail while the conductivity is still right
    if not shown or shown in text.error_words:
        return None
    raise _Unfit("syntax")
