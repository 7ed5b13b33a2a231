"""What a profile's types cannot say: fields in contradiction, patterns that are no whole-line grammar."""

from __future__ import annotations

import importlib
import re
import warnings
from collections import Counter
from collections.abc import Iterator
from itertools import permutations
from typing import Any

from rinsewatch_drivers.errors import ProfileError
from rinsewatch_drivers.framing import reduced_ends
from rinsewatch_drivers.numbers import parse_number
from rinsewatch_drivers.profile import Modbus, Profile, Text

_GROUPS = frozenset(("value", "unit", "temperature", "flag"))
_FORMAT_NEEDS = {"pattern": "pattern", "pairs": "value_keys", "csv": "columns", "json": "value_keys"}
_KEY_FIELDS = ("value_keys", "unit_keys", "temperature_keys", "flag_keys")
_WORD_FIELDS = ("over_words", "under_words", "error_words")
_FLAG_FIELDS = ("hold_words", "battery_words", "ok_words")

Fault = tuple[str, str]  # field, what is wrong with it


def check_profile(profile: Profile, file: str) -> None:
    """Raise ProfileError for the first contradiction found."""
    for field, fault in _faults(profile):
        raise ProfileError(file, field, fault)


def _faults(profile: Profile) -> Iterator[Fault]:
    yield from _kind_faults(profile)
    yield from _framing_faults(profile)
    if profile.text is not None:
        yield from _text_faults(profile.text)
    if profile.modbus is not None:
        yield from _modbus_faults(profile.modbus)
    if profile.poll is not None:
        if not profile.poll.command.isascii():
            yield "poll.command", "must be ASCII"
        if profile.poll.timeout_s > profile.poll.interval_s:
            yield "poll.timeout_s", "must not be longer than interval_s"


def _kind_faults(profile: Profile) -> Iterator[Fault]:
    if profile.kind == "text":
        if profile.text is None:
            yield "text", "a text profile needs the table [text]"
        if profile.modbus is not None:
            yield "modbus", "a text profile cannot have the table [modbus]"
    else:
        if profile.modbus is None:
            yield "modbus", "a modbus-rtu profile needs the table [modbus]"
        for name in ("text", "poll"):
            if getattr(profile, name) is not None:
                yield name, f"a modbus-rtu profile cannot have the table [{name}]"


def _framing_faults(profile: Profile) -> Iterator[Fault]:
    framing = profile.framing
    if any(ord(char) > 0xFF for end in framing.ends for char in end):
        yield "framing.ends", "a terminator is made of single bytes"
        return
    if not framing.ends:
        yield "framing.ends", "name at least one terminator"
    if any(b.startswith(a) for a, b in permutations(reduced_ends(framing.end_bytes), 2)):
        yield "framing.ends", "ambiguous: one terminator begins another"


def _text_faults(text: Text) -> Iterator[Fault]:
    needed = _FORMAT_NEEDS[text.format]
    if not getattr(text, needed):
        yield f"text.{needed}", f'format "{text.format}" needs it'
    for field in ("pattern", "columns"):
        if getattr(text, field) and _FORMAT_NEEDS[text.format] != field:
            yield f"text.{field}", f'means nothing with format "{text.format}"'
    if text.format == "pattern":
        yield from _pattern_faults(text)
    elif text.format == "csv":
        yield from _column_faults(text)
    else:
        yield from _key_faults(text)
    yield from _word_faults(text, _WORD_FIELDS)
    yield from _word_faults(text, _FLAG_FIELDS)


def _key_faults(text: Text) -> Iterator[Fault]:
    counts = Counter(key for field in _KEY_FIELDS for key in getattr(text, field))
    for field in _KEY_FIELDS:
        for key in getattr(text, field):
            if counts[key] > 1:
                yield f"text.{field}", f"ambiguous: the key {key!r} is named twice"
    if text.format == "json" and not text.unit_keys and text.unit is None:
        yield "text.unit", "the readings would have no unit; give unit or unit_keys"
    if text.format == "pairs" and text.decimal_comma:
        yield "text.decimal_comma", "ambiguous: the comma also parts the pairs"


def _column_faults(text: Text) -> Iterator[Fault]:
    counts = Counter(text.columns)
    if text.columns and counts["value"] != 1:
        yield "text.columns", 'needs the column "value" exactly once'
    for name in ("unit", "temperature", "flag"):
        if counts[name] > 1:
            yield "text.columns", f"ambiguous: the column {name!r} is named twice"
    if counts["unit"] == 0 and text.unit is None:
        yield "text.unit", 'the readings would have no unit; give unit or a column "unit"'
    if text.separator == "," and text.decimal_comma:
        yield "text.separator", "ambiguous: the comma is also the decimal mark"
    if text.separator in ".+-" or text.separator.isalnum():
        yield "text.separator", f"ambiguous: {text.separator!r} can be part of a value"


