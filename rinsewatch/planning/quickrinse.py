"""The quick rinse between the separation liquor and a regenerant.

Caustic left in the cation resin would eat acid and heat up under it; brine left in either resin works against the
regenerant. A few portions are enough, no meter is needed.
"""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.planning.recipe import Recipe
from rinsewatch.planning.schedule import Count
from rinsewatch.planning.spent import neutralising_kj_eq, rise_c
from rinsewatch.planning.washout import KINDS, MOST_PORTIONS, USUAL, Bed, Kind, State, course, state_after

# Liquor still in the bed: its share of the regenerant, and how much it may warm the bed. Our choice.
SHARE_LEFT = 0.05
MOST_RISE_C = 3.0


@dataclass(frozen=True, slots=True)
class QuickRinse:
    """Portions of the quick rinse. ``left_share``: what is left, over the regenerant's equivalents.

    ``rise_without_c``: of the drained bed's own liquid if the acid came without this rinse, 0 for brine.
    """

    solute: str
    count: Count
    left_eq: float | None
    left_share: float | None
    share_without: float
    rise_without_c: float


def quick_rinse(resin_ml: float, wet: Recipe, wet_eq_l: float, portion_ml: float, after: Recipe) -> QuickRinse:
    """Portions until what is left of ``wet`` (at ``wet_eq_l`` eq/L) can do no harm under ``after``."""
    heats = wet.solute != "NaCl"
    numbers = [_portions(kind, resin_ml, wet_eq_l, portion_ml, after, heats=heats) for kind in KINDS]
    bed, start = USUAL.bed(resin_ml), USUAL.start(wet_eq_l)
    before_eq = start.left_eq(bed)
    left_eq = None
    if numbers[1] is not None:
        left_eq = state_after(bed, start, portion_ml, numbers[1]).left_eq(bed)
    return QuickRinse(
        solute=wet.solute,
        count=Count(numbers[0], numbers[1], numbers[2], portion_ml),
        left_eq=left_eq,
        left_share=None if left_eq is None else left_eq / after.eq,
        share_without=before_eq / after.eq,
        rise_without_c=_rise_c(before_eq, bed, after) if heats else 0.0,
    )


def _portions(
    kind: Kind, resin_ml: float, wet_eq_l: float, portion_ml: float, after: Recipe, *, heats: bool
) -> int | None:
    bed = kind.bed(resin_ml)
    states = course(bed, kind.start(wet_eq_l), portion_ml)
    for number, state in zip(range(MOST_PORTIONS), states, strict=False):
        if _harmless(state, bed, after, heats=heats):
            return number
    return None


def _harmless(state: State, bed: Bed, after: Recipe, *, heats: bool) -> bool:
    left_eq = state.left_eq(bed)
    return left_eq <= SHARE_LEFT * after.eq and (not heats or _rise_c(left_eq, bed, after) <= MOST_RISE_C)


def _rise_c(eq: float, bed: Bed, acid: Recipe) -> float:
    """Of the liquid in the drained bed and as much acid again: the first splash, before it spreads."""
    return rise_c(eq, 2.0 * (bed.entrained_ml + bed.slow_ml), neutralising_kj_eq(acid.solute))
