"""What the forecast made before anything was in doubt says of the portions since.

A portion in doubt may be another vessel. Where the rinse would be done by the forecast alone, that does not matter.
"""

from __future__ import annotations

import math
from typing import Final

from rinsewatch.rinse.prior import Array

PLACES: Final = 6  # portions looked ahead, the present one included
USUAL: Final = 1.5  # times the person's pace: what stands longer leaks more than was forecast


class Assured:
    """High ends of the filtrate, uS/cm, from a rinse volume on, one portion after another."""

    def __init__(self) -> None:
        self._from_ml = self._step_ml = 0.0
        self._most_us_cm: list[float] = []

    def renew(self, from_ml: float, step_ml: float, most_us_cm: Array) -> None:
        """A forecast on which no doubt lies: high ends (places,) at ``from_ml`` and each ``step_ml`` further."""
        self._from_ml, self._step_ml, self._most_us_cm = from_ml, step_ml, most_us_cm.tolist()

    def forget(self) -> None:
        """The rinse did not go on as was forecast."""
        self._most_us_cm = []

    def most_us_cm(self, now_ml: float) -> float:
        """High end by that forecast alone, ``now_ml`` of rinse water into the rinse; inf where it says nothing."""
        place = math.floor((now_ml - self._from_ml) / self._step_ml + 1e-6) if self._most_us_cm else -1
        return self._most_us_cm[min(place, len(self._most_us_cm) - 1)] if place >= 0 else math.inf
