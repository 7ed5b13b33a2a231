"""Solutions as a mass balance: strength in every unit, mixing, diluting. Volumes are at 20 C unless said.

Caution for whoever prints this: acid or caustic goes into the water, never water into it; both heat up.
"""

from __future__ import annotations

from dataclasses import dataclass

from rinsewatch.chemistry.density import (
    check_strength,
    density_g_ml,
    known_solute,
    strongest_pct,
)
from rinsewatch.chemistry.halving import halved
from rinsewatch.chemistry.tables import EQUIVALENT_G, MOLAR_MASS_G_MOL, Solute
from rinsewatch.errors import QuantityError


@dataclass(frozen=True, slots=True)
class Solution:
    """``mass_g`` grams of a solution with ``mass_pct`` g solute per 100 g; water is 0 %. Errors: QuantityError."""

    solute: Solute
    mass_g: float
    mass_pct: float

    def __post_init__(self) -> None:
        check_strength(self.solute, self.mass_pct)
        if not self.mass_g > 0.0:
            raise QuantityError(f"{self.solute}: {self.mass_g:g} g of solution must be more than 0")

    @classmethod
    def from_volume(cls, solute: str, volume_ml: float, mass_pct: float, temperature_c: float = 20.0) -> Solution:
        """``volume_ml`` mL of a solution of this strength."""
        mass_g = volume_ml * density_g_ml(solute, mass_pct, temperature_c)
        return cls(known_solute(solute), mass_g, mass_pct)

    @property
    def solute_g(self) -> float:
        """Grams of solute."""
        return self.mass_g * self.mass_pct / 100.0

    @property
    def solute_eq(self) -> float:
        """Equivalents of solute: mol, and twice that of sulfuric acid."""
        return self.solute_g / EQUIVALENT_G[self.solute]

    def volume_ml(self, temperature_c: float = 20.0) -> float:
        """Volume in mL; smaller than the parts' volumes added up."""
        return self.mass_g / density_g_ml(self.solute, self.mass_pct, temperature_c)

    def mixed_with(self, other: Solution) -> Solution:
        """Both poured together: mass and solute add up, volumes do not."""
        if other.solute is not self.solute:
            raise QuantityError(f"{self.solute} and {other.solute} are different solutes: no mixing here")
        mass_g = self.mass_g + other.mass_g
        return Solution(self.solute, mass_g, 100.0 * (self.solute_g + other.solute_g) / mass_g)

    def with_water_ml(self, water_ml: float, temperature_c: float = 20.0) -> Solution:
        """Diluted with ``water_ml`` mL of water."""
        return self.mixed_with(Solution.from_volume(self.solute, water_ml, 0.0, temperature_c))

    def water_g_to_reach(self, mass_pct: float) -> float:
        """Grams of water (about mL) to add for this strength; error: QuantityError if it is the stronger."""
        if not 0.0 < mass_pct <= self.mass_pct:
            raise QuantityError(f"{self.solute}: {self.mass_pct:g} % cannot be diluted to {mass_pct:g} %")
        return self.mass_g * (self.mass_pct / mass_pct - 1.0)


def dissolved(solute: str, solute_g: float, water_g: float) -> Solution:
    """Dry solute in water: 3 parts NaOH to 17 of water by mass is 15 %; errors: QuantityError."""
    if not (solute_g >= 0.0 and water_g > 0.0):
        raise QuantityError(f"{solute}: {solute_g:g} g in {water_g:g} g of water is no solution")
    mass_g = solute_g + water_g
    return Solution(known_solute(solute), mass_g, 100.0 * solute_g / mass_g)


def solute_g_per_water_g(mass_pct: float) -> float:
    """Grams of dry solute to add to each gram of water: w / (1 - w)."""
    if not 0.0 <= mass_pct < 100.0:
        raise QuantityError(f"strength: {mass_pct:g} % by mass is not between 0 and 100")
    return mass_pct / (100.0 - mass_pct)


def g_l_from_mass_pct(solute: str, mass_pct: float, temperature_c: float = 20.0) -> float:
    """g of solute per litre of solution."""
    return 10.0 * mass_pct * density_g_ml(solute, mass_pct, temperature_c)


def eq_l_from_mass_pct(solute: str, mass_pct: float, temperature_c: float = 20.0) -> float:
    """Equivalents per litre of solution: mol/L, and twice that of sulfuric acid."""
    return g_l_from_mass_pct(solute, mass_pct, temperature_c) / EQUIVALENT_G[known_solute(solute)]


def g_l_from_mol_l(solute: str, mol_l: float) -> float:
    """g/L of mol/L."""
    return mol_l * MOLAR_MASS_G_MOL[known_solute(solute)]


def mol_l_from_g_l(solute: str, g_l: float) -> float:
    """mol/L of g/L."""
    return g_l / MOLAR_MASS_G_MOL[known_solute(solute)]


def mass_pct_from_g_l(solute: str, g_l: float, temperature_c: float = 20.0) -> float:
    """Mass % of a solution with ``g_l`` g/L; errors: QuantityError beyond the density table."""
    key = known_solute(solute)
    low, high = 0.0, strongest_pct(key)
    most = g_l_from_mass_pct(key, high, temperature_c) * (1.0 + 1e-9)  # a round trip may end higher
    if not 0.0 <= g_l <= most:
        raise QuantityError(f"{solute}: {g_l:g} g/L is outside the density table (0-{high:g} % by mass)")
    return halved(low, high, lambda pct: g_l_from_mass_pct(key, pct, temperature_c) < g_l)


def mass_pct_from_mol_l(solute: str, mol_l: float, temperature_c: float = 20.0) -> float:
    """Mass % of a solution with ``mol_l`` mol/L; errors as mass_pct_from_g_l."""
    return mass_pct_from_g_l(solute, g_l_from_mol_l(solute, mol_l), temperature_c)
