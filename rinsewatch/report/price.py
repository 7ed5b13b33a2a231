"""What a rinse cost and what it gave up: water used and saved, residue left in the bed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import exp, log

from rinsewatch.chemistry.breakeven import paying_filtrate_us_cm
from rinsewatch.chemistry.load import feed_load_eq_l, residue_eq_l
from rinsewatch.chemistry.resin import CAPACITY_EQ_L, Range, ResinKind
from rinsewatch.errors import QuantityError
from rinsewatch.rinse.setup import Residue, RinseSetup
from rinsewatch.rinse.state import RinseState

# What people pour who do not measure: a fixed number of resin volumes; 8 to 15 are heard of. Common practice, no
# source; the benchmark's control pours as many.
USUAL_RESIN_VOLUMES = 12.0
# eq/L of caustic that carbon dioxide turns into bicarbonate, hardly seen by a meter (chemistry/load.py).
HIDDEN_CAUSTIC_EQ_L = 20e-6
MOST_LIQUID = 0.7  # of the resin volume, entrained and slow: the high end of what is usual (common practice, no source)
# What the forecast's band does not know: meters correct temperature by 2 %/C, caustic and acid need 1.7 and 1.4 (6 %
# off ten degrees away), and a sum along the band is no quantile of its own. Set on 30 simulated rinses, then checked.
READING_ROOM = 1.15
VAGUE = 20.0  # times: an interval so wide only tells its upper end
# Residue that is still washed out is followed this far; later it is taken to fall on as it did at the end.
_LEAST_US_CM = 1e-6

Band = Sequence[tuple[float, float, float, float]]


@dataclass(frozen=True, slots=True)
class Left:
    """Residue left in the bed, eq: 5 %, median, 95 % of the forecast, for caustic with what carbon dioxide may hide.

    ``opposite_ml``: so much of the opposite resin it uses up; ``feed_l``: so much feed water that will not be treated
    (None: the feed is not known or no load); ``even_us_cm``: filtrate above which one more portion pays.
    """

    eq: Range
    likely_eq: float
    opposite_ml: Range
    feed_l: Range | None
    even_us_cm: float | None

    @property
    def vague(self) -> bool:
        """Whether only "less than" can be said: the filtrate is too near its floor."""
        return self.eq.high > VAGUE * self.eq.low


@dataclass(frozen=True, slots=True)
class Water:
    """mL: poured in all, until the stop (None: none), and by a usual practice that does not measure."""

    used_ml: float
    stop_ml: float | None
    usual_ml: float

    @property
    def saved_ml(self) -> float:
        """Against the usual practice; negative: it would have poured less."""
        return self.usual_ml - self.used_ml


def water(stop: RinseState | None, last: RinseState, setup: RinseSetup) -> Water:
    """The rinse's account of water."""
    stop_ml = None if stop is None else stop.rinse_ml
    return Water(last.rinse_ml, stop_ml, USUAL_RESIN_VOLUMES * setup.resin_ml)


def residue_left(band: Band, state: RinseState, setup: RinseSetup) -> Left | None:
    """What further rinsing would still wash out, summed up along the forecast; None while that is not known.

    ``band``: (rinse mL, 5 %, median, 95 % of the filtrate, uS/cm) from the end of the rinse on. Mass is conserved: what
    is left in the bed, slow liquid and all, is what would come out.
    """
    if state.filtrate is None or state.floor_us_cm is None or len(band) < 3:
        return None
    step_ml = 0.0 if setup.is_flow else state.portion_ml or setup.resin_ml
    low, middle, high = (_washed_out_eq(band, at, state.floor_us_cm, setup.residue, step_ml) for at in (1, 2, 3))
    hidden = HIDDEN_CAUSTIC_EQ_L * MOST_LIQUID * setup.resin_ml / 1000.0 if setup.residue is Residue.NAOH else 0.0
    eq = Range(low / READING_ROOM, READING_ROOM * high + hidden)
    return Left(eq, middle, _opposite_ml(eq, setup.residue), _feed_l(eq, setup), _even_us_cm(setup))


def _washed_out_eq(band: Band, at: int, floor_us_cm: float, residue: Residue, step_ml: float) -> float:
    """Equivalents under one line of the band, above the floor; portions count at their end, flow all the way."""
    levels = [(row[0], max(row[at] - floor_us_cm, _LEAST_US_CM)) for row in band]
    pieces = [(b - a, (y + z) / 2.0) for (a, y), (b, z) in pairwise(levels)]
    total = sum(volume * residue_eq_l(residue.value, us_cm) for volume, us_cm in pieces) / 1000.0
    fold_ml = _fold_ml(levels)
    ends = [residue_eq_l(residue.value, levels[place][1]) for place in (0, -1)]
    total += ends[1] * fold_ml / 1000.0
    # A portion of V mL carries V times the level at its end: the sum over portions is less than the area.
    return total * _portion_share(step_ml, fold_ml)


def _fold_ml(levels: Sequence[tuple[float, float]]) -> float:
    """Rinse water that brings the level down by a factor e, mean over the band."""
    (begin, first), (end, last) = levels[0], levels[-1]
    fall = log(first / last)
    return (end - begin) / fall if fall > 0.05 else 20.0 * (end - begin)


def _portion_share(step_ml: float, fold_ml: float) -> float:
    """Sum over portions of an exponential, against its area: x / (e^x - 1) with x portions in a fold; flow: 1."""
    x = step_ml / fold_ml
    return x / (exp(x) - 1.0) if x > 1e-9 else 1.0


def _opposite_ml(eq: Range, residue: Residue) -> Range:
    """How much resin holds so much; caustic uses up cation resin, acid anion resin, salt both (the weaker counts)."""
    kinds = [ResinKind.STRONG_ACID] if residue is Residue.NAOH else [ResinKind.STRONG_BASE_1, ResinKind.STRONG_BASE_2]
    capacities = [CAPACITY_EQ_L[kind] for kind in kinds]
    most, least = max(c.high for c in capacities), min(c.low for c in capacities)
    return Range(1000.0 * eq.low / most, 1000.0 * eq.high / least)


def _feed_l(eq: Range, setup: RinseSetup) -> Range | None:
    if setup.feed_us_cm is None:
        return None
    try:
        load = feed_load_eq_l(setup.feed_us_cm, setup.residue.value)
    except QuantityError:
        return None
    return Range(eq.low / load.high, eq.high / load.low) if load.low > 0.0 else None


def _even_us_cm(setup: RinseSetup) -> float | None:
    if setup.feed_us_cm is None:
        return None
    try:
        return paying_filtrate_us_cm(setup.residue.value, setup.feed_us_cm)
    except QuantityError:
        return None
