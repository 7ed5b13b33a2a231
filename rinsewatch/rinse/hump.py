"""A bed that is not stirred: of each portion the stronger liquor that stood in it leaves first, above where the portion
before ended. What one portion did and still ended in order the next may do as well."""

from __future__ import annotations

from typing import Final

LEAST: Final = 1.1  # times the end of the portion before; less is noise, or a probe that stands still
MOST: Final = 2.0  # more is a spike, or liquor


class Hump:
    """How high the readings of a portion rise above the end of the one before."""

    def __init__(self) -> None:
        self._most_us_cm = 0.0
        self._times = 0.0

    def add(self, us_cm: float) -> None:
        """A reading of the present portion, believed or not."""
        self._most_us_cm = max(self._most_us_cm, us_cm)

    def next_portion(self, before_us_cm: float, end_us_cm: float) -> None:
        """The portion before the ended one ended at ``before_us_cm``, the ended one at ``end_us_cm``; 0: not read."""
        times = self._most_us_cm / before_us_cm if before_us_cm > 0.0 else 0.0
        came_down = 0.0 < LEAST * end_us_cm < self._most_us_cm
        self._times = times if came_down and LEAST < times < MOST else 0.0
        self._most_us_cm = 0.0

    def most_us_cm(self, before_us_cm: float) -> float:
        """As high as the portion before rose, the next may; 0 where it did not."""
        return self._times * before_us_cm
