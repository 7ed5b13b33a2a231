"""Equivalents and operating capacity of each cycle, and how it compares with the first ones."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache
from statistics import median

from rinsewatch.chemistry.load import feed_load_eq_l
from rinsewatch.chemistry.resin import Range, ResinKind
from rinsewatch.errors import QuantityError
from rinsewatch.logbook.life.limit import limit_eq_l
from rinsewatch.logbook.life.records import History, Indicator, Part, Regeneration, Resin, RinseSummary, ServiceRun

FIRST_CYCLES = 5  # their median is "the first cycles"; fewer while there are fewer, three at least
FEWEST = 3
# Changed at less than this share of the reading at which this bed is usually changed: not run to its end.
EARLY_SHARE = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleFigures:
    """One cycle: what was noted and what follows. None: not noted or cannot be said.

    ``equivalents``: removed from the feed, eq; ``capacity_eq_l``: per litre of both resins; both as ranges, since
    conductivity tells the load only roughly. ``share``: of the first cycles' capacity; there the roughness cancels.
    ``remark``: why the cycle does not count in the trend of capacity; "" if it does. Rinses: resin volumes of water.
    """

    cycle: int
    installed: date | None = None
    removed: date | None = None
    litres: float | None = None
    feed_us_cm: float | None = None
    change_us_cm: float | None = None
    indicator: Indicator = Indicator.NOT_SEEN
    equivalents: Range | None = None
    capacity_eq_l: Range | None = None
    share: float | None = None
    remark: str = ""
    anion: RinseSummary | None = None
    cation: RinseSummary | None = None
    caustic_eq: float | None = None
    acid_eq: float | None = None

    @property
    def counts(self) -> bool:
        """Whether its capacity takes part in trends and findings."""
        return self.capacity_eq_l is not None and not self.remark

    def rinse(self, part: Part) -> RinseSummary | None:
        """The rinse of one of the two resins."""
        return self.anion if part is Part.ANION else self.cation


def equivalents_removed(litres: float, feed_us_cm: float, kind: ResinKind | None = None) -> Range:
    """eq taken out of ``litres`` of RO permeate of this conductivity (25 C) by a mixed bed or by one resin alone.

    A cation resin alone is not used up by carbon dioxide. Error: QuantityError for what is no feed water.
    """
    return _load_eq_l(feed_us_cm, kind).times(litres)


@lru_cache(maxsize=4096)
def _load_eq_l(feed_us_cm: float, kind: ResinKind | None) -> Range:
    """The same few readings come back in a long life."""
    # The load is asked for by residue: caustic left behind uses up the cation resin, acid the anion resin.
    return feed_load_eq_l(feed_us_cm, "NaOH" if kind is ResinKind.STRONG_ACID else None)


def operating_capacity_eq_l(equivalents: Range, resin_ml: float) -> Range:
    """eq per litre of resin; error: QuantityError for a volume of 0 or less."""
    if not resin_ml > 0.0:
        raise QuantityError(f"resin volume: {resin_ml:g} mL cannot be; it must be above 0")
    return equivalents.times(1000.0 / resin_ml)


def is_possible(capacity_eq_l: Range, kind: ResinKind | None = None) -> bool:
    """False if not even the low end is within what the bed can hold: litres, feed or volume must be wrong."""
    return capacity_eq_l.low <= limit_eq_l(kind)


def cycle_figures(history: History) -> tuple[CycleFigures, ...]:
    """All cycles of which anything is known, in order."""
    usual = [run.change_us_cm for run in history.runs if run.change_us_cm is not None]
    usual_us_cm = median(usual) if len(usual) >= FEWEST else None
    resin = history.resin
    figures = [_one(noted, cycle, resin, usual_us_cm) for cycle, noted in sorted(_by_cycle(history).items())]
    first = first_capacity(figures)
    return tuple(figures if first is None else [_with_share(f, first) for f in figures])


@dataclass(slots=True)
class _Noted:
    """All records of one cycle."""

    run: ServiceRun | None = None
    rinses: dict[Part, RinseSummary] = field(default_factory=dict)
    doses: list[Regeneration] = field(default_factory=list)


def _by_cycle(history: History) -> dict[int, _Noted]:
    noted: defaultdict[int, _Noted] = defaultdict(_Noted)
    for run in history.runs:
        noted[run.cycle].run = run
    for rinse in sorted(history.rinses, key=lambda r: r.on):  # the last one of a part ended the cycle's rinsing
        noted[rinse.cycle].rinses[rinse.part] = rinse
    for dose in history.regenerations:
        noted[dose.cycle].doses.append(dose)
    return noted


def first_capacity(figures: Sequence[CycleFigures]) -> float | None:
    """Median capacity (middle of the range) of the first cycles that count, eq/L; None while fewer than three do."""
    counted = [f.capacity_eq_l.middle for f in figures if f.capacity_eq_l is not None and f.counts]
    return median(counted[:FIRST_CYCLES]) if len(counted) >= FEWEST else None


def _one(noted: _Noted, cycle: int, resin: Resin, usual_us_cm: float | None) -> CycleFigures:
    run = noted.run
    feed = _feed(run, list(noted.rinses.values()))
    removed = None if run is None or feed is None else _possible_load(run.litres, feed, resin.kind)
    capacity = None if removed is None else operating_capacity_eq_l(removed, resin.resin_ml)
    return CycleFigures(
        cycle=cycle,
        installed=run.installed if run else None,
        removed=run.removed if run else None,
        litres=run.litres if run else None,
        feed_us_cm=feed,
        change_us_cm=run.change_us_cm if run else None,
        indicator=run.indicator if run else Indicator.NOT_SEEN,
        equivalents=removed,
        capacity_eq_l=capacity,
        remark=_unusable(run, feed, capacity, resin.kind) or _early(run, usual_us_cm),
        anion=noted.rinses.get(Part.ANION),
        cation=noted.rinses.get(Part.CATION),
        caustic_eq=_sum([d.caustic_eq for d in noted.doses]),
        acid_eq=_sum([d.acid_eq for d in noted.doses]),
    )


def _possible_load(litres: float, feed_us_cm: float, kind: ResinKind | None) -> Range | None:
    """None for what is no feed water: one slip of the pen must not hide a whole life."""
    try:
        return equivalents_removed(litres, feed_us_cm, kind)
    except QuantityError:
        return None


def _feed(run: ServiceRun | None, rinses: Sequence[RinseSummary]) -> float | None:
    """The run's feed reading; failing that, the one its rinses were measured against."""
    if run is not None and run.feed_us_cm is not None:
        return run.feed_us_cm
    noted = [r.feed_us_cm for r in rinses if r.feed_us_cm]
    return median(noted) if noted else None


def _unusable(run: ServiceRun | None, feed: float | None, capacity: Range | None, kind: ResinKind | None) -> str:
    if run is None:
        return "no service run noted"
    if feed is None:
        return "feed reading missing"
    if capacity is None:
        return f"impossible: {feed:g} uS/cm is no feed water for such a bed; correct the feed reading"
    if not is_possible(capacity, kind):
        return f"impossible: above {limit_eq_l(kind):.2f} eq/L; check litres, feed and resin volume"
    return ""


def _early(run: ServiceRun | None, usual_us_cm: float | None) -> str:
    change_us_cm = run.change_us_cm if run else None
    if not usual_us_cm or change_us_cm is None or change_us_cm >= EARLY_SHARE * usual_us_cm:
        return ""
    return f"changed early, at {change_us_cm:g} uS/cm (usually {usual_us_cm:.2g}): capacity at least this"


def _sum(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return sum(known) if known else None


def _with_share(figures: CycleFigures, first_eq_l: float) -> CycleFigures:
    if figures.capacity_eq_l is None or figures.remark.startswith("impossible"):
        return figures
    return replace(figures, share=figures.capacity_eq_l.middle / first_eq_l)
