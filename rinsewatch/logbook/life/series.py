"""Figures of the cycles as series of logarithms: ratios become differences, scatter of 7 % becomes 0.07."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import log, sqrt
from statistics import median

from rinsewatch.chemistry.load import feed_load_eq_l
from rinsewatch.logbook.life.capacity import FIRST_CYCLES, CycleFigures
from rinsewatch.logbook.life.change import Series
from rinsewatch.logbook.life.records import Part, RinseSummary

# What a steady resin's figures scatter by from cycle to cycle, as shares: assumptions, each soon outweighed by the
# resin's own scatter. Litres and rinse volumes 5-10 %; the slow share is a fitted figure and wanders more.
LITRES, CAPACITY, FEED, RINSE, SLOW, FLOOR, VOLUME = 0.08, 0.10, 0.10, 0.08, 0.22, 0.15, 0.02

# Carbon dioxide that comes through a membrane: one to several mg/L (common practice, no source).
MUCH_CO2_MG_L = 3.0

# Resin volumes that bring the tail of a rinse down by a factor e: three at most, an assumption on the safe side.
TAIL_FOLD_VOLUMES = 3.0

Values = dict[int, float]


def litres(figures: Sequence[CycleFigures]) -> Series:
    """Litres of the runs that count."""
    return _series({f.cycle: log(f.litres) for f in figures if f.litres and f.counts}, LITRES)


def capacities(figures: Sequence[CycleFigures]) -> list[Series]:
    """Capacity of the runs that count, reckoned in three ways: middle and low end of the load, much carbon dioxide.

    They fall together unless the feed changed too, and then nobody knows better.
    """
    known = [f for f in figures if f.capacity_eq_l and f.litres and f.feed_us_cm and f.counts]
    ways: list[Callable[[float], float]] = [
        lambda feed: feed_load_eq_l(feed).middle,
        lambda feed: feed_load_eq_l(feed).low,
        lambda feed: feed_load_eq_l(feed, co2_mg_l=MUCH_CO2_MG_L).high,
    ]
    loads = [{f.cycle: (f.litres or 0.0) * way(f.feed_us_cm or 0.0) for f in known} for way in ways]
    return [_series({c: log(v) for c, v in one.items() if v > 0.0}, CAPACITY) for one in loads]


def feed(figures: Sequence[CycleFigures]) -> Series:
    """The feed's conductivity."""
    return _series({f.cycle: log(f.feed_us_cm) for f in figures if f.feed_us_cm}, FEED)


def volume(figures: Sequence[CycleFigures], part: Part) -> Series:
    """Settled volume of one of the resins."""
    return _series({f.cycle: log(r.resin_ml) for f in figures if (r := f.rinse(part))}, VOLUME)


def rinse_volumes(figures: Sequence[CycleFigures], part: Part, fold_volumes: float = 0.0) -> Values:
    """Rinse water in resin volumes per cycle, of the rinses to the same endpoint as the latest one.

    ``fold_volumes``: corrected to the first such rinse's target, if so many resin volumes lower it by a factor e.
    """
    done = [(f.cycle, r) for f in figures if (r := f.rinse(part)) and r.endpoint_ml]
    same = [(cycle, r) for cycle, r in done if r.endpoint == done[-1][1].endpoint]
    first = next((target for _, r in same if (target := _target_us_cm(r))), None)
    found = {}
    for cycle, r in same:
        target = _target_us_cm(r)
        more = fold_volumes * log(first / target) if first and target else 0.0
        found[cycle] = max((r.endpoint_ml or 0.0) / r.resin_ml - more, 0.1)
    return found


def _target_us_cm(rinse: RinseSummary) -> float | None:
    """How far above its floor a rinse to the feed reading ends, never less than a twentieth; None: another endpoint."""
    if rinse.endpoint != "feed" or not rinse.feed_us_cm:
        return None
    return max(rinse.feed_us_cm - (rinse.floor_us_cm or 0.0), 0.05 * rinse.feed_us_cm)


def slow_shares(figures: Sequence[CycleFigures], part: Part) -> Values:
    """Slow share per cycle; zeros are left out: too little to be seen."""
    return {f.cycle: r.slow_share for f in figures if (r := f.rinse(part)) and r.slow_share}


def floor_ratios(figures: Sequence[CycleFigures], part: Part) -> Values:
    """Floor over the rinse water's own reading; of the floor alone if that is never known."""
    rinses = [(f.cycle, r) for f in figures if (r := f.rinse(part)) and r.floor_us_cm]
    if any(r.water_us_cm for _, r in rinses):
        return {c: r.floor_us_cm / r.water_us_cm for c, r in rinses if r.floor_us_cm and r.water_us_cm}
    return {c: r.floor_us_cm for c, r in rinses if r.floor_us_cm}


def tails(figures: Sequence[CycleFigures], part: Part) -> list[Series]:
    """How slowly a resin rinses: volume and slow share together, in their usual scatters.

    Reckoned twice, without and with a generous correction for the target: a rinse to the feed reading gets longer when
    the feed gets better, and that is not the resin.
    """
    slow = (slow_shares(figures, part), SLOW)
    return [pooled([(rinse_volumes(figures, part, fold), RINSE), slow]) for fold in (0.0, TAIL_FOLD_VOLUMES)]


def floors(figures: Sequence[CycleFigures]) -> Series:
    """The floors of both resins together."""
    return pooled([(floor_ratios(figures, part), FLOOR) for part in Part])


def logs(values: Values, usual: float) -> Series:
    """One figure as a series."""
    return _series(_mapped(values, log), usual)


def pooled(parts: Sequence[tuple[Values, float]]) -> Series:
    """Several figures as one: each as its distance from its first level in usual scatters, their sum scaled to 1."""
    scaled = [_distances(values, usual) for values, usual in parts]
    cycles = sorted({cycle for values in scaled for cycle in values})
    there = {cycle: [values[cycle] for values in scaled if cycle in values] for cycle in cycles}
    return _series({cycle: sum(v) / sqrt(len(v)) for cycle, v in there.items()}, 1.0)


def _distances(values: Values, usual: float) -> Values:
    first = [log(values[cycle]) for cycle in sorted(values)[:FIRST_CYCLES]]
    return {cycle: (log(v) - median(first)) / usual for cycle, v in values.items()}


def _mapped(values: Values, function: Callable[[float], float]) -> Values:
    return {cycle: function(v) for cycle, v in values.items()}


def _series(values: Values, usual: float) -> Series:
    cycles = tuple(sorted(values))
    return Series(cycles, tuple(values[c] for c in cycles), usual)
