"""What is wrong with a field of a profile, in words for whoever wrote the file, not the validator's own."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from difflib import get_close_matches

_KINDS = {
    "int": "a whole number", "float": "a number", "str": "text in quotes", "bool": "true or false",
    "array": "a list in [ ]", "object": "a table", "null": "nothing",
}  # fmt: skip
# A field in a list or a table is named without its place there. The tests hold this against the profile's types.
CHOICES: Mapping[str, tuple[str, ...]] = {
    "kind": ("text", "modbus-rtu"), "bytesize": ("7", "8"), "parity": ("N", "E", "O"), "stopbits": ("1", "2"),
    "format": ("pattern", "pairs", "csv", "json"), "columns": ("value", "unit", "temperature", "flag", "-"),
    "unit": ("uS/cm", "mS/cm", "ppm", "ppt"), "units": ("uS/cm", "mS/cm", "ppm", "ppt"), "function": ("3", "4"),
    "type": ("int16", "uint16", "int32", "uint32", "float32"), "word_order": ("big", "little"),
}  # fmt: skip
_SPELLINGS = {"name": "small letters, digits and hyphens, at most 41, like bench-meter"}
_KEY_SPELLING = "letters, digits, _ . and - only, at most 32"
_BOUNDS = {">=": "at least", "<=": "at most", ">": "more than", "<": "less than"}


def fault_words(message: str, field: str, fields: tuple[str, ...]) -> str:
    """The validator's ``message`` about ``field``; ``fields`` are the names its table may hold."""
    name = re.sub(r"\[.*", "", field.rpartition(".")[2])
    for pattern, words in _PHRASES:
        found = re.fullmatch(pattern, message)
        if found is not None:
            return words(found.groups(), name, fields)
    return message


def _kind(word: str) -> str:
    return " or ".join(_KINDS.get(part.strip(), part.strip()) for part in word.split("|") if part.strip() != "null")


def _wrong_kind(found: tuple[str, ...], name: str, fields: tuple[str, ...]) -> str:
    return f"{_kind(found[0])} is wanted here, not {_kind(found[1])}"


def _bound(found: tuple[str, ...], name: str, fields: tuple[str, ...]) -> str:
    return f"must be {_BOUNDS[found[0]]} {float(found[1]):g}"


def _length(found: tuple[str, ...], name: str, fields: tuple[str, ...]) -> str:
    return f"must have {_BOUNDS[found[0]]} {found[1]} characters"


def _spelling(found: tuple[str, ...], name: str, fields: tuple[str, ...]) -> str:
    return f"write it with {_SPELLINGS.get(name, _KEY_SPELLING)}"


def _choice(found: tuple[str, ...], name: str, fields: tuple[str, ...]) -> str:
    known = CHOICES.get(name, ())
    return f"{found[0]} is none of its words" + (f"; choose {', '.join(known)}" if known else "")


def _unknown(found: tuple[str, ...], name: str, fields: tuple[str, ...]) -> str:
    near = get_close_matches(found[0], fields, n=1)
    hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(fields)}"
    return f"there is no field {found[0]} here; {hint}"


def _missing(found: tuple[str, ...], name: str, fields: tuple[str, ...]) -> str:
    return f"the field {found[0]} is missing"


_Words = Callable[[tuple[str, ...], str, tuple[str, ...]], str]
_PHRASES: tuple[tuple[str, _Words], ...] = (
    (r"Expected `([^`]+)`, got `([^`]+)`", _wrong_kind),
    (r"Expected `[^`]+` ([<>]=?) ([-+.\de]+)", _bound),
    (r"Expected `str` of length ([<>]=?) (\d+)", _length),
    (r"Expected `str` matching regex .*", _spelling),
    (r"Invalid enum value (.+)", _choice),
    (r"Object contains unknown field `([^`]*)`", _unknown),
    (r"Object missing required field `([^`]*)`", _missing),
)
