"""How many portions, how much water, how long; the choice of the portion's size; water saved by using it twice."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, log10

from rinsewatch.planning.washout import KINDS, MOST_PORTIONS, PORTION_MIN, USUAL, Bed, State, portions_to, poured

SIZES = (0.25, 0.5, 1.0, 2.0, 4.0)  # portion over resin, for the table
BATCHES = 30  # re-use settles within a few batches
MOST_BOTTLES = 40  # nobody keeps more apart; also bounds the work


@dataclass(frozen=True, slots=True)
class Count:
    """Portions for an easy, a usual and a stubborn bed; None: not to be reached."""

    low: int | None
    usual: int | None
    high: int | None
    portion_ml: float

    @property
    def usual_ml(self) -> float | None:
        """Water of the usual bed."""
        return None if self.usual is None else self.usual * self.portion_ml

    @property
    def high_ml(self) -> float | None:
        """Water of the stubborn bed."""
        return None if self.high is None else self.high * self.portion_ml

    @property
    def usual_min(self) -> float | None:
        """Minutes of the usual bed."""
        return None if self.usual is None else self.usual * PORTION_MIN


@dataclass(frozen=True, slots=True)
class Reuse:
    """The last ``kept`` portions serve as the first of the next batch, the strongest first; in the long run.

    ``contacts``: portions poured a batch, ``fresh`` of them clean water; ``saved``: share of the clean water.
    """

    kept: int
    contacts: int
    fresh: int
    saved: float


def count_portions(resin_ml: float, start_eq_l: float, portion_ml: float, target_eq_l: float) -> Count:
    """Portions from ``start_eq_l`` in the liquor down to ``target_eq_l`` in the filtrate. Error: QuantityError."""
    easy, usual, hard = (
        portions_to(kind.bed(resin_ml), kind.start(start_eq_l), portion_ml, target_eq_l) for kind in KINDS
    )
    return Count(easy, usual, hard, portion_ml)


def size_table(resin_ml: float, start_eq_l: float, portion_ml: float, target_eq_l: float) -> tuple[Count, ...]:
    """The same rinse in portions of other sizes, ``portion_ml`` among them, small to large."""
    sizes = sorted({portion_ml, *(two_digits(share * resin_ml) for share in SIZES)})
    apart = [size for size in sizes if size == portion_ml or abs(size / portion_ml - 1.0) > 0.25]
    return tuple(count_portions(resin_ml, start_eq_l, size, target_eq_l) for size in apart)


def reuse_table(resin_ml: float, start_eq_l: float, portion_ml: float, target_eq_l: float) -> tuple[Reuse, ...]:
    """Keeping a quarter, half and as many of the last portions as pay.

    () where the target is out of reach, or takes one portion or too many.
    """
    bed, start = USUAL.bed(resin_ml), USUAL.start(start_eq_l)
    alone = portions_to(bed, start, portion_ml, target_eq_l)
    if alone is None or not 2 <= alone <= MOST_BOTTLES:
        return ()
    tried = [reuse(bed, start, portion_ml, target_eq_l, kept, alone) for kept in range(1, alone)]
    best = max(tried, key=lambda one: (one.saved, -one.kept))
    wanted = sorted({max(1, alone // 4), max(1, alone // 2), best.kept})
    return tuple(tried[kept - 1] for kept in wanted)


def reuse(bed: Bed, start: State, portion_ml: float, target_eq_l: float, kept: int, alone: int) -> Reuse:
    """What keeping the last ``kept`` portions comes to; ``alone``: portions without keeping any."""
    contacts = max(alone, kept + 1)
    while contacts < MOST_PORTIONS and settled(bed, start, portion_ml, contacts, kept) > target_eq_l:
        contacts += 1
    fresh = contacts - kept
    return Reuse(kept, contacts, fresh, 1.0 - fresh / alone)


def settled(bed: Bed, start: State, portion_ml: float, contacts: int, kept: int) -> float:
    """Filtrate (eq/L) at the end of a batch of ``contacts`` portions, when this has gone on for many batches."""
    stored: list[float] = [0.0] * kept
    for _ in range(BATCHES):
        state, filtrates = start, []
        for water_eq_l in [*stored, *[0.0] * (contacts - kept)]:
            state = poured(bed, state, portion_ml, water_eq_l)
            filtrates.append(state.filtrate)
        settling, stored = stored, filtrates[len(filtrates) - kept :]
        if all(abs(old - new) <= 1e-9 * new for old, new in zip(settling, stored, strict=True)):
            break
    return filtrates[-1]


def two_digits(value: float) -> float:
    """Rounded to two digits, as one would measure it out."""
    step = 10.0 ** (floor(log10(value)) - 1)
    return round(value / step) * step
