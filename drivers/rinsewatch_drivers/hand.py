"""Readings typed by hand: a number and its unit, or ``over``/``under``, as the pen shows it."""

from __future__ import annotations

import re

from rinsewatch_drivers.clock import Clock
from rinsewatch_drivers.errors import WireError
from rinsewatch_drivers.numbers import UNIT_SPELLINGS, judge_number, parse_number
from rinsewatch_drivers.reading import Kind, Parsed, Quality, Reading

_BODY = re.compile(
    r"(?:=[ \t]*)?(?P<value>[+-]?[0-9.]+|over|under|OL|LO)(?:[ \t]*(?P<unit>[A-Za-zµμ][A-Za-z/µμ]*))?"
    r"(?:[ \t]+(?P<temperature>[+-]?[0-9.]+)[ \t]*°?C)?"
)
_WORDS = {"over": Kind.OVER, "OL": Kind.OVER, "under": Kind.UNDER, "LO": Kind.UNDER}


def parse_hand(body: str, *, clock: Clock, sequence: int = 0) -> Reading:
    """A typed reading: ``12.5 ppm``, ``1.41 mS/cm 24.8 C``, ``over ppm``; a leading ``=`` is allowed.

    Raises WireError with one line to show if it cannot be read, has no unit or is negative: whoever typed
    it can type it again.
    """
    parsed = _parsed(body.strip())
    return Reading(
        body.encode("utf-8"), parsed.kind, parsed.value, parsed.decimals, parsed.unit, parsed.temperature_c,
        parsed.quality, parsed.cause, sequence, clock.monotonic(), clock.utc(),
    )  # fmt: skip


def _parsed(body: str) -> Parsed:
    match = _BODY.fullmatch(body)
    if match is None:
        raise WireError(f"cannot read {body!r}; type the reading with its unit, like 12.5 ppm or 840 uS/cm")
    unit = _unit(match["unit"], body)
    temperature_c = _temperature_c(match["temperature"])
    kind = _WORDS.get(match["value"])
    if kind is not None:
        return Parsed(kind, None, None, unit, temperature_c, Quality.MISSING, f"{kind}-range")
    number = parse_number(match["value"])
    if number is None:
        raise WireError(f"cannot read the number {match['value']!r}; write it like 12.5 or 0.5")
    parsed = judge_number(*number, unit, temperature_c=temperature_c)
    if parsed.quality is Quality.BAD:
        raise WireError(f"{body!r} is {_WHY[parsed.cause]}")
    return parsed


_WHY = {"negative": "below 0, which no reading is", "out-of-range": "more than any solution conducts"}


def _unit(spelling: str | None, body: str) -> str:
    if spelling is None:
        raise WireError(f"{body!r} has no unit; type it as your meter shows it, like '{body} ppm' or '{body} uS/cm'")
    unit = UNIT_SPELLINGS.get(spelling)
    if unit is None:
        raise WireError(f"unknown unit {spelling!r}; known: uS/cm, mS/cm, ppm, ppt")
    return unit


def _temperature_c(text: str | None) -> float | None:
    if text is None:
        return None
    number = parse_number(text)
    if number is None:
        raise WireError(f"cannot read the temperature {text!r}; write it like 24.8 C")
    return number[0]
