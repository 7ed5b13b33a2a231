"""Parting a mixed bed in a liquor whose density lies between the two resins' beads."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from rinsewatch.chemistry.density import density_g_ml, strongest_pct, water_density_g_ml
from rinsewatch.chemistry.halving import halved
from rinsewatch.chemistry.resin import ENTRAINED_SHARE, SLOW_SHARE, VOID_SHARE, Range, ResinKind, bead_density_g_ml
from rinsewatch.chemistry.solutions import Solution
from rinsewatch.chemistry.tables import MOLAR_MASS_G_MOL, Solute
from rinsewatch.errors import QuantityError
from rinsewatch.planning.recipe import Recipe
from rinsewatch.planning.resins import Resins

# Liquor per volume of resin, so that the beads can move past each other: common practice, no source.
LIQUOR_RESINS = 2.0
FREEBOARD = 1.15  # room to stir without spilling: common practice, no source
# Beads part, but slowly and not cleanly, below this difference of densities (g/mL): common practice, no source.
THIN_G_ML = 0.02
_STRONGEST_PCT = 26.0  # nobody is told to make a stronger liquor than this; more of it is better. Our choice


class Parting(StrEnum):
    """What the beads do in the liquor as it is when the resin is in it."""

    PARTS = "parts"
    PARTS_LATE = "parts once the cation resin has taken up sodium or potassium"
    TOO_LIGHT = "too light: the anion resin does not float"
    TOO_HEAVY = "too heavy: the cation resin does not sink"


@dataclass(frozen=True, slots=True)
class Separation:
    """The liquor before and after the resin's own water has diluted it; g/mL, % by mass.

    ``density_g_ml``: after dilution, from the wettest to the driest resin that is usual. Margins: to the heaviest
    usual anion bead (Cl form) and the lightest cation bead, loaded and in the H form; negative: on the wrong side.
    ``remedy_pct``: strength to make the liquor with instead; ``remedy_ml``: or how much of this one it takes. None
    where the liquor is right, or where that does not help.
    """

    recipe: Recipe
    resin_water_ml: Range
    pct: Range
    density_g_ml: Range
    anion_margin_g_ml: float
    cation_margin_g_ml: float
    fresh_cation_margin_g_ml: float
    remedy_pct: float | None
    remedy_ml: float | None
    room_ml: float
    top_up_g: float | None

    @property
    def parting(self) -> Parting:
        """What will happen, with the wettest and the driest resin that is usual."""
        if self.anion_margin_g_ml <= 0.0:
            return Parting.TOO_LIGHT
        if self.cation_margin_g_ml <= 0.0:
            return Parting.TOO_HEAVY
        return Parting.PARTS if self.fresh_cation_margin_g_ml > 0.0 else Parting.PARTS_LATE

    @property
    def thin(self) -> bool:
        """Whether it parts, but by little."""
        return min(self.anion_margin_g_ml, self.cation_margin_g_ml) < THIN_G_ML


def anion_bead_g_ml() -> Range:
    """Anion beads on their way from the Cl to the OH form."""
    kind = ResinKind.STRONG_BASE_1
    return Range(bead_density_g_ml(kind, "OH").low, bead_density_g_ml(kind, "Cl").high)


def cation_bead_g_ml(ion: str = "Na") -> Range:
    """Cation beads, loaded (Na) or still in the H form."""
    return bead_density_g_ml(ResinKind.STRONG_ACID, ion)


def resin_water_ml(resin_ml: float) -> Range:
    """Water that drained resin brings along: on and between the beads, and inside them."""
    return Range(resin_ml * (ENTRAINED_SHARE.low + SLOW_SHARE.low), resin_ml * (ENTRAINED_SHARE.high + SLOW_SHARE.high))


def separate(recipe: Recipe, resins: Resins) -> Separation:
    """How this liquor parts these resins. Errors: QuantityError (temperature)."""
    if not resins.mixed:
        raise QuantityError("separation: only a mixed bed is separated; these resins are apart already")
    water = resin_water_ml(resins.total_ml)
    pct = Range(diluted_pct(recipe, water.high), diluted_pct(recipe, water.low))
    at_c = recipe.temperature_c
    density = Range(*(density_g_ml(recipe.solute, share, at_c) for share in (pct.low, pct.high)))
    return Separation(
        recipe=recipe,
        resin_water_ml=water,
        pct=pct,
        density_g_ml=density,
        anion_margin_g_ml=density.low - anion_bead_g_ml().high,
        cation_margin_g_ml=cation_bead_g_ml().low - density.high,
        fresh_cation_margin_g_ml=cation_bead_g_ml("H").low - density.high,
        remedy_pct=_remedy_pct(recipe, water, density),
        remedy_ml=_remedy_ml(recipe, water.high) if density.low <= anion_bead_g_ml().high else None,
        room_ml=FREEBOARD * (recipe.volume_ml + resins.total_ml * (1.0 - VOID_SHARE.low) + water.middle),
        top_up_g=_top_up_g(recipe, resins, water.middle),
    )


def diluted_pct(recipe: Recipe, water_ml: float) -> float:
    """Strength after ``water_ml`` mL of water have come in: mass balance."""
    water_g = water_ml * water_density_g_ml(recipe.temperature_c)
    return 100.0 * recipe.solute_g / (recipe.mass_g + water_g)


def pct_for_density(solute: Solute, wanted_g_ml: float, temperature_c: float) -> float | None:
    """The strength that has this density; None if no solution is that heavy (or that light)."""
    low, high = 0.0, strongest_pct(solute)
    if not density_g_ml(solute, low, temperature_c) <= wanted_g_ml <= density_g_ml(solute, high, temperature_c):
        return None
    return halved(low, high, lambda pct: density_g_ml(solute, pct, temperature_c) < wanted_g_ml)


def _remedy_pct(recipe: Recipe, water: Range, density: Range) -> float | None:
    """Strength, in the same volume, that lies midway between the beads with the resin in; None: no need, no way."""
    light, heavy = anion_bead_g_ml().high, cation_bead_g_ml().low
    if light < density.low and density.high < heavy:
        return None
    wanted = pct_for_density(recipe.solute, (light + heavy) / 2.0, recipe.temperature_c)
    if wanted is None:
        return None
    water_g = water.middle * water_density_g_ml(recipe.temperature_c)

    def too_weak(pct: float) -> bool:
        mass_g = recipe.volume_ml * density_g_ml(recipe.solute, pct, recipe.temperature_c)
        return mass_g * pct / (mass_g + water_g) < wanted

    strongest = strongest_pct(recipe.solute)
    pct = halved(wanted, strongest, too_weak)
    most = min(_STRONGEST_PCT, recipe.stock.pct or strongest)
    return pct if pct < most - 0.05 else None


def _remedy_ml(recipe: Recipe, water_ml: float) -> float | None:
    """Volume of this liquor that stays heavy enough with the wettest resin in it: mass balance; None: none does."""
    wanted = pct_for_density(recipe.solute, anion_bead_g_ml().high + THIN_G_ML, recipe.temperature_c)
    if wanted is None or recipe.pct <= wanted:
        return None
    water_g = water_ml * water_density_g_ml(recipe.temperature_c)
    return water_g * wanted / (recipe.pct - wanted) / recipe.density_g_ml


def _top_up_g(recipe: Recipe, resins: Resins, water_ml: float) -> float | None:
    """Grams of solid that bring the used caustic back to its strength; None for brine."""
    if recipe.solute is Solute.NACL:
        return None
    taken_g = resins.anion_eq.middle * MOLAR_MASS_G_MOL[recipe.solute]
    water_g = water_ml * water_density_g_ml(recipe.temperature_c)
    share = recipe.pct / 100.0
    return max(0.0, (share * (recipe.mass_g + water_g) - recipe.solute_g + taken_g) / (1.0 - share))


def wetting_eq_l(separation: Separation) -> float:
    """Strength of the liquor the resin is left wet with, eq/L: diluted, nothing used up (the careful side)."""
    recipe = separation.recipe
    diluted = Solution(recipe.solute, 1000.0, separation.pct.middle)
    return 1000.0 * diluted.solute_eq / diluted.volume_ml(recipe.temperature_c)
