"""What is left over: which spent liquor neutralises which, in equivalents, volumes and heat."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.chemistry.resin import Range
from rinsewatch.chemistry.solutions import eq_l_from_mass_pct
from rinsewatch.chemistry.tables import Solute
from rinsewatch.planning.dose import Dose
from rinsewatch.planning.stock import Stock

# Enthalpy of H+ + OH- -> H2O at 25 C, kJ/eq: formation of liquid water -285.83, of aqueous OH- -229.99 (CRC Handbook).
NEUTRALISING_KJ_EQ = 55.84
# Bisulfate giving up its proton, -21.9 kJ/mol (formation of HSO4- -887.3, SO4-2 -909.3, CRC Handbook from memory), per
# equivalent if all of it was bisulfate: an upper bound.
BISULFATE_KJ_EQ = 11.0
# Heat capacity of dilute liquor, J per mL and K (water 4.18; salt and caustic lower it): from memory, rounded down.
LIQUID_J_ML_K = 4.0
SAFE_EQ_L = 0.5  # dilute to this before neutralising: 7 K at most for one litre of each; our choice


@dataclass(frozen=True, slots=True)
class Spent:
    """Base and acid left over (eq, from least to most) in ``caustic_ml`` and ``acid_ml`` of spent liquor."""

    caustic_eq: Range
    caustic_ml: float
    acid_eq: Range
    acid_ml: float
    stock: Stock | None
    temperature_c: float

    @property
    def neutralised_eq(self) -> float:
        """What one takes of the other, from the middles."""
        return min(self.caustic_eq.middle, self.acid_eq.middle)

    @property
    def base_over_eq(self) -> float:
        """Base that stays when all spent acid has gone in; negative: acid stays."""
        return self.caustic_eq.middle - self.acid_eq.middle

    @property
    def more_acid_ml(self) -> float | None:
        """Millilitres of the acid at hand for the base that is over; None if there is none of either."""
        if self.stock is None or self.stock.pct is None or self.base_over_eq <= 0.0:
            return None
        return 1000.0 * self.base_over_eq / eq_l_from_mass_pct(self.stock.solute, self.stock.pct, self.temperature_c)

    @property
    def heat_kj(self) -> float:
        """Heat when the spent acid meets the spent caustic."""
        return self.neutralised_eq * self.kj_eq

    @property
    def kj_eq(self) -> float:
        """Heat of one equivalent of this acid with caustic, at most."""
        return neutralising_kj_eq(None if self.stock is None else self.stock.solute)

    @property
    def rise_c(self) -> float:
        """Temperature rise if they were poured together as they are, all heat kept in."""
        return rise_c(self.neutralised_eq, self.caustic_ml + self.acid_ml, self.kj_eq)

    @property
    def diluted_ml(self) -> tuple[float, float]:
        """Volumes, caustic and acid, to dilute to first."""
        return (
            max(self.caustic_ml, 1000.0 * self.caustic_eq.high / SAFE_EQ_L),
            max(self.acid_ml, 1000.0 * self.acid_eq.high / SAFE_EQ_L),
        )

    @property
    def diluted_rise_c(self) -> float:
        """Temperature rise when both were diluted first."""
        return rise_c(self.neutralised_eq, sum(self.diluted_ml), self.kj_eq)


def neutralising_kj_eq(acid: Solute | None) -> float:
    """Heat when an equivalent of this acid meets caustic, kJ."""
    return NEUTRALISING_KJ_EQ + (BISULFATE_KJ_EQ if acid is Solute.H2SO4 else 0.0)


def rise_c(eq: float, volume_ml: float, kj_eq: float = NEUTRALISING_KJ_EQ) -> float:
    """Temperature rise (K) of ``volume_ml`` mL in which ``eq`` equivalents are neutralised; no heat lost."""
    return 1000.0 * eq * kj_eq / (LIQUID_J_ML_K * volume_ml)


def spent_of(caustic: Dose | None, acid: Dose | None, stock: Stock | None, temperature_c: float) -> Spent | None:
    """What both doses leave over; None where there is neither."""
    if caustic is None and acid is None:
        return None
    nothing = Range(0.0, 0.0)
    return Spent(
        caustic_eq=caustic.left_eq if caustic else nothing,
        caustic_ml=caustic.recipe.volume_ml if caustic else 0.0,
        acid_eq=acid.left_eq if acid else nothing,
        acid_ml=acid.recipe.volume_ml if acid else 0.0,
        stock=stock,
        temperature_c=temperature_c,
    )
