"""Temperature compensation: what a meter does, and what it should have done for this residue.

All compensated values are referred to 25 C. A meter's one slope (often 2 %/C) fits neither caustic (1.7) nor
acid (1.4) nor nearly pure water (about 5, its own ions carry the current).
"""

from __future__ import annotations

from math import exp

from rinsewatch.chemistry.conductivity import conductivity_us_cm
from rinsewatch.chemistry.water import pure_water_us_cm
from rinsewatch.errors import QuantityError

REFERENCE_C = 25.0

# % per C referred to 25 C, dilute. Limits after McCleskey et al. 2012: NaOH 1.68, HCl 1.45, NaCl 2.04;
# 0.6-1.4 mol/L in Landolt-Boernstein, 18-26 C: NaOH 1.71, HCl 1.42.
RESIDUE_SLOPE_PCT_PER_C = {"NaOH": 1.7, "HCl": 1.43, "salt": 2.04}

# ISO 7888 (EN 27888): nonlinear compensation of natural waters, valid 0-36 C and 60-1000 uS/cm.
_ISO_A, _ISO_N = 0.962144, 0.965078
_ISO_BASE, _ISO_SHIFT, _ISO_SCALE, _ISO_OFFSET_C = -0.198058, -1.992186, 231.17628, 86.39123
ISO_LOWEST_C, ISO_HIGHEST_C = 0.0, 36.0


def linear_factor(temperature_c: float, slope_pct_per_c: float) -> float:
    """Conductivity at a temperature over that at 25 C, for a slope in % of the 25 C value per C.

    Error: QuantityError where the slope leaves nothing (0 or less), as a cold strong solution would.
    """
    factor = 1.0 + slope_pct_per_c / 100.0 * (temperature_c - REFERENCE_C)
    if not factor > 0.0:
        raise QuantityError(f"temperature: no {slope_pct_per_c:g} %/C slope reaches {temperature_c:g} C")
    return factor


def to_25_c_us_cm(conductivity_us_cm: float, temperature_c: float, slope_pct_per_c: float = 2.0) -> float:
    """Uncompensated uS/cm at a temperature to its 25 C value with a linear slope; errors as linear_factor."""
    return conductivity_us_cm / linear_factor(temperature_c, slope_pct_per_c)


def from_25_c_us_cm(conductivity_us_cm: float, temperature_c: float, slope_pct_per_c: float = 2.0) -> float:
    """A 25 C value in uS/cm to the uncompensated one at a temperature; the inverse of to_25_c_us_cm."""
    return conductivity_us_cm * linear_factor(temperature_c, slope_pct_per_c)


def iso7888_factor(temperature_c: float) -> float:
    """f25: multiply an uncompensated natural water's conductivity by it (ISO 7888, nonlinear).

    For neutral natural water of 60-1000 uS/cm only: not for caustic, acid or nearly pure water. At 25 C the
    standard's own formula gives 1.0004. Error: QuantityError outside 0-36 C.
    """
    if not ISO_LOWEST_C <= temperature_c <= ISO_HIGHEST_C:
        raise QuantityError(f"temperature: ISO 7888 covers 0-36 C, not {temperature_c:g} C")
    viscosity = _ISO_BASE + exp(_ISO_SHIFT + _ISO_SCALE / (temperature_c + _ISO_OFFSET_C))
    return float(1.116 * ((1.0 - _ISO_A) + _ISO_A * viscosity**_ISO_N))


def solute_slope_pct_per_c(solute: str, mol_l: float, temperature_c: float = 25.0) -> float:
    """Mean slope between ``temperature_c`` and 25 C (at 25 C: 24 to 26), % of the 25 C value per C."""
    low, high = sorted((temperature_c, REFERENCE_C))
    if high - low < 1.0:
        low, high = REFERENCE_C - 1.0, REFERENCE_C + 1.0
    rise = conductivity_us_cm(solute, mol_l, high) - conductivity_us_cm(solute, mol_l, low)
    return 100.0 * rise / (high - low) / conductivity_us_cm(solute, mol_l, REFERENCE_C)


def recompensated_us_cm(
    reading_us_cm: float, temperature_c: float, meter_slope_pct_per_c: float, residue: str
) -> float:
    """What a compensating meter should have read at 25 C, uS/cm: its slope undone, the residue's own applied.

    ``reading_us_cm`` is the display's 25 C value, ``residue`` NaOH, HCl or salt. Pure water's share is taken
    out first and follows its own, steeper law (felt below about 1 uS/cm). A meter without compensation has
    slope 0. Errors: QuantityError for an unknown residue, a temperature outside 0-60 C, an impossible slope.
    """
    if residue not in RESIDUE_SLOPE_PCT_PER_C:
        raise QuantityError(f"residue: {residue!r} is unknown; choose NaOH, HCl or salt")
    raw_us_cm = from_25_c_us_cm(reading_us_cm, temperature_c, meter_slope_pct_per_c)
    water_us_cm = min(raw_us_cm, pure_water_us_cm(temperature_c))
    residue_us_cm = to_25_c_us_cm(raw_us_cm - water_us_cm, temperature_c, RESIDUE_SLOPE_PCT_PER_C[residue])
    return residue_us_cm + water_us_cm * pure_water_us_cm(REFERENCE_C) / pure_water_us_cm(temperature_c)
