"""What the core answers after each row."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """The four things a person can be told."""

    RINSE = "rinse"
    STOP = "stop"
    CHECK = "check"
    STALLED = "stalled"


class Quality(StrEnum):
    """How far the present reading is believed."""

    GOOD = "good"
    UNCERTAIN = "uncertain"
    BAD = "bad"
    MISSING = "missing"


@dataclass(frozen=True, slots=True)
class Interval:
    """5 %, median and 95 %."""

    low: float
    mid: float
    high: float


@dataclass(frozen=True, slots=True)
class Remaining:
    """Rinse water still to pour, mL: 5 %, median if it gets there at all, 95 %.

    High None: it may never get there (more than 5 % chance). Mid None too: it hardly can.
    """

    low_ml: float
    mid_ml: float | None
    high_ml: float | None


@dataclass(frozen=True, slots=True)
class Price:
    """In litres of deionized water: what the residue left would keep the bed from making if the rinse stopped here
    (5, 50, 95 %), what the next portion costs, and what the residue it takes out would have cost (median).

    In continuous flow the next portion is half a resin volume.
    """

    stop_l: Interval
    portion_l: float
    rescued_l: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RinseState:
    """The answer after a row. Conductivities uS/cm on the meter's 25 C scale, volumes mL, times s."""

    time_s: float
    rinse_ml: float
    reading_us_cm: float | None
    filtrate: Interval | None
    target_us_cm: float | None
    floor_us_cm: float | None
    remaining: Remaining | None
    portion_ml: float | None
    pace_s: float | None  # seconds per portion (portions) or per mL (flow); None: not yet known
    chance_reached: float
    chance_unreachable: float
    verdict: Verdict
    reason: str
    quality: Quality
    cause: str  # short code of what is wrong with the probe or reading, "" when nothing is
    is_flow: bool
    verified: bool = False  # at the endpoint: the meter agreed with a known water
    price: Price | None = None  # None while the feed water's reading is not known

    @property
    def remaining_portions(self) -> float | None:
        """Median portions still to pour; None in flow mode without a portion size or when not known."""
        if self.remaining is None or self.remaining.mid_ml is None or not self.portion_ml:
            return None
        return self.remaining.mid_ml / self.portion_ml

    @property
    def remaining_min(self) -> float | None:
        """Median minutes still to go at the present pace, None while unknown."""
        if self.remaining is None or self.remaining.mid_ml is None or self.pace_s is None:
            return None
        per_ml = self.pace_s if self.is_flow else self.pace_s / (self.portion_ml or 1.0)
        return self.remaining.mid_ml * per_ml / 60.0
