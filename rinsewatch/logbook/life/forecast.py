"""When does the capacity fall below the person's threshold? With an interval, or with the reason why nobody can say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import pairwise
from math import inf, sqrt
from statistics import median

from rinsewatch.logbook.life.capacity import FEWEST, FIRST_CYCLES, CycleFigures
from rinsewatch.logbook.life.change import PRIOR_WEIGHT, Change
from rinsewatch.logbook.life.series import CAPACITY
from rinsewatch.logbook.life.trend import Trend, theil_sen

FARTHEST = 200  # cycles ahead; beyond it a forecast is not worth its name
_Z = 1.645  # half of the 90 % interval of a normal error
_PACE_CYCLES = 5


@dataclass(frozen=True, slots=True)
class Forecast:
    """The line through the counted cycles from ``since`` on crosses ``threshold`` (share of the first cycles).

    ``cycle`` with a 5-95 % interval from ``low`` to ``high`` (inf: no end in sight); ``last``: the latest counted one;
    dates if the pace is known.
    """

    threshold: float
    since: int
    last: int
    trend: Trend
    cycle: float
    low: float
    high: float
    day: date | None = None
    low_day: date | None = None
    high_day: date | None = None


@dataclass(frozen=True, slots=True)
class NotIdentified:
    """No forecast, and why."""

    threshold: float
    reason: str


def forecast(figures: Sequence[CycleFigures], falling: Change | None, threshold: float) -> Forecast | NotIdentified:
    """Theil-Sen on the shares since the capacity began to fall (on all of them if no beginning is known)."""
    counted = [(f.cycle, f.share) for f in figures if f.counts and f.share is not None]
    since = _line_begins([c for c, _ in counted], falling)
    points = [(c, share) for c, share in counted if c >= since]
    if len(points) < FEWEST + 1:
        count = sum(f.counts and f.cycle >= since for f in figures)
        return NotIdentified(threshold, f"not identified: {count} cycles that count; a trend needs four")
    trend = theil_sen([c for c, _ in points], [share for _, share in points])
    last = points[-1][0]
    if not trend.identified:
        return NotIdentified(threshold, _unclear(trend, since, last))
    if trend.slope > 0.0:
        return NotIdentified(threshold, f"not identified: capacity rises over cycles {since} to {last}")
    found = _crossing(trend, threshold, since, last)
    if found.low == inf:
        return NotIdentified(threshold, f"not within {FARTHEST} cycles, so slowly does the capacity fall")
    return _dated(found, figures)


def _line_begins(cycles: Sequence[int], falling: Change | None) -> int:
    """The last cycle before the fall belongs to the line; too short a line is lengthened backwards to four."""
    if not cycles or falling is None:
        return cycles[0] if cycles else 0
    before = [c for c in cycles if c < falling.since]
    begin = before[-1] if before else falling.since
    return min(begin, cycles[max(0, len(cycles) - FEWEST - 1)])


def _unclear(trend: Trend, since: int, last: int) -> str:
    if trend.points < FEWEST + 1 or trend.low == -inf:
        return f"not identified: {trend.points} cycles are too few for an interval"
    low, high = 100.0 * trend.low, 100.0 * trend.high
    return (
        f"not identified: over cycles {since} to {last} the capacity changes by {low:+.1f} to {high:+.1f} "
        "points a cycle, which may be nothing at all"
    )


def _crossing(trend: Trend, threshold: float, since: int, last: int) -> Forecast:
    """Where the line, and the edges of its band, meet the threshold."""
    cycle = trend.centre + (threshold - trend.level) / trend.slope
    low = _meets(trend, threshold, trend.low, -1.0)
    high = _meets(trend, threshold, trend.high, 1.0)
    return Forecast(threshold, since, last, trend, cycle, low, high)


def _meets(trend: Trend, threshold: float, edge_slope: float, side: float) -> float:
    """First cycle at which an edge of the line's band is below the threshold; halving the interval.

    The band: the level at the centre is uncertain as a median is (1.2533 scatter / sqrt n, normal scatter), and so is
    the first level that the threshold is a share of; the slope has its own interval. Nearly independent there.
    """
    variance = (PRIOR_WEIGHT * CAPACITY**2 + trend.points * trend.scatter**2) / (PRIOR_WEIGHT + trend.points)
    level = _Z * 1.2533 * sqrt(variance * (1.0 / trend.points + threshold**2 / FIRST_CYCLES))

    def edge(cycle: float) -> float:
        away = cycle - trend.centre
        lean = (edge_slope if away > 0.0 else _other(trend, edge_slope)) - trend.slope
        return trend.at(cycle) + side * sqrt(level**2 + (lean * away) ** 2)

    low, high = trend.centre - FARTHEST, trend.centre + FARTHEST
    if edge(high) > threshold:
        return inf
    for _ in range(50):
        middle = (low + high) / 2.0
        low, high = (middle, high) if edge(middle) > threshold else (low, middle)
    return high


def _other(trend: Trend, edge_slope: float) -> float:
    return trend.low if edge_slope == trend.high else trend.high


def _dated(found: Forecast, figures: Sequence[CycleFigures]) -> Forecast:
    """The same with dates, at the pace of the latest cycles."""
    installed = [(f.cycle, f.installed) for f in figures if f.installed is not None]
    latest = installed[-_PACE_CYCLES - 1 :]
    paces = [(b - a).days / (j - i) for (i, a), (j, b) in pairwise(latest) if j > i and b > a]
    if not paces:
        return found
    cycle, begun = latest[-1]
    days = median(paces)

    def day(at: float) -> date | None:
        ahead = (at - cycle) * days
        return begun + timedelta(days=round(ahead)) if abs(ahead) < 36_525 else None

    return replace(found, day=day(found.cycle), low_day=day(found.low), high_day=day(found.high))
