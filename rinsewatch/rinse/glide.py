"""Readings that come down by small steps and ever more slowly: only a washout into its tail does so for long.

Another vessel is reached at a bound and stands still; a film that dries on a lifted probe falls as fast to the end.
"""

from __future__ import annotations

import math
from typing import Final

from rinsewatch.rinse.spans import Span

BOUND: Final = 0.25  # log: one reading so far below the one before is no glide
BACK: Final = 0.06  # log, and a step: nor is one so far above the lowest
LEAST_READINGS: Final = 12
LEAST_S: Final = 300.0  # a slow probe comes to rest in another vessel, and a film dries, in less; no source
SLOWER: Final = 0.7  # times the first third of the fall, by which the last third is slower ...
FALLS_ON: Final = 0.03  # ... though still a fall, log, and two steps
_KEPT: Final = 96


class Glide:
    """Refused readings since they began to come down smoothly: seconds and log reading, a bounded number."""

    def __init__(self) -> None:
        self._kept: list[tuple[float, float]] = []
        self._stride = self._count = 1
        self._last = self._least = math.inf

    def slows_down(self, span: Span, time_s: float) -> bool:
        """Another refused reading: True once they have come down smoothly for long enough, ever more slowly."""
        if span.is_zero or span.is_over:
            self._begin()
            return False
        ln, step = math.log(span.shown_us_cm), span.step_us_cm / span.shown_us_cm
        if ln < self._last - BOUND - step or ln > self._least + BACK + step:
            self._begin()
        self._last, self._least = ln, min(ln, self._least)
        if self._count % self._stride == 0 or not self._kept:
            self._kept.append((time_s, ln))
        self._count += 1
        if len(self._kept) > _KEPT:
            self._kept, self._stride = self._kept[::2], 2 * self._stride
        return self._judge(step)

    def _begin(self) -> None:
        self._kept, self._stride, self._count = [], 1, 1
        self._last = self._least = math.inf

    def _judge(self, step: float) -> bool:
        lasted_s = self._kept[-1][0] - self._kept[0][0]
        if self._count <= LEAST_READINGS or lasted_s < LEAST_S:
            return False
        first, last = self._fall(0.0, 1.0 / 3.0), self._fall(2.0 / 3.0, 1.0)
        return FALLS_ON + 2.0 * step < last < SLOWER * first

    def _fall(self, begin: float, end: float) -> float:
        """Log fall over a part of the time so far."""
        from_s, whole_s = self._kept[0][0], self._kept[-1][0] - self._kept[0][0]
        part = [ln for at_s, ln in self._kept if begin <= (at_s - from_s) / whole_s <= end]
        return part[0] - part[-1] if part else 0.0
