"""What a reading says: an interval of conductivity, not a number.

A display of 7 ppm means 6.5 to 7.5; ``over`` means at least the top; 0 means below half a step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from rinsewatch.quantities import reading_us_cm
from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.setup import RinseSetup

# Readings as typed or stored by spreadsheets carry at most this many decimals worth believing.
_MOST_DECIMALS = 3
MOST_US_CM = 2e6  # no solution conducts more; keeps absurd readings finite
_DECADES = range(-4, 8)
_GRAIN_KEPT: Final = 10
_GRAIN_CHANCE: Final = 0.001  # chance under which numbers that share a divisor are not taken for an accident


@dataclass(frozen=True, slots=True)
class Span:
    """One reading in uS/cm: what was shown, the interval it stands for, and the display step there."""

    shown_us_cm: float  # for ``over`` the top, for ``under`` 0
    low_us_cm: float
    high_us_cm: float  # inf when over range
    step_us_cm: float

    @property
    def is_over(self) -> bool:
        """More than the meter can show."""
        return math.isinf(self.high_us_cm)

    @property
    def is_zero(self) -> bool:
        """Exactly 0 (or under range) on the display."""
        return self.shown_us_cm <= 0.0


class Grain:
    """Whether the display moves in more than one of its last digit: 20, 15, 10 are steps of five, not of one."""

    def __init__(self) -> None:
        self._shown: list[int] = []  # different ones, the newest last, in thousandths of the meter's own unit
        self._unit = ""

    def step(self, row: Row, digit: float) -> float:
        """What the newest readings are all multiples of, if it is more than a ``digit`` and no accident; else 0.

        In the meter's own unit. The same again tells nothing, nor do two digits by turns, however long; nor does 0,
        unless it is the next step down.
        """
        if row.unit != self._unit:
            self._unit, self._shown = row.unit, []
        now = round((row.reading or 0.0) * 10.0**_MOST_DECIMALS)
        if now and now not in self._shown[-1:]:
            self._shown = [*(shown for shown in self._shown if shown != now), now][-_GRAIN_KEPT:]
        shared, least = 0, 0
        for others, shown in enumerate(reversed(self._shown)):
            shared, least = math.gcd(shared, shown), min(least or shown, shown)
            times = shared / (digit * 10.0**_MOST_DECIMALS)
            # Numbers by accident: all multiples of n or more with chance sum(k**-different, k >= n).
            if others > 1 and times > 1.5 and times**-others / others <= _GRAIN_CHANCE:
                return times * digit if now or least == shared else 0.0
        return 0.0


class DisplayScale:
    """Turns rows into spans; learns the display step and the top from what has been shown.

    A meter's absolute resolution never gets coarser as the value falls, so the finest step seen at
    any value at or above the present one holds here too ("7" on a meter that showed "12.5" is 7.0);
    unless the numbers shown move in coarser steps than their digits could.
    """

    def __init__(self, setup: RinseSetup) -> None:
        self._setup = setup
        self._steps: dict[int, float] = {}
        self._largest_shown: float | None = None
        self._grain = Grain()

    def span(self, row: Row) -> Span:
        """The span of a row that holds a reading."""
        if row.mark is Mark.OVER:
            return self._over(self.top_us_cm)
        if row.mark is Mark.UNDER:
            step = self.finest_us_cm
            return Span(0.0, 0.0, step / 2, step)
        value = min(reading_us_cm(row.reading or 0.0, row.unit, self._setup.tds_factor), MOST_US_CM)
        top = self._setup.top_us_cm
        if top is not None and value > top:
            return self._over(top)
        step = self._learn(value, row)
        self._largest_shown = max(value, self._largest_shown or 0.0)
        return Span(value, max(value - step / 2, 0.0), value + step / 2, step)

    @staticmethod
    def _over(top_us_cm: float) -> Span:
        return Span(top_us_cm, top_us_cm, math.inf, 0.0)

    @property
    def top_us_cm(self) -> float:
        """Largest reading: as set, else the largest shown so far, else a cautious 100 uS/cm."""
        return self._setup.top_us_cm or self._largest_shown or 100.0

    @property
    def finest_us_cm(self) -> float:
        """Display step near zero: as set, else as the rinse water was read, else the finest shown so far."""
        told = self._setup.resolution_us_cm or self._setup.rinse_water_step_us_cm
        return told or min(self._steps.values(), default=1.0 / self._setup.tds_factor)

    def step_at(self, value_us_cm: float) -> float:
        """Display step (uS/cm) at a value, from the set-up or from what was shown."""
        decade = _decade(value_us_cm)
        known = [s for d, s in self._steps.items() if d >= decade]
        return min(known, default=self.finest_us_cm)

    def _learn(self, value_us_cm: float, row: Row) -> float:
        decimals = _MOST_DECIMALS if row.decimals is None else min(row.decimals, _MOST_DECIMALS)
        step = reading_us_cm(10.0**-decimals, row.unit, self._setup.tds_factor)
        if self._setup.resolution_us_cm is not None:
            # What the user says of the meter wins where the text is finer (software that adds zeros).
            step = max(step, self._setup.resolution_us_cm)
        decade = _decade(value_us_cm)
        self._steps[decade] = min(step, self._steps.get(decade, math.inf))
        grain = reading_us_cm(self._grain.step(row, 10.0**-decimals), row.unit, self._setup.tds_factor)
        return max(self.step_at(value_us_cm), grain)


def _decade(value_us_cm: float) -> int:
    if value_us_cm <= 0:
        return _DECADES.start
    return min(max(math.floor(math.log10(value_us_cm)), _DECADES.start), _DECADES.stop - 1)
