"""Single ions: limiting conductivity, water's ion product, and the sum over ions.

Good where ions do not feel each other: below about 1e-4 mol/L within 1 %.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from rinsewatch.chemistry.density import water_density_g_ml
from rinsewatch.chemistry.monotone import MonotoneCubic
from rinsewatch.chemistry.tables import ION_CONDUCTIVITY_S_CM2_MOL, ION_POLYNOMIAL
from rinsewatch.errors import QuantityError

LOWEST_C, HIGHEST_C = 0.0, 60.0

# -log10 of water's ion product in (mol/kg)^2 against temperature in C (IAPWS release R11, saturated liquid).
_PKW_C = np.array([0.0, 5.0, 10.0, 15.0, 18.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 75.0])
_PKW = np.array([14.9461, 14.7341, 14.5336, 14.3440, 14.2351, 14.1645, 13.9943, 13.8330, 13.5343, 13.2645,
                 13.0205, 12.6970])  # fmt: skip
_PKW_CURVE = MonotoneCubic.through(_PKW_C, _PKW)


def check_temperature(temperature_c: float) -> None:
    """Refuse a water temperature outside 0-60 C; error: QuantityError."""
    if not LOWEST_C <= temperature_c <= HIGHEST_C:
        raise QuantityError(f"temperature: {temperature_c:g} C is outside {LOWEST_C:g}-{HIGHEST_C:g} C")


def ion_conductivity_s_cm2_mol(ion: str, temperature_c: float = 25.0) -> float:
    """Limiting molar conductivity of an ion: CRC at 25 C, scaled to temperature after McCleskey 2012."""
    check_temperature(temperature_c)
    return ION_CONDUCTIVITY_S_CM2_MOL[ion] * _polynomial(ion, temperature_c) / _polynomial(ion, 25.0)


def ion_product_mol2_l2(temperature_c: float = 25.0) -> float:
    """Water's ion product Kw (IAPWS R11, turned from mol/kg to mol/L), 0-60 C."""
    check_temperature(temperature_c)
    return float(10.0 ** -_PKW_CURVE(np.array(temperature_c))) * water_density_g_ml(temperature_c) ** 2


def ionic_sum_us_cm(ions_mol_l: Mapping[str, float], temperature_c: float = 25.0) -> float:
    """Conductivity of very dilute ions, uS/cm: the sum of concentration times limiting conductivity."""
    return 1000.0 * sum(c * ion_conductivity_s_cm2_mol(ion, temperature_c) for ion, c in ions_mol_l.items())


def pair_ratio(ions: tuple[str, str], temperature_c: float) -> float:
    """Limiting conductivity of an ion pair at a temperature over that at 25 C (McCleskey 2012)."""
    hot = sum(_polynomial(ion, temperature_c) for ion in ions)
    return hot / sum(_polynomial(ion, 25.0) for ion in ions)


def _polynomial(ion: str, temperature_c: float) -> float:
    a, b, c = ION_POLYNOMIAL[ion]
    return (a * temperature_c + b) * temperature_c + c
