"""Plain findings about a resin's life: what is seen, what it rests on, how sure it is.

Every finding needs three cycles of a first level and three that have left it. ``LIMIT`` was chosen on simulated lives
(python -m rinsewatch.cli.bench_lives) so that steady resins raise fewer than two false findings in 100 cycles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from rinsewatch.logbook.life import series
from rinsewatch.logbook.life.capacity import CycleFigures
from rinsewatch.logbook.life.change import BEFORE, FROM_ON, Change, Series, find_change
from rinsewatch.logbook.life.records import Indicator, Part
from rinsewatch.logbook.life.series import Values

LIMIT = 0.01  # chance that scatter alone looks so, above which nothing is said
SURE = LIMIT / 20.0  # then "nearly certain"
HINT = 0.05  # enough to support or to contradict a finding, not to be one
# A colour that is hard to judge in one bed of twenty (assumption): three or four of four by accident.
_FADED_CHANCE = 4 * 0.05**3 * 0.95 + 0.05**4
CAPACITY_THERE = 0.85  # share of the first cycles: less is not "there"


class Kind(StrEnum):
    """What a finding says."""

    CAPACITY_FALLING = "capacity falling"
    RINSE_LONGER = "rinse getting longer"
    ANION_SIDE = "anion side"
    CATION_SIDE = "cation side"
    FEED_WORSE = "feed got worse"
    CROSS_CONTAMINATION = "cross-contamination"
    INDICATOR_LOST = "indicator colour lost, capacity there"


class Sureness(StrEnum):
    """How sure a finding is, in words: the chance behind it is that of scatter, not of other causes."""

    LIKELY = "likely"
    SURE = "nearly certain"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One finding. ``cycles``: those it rests on; ``rests_on``: their figures in words.

    ``chance``: that scatter alone would look so; it says nothing of causes that are not on the list.
    """

    kind: Kind
    sentence: str
    rests_on: str
    cycles: tuple[int, ...]
    sure: Sureness
    chance: float

    @property
    def how_sure(self) -> str:
        """'likely: scatter alone looks like this once in 240 times'."""
        times = 1.0 / max(self.chance, 1e-6)
        once = f"once in {10 * round(times / 10)} times" if times < 1e4 else "less than once in 10000 times"
        return f"{self.sure}: scatter alone looks like this {once}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """Every change looked for, None where there is none at all; LIMIT is not applied yet.

    ``known_tails``: parts of which enough rinses are known to say that they have not changed.
    """

    capacity_down: Change | None
    litres_down: Change | None
    feed_up: Change | None
    tails: dict[Part, Change | None]
    known_tails: frozenset[Part]
    floors_up: Change | None
    floor_each: dict[Part, Change | None]
    swelling: Change | None


def all_changes(figures: Sequence[CycleFigures]) -> Changes:
    """Look for each change a finding can rest on."""
    each = {part: series.logs(series.floor_ratios(figures, part), series.FLOOR) for part in Part}
    tails = {part: series.tails(figures, part) for part in Part}
    return Changes(
        capacity_down=_each_way(series.capacities(figures), -1),
        litres_down=find_change(series.litres(figures), -1),
        feed_up=find_change(series.feed(figures), 1),
        tails={part: _each_way(ways, 1) for part, ways in tails.items()},
        known_tails=frozenset(part for part, (one, _) in tails.items() if len(one.cycles) >= BEFORE + FROM_ON),
        floors_up=find_change(series.floors(figures), 1),
        floor_each={part: find_change(one, 1) for part, one in each.items()},
        swelling=find_change(series.volume(figures, Part.CATION), 1),
    )


def _each_way(ways: Sequence[Series], sign: int) -> Change | None:
    """A change that is there whichever way the series is reckoned; the least clear of them."""
    found = [find_change(one, sign) for one in ways]
    known = [change for change in found if change is not None]
    return max(known, key=lambda change: change.chance) if len(known) == len(found) else None


def is_clear(change: Change | None, limit: float = LIMIT) -> bool:
    """Whether scatter alone is too unlikely an explanation."""
    return change is not None and change.chance < limit


def find_all(figures: Sequence[CycleFigures], changes: Changes) -> tuple[Finding, ...]:
    """All findings, the surest first; none if nothing has left its first level."""
    found = [
        _capacity_falling(figures, changes),
        *(_rinse_longer(figures, changes, part) for part in Part),
        _anion_side(figures, changes),
        _cation_side(figures, changes),
        _feed_worse(figures, changes),
        _cross_contamination(figures, changes),
        _indicator_lost(figures, changes),
    ]
    return tuple(sorted((f for f in found if f is not None), key=lambda f: f.chance))


# ---- each finding ---------------------------------------------------------------------------------------------------


def _capacity_falling(figures: Sequence[CycleFigures], changes: Changes) -> Finding | None:
    change = changes.capacity_down
    if change is None or not is_clear(change):
        return None
    known = {f.cycle: f.capacity_eq_l.middle for f in figures if f.capacity_eq_l is not None and f.counts}
    sentence = f"Capacity is falling since about cycle {change.since}.{_less_regenerant(figures, change)}"
    return _finding(Kind.CAPACITY_FALLING, sentence, [_levels("capacity", known, change, "eq/L")], change)


def _rinse_longer(figures: Sequence[CycleFigures], changes: Changes, part: Part) -> Finding | None:
    change = changes.tails[part]
    if change is None or not is_clear(change):
        return None
    sentence = (
        f"The {part} resin takes longer to rinse since about cycle {change.since}. "
        "Of the signs of organic fouling this is the first to show (Abrams 1982); old, cracked beads do it too."
    )
    return _finding(Kind.RINSE_LONGER, sentence, _tail_words(figures, part, change), change)


def _anion_side(figures: Sequence[CycleFigures], changes: Changes) -> Finding | None:
    change = changes.tails[Part.ANION]
    if change is None or not is_clear(change) or not _is_steady(changes, Part.CATION):
        return None
    if is_clear(changes.floors_up):
        return None
    sentence = (
        "It is the anion resin: its rinse has grown and the cation resin's has not. Organic fouling is the usual "
        "cause; common practice is a soak in brine with caustic, as the resin's data sheet allows."
    )
    return _finding(Kind.ANION_SIDE, sentence, _tail_words(figures, Part.ANION, change), change)


def _cation_side(figures: Sequence[CycleFigures], changes: Changes) -> Finding | None:
    tail, swelling = changes.tails[Part.CATION], changes.swelling
    if not _is_steady(changes, Part.ANION) or is_clear(changes.floors_up):
        return None
    clear = [c for c in (tail, swelling) if c is not None and is_clear(c)]
    if not clear:
        return None
    change = min(clear, key=lambda c: c.chance)
    words = _tail_words(figures, Part.CATION, change)
    words.append(_levels("resin volume", _volumes(figures, Part.CATION), change, "mL"))
    more = "it takes more room than it did, as oxidised beads do" if swelling in clear else "its rinse has grown"
    sentence = (
        f"It is the cation resin: {more}, and the anion resin's rinse has not. "
        "Oxidation (chlorine, dissolved oxygen with iron or copper) is the usual cause; it cannot be undone."
    )
    return _finding(Kind.CATION_SIDE, sentence, words, change)


def _is_steady(changes: Changes, part: Part) -> bool:
    """Only a resin whose rinses are known can be said to rinse as it always did."""
    return part in changes.known_tails and not is_clear(changes.tails[part])


def _feed_worse(figures: Sequence[CycleFigures], changes: Changes) -> Finding | None:
    up = changes.feed_up
    if up is None or not is_clear(up) or not is_clear(changes.litres_down, HINT) or is_clear(changes.capacity_down):
        return None
    litres = {f.cycle: f.litres for f in figures if f.litres is not None and f.counts}
    feed = {f.cycle: f.feed_us_cm for f in figures if f.feed_us_cm is not None}
    known = {f.cycle: f.capacity_eq_l.middle for f in figures if f.capacity_eq_l is not None and f.counts}
    words = [_levels("feed", feed, up, "uS/cm"), _levels("litres", litres, up, "L")]
    words.append(_levels("capacity", known, up, "eq/L"))
    sentence = (
        f"Fewer litres since about cycle {up.since} because the feed water got worse, not the resin: "
        "the equivalents removed hold. Look at the membrane before the bed."
    )
    return _finding(Kind.FEED_WORSE, sentence, words, up)


def _cross_contamination(figures: Sequence[CycleFigures], changes: Changes) -> Finding | None:
    change, each = changes.floors_up, changes.floor_each
    if change is None or not is_clear(change) or not all(is_clear(each[part], HINT) for part in Part):
        return None
    words = [
        _levels(f"{part} floor over rinse water", series.floor_ratios(figures, part), change, "times") for part in Part
    ]
    sentence = (
        f"Both resins end their rinses on a higher floor since about cycle {change.since}: beads of one are probably "
        "left in the other (cross-contamination). Separate more carefully; a good separation undoes it."
    )
    return _finding(Kind.CROSS_CONTAMINATION, sentence, words, change)


def _indicator_lost(figures: Sequence[CycleFigures], changes: Changes) -> Finding | None:
    seen = [f for f in figures if f.indicator is not Indicator.NOT_SEEN and f.share is not None]
    faded = [f for f in seen[-4:] if f.indicator is Indicator.FADED]
    shares = [f.share for f in faded if f.share is not None]
    if len(faded) < 3 or seen[-1].indicator is not Indicator.FADED or is_clear(changes.capacity_down, HINT):
        return None
    had_colour = any(f.indicator is not Indicator.FADED for f in seen)
    if not had_colour or median(shares) < CAPACITY_THERE:
        return None
    sentence = "The indicator has lost its colour, the resin not its capacity: go by the treated water's reading."
    cycles = tuple(f.cycle for f in faded)
    rests = f"colour faded in {_list(cycles)}, with {100 * median(shares):.0f} % of the first cycles' capacity there"
    return Finding(
        kind=Kind.INDICATOR_LOST, sentence=sentence, rests_on=rests, cycles=cycles, sure=Sureness.LIKELY,
        chance=_FADED_CHANCE,
    )  # fmt: skip


# ---- words ----------------------------------------------------------------------------------------------------------


def _finding(kind: Kind, sentence: str, words: Sequence[str], change: Change) -> Finding:
    sure = Sureness.SURE if change.chance < SURE else Sureness.LIKELY
    rests = "; ".join(word for word in words if word)
    return Finding(kind=kind, sentence=sentence, rests_on=rests, cycles=change.cycles, sure=sure, chance=change.chance)


def _levels(what: str, values: Values, change: Change, unit: str) -> str:
    """'capacity 0.41 eq/L in cycles 1-5, 0.33 in cycles 6-9' (medians); '' where one side is unknown."""
    before = {c: v for c, v in values.items() if c < change.since}
    later = {c: v for c, v in values.items() if c >= change.since}
    if not before or not later:
        return ""
    was, now = median(before.values()), median(later.values())
    return f"{what} {was:.3g} {unit} in {_list(tuple(before))}, {now:.3g} in {_list(tuple(later))}"


def _tail_words(figures: Sequence[CycleFigures], part: Part, change: Change) -> list[str]:
    return [
        _levels(f"{part} rinse", series.rinse_volumes(figures, part), change, "resin volumes"),
        _levels("slow share", series.slow_shares(figures, part), change, "of the resin volume"),
    ]


def _volumes(figures: Sequence[CycleFigures], part: Part) -> Values:
    return {f.cycle: r.resin_ml for f in figures if (r := f.rinse(part))}


def _list(cycles: tuple[int, ...]) -> str:
    """'cycles 3-6' or 'cycles 3, 5, 6'."""
    if len(cycles) == 1:
        return f"cycle {cycles[0]}"
    if len(cycles) == cycles[-1] - cycles[0] + 1:
        return f"cycles {cycles[0]}-{cycles[-1]}"
    return f"cycles {', '.join(map(str, cycles))}"


def _less_regenerant(figures: Sequence[CycleFigures], change: Change) -> str:
    """A caution if the beds that gave less had also been given less."""
    for what, known in (
        ("caustic", {f.cycle: f.caustic_eq for f in figures if f.caustic_eq is not None}),
        ("acid", {f.cycle: f.acid_eq for f in figures if f.acid_eq is not None}),
    ):
        before = [v for c, v in known.items() if c < change.since]
        later = [v for c, v in known.items() if c >= change.since]
        if before and later and median(later) < 0.85 * median(before):
            return f" But they were given less {what} too: regenerate fully before you blame the resin."
    return ""
