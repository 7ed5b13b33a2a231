"""Robust trend of a few cycles: Theil-Sen slope with an exact interval, and Kendall's test. Standard library only.

Theil (1950), Proc. Kon. Ned. Akad. Wet. 53; Sen (1968), J. Am. Stat. Assoc. 63, 1379-1389: the median of the slopes of
all pairs, its interval from the distribution of Kendall's S. That distribution is counted out here instead of taken
for normal: lives are short. A single wild cycle hardly moves the median.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import accumulate, combinations
from math import inf
from statistics import median

CONFIDENCE = 0.9


@dataclass(frozen=True, slots=True)
class Trend:
    """Slope per cycle with its interval, and the line through (``centre``, ``level``), the medians of both axes.

    ``low`` and ``high`` are infinite where so few points cannot give an interval. ``scatter`` is the robust standard
    deviation about the line. ``chance`` is that of a trend at least as clear, either way, if there were none.
    """

    slope: float
    low: float
    high: float
    centre: float
    level: float
    scatter: float
    chance: float
    points: int

    @property
    def identified(self) -> bool:
        """Whether the interval leaves no doubt about the direction."""
        return self.low > 0.0 or self.high < 0.0

    def at(self, x: float) -> float:
        """The line's value."""
        return self.level + self.slope * (x - self.centre)


def theil_sen(x: Sequence[float], y: Sequence[float], confidence: float = CONFIDENCE) -> Trend:
    """Trend of two points or more, x all different; ``confidence`` of the slope's interval.

    The interval holds at least the confidence named, or is infinite. Error: ValueError for fewer or repeated x.
    """
    if len(x) != len(y) or len(x) < 2 or len(set(x)) != len(x):
        raise ValueError("a trend needs two points or more, one for each x")
    slopes = sorted((y2 - y1) / (x2 - x1) for (x1, y1), (x2, y2) in combinations(zip(x, y, strict=True), 2))
    slope, centre, level = median(slopes), median(x), 0.0
    level = median(b - slope * (a - centre) for a, b in zip(x, y, strict=True))
    low, high = _interval(slopes, len(x), confidence)
    rest = [abs(b - level - slope * (a - centre)) for a, b in zip(x, y, strict=True)]
    score = sum((s > 0.0) - (s < 0.0) for s in slopes)
    # 1.4826: median absolute deviation to standard deviation of a normal scatter.
    return Trend(slope, low, high, centre, level, 1.4826 * median(rest), _two_sided(score, len(x)), len(x))


def _interval(slopes: Sequence[float], n: int, confidence: float) -> tuple[float, float]:
    """The ordered slopes that leave at most (1 - confidence)/2 on each side (Hollander and Wolfe, section 9.3)."""
    pairs, cut = len(slopes), 0
    # Leaving ``cut`` slopes off an end fails where S <= 2 cut - 2 - pairs, so leave off as many as that stays rare.
    while cut < pairs and chance_at_least(pairs - 2 * cut, n) <= (1.0 - confidence) / 2.0:
        cut += 1
    return (slopes[cut - 1], slopes[pairs - cut]) if cut else (-inf, inf)


def chance_at_least(score: int, n: int) -> float:
    """Chance that Kendall's S of ``n`` unrelated points (no ties) is ``score`` or more."""
    pairs = n * (n - 1) // 2
    most = (pairs - score) // 2  # S = pairs - 2 * inversions
    orders = _orders(n)
    return orders[min(most, pairs)] / orders[-1] if most >= 0 else 0.0


def _two_sided(score: int, n: int) -> float:
    return min(1.0, 2.0 * chance_at_least(abs(score), n))


@cache
def _orders(n: int) -> tuple[int, ...]:
    """How many orders of ``n`` things have at most 0, 1, 2 ... inversions."""
    return tuple(accumulate(_inversions(n)))


def _inversions(n: int) -> tuple[int, ...]:
    """How many orders of ``n`` things have 0, 1, 2 ... inversions: a thing more can stand in 0 to size - 1 places."""
    counts = [1]
    for size in range(2, n + 1):
        sums = [0, *accumulate(counts)]
        most = len(sums) - 1
        counts = [sums[min(i + 1, most)] - sums[max(0, i + 1 - size)] for i in range(most + size - 1)]
    return tuple(counts)
