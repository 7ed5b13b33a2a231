"""Forecasts made earlier in the rinse, kept to judge readings by.

The forecast follows what it reads, so a slow slide into another vessel or a film drying on a lifted probe would
carry it along. What was forecast some way back was not carried along.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Final

import numpy as np

from rinsewatch.rinse.prior import Array

KEPT: Final = 24
LEAST_HEARD: Final = 3
_LEAST_US_CM: Final = 1e-3
LEAST_JUDGES: Final = 5  # for a low end: of three, two made before the front was understood would be the median


@dataclass(frozen=True, slots=True)
class _Forecast:
    """Plain numbers: two dozen of these are asked at every reading, and numpy is slow for one number."""

    speaks_from_ml: float
    rinse_ml: list[float]
    low_us_cm: list[float]
    likely_us_cm: list[float]

    def low_at(self, rinse_ml: float) -> float:
        return self._at(rinse_ml, self.low_us_cm)

    def likely_at(self, rinse_ml: float) -> float:
        return self._at(rinse_ml, self.likely_us_cm)

    def _at(self, rinse_ml: float, values: list[float]) -> float:
        """On the line between neighbours, at the ends their value."""
        after = bisect_right(self.rinse_ml, rinse_ml)
        if after == 0 or after == len(values):
            return values[min(after, len(values) - 1)]
        begin_ml, end_ml = self.rinse_ml[after - 1], self.rinse_ml[after]
        rise = (values[after] - values[after - 1]) / (end_ml - begin_ml)
        return values[after - 1] + rise * (rinse_ml - begin_ml)


class EarlierForecasts:
    """The low ends of forecasts, each over the rinse volumes ahead of where it was made."""

    def __init__(self) -> None:
        self._kept: list[_Forecast] = []
        self._lows_of: tuple[float, list[float]] | None = None  # ranked, at the volume asked last

    def add(self, speaks_from_ml: float, rinse_ml: Array, low_us_cm: Array, mid_us_cm: Array) -> None:
        """Keep a forecast: low end and median (uS/cm) over rising rinse volumes, shape (n,), asked from a volume on."""
        likely = np.sqrt(low_us_cm * mid_us_cm)  # about the lowest tenth
        newest = _Forecast(speaks_from_ml, rinse_ml.tolist(), low_us_cm.tolist(), likely.tolist())
        self._kept, self._lows_of = [*self._kept[-(KEPT - 1) :], newest], None

    def clear(self) -> None:
        """The course changed (a rest, a person's word): what was forecast before says nothing."""
        self._kept, self._lows_of = [], None

    def last_low_us_cm(self, rinse_ml: float) -> float | None:
        """The newest forecast carried on to a volume, however near; None without one."""
        return self._kept[-1].low_at(rinse_ml) if self._kept else None

    def last_band_us_cm(self, rinse_ml: float) -> tuple[float, float, float] | None:
        """Low end, median and high end of the newest forecast at a volume; None without one, or beyond its reach."""
        if not self._kept or rinse_ml > self._kept[-1].rinse_ml[-1]:
            return None
        low, likely = self._kept[-1].low_at(rinse_ml), self._kept[-1].likely_at(rinse_ml)
        middle = likely * likely / max(low, _LEAST_US_CM)
        return low, middle, middle * middle / max(low, _LEAST_US_CM)

    def likely_us_cm(self, rinse_ml: float) -> float:
        """Below this a washout that goes on as forecast is not likely to be, by the median forecast; 0 by too few."""
        likely = [f.likely_at(rinse_ml) for f in self._kept]
        return _quantile(sorted(likely), 0.5) if len(likely) >= LEAST_HEARD else 0.0

    def low_us_cm(self, rinse_ml: float, share: float = 0.5) -> float:
        """The low end at a ``share`` of those that reach here (0.5: the median: some may be off); 0 if few."""
        if self._lows_of is None or self._lows_of[0] != rinse_ml:
            lows = [f.low_at(rinse_ml) for f in self._kept if f.speaks_from_ml <= rinse_ml <= f.rinse_ml[-1]]
            self._lows_of = rinse_ml, sorted(lows)
        lows = self._lows_of[1]
        return _quantile(lows, share) if len(lows) >= LEAST_JUDGES else 0.0


def _quantile(ranked: list[float], share: float) -> float:
    """As numpy's, which takes longer to look at a short list than all else here together."""
    place = share * (len(ranked) - 1)
    low = int(place)
    part, high = place - low, min(low + 1, len(ranked) - 1)
    return ranked[low] + part * (ranked[high] - ranked[low])
