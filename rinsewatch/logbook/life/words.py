"""Trend and forecast in plain sentences."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from math import ceil, isfinite

from rinsewatch.logbook.life.forecast import Forecast, NotIdentified
from rinsewatch.logbook.life.trend import Trend


def trend_sentence(name: str, unit: str, trend: Trend, cycles: Sequence[int]) -> str:
    """'anion rinse: +0.31 resin volumes a cycle (90 % interval +0.2 to +0.5), cycles 1-12'."""
    span = f"cycles {cycles[0]}-{cycles[-1]}"
    if not isfinite(trend.low):
        return f"{name}: {trend.points} cycles are too few for a trend with an interval ({span})."
    edges = f"90 % interval {_signed(trend.low)} to {_signed(trend.high)}"
    if not trend.identified:
        return f"{name}: no trend identified; {edges} {unit} a cycle, {span}."
    return f"{name}: {_signed(trend.slope)} {unit} a cycle ({edges}), {span}."


def _whole(cycle: float) -> int:
    """The first whole cycle below the threshold; a hair above a whole one is that one."""
    return ceil(round(cycle, 6))


def _signed(value: float) -> str:
    """Two figures that count, never an exponent."""
    places = 0 if abs(value) >= 10.0 else 1 if abs(value) >= 1.0 else 2 if abs(value) >= 0.1 else 4
    return f"{value:+.{places}f}"


def forecast_sentence(ahead: Forecast | NotIdentified) -> str:
    """When the threshold is reached, from when to when, and on what that rests."""
    share = f"{100.0 * ahead.threshold:.0f} % of the first cycles' capacity"
    if isinstance(ahead, NotIdentified):
        return f"When it falls below {share}: {ahead.reason}."
    late = f"cycle {_whole(ahead.high)}" if isfinite(ahead.high) else "no end in sight"
    days = _days(ahead.low_day, ahead.day, ahead.high_day)
    passed = "has probably fallen" if ahead.cycle <= ahead.last else "falls"
    return (
        f"At this trend it {passed} below {share} in cycle {_whole(ahead.cycle)}, "
        f"90 % interval cycle {_whole(ahead.low)} to {late}{days}. Rests on {ahead.trend.points} cycles from "
        f"{ahead.since} on, {100.0 * ahead.trend.slope:+.1f} points a cycle."
    )


def _days(low: date | None, middle: date | None, high: date | None) -> str:
    if middle is None:
        return "; no date, since the runs' dates are missing"
    early = low.isoformat() if low else "?"
    late = high.isoformat() if high else "open"
    return f"; at the present pace {middle.isoformat()} ({early} to {late})"
