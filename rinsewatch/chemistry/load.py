"""From conductivity to equivalents: what feed water takes out of a bed, and what a residue will take.

The resin counts equivalents, the meter counts current. Per equivalent acid carries 3.4 times and caustic
twice the current of the salt in feed water, and carbon dioxide hardly any: the same reading is a different load.
"""

from __future__ import annotations

from functools import cache
from math import isfinite
from typing import overload

from rinsewatch.chemistry.conductivity import LinearScale
from rinsewatch.chemistry.monotone import Array
from rinsewatch.chemistry.resin import Range
from rinsewatch.chemistry.tables import ION_CONDUCTIVITY_S_CM2_MOL as ION
from rinsewatch.chemistry.water import co2_dissolved_mol_l, co2_water_us_cm, pure_water_us_cm
from rinsewatch.errors import QuantityError

# Feed-water salt, S cm2 per equivalent at infinite dilution (ions: CRC Handbook). RO permeate is mostly sodium
# chloride with some bicarbonate; two to one is our choice for the other end (no source).
CHLORIDE_S_CM2_EQ = ION["Na+"] + ION["Cl-"]
BICARBONATE_S_CM2_EQ = ION["Na+"] + ION["HCO3-"]
MIXED_S_CM2_EQ = (2.0 * CHLORIDE_S_CM2_EQ + BICARBONATE_S_CM2_EQ) / 3.0
CARBONIC_S_CM2_EQ = ION["H+"] + ION["HCO3-"]
CO2_G_MOL = 44.009  # IUPAC standard atomic weights
# Caustic left in the anion resin uses up the cation resin, which never sees carbon dioxide.
CAUSTIC = ("NaOH", "KOH")
_SULFATE_S_CM2_EQ = 80.0  # CRC Handbook, from memory
# (curve of the residue, its limiting conductivity over the curve's): potash borrows caustic soda's decline.
_CURVES = {
    "NaOH": ("NaOH", 1.0),
    "KOH": ("NaOH", (ION["K+"] + ION["OH-"]) / 247.8),  # 247.8: CRC Handbook, the curve's own limit
    "HCl": ("HCl", 1.0),
    # Sulfuric acid as if it were all H+ and sulfate: within 2 % of PHREEQC up to 80
    # uS/cm, 5 % up to 400; above, bisulfate conducts less.
    "H2SO4": ("HCl", (ION["H+"] + _SULFATE_S_CM2_EQ) / 426.16),  # 426.16: the curve's own limit
    "salt": ("salt", 1.0),
    "NaCl": ("salt", 1.0),
}
RESIDUES = tuple(_CURVES)


def feed_load_eq_l(feed_us_cm: float, residue: str | None = None, co2_mg_l: float | None = None) -> Range:
    """Equivalents per litre that a bed must take up from feed water of ``feed_us_cm`` (25 C, RO permeate).

    Low end: all of it sodium chloride, after taking off the carbonic acid that water in air has (0.9 uS/cm), which
    counts as little as it conducts. High end: two parts chloride to one of bicarbonate, nothing taken off, plus
    dissolved carbon dioxide, which does not conduct but uses up anion resin one for one. Taken is what air gives
    (0.6 mg/L); fresh from a membrane it is often several mg/L, 0.023 meq/L for each, so name it as ``co2_mg_l`` if
    it is known. ``residue`` says which resin is meant: NaOH or KOH the cation resin (carbon dioxide is no
    load), HCl or H2SO4 the anion resin; None and salt both. Error: QuantityError for a feed that is no such water.
    """
    _check_feed(feed_us_cm)
    if residue is not None:
        _known(residue)
    above_us_cm = max(feed_us_cm - pure_water_us_cm(), 0.0)
    carbonic_us_cm = min(above_us_cm, co2_water_us_cm() - pure_water_us_cm())
    low = _salt_eq_l(above_us_cm - carbonic_us_cm, CHLORIDE_S_CM2_EQ)
    high = _salt_eq_l(above_us_cm, MIXED_S_CM2_EQ)
    if residue in CAUSTIC:
        return Range(low, high)
    free_eq_l = co2_dissolved_mol_l() if co2_mg_l is None else _co2_eq_l(co2_mg_l)
    return Range(low + carbonic_us_cm / (1000.0 * CARBONIC_S_CM2_EQ), high + free_eq_l)


@overload
def residue_eq_l(residue: str, us_cm: float) -> float: ...
@overload
def residue_eq_l(residue: str, us_cm: Array) -> Array: ...
def residue_eq_l(residue: str, us_cm: float | Array) -> float | Array:
    """Equivalents per litre of the residue at ``us_cm`` (25 C, true uS/cm; a number or an array of any shape).

    ``residue``: NaOH, KOH, HCl, H2SO4, salt or NaCl. Take the rinse water's own reading off first where it matters. The
    dilute answer: above about 15 % NaOH or 19 % HCl a conductivity has a second, stronger one
    (conductivity.both_concentrations), and near the maximum this one only says "very strong". Water that holds
    carbon dioxide turns the first caustic into bicarbonate: in water from open air up to 20 umol/L of caustic
    escape (5 uS/cm); see mixtures.mixture_us_cm. Error: QuantityError for an unknown residue.
    """
    scale, ratio = _scale(residue)
    return scale.to_linear(us_cm / ratio) / (1000.0 * scale.limit_s_cm2_mol)


@overload
def residue_us_cm(residue: str, eq_l: float) -> float: ...
@overload
def residue_us_cm(residue: str, eq_l: Array) -> Array: ...
def residue_us_cm(residue: str, eq_l: float | Array) -> float | Array:
    """The inverse of residue_eq_l: uS/cm at 25 C of so many eq/L, without the water's own."""
    scale, ratio = _scale(residue)
    return scale.to_reading(eq_l * (1000.0 * scale.limit_s_cm2_mol)) * ratio


@cache
def _scale(residue: str) -> tuple[LinearScale, float]:
    curve, ratio = _CURVES[_known(residue)]
    return LinearScale(curve), ratio


def _known(residue: str) -> str:
    if residue not in _CURVES:
        raise QuantityError(f"residue: {residue!r} is unknown; choose {', '.join(RESIDUES[:-1])} or {RESIDUES[-1]}")
    return residue


def _check_feed(feed_us_cm: float) -> None:
    # 10 mS/cm: brackish; nobody treats it with a mixed bed, and the ions' sum no longer means feed water.
    if not (isfinite(feed_us_cm) and 0.0 <= feed_us_cm <= 1e4):
        raise QuantityError(f"feed: {feed_us_cm:g} uS/cm is no feed water for a mixed bed (0-10000 uS/cm)")


def _salt_eq_l(us_cm: float, limit_s_cm2_eq: float) -> float:
    """Salt with sodium chloride's decline and this limiting conductivity."""
    scale = LinearScale("salt")
    return scale.to_linear(us_cm) / (1000.0 * limit_s_cm2_eq)


def _co2_eq_l(co2_mg_l: float) -> float:
    if not 0.0 <= co2_mg_l <= 1500.0:  # 1500 mg/L: water saturated with the pure gas at 1 atm
        raise QuantityError(f"carbon dioxide: {co2_mg_l:g} mg/L cannot be dissolved in feed water (0-1500)")
    return co2_mg_l / 1000.0 / CO2_G_MOL
