"""What the drivers hand over: readings, and changes of the link's state."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Quality(StrEnum):
    """How far a reading can be trusted as the meter sent it."""

    GOOD = "good"
    UNCERTAIN = "uncertain"
    BAD = "bad"
    MISSING = "missing"


class Kind(StrEnum):
    """What a frame was: a number, over or under range, or no reading at all."""

    VALUE = "value"
    OVER = "over"
    UNDER = "under"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Parsed:
    """The meaning of one frame, not yet stamped with order and time.

    ``value`` is in ``unit`` (``uS/cm``, ``mS/cm``, ``ppm``, ``ppt`` or ``""``), ``decimals`` as the meter
    showed them. Causes in use: ``syntax``, ``unit``, ``no-unit``, ``over-range``, ``under-range``,
    ``sensor-error``, ``hold``, ``battery``, ``negative``, ``out-of-range``, ``temperature``, ``echo``,
    ``first-line``, ``cut``, ``overlong``, ``late``, ``shared`` (another program reads the port too),
    ``other-speed`` (heard while the right speed was looked for),
    ``not-a-number``, ``word-order`` (only the registers swapped make sense), ``wire``, ``exception-N``; empty when
    good.
    """

    kind: Kind
    value: float | None = None
    decimals: int | None = None
    unit: str = ""
    temperature_c: float | None = None
    quality: Quality = Quality.GOOD
    cause: str = ""

    @property
    def fits(self) -> bool:
        """True if the frame is a word of the profile's language, even when that word is "error"."""
        return self.kind is not Kind.FAULT or self.cause == "sensor-error" or self.cause.startswith("exception-")


def fault(cause: str, quality: Quality = Quality.BAD) -> Parsed:
    """A frame that is no reading."""
    return Parsed(Kind.FAULT, quality=quality, cause=cause)


@dataclass(frozen=True, slots=True)
class Reading:
    """One frame from the meter: its bytes, what they mean, how good, which in order and when.

    ``over``/``under`` readings have no value and quality MISSING; faults have quality BAD. The line joined
    in its middle at opening is a FAULT of quality MISSING with cause ``first-line``: half a number may look
    like a number.
    """

    raw: bytes
    kind: Kind
    value: float | None
    decimals: int | None
    unit: str
    temperature_c: float | None
    quality: Quality
    cause: str
    sequence: int
    monotonic_s: float
    utc: datetime


class LinkState(StrEnum):
    """The states of a link to a meter; an event tells each change once."""

    OPEN = "open"
    LOST = "lost"
    WAITING = "waiting"
    SILENT = "silent"
    GARBAGE = "garbage"
    BACK = "back"


@dataclass(frozen=True, slots=True)
class LinkEvent:
    """A change of the link's state, with one plain sentence for the user."""

    state: LinkState
    detail: str
    monotonic_s: float
