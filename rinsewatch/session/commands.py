"""What a person can tell the session."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.quantities import Quantity
from rinsewatch_drivers.reading import Reading


@dataclass(frozen=True, slots=True)
class Pour:
    """A portion was poured; None: the usual volume. ``keyed``: by a single key, which may bounce."""

    volume_ml: float | None = None
    keyed: bool = False


@dataclass(frozen=True, slots=True)
class PourEarlier:
    """A portion was poured at ``time_s`` of the rinse, and forgotten to be told; the answer no: it was just now."""

    volume_ml: float
    time_s: float


@dataclass(frozen=True, slots=True)
class Undo:
    """The newest portion was not poured after all; where readings are typed: the newest of the two was wrong."""


@dataclass(frozen=True, slots=True)
class SetPortion:
    """From now on a portion is this much."""

    volume_ml: float


@dataclass(frozen=True, slots=True)
class TakeFeed:
    """The present reading is the feed water's."""


@dataclass(frozen=True, slots=True)
class TakeRinseWater:
    """The present reading is the rinse water's."""


@dataclass(frozen=True, slots=True)
class Note:
    """A remark for the record."""

    text: str


@dataclass(frozen=True, slots=True)
class Pause:
    """Nobody pours now; the water is shut off."""


@dataclass(frozen=True, slots=True)
class Resume:
    """The rinse goes on."""


@dataclass(frozen=True, slots=True)
class TogglePause:
    """Pause, or resume."""


@dataclass(frozen=True, slots=True)
class ConfirmProbe:
    """The probe is in the filtrate, whatever the readings look like."""


@dataclass(frozen=True, slots=True)
class Typed:
    """A reading typed by hand."""

    reading: Reading


@dataclass(frozen=True, slots=True)
class CheckMeter:
    """The meter is checked in a water that should read so; ``read``: what it showed, None: its newest reading."""

    should: Quantity
    read: Quantity | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """Yes or no to the question that is open."""

    yes: bool


@dataclass(frozen=True, slots=True)
class Finish:
    """The rinse ends; ``reason`` goes into the record."""

    reason: str = "finished"


@dataclass(frozen=True, slots=True)
class BreakOff:
    """The program ends, the rinse does not: it can be continued. ``reason`` is for the person."""

    reason: str


Command = (
    Pour | Undo | SetPortion | TakeFeed | TakeRinseWater | Note | Pause | Resume | TogglePause
    | ConfirmProbe | CheckMeter | Typed | Answer | Finish | BreakOff
)  # fmt: skip
