"""Resin: capacity, bead density and the liquid a bed holds. Ranges, not data sheets.

Volumes are of settled, wet resin in mL.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from rinsewatch.errors import QuantityError


class ResinKind(StrEnum):
    """The usual resins of a mixed bed."""

    STRONG_ACID = "strong-acid cation"
    STRONG_BASE_1 = "strong-base anion type I"
    STRONG_BASE_2 = "strong-base anion type II"


@dataclass(frozen=True, slots=True)
class Range:
    """From the low to the high end of what is usual."""

    low: float
    high: float

    @property
    def middle(self) -> float:
        """Half way, where one number is needed."""
        return (self.low + self.high) / 2.0

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high

    def times(self, factor: float) -> Range:
        """Both ends multiplied."""
        return Range(self.low * factor, self.high * factor)


# Total capacity, eq per L of wet resin. Strong acid: Davis, Water and Wastewater Engineering, p. 8-5.
# Strong base: from memory of general practice; aged resin has less.
CAPACITY_EQ_L = {
    ResinKind.STRONG_ACID: Range(1.8, 2.0),
    ResinKind.STRONG_BASE_1: Range(1.0, 1.4),
    ResinKind.STRONG_BASE_2: Range(1.2, 1.4),
}

# Density of the swollen beads, g/mL, by the ion they hold: common practice, no source.
BEAD_DENSITY_G_ML = {
    (ResinKind.STRONG_ACID, "H"): Range(1.18, 1.22),
    (ResinKind.STRONG_ACID, "Na"): Range(1.26, 1.32),
    (ResinKind.STRONG_BASE_1, "OH"): Range(1.04, 1.08),
    (ResinKind.STRONG_BASE_1, "Cl"): Range(1.07, 1.10),
}

# Share of the settled bed's volume that is not bead: from memory of general practice.
VOID_SHARE = Range(0.35, 0.40)
# Liquid that stays with drained resin, per volume of resin: between and on the beads (exchanges at once), and
# inside the beads and dead corners (slow; more in old or fouled resin). Common practice, no source.
ENTRAINED_SHARE = Range(0.3, 0.6)
SLOW_SHARE = Range(0.03, 0.12)


def bed_capacity_eq(kind: ResinKind, resin_ml: float) -> Range:
    """Equivalents a bed of ``resin_ml`` mL can hold; error: QuantityError for a volume of 0 or less."""
    _check_volume(resin_ml)
    return CAPACITY_EQ_L[kind].times(resin_ml / 1000.0)


def entrained_ml(resin_ml: float) -> Range:
    """Liquid that stays with drained resin, mL; error: QuantityError for a volume of 0 or less."""
    _check_volume(resin_ml)
    return ENTRAINED_SHARE.times(resin_ml)


def slow_ml(resin_ml: float) -> Range:
    """Liquid inside beads and dead corners, mL; error: QuantityError for a volume of 0 or less."""
    _check_volume(resin_ml)
    return SLOW_SHARE.times(resin_ml)


def bead_density_g_ml(kind: ResinKind, ion: str) -> Range:
    """Density of swollen beads; ``ion`` H or Na (cation), OH or Cl (anion type I); error: QuantityError."""
    if (kind, ion) not in BEAD_DENSITY_G_ML:
        raise QuantityError(f"{kind}: no bead density known in the {ion} form")
    return BEAD_DENSITY_G_ML[kind, ion]


def parts_the_beads(liquid_g_ml: float) -> bool:
    """True if a liquid parts a regenerated pair: above every OH anion bead, below every Na cation bead."""
    anion = BEAD_DENSITY_G_ML[ResinKind.STRONG_BASE_1, "OH"]
    cation = BEAD_DENSITY_G_ML[ResinKind.STRONG_ACID, "Na"]
    return anion.high < liquid_g_ml < cation.low


def _check_volume(resin_ml: float) -> None:
    if not resin_ml > 0.0:
        raise QuantityError(f"resin: {resin_ml:g} mL must be more than 0")
