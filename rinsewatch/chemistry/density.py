"""Density of solutions against mass % and temperature.

Handbook table at 20 C, times the expansion after Laliberte and Cooper (2004). Good to 0.1 % at 20 C and 0.3 %
over 10-35 C up to 30 %; in stronger NaOH the correlation expands too little (about 1 % off at 50 % and 35 C).
KOH is limited: that correlation alone, with no second source behind it. H2SO4 above 78 % borrows the expansion of the
end of its correlation (0.5 % off at 35 C).
"""

from __future__ import annotations

from functools import cache
from math import exp

import numpy as np

from rinsewatch.chemistry.monotone import MonotoneCubic
from rinsewatch.chemistry.tables import DENSITY_20_C, LALIBERTE, MOLAR_MASS_G_MOL, Solute
from rinsewatch.errors import QuantityError

_LOWEST_C, _HIGHEST_C = 0.0, 50.0


def water_density_g_ml(temperature_c: float) -> float:
    """Pure water, 0-100 C (Kell 1975, as used by Laliberte and Cooper 2004)."""
    t = temperature_c
    top = -2.8054253e-10 * t + 1.0556302e-7
    for term in (-4.6170461e-5, -0.0079870401, 16.945176, 999.83952):
        top = top * t + term
    return top / (1.0 + 0.01687985 * t) / 1000.0


def strongest_pct(solute: Solute) -> float:
    """The largest mass % the density table knows (NaCl, KCl: about saturation)."""
    return DENSITY_20_C[solute][-1][0] if solute in DENSITY_20_C else 50.0


def density_g_ml(solute: str, mass_pct: float, temperature_c: float = 20.0) -> float:
    """g/mL of a solution of NaOH, HCl, KOH, NaCl, KCl or H2SO4; mass % as g per 100 g solution, 0-50 C.

    Errors: QuantityError beyond NaOH 50, HCl 40, KOH 50, NaCl 26, KCl 24, H2SO4 98 %, outside 0-50 C or unknown solute.
    """
    key = known_solute(solute)
    check_strength(key, mass_pct)
    if not _LOWEST_C <= temperature_c <= _HIGHEST_C:
        raise QuantityError(f"temperature: {temperature_c:g} C is outside {_LOWEST_C:g}-{_HIGHEST_C:g} C")
    if key not in DENSITY_20_C:
        return _laliberte_g_ml(key, mass_pct, temperature_c)
    at_20_c = float(_curve(key)(np.array(mass_pct)))
    return at_20_c * _laliberte_g_ml(key, mass_pct, temperature_c) / _laliberte_g_ml(key, mass_pct, 20.0)


def check_strength(solute: Solute, mass_pct: float) -> None:
    """Refuse a strength the tables do not know, in one line; error: QuantityError."""
    strongest = strongest_pct(solute)
    if not 0.0 <= mass_pct <= strongest:
        raise QuantityError(f"{solute}: {mass_pct:g} % by mass is outside 0-{strongest:g} %; check the label")


def known_solute(name: str) -> Solute:
    """The solute of this name; error: QuantityError that lists the known ones."""
    try:
        return Solute(name)
    except ValueError:
        raise QuantityError(f"solute: {name!r} is unknown; choose {', '.join(Solute)}") from None


def mol_l_from_mass_pct(solute: str, mass_pct: float, temperature_c: float = 20.0) -> float:
    """mol per litre of solution at the given temperature; errors as density_g_ml."""
    key = known_solute(solute)
    return 10.0 * mass_pct * density_g_ml(key, mass_pct, temperature_c) / MOLAR_MASS_G_MOL[key]


@cache
def _curve(solute: Solute) -> MonotoneCubic:
    table = np.array(DENSITY_20_C[solute])
    return MonotoneCubic.through(table[:, 0], table[:, 1])


def _laliberte_g_ml(solute: Solute, mass_pct: float, temperature_c: float) -> float:
    c0, c1, c2, c3, c4 = LALIBERTE[solute]
    share = mass_pct / 100.0
    water = 1.0 - share
    growth = exp(1e-6 * (temperature_c + c4) ** 2)
    apparent_g_ml = (c0 * share + c1) * growth / (share + c2 + c3 * temperature_c) / 1000.0
    return 1.0 / (water / water_density_g_ml(temperature_c) + share / apparent_g_ml)
