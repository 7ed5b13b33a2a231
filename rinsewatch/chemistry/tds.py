"""TDS scales: a conductivity meter that shows ppm multiplies uS/cm (at 25 C) by one factor.

No factor is right for caustic or acid; the number is a conductivity in disguise, and is used as such.
"""

from __future__ import annotations

from rinsewatch.chemistry.conductivity import concentration_mol_l
from rinsewatch.chemistry.density import known_solute
from rinsewatch.chemistry.tables import MOLAR_MASS_G_MOL
from rinsewatch.chemistry.water import co2_water_us_cm, pure_water_us_cm
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


def zero_may_be(resolution: float, factor: float = 1.0) -> tuple[str, ...]:
    """Everything a displayed 0 can be, one clause each; arguments and error as zero_means.

    Water (with the most caustic and acid it can hide, and twice the range where a display cuts digits off), water
    that stood in air, and no water at all.
    """
    water = f"water {zero_means(resolution, factor)}, or twice that if the display cuts digits off instead of rounding"
    below_us_cm = 0.5 * resolution / factor
    if below_us_cm < pure_water_us_cm():
        hides: tuple[str, ...] = ("pure water itself has 0.055 uS/cm: hardly any water conducts so little",)
    else:
        hides = (_hidden(below_us_cm), f"water that only stood in air conducts {_aired(below_us_cm)} (1 uS/cm)")
    return (water, *hides, "a probe in air, in a bubble or not fully dipped shows 0 as well")


def _hidden(below_us_cm: float) -> str:
    amounts = [f"{true_mg_l(name, below_us_cm):.1g} mg/L {name}" for name in ("NaOH", "HCl")]
    # Measured with mixtures.mixture_us_cm: 10 umol/L of caustic read no more than the aired water without it.
    more = "; in water that stood in air carbon dioxide covers up 0.4 mg/L NaOH" if below_us_cm > 0.9 else ""
    return f"that may still be up to {' or '.join(amounts)}{more}"


def _aired(below_us_cm: float) -> str:
    aired_us_cm = co2_water_us_cm()
    if abs(aired_us_cm / below_us_cm - 1.0) < 0.2:
        return "about as much"
    return "less and shows 0 too" if aired_us_cm < below_us_cm else "more and would not show 0"
