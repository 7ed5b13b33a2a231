"""Pure water and water that stood in air: what the cleanest rinse can read.

The floor of a rinse in an open beaker is set by carbon dioxide from the air, not by the resin.
"""

from __future__ import annotations

from math import log10, sqrt

from rinsewatch.chemistry.ions import (
    check_temperature,
    ion_conductivity_s_cm2_mol,
    ion_product_mol2_l2,
    ionic_sum_us_cm,
)

AIR_CO2_PPM = 420.0  # outdoor air of the early 2020s by volume; rooms with people reach 1000 and more


def pure_water_us_cm(temperature_c: float = 25.0) -> float:
    """Conductivity of pure water, uS/cm, 0-60 C: 0.0550 at 25 C; published formulas differ by up to 5 %."""
    each = sqrt(ion_product_mol2_l2(temperature_c))
    return ionic_sum_us_cm({"H+": each, "OH-": each}, temperature_c)


def pure_water_slope_pct_per_c(temperature_c: float = 25.0) -> float:
    """Local slope of pure water, % of its conductivity per C; about 5 at 25 C, against 2 for salts."""
    low, high = max(temperature_c - 0.5, 0.0), min(temperature_c + 0.5, 60.0)
    rise = pure_water_us_cm(high) - pure_water_us_cm(low)
    return 100.0 * rise / (high - low) / pure_water_us_cm(temperature_c)


def resistivity_mohm_cm(conductivity_us_cm: float) -> float:
    """Megohm cm of a conductivity in uS/cm (more than 0)."""
    return 1.0 / conductivity_us_cm


def co2_water_ph(temperature_c: float = 25.0, co2_ppm: float = AIR_CO2_PPM) -> float:
    """pH of pure water in equilibrium with air of ``co2_ppm`` (by volume) at 1 atm; 0-60 C."""
    return -log10(_hydrogen_mol_l(temperature_c, co2_ppm))


def co2_water_us_cm(temperature_c: float = 25.0, co2_ppm: float = AIR_CO2_PPM) -> float:
    """Conductivity of pure water in equilibrium with air, uS/cm: about 1.0 at 25 C in outdoor air.

    Henry's constant and the first dissociation of carbonic acid after Plummer and Busenberg (1982); carbonate
    is below 0.1 % of the ions and left out.
    """
    hydrogen = _hydrogen_mol_l(temperature_c, co2_ppm)
    hydroxide = ion_product_mol2_l2(temperature_c) / hydrogen
    ions = {"H+": hydrogen, "OH-": hydroxide, "HCO3-": hydrogen - hydroxide}
    return ionic_sum_us_cm(ions, temperature_c)


def water_share_us_cm(excess_mol_l: float, temperature_c: float) -> float:
    """uS/cm that water's own ions add beside ``excess_mol_l`` of H+ or OH- (0 for a neutral salt)."""
    product = ion_product_mol2_l2(temperature_c)
    # The minor ion; by charge balance it equals the excess of the major one.
    minor = 2.0 * product / (excess_mol_l + sqrt(excess_mol_l * excess_mol_l + 4.0 * product))
    pair = sum(ion_conductivity_s_cm2_mol(ion, temperature_c) for ion in ("H+", "OH-"))
    return 1000.0 * minor * pair


def co2_dissolved_mol_l(temperature_c: float = 25.0, co2_ppm: float = AIR_CO2_PPM) -> float:
    """Dissolved carbon dioxide (not its ions) in equilibrium with air of ``co2_ppm`` at 1 atm; 0-60 C."""
    check_temperature(temperature_c)
    kelvin = temperature_c + 273.15
    # Plummer and Busenberg (1982), Geochim. Cosmochim. Acta 46, 1011: mol/(kg atm).
    log_henry = (108.3865 + 0.01985076 * kelvin - 6919.53 / kelvin - 40.45154 * log10(kelvin)
                 + 669365.0 / kelvin**2)  # fmt: skip
    return float(10.0**log_henry) * co2_ppm * 1e-6


def carbonic_constants_mol_l(temperature_c: float = 25.0) -> tuple[float, float]:
    """First and second dissociation of carbonic acid, mol/L: 10^-6.35 and 10^-10.33 at 25 C; 0-60 C."""
    check_temperature(temperature_c)
    kelvin = temperature_c + 273.15
    # Plummer and Busenberg (1982), as above; mol/kg.
    log_first = (-356.3094 - 0.06091964 * kelvin + 21834.37 / kelvin + 126.8339 * log10(kelvin)
                 - 1684915.0 / kelvin**2)  # fmt: skip
    log_second = (-107.8871 - 0.03252849 * kelvin + 5151.79 / kelvin + 38.92561 * log10(kelvin)
                  - 563713.9 / kelvin**2)  # fmt: skip
    return float(10.0**log_first), float(10.0**log_second)


def _hydrogen_mol_l(temperature_c: float, co2_ppm: float) -> float:
    """H+ from its charge balance with HCO3- and OH-."""
    acid = co2_dissolved_mol_l(temperature_c, co2_ppm) * carbonic_constants_mol_l(temperature_c)[0]
    return sqrt(acid + ion_product_mol2_l2(temperature_c))