def _word_faults(text: Text, fields: tuple[str, ...]) -> Iterator[Fault]:
    counts = Counter(word for field in fields for word in set(getattr(text, field)))
    for field in fields:
        for word in getattr(text, field):
            if counts[word] > 1:
                yield f"text.{field}", f"ambiguous: {word!r} stands in two lists"
            if fields is _WORD_FIELDS and parse_number(word, exponent=True) is not None:
                yield f"text.{field}", f"ambiguous: {word!r} is also a number"


def _modbus_faults(modbus: Modbus) -> Iterator[Fault]:
    top = 0xFFFF if modbus.value.type.endswith("16") else 0xFFFFFFFF
    for field in ("over_raw", "under_raw"):
        if any(not -top <= raw <= top for raw in getattr(modbus, field)):
            yield f"modbus.{field}", f"does not fit into {modbus.value.type}"
    if set(modbus.over_raw) & set(modbus.under_raw):
        yield "modbus.under_raw", "ambiguous: a raw value stands in over_raw too"
    if modbus.timeout_s > modbus.interval_s:
        yield "modbus.timeout_s", "must not be longer than interval_s"


def _pattern_faults(text: Text) -> Iterator[Fault]:
    field = "text.pattern"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", FutureWarning)  # "[[", "--" and the like: another meaning in time to come
            pattern = re.compile(text.pattern, re.ASCII)
    except (re.error, OverflowError, RecursionError, FutureWarning) as error:
        yield field, f"no regular expression: {error}"
        return
    names = set(pattern.groupindex)
    if "value" not in names:
        yield field, "has no group named value: (?P<value>...)"
    if names - _GROUPS:
        yield field, f"unknown group {min(names - _GROUPS)!r}; known: value, unit, temperature, flag"
    if "unit" not in names and text.unit is None:
        yield field, "the readings would have no unit; give unit or a group named unit"
    if pattern.fullmatch("") is not None:
        yield field, "fits an empty line"
    fault = _grammar_fault(text.pattern, pattern)
    if fault:
        yield field, fault


def _grammar_fault(source: str, pattern: re.Pattern[str]) -> str:
    """Why a pattern is no whole-line grammar, read off its syntax tree; empty if it is one."""
    # the tree of the standard library's own parser (private, but there is no public one), Python 3.11 and
    # later
    tree = importlib.import_module("re._parser").parse(source, re.ASCII)
    return _walk_fault(tree, in_repeat=False, in_group=False, named=frozenset(pattern.groupindex.values()))


def _walk_fault(node: Any, *, in_repeat: bool, in_group: bool, named: frozenset[int]) -> str:
    for op, argument in node:
        fault = ""
        if str(op).endswith("_REPEAT"):
            fault = _repeat_fault(argument, in_repeat=in_repeat, in_group=in_group, named=named)
        elif str(op) == "SUBPATTERN":
            inside = in_group or argument[0] in named
            fault = _walk_fault(argument[3], in_repeat=in_repeat, in_group=inside, named=named)
        elif str(op) == "BRANCH":
            parts = (_walk_fault(b, in_repeat=in_repeat, in_group=in_group, named=named) for b in argument[1])
            fault = next((part for part in parts if part), "")
        elif str(op) == "ATOMIC_GROUP":
            fault = _walk_fault(argument, in_repeat=in_repeat, in_group=in_group, named=named)
        elif str(op) not in _PLAIN_OPS:
            fault = "look-around, back references and conditions are not supported"
        if fault:
            return fault
    return ""


_PLAIN_OPS = frozenset(("LITERAL", "NOT_LITERAL", "IN", "ANY", "AT", "RANGE", "CATEGORY"))


def _repeat_fault(argument: Any, *, in_repeat: bool, in_group: bool, named: frozenset[int]) -> str:
    least, most, body = argument
    many = int(most) > 1
    if in_repeat and int(most) != int(least):
        return "a repeat within a repeat can take for ever; write it without nesting"
    if many and _takes_anything(body, in_group=in_group):
        return "unbounded: a repeated '.' or negated set lets anything pass; name what the line holds"
    return _walk_fault(body, in_repeat=in_repeat or many, in_group=in_group, named=named)


def _takes_anything(body: Any, *, in_group: bool) -> bool:
    for op, argument in body:
        if str(op) == "ANY":
            return True
        # within a group the text is checked again as a number, unit or word
        negated = str(op) == "NOT_LITERAL" or (str(op) == "IN" and "NEGATE" in str(argument))
        if not in_group and (negated or "CATEGORY_NOT" in str(argument)):
            return True
    return False
