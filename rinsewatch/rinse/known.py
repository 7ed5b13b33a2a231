"""Was the meter checked in a water whose reading is known? No number of the rinse itself shows a drifting meter.

A conductivity standard, or the feed water kept in a closed jar at the room's temperature, is dipped in and read
during the rinse. Without that an endpoint is reached by the meter's word alone: it is "not verified".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from rinsewatch.errors import QuantityError
from rinsewatch.quantities import Quantity, parse_reading, reading_us_cm

TOLERANCE: Final = 0.05  # what a cheap meter and a standard may differ by: common practice, no source
HOLDS_S: Final = 1800.0  # a meter that drifts by half a percent a minute is out by then as much as a false stop is
_READ: Final = ", read "


@dataclass(frozen=True, slots=True)
class KnownWater:
    """A check: what the water should read and what the meter read, in uS/cm; ``step_us_cm``: of the coarser of both."""

    should_us_cm: float
    read_us_cm: float
    step_us_cm: float

    @property
    def off(self) -> float:
        """How far the meter was off, as a share of what it should have read."""
        return self.read_us_cm / self.should_us_cm - 1.0

    @property
    def agrees(self) -> bool:
        """Within the tolerance, or within what the display's steps hide."""
        return abs(self.read_us_cm - self.should_us_cm) <= max(TOLERANCE * self.should_us_cm, self.step_us_cm)


def known_note(should: Quantity, read: object) -> str:
    """The check as the record keeps it: ``known = 84 uS/cm, read 81.2 uS/cm``; ``read`` as the meter showed it."""
    return f"known = {should}{_READ}{read}"


def known_from_note(value: str, tds_factor: float) -> KnownWater:
    """What follows ``known =`` in such a note. Raises QuantityError where it is something else."""
    should, sign, read = value.partition(_READ)
    if not sign:
        raise QuantityError("a check is noted like: known = 84 uS/cm, read 81.2 uS/cm")
    quantities = parse_reading(should.strip()), parse_reading(read.strip())
    first, second = (reading_us_cm(q.value, q.unit, tds_factor) for q in quantities)
    if first <= 0.0:
        raise QuantityError("a water that should read 0 tells nothing of the meter")
    step = max(reading_us_cm(10.0**-q.decimals, q.unit, tds_factor) for q in quantities)
    return KnownWater(first, second, step)


def off_words(value: str) -> str:
    """Of a check's note, what the person should hear of a meter that fails it; "" where it agrees.

    Raises QuantityError as ``known_from_note`` does. Of two units the meter's own factor would have to tell: "".
    """
    check = known_from_note(value, 1.0)
    should, _, read = value.partition(_READ)
    if check.agrees or parse_reading(should.strip()).unit != parse_reading(read.strip()).unit:
        return ""
    side = "above" if check.off > 0 else "below"
    return f"{100 * abs(check.off):.0f} % {side} what it should: no endpoint is verified; look at the meter"


class Verification:
    """The newest check, and whether it speaks for a stop."""

    def __init__(self) -> None:
        self._check: KnownWater | None = None
        self._time_s = 0.0
        self._stop_s: float | None = None

    def add(self, check: KnownWater, time_s: float) -> None:
        """The meter was checked."""
        self._check, self._time_s = check, time_s

    def stopped(self, time_s: float | None) -> None:
        """The endpoint was reached (None: not, or no longer)."""
        if time_s is None or self._stop_s is None:
            self._stop_s = time_s

    def verified(self, time_s: float) -> bool:
        """A check that agreed was made shortly before the endpoint, or since."""
        until_s = time_s if self._stop_s is None else self._stop_s
        return self._check is not None and self._check.agrees and until_s - self._time_s <= HOLDS_S

    def words(self, time_s: float) -> str:
        """Half a sentence to follow "the endpoint is reached"."""
        if self.verified(time_s):
            return ", verified in a known water"
        if self._check is None:
            return ", not verified: the meter was not checked in a known water"
        if not self._check.agrees:
            return f", not verified: the meter read {abs(100 * self._check.off):.0f} % off in a known water"
        return ", not verified: the meter's check is more than half an hour older"
