"""Has a series of cycles left its first level, and since when?

Each possible beginning is tried, as a step and as a steady growth; the best one counts. Three cycles before it and
three from it on are the least. Least squares with Huber's weights; the scatter is the series' own, steadied by what is
usual (as if ``PRIOR_WEIGHT`` more cycles had been seen). One wild cycle must not decide: the change is also tried
without its farthest cycle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import atan, cos, pi, sin, sqrt
from operator import mul

BEFORE, FROM_ON = 3, 3
PRIOR_WEIGHT = 6
# Cycles noted wrongly or cut short without a word: one in twenty (assumption).
WILD_SHARE = 0.05
_HUBER = 1.5  # standard deviations; Huber (1964) suggests 1 to 2
_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Series:
    """``cycles`` rising, a value for each; ``usual_scatter``: standard deviation to expect of a steady resin."""

    cycles: tuple[int, ...]
    values: tuple[float, ...]
    usual_scatter: float


@dataclass(frozen=True, slots=True)
class Change:
    """From cycle ``since`` on the values leave ``first``, their first level; ``last``: where the fit stands now.

    ``z``: change over its standard error, above 0 for a rise; ``chance``: that scatter alone looks so, after all the
    beginnings tried; ``cycles``: those from ``since`` on that were seen.
    """

    since: int
    cycles: tuple[int, ...]
    first: float
    last: float
    z: float
    chance: float

    @property
    def amount(self) -> float:
        """Last minus first, in the series' own unit."""
        return self.last - self.first


@dataclass(frozen=True, slots=True)
class _Fit:
    first: float
    change: float
    z: float


def find_change(series: Series, sign: int) -> Change | None:
    """The clearest lasting change in this direction (+1 or -1), however weak; None from fewer than six cycles."""
    n = len(series.cycles)
    best, best_shape = None, _step(series.cycles, n)
    starts = range(BEFORE, n - FROM_ON + 1)
    for start, shape, fit in _fits(series):
        if best is None or sign * fit.z > sign * best.z:
            last = fit.first + fit.change * shape[-1]
            best_shape = shape
            best = Change(series.cycles[start], series.cycles[start:], fit.first, last, fit.z, 1.0)
    if best is None or not _lasting(series, best, sign):
        return None
    # The beginnings are near copies of each other: about one independent trial a doubling (checked on steady lives).
    trials = 1 + len(starts).bit_length()
    alone = student_tail(sign * best.z, PRIOR_WEIGHT + n - 2)
    chance = alone + WILD_SHARE * _without_the_wildest(series, best_shape, best, sign)
    return Change(best.since, best.cycles, best.first, best.last, best.z, min(1.0, trials * chance))


@lru_cache(maxsize=8)
def _fits(series: Series) -> list[tuple[int, list[float], _Fit]]:
    """(start, shape, fit) of a step and of a growth from every cycle on; asked for once a direction."""
    shapes = [
        (start, shape)
        for start in range(BEFORE, len(series.cycles) - FROM_ON + 1)
        for shape in (_step(series.cycles, start), _growth(series.cycles, start))
    ]
    return [(start, shape, _fit(series, shape)) for start, shape in shapes]


def _without_the_wildest(series: Series, shape: Sequence[float], change: Change, sign: int) -> float:
    """Chance of what is left of the change when its farthest cycle is left out: that one may be a slip of the pen."""
    later = [i for i, cycle in enumerate(series.cycles) if cycle >= change.since]
    wildest = max(later, key=lambda i: abs(series.values[i] - change.first))
    kept = [i for i in range(len(series.cycles)) if i != wildest]
    rest = Series(tuple(series.cycles[i] for i in kept), tuple(series.values[i] for i in kept), series.usual_scatter)
    return student_tail(sign * _fit(rest, [shape[i] for i in kept]).z, PRIOR_WEIGHT + len(kept) - 2)


def _lasting(series: Series, change: Change, sign: int) -> bool:
    """At least three of its cycles, the last among them, lie beyond the first level."""
    later = [v for c, v in zip(series.cycles, series.values, strict=True) if c >= change.since]
    beyond = [sign * (v - change.first) > 0.0 for v in later]
    return sum(beyond) >= FROM_ON and any(beyond[-2:])


def _step(cycles: Sequence[int], start: int) -> list[float]:
    return [1.0 if i >= start else 0.0 for i in range(len(cycles))]


def _growth(cycles: Sequence[int], start: int) -> list[float]:
    return [float(max(0, cycle - cycles[start] + 1)) for cycle in cycles]


def _fit(series: Series, shape: Sequence[float]) -> _Fit:
    """First level and size of the change, weighted least squares, reweighted a few times."""
    values, weights = series.values, [1.0] * len(series.values)
    level = slope = error = 0.0
    for _ in range(_ROUNDS):
        level, slope, spread = _weighted(values, shape, weights)
        rest = [v - level - slope * h for v, h in zip(values, shape, strict=True)]
        squares = sum(map(mul, weights, map(mul, rest, rest)))
        freedom = PRIOR_WEIGHT + len(values) - 2
        scatter = sqrt((PRIOR_WEIGHT * series.usual_scatter**2 + squares) / freedom)
        error = scatter / sqrt(spread)
        limit = _HUBER * scatter
        weights = [1.0 if (far := abs(r)) <= limit else limit / far for r in rest]
    return _Fit(level, slope, slope / error)


def _weighted(values: Sequence[float], shape: Sequence[float], weights: Sequence[float]) -> tuple[float, float, float]:
    """Level, slope and the shape's weighted sum of squares about its mean."""
    total = sum(weights)
    mean_h = sum(map(mul, weights, shape)) / total
    mean_v = sum(map(mul, weights, values)) / total
    weighed = [w * (h - mean_h) for w, h in zip(weights, shape, strict=True)]
    spread = sum(map(mul, weighed, [h - mean_h for h in shape]))
    both = sum(map(mul, weighed, [v - mean_v for v in values]))
    slope = both / spread
    return mean_v - slope * mean_h, slope, spread


def student_tail(t: float, freedom: int) -> float:
    """Chance of a Student t above ``t``; closed form for whole degrees of freedom (Abramowitz and Stegun 26.7.3-4)."""
    angle = atan(t / sqrt(freedom))
    c = cos(angle)
    term, total = (c, c) if freedom % 2 else (1.0, 1.0)
    for k in range(3 if freedom % 2 else 2, freedom - 1, 2):
        term *= c * c * (k - 1) / k
        total += term
    return 0.5 - _half(angle, total, freedom)


def _half(angle: float, total: float, freedom: int) -> float:
    sine = sin(angle)
    if freedom == 1:
        return angle / pi
    return (angle + sine * total) / pi if freedom % 2 else sine * total / 2.0
