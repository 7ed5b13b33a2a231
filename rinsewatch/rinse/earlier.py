"""Forecasts made earlier in the rinse, kept to judge readings by.

The forecast follows what it reads, so a slow slide into another vessel or a film drying on a lifted probe would
carry it along. What was forecast some way back was not carried along.
"""

from __future__ import annotations

from statistics import median
from typing import Final

import numpy as np

from rinsewatch.rinse.prior import Array

KEPT: Final = 24
LEAST_HEARD: Final = 3


class EarlierForecasts:
    """The low ends of forecasts, each over the rinse volumes ahead of where it was made."""

    def __init__(self) -> None:
        self._kept: list[tuple[Array, Array]] = []

    def add(self, rinse_ml: Array, low_us_cm: Array) -> None:
        """Keep a forecast: its low end (uS/cm) over rising rinse volumes, both shape (n,)."""
        self._kept = [*self._kept[-(KEPT - 1) :], (rinse_ml, low_us_cm)]

    def clear(self) -> None:
        """The course changed (a rest, a person's word): what was forecast before says nothing."""
        self._kept = []

    def low_us_cm(self, rinse_ml: float) -> float:
        """The median of the low ends that reach here: one forecast may be off; 0 while there are few."""
        lows = [
            float(np.interp(rinse_ml, volumes, low))
            for volumes, low in self._kept
            if volumes[0] <= rinse_ml <= volumes[-1]
        ]
        return median(lows) if len(lows) >= LEAST_HEARD else 0.0
