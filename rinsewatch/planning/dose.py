"""How much caustic or acid the resin gets: per litre, and against what it can take up."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.chemistry.resin import Range
from rinsewatch.chemistry.tables import Solute
from rinsewatch.errors import QuantityError
from rinsewatch.planning.recipe import Recipe
from rinsewatch.planning.stock import ACIDS
from rinsewatch.planning.turning import ANION_SELECTIVITY, BISULFATE_HOLDS, CATION_SELECTIVITY, turned_range

# Times the stoichiometric need. Below and above: from the practice, no published source; 3 for a charge that
# is stirred in a vessel (a column needs less: HCl 50-120 g/L, NaOH 60-160 g/L, from memory of general practice).
SCANTY, USUAL_TIMES, WASTEFUL = 1.5, 3.0, 4.0
# Minutes. AWWA/ASCE Water Treatment Plant Design p. 12.40: 30-40 min, anion resin 60; stirring: common practice.
CONTACT_MIN, STIR_EVERY_MIN = 60, 10
# Sulfuric acid must be gone before gypsum settles; common practice, no source.
SULFURIC_CONTACT_MIN = 20
# Usual strengths, % by mass. HCl: common practice (AWWA/ASCE p. 12.40: 5-10). Caustic: 4-15, common practice.
# Sulfuric acid: begun at 1-2 so that calcium comes off little by little, common practice, no source.
USUAL_PCT = {
    Solute.HCL: Range(5.0, 7.0),
    Solute.H2SO4: Range(1.0, 4.0),
    Solute.NAOH: Range(4.0, 15.0),
    Solute.KOH: Range(4.0, 15.0),
}
# Calcium that stays dissolved beside sulfate, eq/L: gypsum, 2.4-2.6 g/L (172 g/mol) at 20-25 C, from memory.
GYPSUM_EQ_L = 0.029


@dataclass(frozen=True, slots=True)
class Dose:
    """One resin's regenerant. ``times``: equivalents given over equivalents the resin can take up (its range)."""

    recipe: Recipe
    resin_ml: float
    times: Range
    also_separates: bool = False

    @property
    def g_per_l(self) -> float:
        """Grams of regenerant (100 %) per litre of resin."""
        return 1000.0 * self.recipe.solute_g / self.resin_ml

    @property
    def need_eq(self) -> Range:
        """What the resin can take up, eq."""
        return Range(self.recipe.eq / self.times.high, self.recipe.eq / self.times.low)

    @property
    def left_eq(self) -> Range:
        """What stays in the liquor, eq: at least, if the resin takes up all it can; at most, if it takes nothing."""
        return Range(max(0.0, self.recipe.eq - self.need_eq.high), self.recipe.eq)

    @property
    def middle_times(self) -> float:
        """Against the middle of the capacity range."""
        return self.recipe.eq / self.need_eq.middle

    def turned(self, parts: int = 1) -> Range:
        """Share of the sites that this dose turns, stirred in a vessel, in so many equal charges."""
        selectivity = CATION_SELECTIVITY if self.recipe.solute in ACIDS else ANION_SELECTIVITY
        if self.recipe.solute is Solute.H2SO4:
            selectivity = selectivity.times(BISULFATE_HOLDS)
        return turned_range(self.middle_times, selectivity, parts)

    @property
    def warnings(self) -> tuple[str, ...]:
        """Too little, or more than is of use; odd strength; gypsum."""
        words = [self._gypsum_warning(), _amount_warning(self.middle_times, also_separates=self.also_separates)]
        usual = USUAL_PCT[self.recipe.solute]
        if self.recipe.pct not in usual:
            strength = f"{self.recipe.pct:g} % {self.recipe.solute}"
            words.append(f"{strength} is not usual for regenerating; {usual.low:g}-{usual.high:g} % are")
        return tuple(word for word in words if word)

    def _gypsum_warning(self) -> str:
        if self.recipe.solute is not Solute.H2SO4:
            return ""
        kept_eq = GYPSUM_EQ_L * self.recipe.volume_ml / 1000.0
        return (
            "calcium on the resin turns into calcium sulfate, which stays in the bed: this charge keeps "
            f"{kept_eq:.2g} eq of calcium dissolved, {100.0 * kept_eq / self.need_eq.middle:.0f} % of what the resin "
            "can hold; after hard water use hydrochloric acid"
        )


def dose_of(recipe: Recipe, resin_ml: float, capacity_eq: Range, *, also_separates: bool = False) -> Dose:
    """``recipe`` given to ``resin_ml`` mL of resin of this capacity (eq). Error: QuantityError."""
    if not (resin_ml > 0.0 and capacity_eq.low > 0.0):
        raise QuantityError("regenerant: there is no resin to give it to")
    times = Range(recipe.eq / capacity_eq.high, recipe.eq / capacity_eq.low)
    return Dose(recipe, resin_ml, times, also_separates)


def wanted_eq(times: float, capacity_eq: Range) -> float:
    """Equivalents for ``times`` the middle need. Error: QuantityError unless 0 < times <= 50."""
    if not 0.0 < times <= 50.0:
        raise QuantityError(f"dose: {times:g} times the need is no dose; usual are 1.5 to 4")
    return times * capacity_eq.middle


def _amount_warning(times: float, *, also_separates: bool) -> str:
    if times < SCANTY:
        return f"{times:.1f} times the need is scanty: below about {SCANTY:g} much of the resin stays unregenerated"
    if times <= WASTEFUL:
        return ""
    if also_separates:
        return f"{times:.0f} times the need: that much is for the density, so keep the liquor for the next batches"
    return f"{times:.1f} times the need is wasteful: above about {WASTEFUL:g} more hardly regenerates more"
