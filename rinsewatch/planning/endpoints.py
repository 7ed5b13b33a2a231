"""The endpoints of one rinse side by side: what each costs in water and what it gives up in capacity."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from rinsewatch.chemistry.breakeven import paying_filtrate_us_cm, price_l
from rinsewatch.chemistry.load import feed_load_eq_l, residue_eq_l, residue_us_cm
from rinsewatch.errors import QuantityError
from rinsewatch.planning.schedule import Count, count_portions
from rinsewatch.planning.washout import KINDS, MOST_PORTIONS, USUAL, Kind, course, state_after

# "Reads like the rinse water": within half a display step, or a tenth where the display is finer than that.
LIKE_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Waters:
    """Feed and rinse water on the meter, uS/cm; ``step_us_cm``: one digit of its display."""

    feed_us_cm: float
    rinse_water_us_cm: float
    step_us_cm: float


@dataclass(frozen=True, slots=True)
class Rinse:
    """What is rinsed: ``residue`` of ``start_eq_l`` out of ``resin_ml`` mL; it wears ``opposite_eq`` of capacity."""

    residue: str
    resin_ml: float
    start_eq_l: float
    portion_ml: float
    opposite_eq: float


@dataclass(frozen=True, slots=True)
class End:
    """One endpoint. ``target_us_cm``: filtrate on the meter; None: there is none (see ``why``).

    Given up: residue left in the usual bed, in eq, as a share of the other resin, and in litres of feed water that
    will not be treated.
    """

    name: str
    target_us_cm: float | None
    count: Count
    given_up_eq: float | None
    given_up_share: float | None
    given_up_l: float | None
    why: str = ""


def endpoint_us_cm(waters: Waters, name: str) -> float:
    """Target of ``feed`` or ``zero`` on the meter, uS/cm; a displayed 0 stands for half a step."""
    if name == "feed":
        return max(waters.feed_us_cm, waters.step_us_cm / 2.0)
    water = waters.rinse_water_us_cm
    return water + max(waters.step_us_cm / 2.0, LIKE_SHARE * water)


def ends(rinse: Rinse, waters: Waters, value_us_cm: float | None = None) -> tuple[End, ...]:
    """feed, zero, break-even, and a reading of one's own if given. Error: QuantityError."""
    made = [end_at(name, rinse, waters, endpoint_us_cm(waters, name)) for name in ("feed", "zero")]
    made.append(break_even_end(rinse, waters))
    if value_us_cm is not None:
        made.append(end_at("value", rinse, waters, value_us_cm))
    return tuple(made)


def end_at(name: str, rinse: Rinse, waters: Waters, target_us_cm: float) -> End:
    """The rinse down to a reading. The rinse water's own reading does not come from the residue."""
    above_us_cm = target_us_cm - waters.rinse_water_us_cm
    if not above_us_cm > 0.0:
        nowhere = Count(None, None, None, rinse.portion_ml)
        return End(name, target_us_cm, nowhere, None, None, None, "not above the rinse water: no rinse gets there")
    target_eq_l = residue_eq_l(rinse.residue, above_us_cm)
    count = count_portions(rinse.resin_ml, rinse.start_eq_l, rinse.portion_ml, target_eq_l)
    return _priced(name, rinse, waters, target_us_cm, count)


def break_even_end(rinse: Rinse, waters: Waters) -> End:
    """Where the next portion takes out less than the feed water it costs would have worn."""
    try:
        paying_us_cm = paying_filtrate_us_cm(rinse.residue, waters.feed_us_cm)
    except QuantityError:
        nowhere = Count(None, None, None, rinse.portion_ml)
        return End("break-even", None, nowhere, None, None, None, "the feed reads like pure water: nothing to weigh")
    load_eq_l = residue_eq_l(rinse.residue, paying_us_cm)
    easy, usual, hard = (_paying_portions(kind, rinse, load_eq_l) for kind in KINDS)
    count = Count(easy, usual, hard, rinse.portion_ml)
    target_us_cm = None
    if usual is not None:
        state = state_after(USUAL.bed(rinse.resin_ml), USUAL.start(rinse.start_eq_l), rinse.portion_ml, usual)
        target_us_cm = waters.rinse_water_us_cm + residue_us_cm(rinse.residue, state.filtrate)
    return _priced("break-even", rinse, waters, target_us_cm, count)


def _paying_portions(kind: Kind, rinse: Rinse, load_eq_l: float) -> int | None:
    """Portions that pay: the last one still took out more than it cost."""
    bed = kind.bed(rinse.resin_ml)
    states = course(bed, kind.start(rinse.start_eq_l), rinse.portion_ml)
    for number, (_, after) in zip(range(MOST_PORTIONS), pairwise(states), strict=False):
        if after.filtrate * (1.0 - bed.bypass) < load_eq_l:  # what ran past took nothing along
            return number
    return None


def _priced(name: str, rinse: Rinse, waters: Waters, target_us_cm: float | None, count: Count) -> End:
    if count.usual is None:
        return End(name, target_us_cm, count, None, None, None, f"not within {MOST_PORTIONS} portions")
    bed = USUAL.bed(rinse.resin_ml)
    left_eq = state_after(bed, USUAL.start(rinse.start_eq_l), rinse.portion_ml, count.usual).left_eq(bed)
    share = left_eq / rinse.opposite_eq if rinse.opposite_eq > 0.0 else None
    load_eq_l = feed_load_eq_l(waters.feed_us_cm, rinse.residue).middle
    lost_l = price_l(left_eq, load_eq_l) if load_eq_l > 0.0 else None
    return End(name, target_us_cm, count, left_eq, share, lost_l)
