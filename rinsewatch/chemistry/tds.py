"""TDS scales: a conductivity meter that shows ppm multiplies uS/cm (at 25 C) by one factor.

No factor is right for caustic or acid; the number is a conductivity in disguise, and is used as such.
"""

from __future__ import annotations

from rinsewatch.chemistry.conductivity import concentration_mol_l
from rinsewatch.chemistry.density import known_solute
from rinsewatch.chemistry.tables import MOLAR_MASS_G_MOL
from rinsewatch.errors import QuantityError

# ppm per uS/cm as built into meters: NaCl scale, general fresh-water scale, and the "442" scale
# (40 % Na2SO4, 40 % NaHCO3, 20 % NaCl by mass).
SCALES = {"NaCl": 0.5, "general": 0.64, "442": 0.7}
LOWEST_FACTOR, HIGHEST_FACTOR = 0.3, 1.0


def check_factor(factor: float) -> None:
    """Refuse what is no TDS factor; error: QuantityError."""
    if not LOWEST_FACTOR <= factor <= HIGHEST_FACTOR:
        raise QuantityError(f"TDS factor: {factor:g} is no scale; usual are 0.5, 0.64 and 0.7")


def ppm_from_us_cm(conductivity_us_cm: float, factor: float) -> float:
    """The ppm a meter shows for uS/cm at 25 C."""
    check_factor(factor)
    return conductivity_us_cm * factor


def us_cm_from_ppm(ppm: float, factor: float) -> float:
    """The uS/cm at 25 C behind a displayed ppm."""
    check_factor(factor)
    return ppm / factor


def factor_from(ppm: float, conductivity_us_cm: float) -> float:
    """The factor of a meter that shows both for the same water.

    Errors: QuantityError for readings of 0 and for a quotient that is no TDS scale.
    """
    if not (ppm > 0.0 and conductivity_us_cm > 0.0):
        raise QuantityError("TDS factor: take both readings in water that reads well above 0")
    factor = ppm / conductivity_us_cm
    check_factor(factor)
    return factor


def true_mg_l(solute: str, conductivity_us_cm: float) -> float:
    """mg/L of the solute really there at uS/cm (25 C, dilute branch); errors as concentration_mol_l."""
    key = known_solute(solute)
    return 1000.0 * MOLAR_MASS_G_MOL[key] * concentration_mol_l(key, conductivity_us_cm)


def over_reading(solute: str, conductivity_us_cm: float, factor: float) -> float:
    """How many times too high a ppm display is as mg/L of the solute: 3.0-3.1 for dilute caustic at 0.5."""
    return ppm_from_us_cm(conductivity_us_cm, factor) / true_mg_l(solute, conductivity_us_cm)


def zero_means(resolution: float, factor: float = 1.0) -> str:
    """What a displayed 0 says, in words: "below about 1 uS/cm" for a 1 ppm step at 0.5.

    ``resolution`` is one display step in the display's unit, ``factor`` ppm per uS/cm (1 for a display in
    uS/cm). A display that rounds shows 0 below half a step. Error: QuantityError for a step of 0 or less.
    """
    if not (resolution > 0.0 and factor > 0.0):
        raise QuantityError("resolution and TDS factor must be more than 0")
    return f"below about {0.5 * resolution / factor:.2g} uS/cm"
