"""A resin's life in one call: figures per cycle, trends, forecast, findings, and each in a plain sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rinsewatch.logbook.life import series
from rinsewatch.logbook.life.capacity import FEWEST, FIRST_CYCLES, CycleFigures, cycle_figures, first_capacity
from rinsewatch.logbook.life.change import BEFORE, FROM_ON, Change
from rinsewatch.logbook.life.findings import Changes, Finding, all_changes, find_all, is_clear
from rinsewatch.logbook.life.forecast import Forecast, NotIdentified, forecast
from rinsewatch.logbook.life.records import History, Part, Resin
from rinsewatch.logbook.life.series import Values
from rinsewatch.logbook.life.trend import Trend, theil_sen
from rinsewatch.logbook.life.words import forecast_sentence, trend_sentence

MOST_CYCLES = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedTrend:
    """Theil-Sen over all cycles of one figure: ``name``, its ``unit`` and a sentence."""

    name: str
    unit: str
    trend: Trend
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ResinLife:
    """All that can be said. ``first_eq_l``: capacity of the first cycles, None while fewer than three count.

    ``notes``: what is missing and which cycles do not count, one sentence each.
    """

    resin: Resin
    cycles: tuple[CycleFigures, ...]
    first_eq_l: float | None
    trends: tuple[NamedTrend, ...]
    forecast: Forecast | NotIdentified
    forecast_sentence: str
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]


def resin_life(history: History) -> ResinLife:
    """Compute it. Error: QuantityError for a feed that is no feed water."""
    everything = cycle_figures(history)
    figures = _looked_at(everything)
    changes = all_changes(figures)
    ahead = forecast(figures, _turning_point(changes), history.resin.discard_share)
    return ResinLife(
        resin=history.resin,
        cycles=everything,
        first_eq_l=first_capacity(figures),
        trends=_trends(figures),
        forecast=ahead,
        forecast_sentence=forecast_sentence(ahead),
        findings=find_all(figures, changes),
        notes=_notes(everything),
    )


def _looked_at(figures: Sequence[CycleFigures]) -> tuple[CycleFigures, ...]:
    """In a very long life the first cycles and the latest ones: what is between tells nothing new, and takes time."""
    if len(figures) <= MOST_CYCLES:
        return tuple(figures)
    return (*figures[:FIRST_CYCLES], *figures[FIRST_CYCLES - MOST_CYCLES :])


def _turning_point(changes: Changes) -> Change | None:
    """Since when this resin is another one: by its capacity or, earlier to be seen, by its rinses."""
    clear = [c for c in (changes.capacity_down, *changes.tails.values()) if c is not None and is_clear(c)]
    return clear[0] if clear else None


def _trends(figures: Sequence[CycleFigures]) -> tuple[NamedTrend, ...]:
    capacity = {f.cycle: f.capacity_eq_l.middle for f in figures if f.capacity_eq_l is not None and f.counts}
    named: list[tuple[str, str, Values]] = [("capacity", "eq/L", capacity)]
    named.append(("litres", "L", {f.cycle: f.litres for f in figures if f.litres is not None and f.counts}))
    for part in Part:
        named.append((f"{part} rinse", "resin volumes", series.rinse_volumes(figures, part)))
        named.append((f"{part} slow share", "of the resin volume", series.slow_shares(figures, part)))
    return tuple(_named(*one) for one in named if len(one[2]) >= FEWEST)


def _named(name: str, unit: str, values: Values) -> NamedTrend:
    cycles = sorted(values)
    trend = theil_sen(cycles, [values[c] for c in cycles])
    return NamedTrend(name=name, unit=unit, trend=trend, sentence=trend_sentence(name, unit, trend, cycles))


def _notes(figures: Sequence[CycleFigures]) -> tuple[str, ...]:
    notes = [f"Cycle {f.cycle} does not count for capacity: {f.remark}." for f in figures if f.remark]
    counted = sum(f.counts for f in figures)
    if len(figures) > MOST_CYCLES:
        notes.append(f"Trends and findings use the first {FIRST_CYCLES} and the latest cycles, {MOST_CYCLES} in all.")
    if counted < BEFORE + FROM_ON:
        notes.append(
            f"{counted} cycles count for capacity; findings need {BEFORE} of a first level and {FROM_ON} off it."
        )
    return tuple(notes)
