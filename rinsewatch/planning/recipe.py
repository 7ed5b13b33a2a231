"""How to make a liquor of a given strength from what is at hand: an exact mass balance."""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.chemistry.density import density_g_ml, strongest_pct, water_density_g_ml
from rinsewatch.chemistry.solutions import Solution, eq_l_from_mass_pct
from rinsewatch.chemistry.tables import EQUIVALENT_G, Solute
from rinsewatch.errors import QuantityError
from rinsewatch.planning.stock import ACIDS, Stock

# Enthalpy of solution at infinite dilution, kJ/mol (CRC Handbook): an upper bound in a 15 % liquor.
_DISSOLVING_KJ_MOL = {Solute.NAOH: 44.5, Solute.KOH: 57.6}
# Heat capacity, J/(g K). Dissolving: 10-20 % caustic has 3.7-3.8 (Perry's Handbook, from memory).
CAUSTIC_J_G_K = 3.75
HOT_RISE_C = 15.0


@dataclass(frozen=True, slots=True)
class Recipe:
    """What to take for a liquor: ``stock_g`` (and mL of a solution) into ``water_ml``; volumes at ``temperature_c``."""

    stock: Stock
    pct: float
    temperature_c: float
    volume_ml: float
    mass_g: float
    density_g_ml: float
    eq: float
    stock_g: float
    stock_ml: float | None
    water_ml: float

    @property
    def solute(self) -> Solute:
        """What is dissolved."""
        return self.stock.solute

    @property
    def eq_l(self) -> float:
        """Equivalents per litre of it."""
        return 1000.0 * self.eq / self.volume_ml

    @property
    def solute_g(self) -> float:
        """Grams of solute in it."""
        return self.eq * EQUIVALENT_G[self.solute]

    @property
    def rise_c(self) -> float | None:
        """How much warmer it gets at most when the solid dissolves all at once; None for a solution as stock."""
        heat_kj_mol = _DISSOLVING_KJ_MOL.get(self.solute)
        if self.stock.pct is not None or heat_kj_mol is None:
            return None
        return 1000.0 * self.eq * heat_kj_mol / (self.mass_g * CAUSTIC_J_G_K)


def recipe_for_volume(stock: Stock, pct: float, volume_ml: float, temperature_c: float) -> Recipe:
    """``volume_ml`` mL of a ``pct`` % liquor. Errors: QuantityError (too strong, no volume, temperature)."""
    check_target(stock, pct)
    if not volume_ml > 0.0:
        raise QuantityError(f"{stock.solute} liquor: {volume_ml:g} mL must be more than 0")
    liquor = Solution.from_volume(stock.solute, volume_ml, pct, temperature_c)
    stock_g = liquor.solute_g if stock.pct is None else liquor.solute_g * 100.0 / stock.pct
    stock_ml = None if stock.pct is None else stock_g / density_g_ml(stock.solute, stock.pct, temperature_c)
    return Recipe(
        stock=stock,
        pct=pct,
        temperature_c=temperature_c,
        volume_ml=volume_ml,
        mass_g=liquor.mass_g,
        density_g_ml=density_g_ml(stock.solute, pct, temperature_c),
        eq=liquor.solute_eq,
        stock_g=stock_g,
        stock_ml=stock_ml,
        water_ml=(liquor.mass_g - stock_g) / water_density_g_ml(temperature_c),
    )


def recipe_for_eq(stock: Stock, pct: float, eq: float, temperature_c: float) -> Recipe:
    """The liquor of ``pct`` % that holds ``eq`` equivalents. Errors as recipe_for_volume."""
    check_target(stock, pct)
    return recipe_for_volume(
        stock, pct, 1000.0 * eq / eq_l_from_mass_pct(stock.solute, pct, temperature_c), temperature_c
    )


def check_target(stock: Stock, pct: float) -> None:
    """Refuse a strength that this stock cannot be made into; error: QuantityError."""
    most = strongest_pct(stock.solute) if stock.pct is None else stock.pct
    if not 0.0 < pct <= most:
        words = "more than dissolves" if stock.pct is None and pct > 0.0 else f"not to be had from {stock.words}"
        option = "--acid-pct" if stock.solute in ACIDS else "--caustic-pct"
        raise QuantityError(f"{stock.solute} liquor: {pct:g} % is {words}; up to {most:g} % with {option}")
