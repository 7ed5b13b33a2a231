"""The rinse before there are readings: portions against residue, mobile and slow, for easy, usual and stubborn beds.

Each portion mixes with the mobile liquid (``Ve/(Ve+Vp)`` of it stays), then the slow liquid leaks while the portion
stands. A plan, not the forecast: the forecast learns the bed from the meter.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count
from math import exp

from rinsewatch.chemistry.resin import ENTRAINED_SHARE, SLOW_SHARE
from rinsewatch.errors import QuantityError

PORTION_MIN = 4.0  # pour, stir, stand, drain; common practice, no source
CONTACT_S = 120.0  # of it the portion stands on the resin; then the drained resin waits for the next
MOST_PORTIONS = 400


@dataclass(frozen=True, slots=True)
class Bed:
    """Liquid that a drained resin holds, mL; how fast the slow part leaks (1/s); share of a portion that by-passes."""

    entrained_ml: float
    slow_ml: float
    exchange_per_s: float
    bypass: float = 0.0

    def leak_share(self, portion_ml: float, seconds: float) -> float:
        """Share of the way to even concentrations covered in this time with ``portion_ml`` on the resin."""
        fullness = 1.0 + self.slow_ml / (self.entrained_ml + portion_ml)
        return 1.0 - exp(-self.exchange_per_s * seconds * fullness)


@dataclass(frozen=True, slots=True)
class State:
    """Residue in the drained bed before the next portion, eq/L: ``mobile``, and ``slow`` in the beads.

    ``filtrate``: what the portion just poured had when it drained, as the meter sees it.
    """

    mobile: float
    slow: float
    filtrate: float

    def left_eq(self, bed: Bed) -> float:
        """Equivalents still in the bed."""
        return (self.mobile * bed.entrained_ml + self.slow * bed.slow_ml) / 1000.0


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of bed, per volume of resin. ``fill``: how strong the slow liquid is against the mobile at the start."""

    entrained: float
    slow: float
    exchange_per_s: float
    fill: float
    bypass: float

    def bed(self, resin_ml: float) -> Bed:
        """This kind of bed with ``resin_ml`` mL of resin."""
        return Bed(self.entrained * resin_ml, self.slow * resin_ml, self.exchange_per_s, self.bypass)

    def start(self, eq_l: float) -> State:
        """Drained after a liquor of ``eq_l`` eq/L."""
        return State(eq_l, eq_l * self.fill, eq_l)


# Shares: the ends and the middle of chemistry.resin. Rates, fill (Donnan exclusion keeps the beads weaker) and
# by-pass: common practice, no source; the simulated bench draws its beds independently.
EASY = Kind(ENTRAINED_SHARE.low, SLOW_SHARE.low, 1e-2, 0.3, 0.0)
USUAL = Kind(ENTRAINED_SHARE.middle, SLOW_SHARE.middle, 4e-3, 0.5, 0.03)
STUBBORN = Kind(ENTRAINED_SHARE.high, SLOW_SHARE.high, 2e-3, 0.8, 0.08)
KINDS = (EASY, USUAL, STUBBORN)
# Old or fouled resin holds more liquid in its beads and gives it back more slowly; far from alike, one for another.
OLD = Kind(ENTRAINED_SHARE.middle, 0.2, 1.1e-3, 0.55, 0.03)


def poured(bed: Bed, state: State, portion_ml: float, water_eq_l: float = 0.0) -> State:
    """After one more portion of water that itself holds ``water_eq_l`` of the residue (re-used filtrate)."""
    acting_ml = portion_ml * (1.0 - bed.bypass)
    free_ml = bed.entrained_ml + acting_ml
    mixed = (state.mobile * bed.entrained_ml + water_eq_l * acting_ml) / free_ml
    filtrate, slow = _evened(bed, mixed, state.slow, acting_ml, CONTACT_S)
    mobile, slow = _evened(bed, filtrate, slow, 0.0, 60.0 * PORTION_MIN - CONTACT_S)
    return State(mobile, slow, filtrate)


def _evened(bed: Bed, free: float, slow: float, portion_ml: float, seconds: float) -> tuple[float, float]:
    """Free and slow liquid after they stood together."""
    free_ml = bed.entrained_ml + portion_ml
    even = (free * free_ml + slow * bed.slow_ml) / (free_ml + bed.slow_ml)
    leak = bed.leak_share(portion_ml, seconds)
    return free + leak * (even - free), slow + leak * (even - slow)


def course(bed: Bed, start: State, portion_ml: float) -> Iterator[State]:
    """The start, then the state after each portion of clean water, without end. Error: QuantityError."""
    if not portion_ml > 0.0:
        raise QuantityError(f"portion: {portion_ml:g} mL must be more than 0")
    state = start
    while True:
        yield state
        state = poured(bed, state, portion_ml)


def portions_to(bed: Bed, start: State, portion_ml: float, target_eq_l: float) -> int | None:
    """Portions until the filtrate holds no more than ``target_eq_l``; None if not within MOST_PORTIONS."""
    for number, state in zip(range(MOST_PORTIONS + 1), course(bed, start, portion_ml), strict=False):
        if number and state.filtrate <= target_eq_l:
            return number
    return None


def state_after(bed: Bed, start: State, portion_ml: float, portions: int) -> State:
    """The drained bed after so many portions of clean water."""
    return next(s for n, s in zip(count(), course(bed, start, portion_ml), strict=False) if n == portions)
