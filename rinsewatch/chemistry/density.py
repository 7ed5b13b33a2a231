"""Density of solutions and the conversions that need it."""

from __future__ import annotations

from functools import cache

import numpy as np

from rinsewatch.chemistry.monotone import MonotoneCubic
from rinsewatch.chemistry.tables import DENSITY_20_C, MOLAR_MASS_G_MOL, Solute


@cache
def _curve(solute: Solute) -> MonotoneCubic:
    table = np.array(DENSITY_20_C[solute])
    return MonotoneCubic.through(table[:, 0], table[:, 1])


def density_20_c_g_ml(solute: Solute, mass_pct: float) -> float:
    """g/mL at 20 C for mass % within the table (see DENSITY_20_C)."""
    return float(_curve(solute)(np.array(mass_pct)))


def mol_l_from_mass_pct(solute: Solute, mass_pct: float) -> float:
    """mol/L at 20 C for mass % within the table."""
    return 10.0 * mass_pct * density_20_c_g_ml(solute, mass_pct) / MOLAR_MASS_G_MOL[solute]
