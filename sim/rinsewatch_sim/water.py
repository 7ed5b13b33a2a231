"""Conductivity of the water at the probe: residue, rinse-water salt, carbon dioxide, the water's own ions.

Concentrations in mol/L, conductivities in uS/cm at the water's own temperature unless a name says 25.
Own constants with their own sources; nothing here is shared with the estimator.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Ionic conductivity at 25 C, S cm2/mol: CRC Handbook, ionic conductivity at infinite dilution.
# CO3--: 2 x 69.3 per equivalent, same table (from memory; only matters for traces of carbonate).
_LAMBDA_25: Final = {
    "H": 349.65, "OH": 198.0, "Na": 50.08, "K": 73.48, "Cl": 76.31, "HCO3": 44.5, "CO3": 138.6,
}  # fmt: skip
# a t^2 + b t + c, t in C: McCleskey, Nordstrom, Ryan and Ball (2012). Used as a ratio to 25 C only.
_LAMBDA_T: Final = {
    "H": (-0.01414, 5.355, 224.2), "OH": (0.003396, 2.925, 121.3), "Na": (0.003763, 0.877, 26.23),
    "K": (0.003046, 1.261, 40.7), "Cl": (0.003817, 1.337, 40.99), "HCO3": (0.000614, 0.9048, 21.14),
    "CO3": (0.000614, 0.9048, 21.14),  # slope as for HCO3 (assumed)
}  # fmt: skip
# pKw 0..50 C: IAPWS release on the ionization constant of water (R11).
_PKW_T: Final = (0.0, 5.0, 10.0, 15.0, 18.0, 20.0, 25.0, 30.0, 40.0, 50.0)
_PKW: Final = (14.9461, 14.7341, 14.5336, 14.344, 14.2351, 14.1645, 13.9943, 13.833, 13.5343, 13.2645)
# Carbonic acid at 25 C: pK1 6.35, pK2 10.33 (common textbook values, from memory).
_K1: Final = 10**-6.35
_K2: Final = 10**-10.33

# Molar conductivity at 25 C, S cm2/mol, against mol/L.
# Up to 0.1: CRC Handbook, equivalent conductivity of electrolytes (NaOH 0.1: between two libraries'
# 21.7 and 22.6 mS/cm). Above: Kohlrausch-type table at 18 C (mass %) carried to 25 C with its own slopes,
# densities from the CRC Handbook.
_MOLAR: Final = {
    "NaOH": ((0, 247.8), (0.0005, 245.6), (0.001, 244.7), (0.005, 240.8), (0.01, 238.0), (0.1, 220.5),
             (0.6414, 192.5), (1.3173, 170.5), (2.7725, 129.8), (4.3653, 93.2), (6.0964, 64.9)),
    "HCl": ((0, 426.16), (0.0005, 422.74), (0.001, 421.36), (0.005, 415.8), (0.01, 412.0), (0.02, 407.24),
            (0.05, 399.09), (0.1, 391.32),
            (1.4026, 312.6), (2.8732, 243.3), (4.4127, 187.2), (6.0228, 140.1)),
    "salt": ((0, 126.45), (0.0005, 124.5), (0.001, 123.74), (0.005, 120.65), (0.01, 118.51), (0.02, 115.76),
             (0.05, 111.06), (0.1, 106.74), (0.8846, 87.5), (1.8320, 76.0), (2.8450, 66.3), (3.9279, 57.4),
             (5.0849, 48.7)),
    "KCl": ((0, 149.86), (0.0005, 147.81), (0.001, 146.95), (0.005, 143.55), (0.01, 141.27), (0.02, 138.34),
            (0.05, 133.37), (0.1, 128.96), (1.0, 111.725)),
}  # fmt: skip
_CATION: Final = {"NaOH": "Na", "HCl": "H", "salt": "Na", "KCl": "K"}
SPECIES: Final = tuple(_MOLAR)


def crowding(species: str, mol_l: Array) -> Array:
    """Molar conductivity relative to infinite dilution (0..1), linear in the root of concentration."""
    table = np.array(_MOLAR[species])
    return np.asarray(np.interp(np.sqrt(mol_l), np.sqrt(table[:, 0]), table[:, 1] / table[0, 1]))


def ion_conductivity(ion: str, temperature_c: Array | float) -> Array:
    """S cm2/mol of the ion at infinite dilution and ``temperature_c``."""
    a, b, c = _LAMBDA_T[ion]
    at_25 = a * 625.0 + b * 25.0 + c
    t = np.asarray(temperature_c, dtype=np.float64)
    return np.asarray(_LAMBDA_25[ion] * (a * t * t + b * t + c) / at_25)


def water_product(temperature_c: Array | float) -> Array:
    """Kw (mol/L)^2 at ``temperature_c``."""
    return np.asarray(10.0 ** -np.interp(temperature_c, _PKW_T, _PKW))


def _hydrogen(surplus_base: Array, kw: Array, co2: Array) -> Array:
    """[H+] from the charge balance: H + surplus = OH + HCO3 + 2 CO3; bisection in log10 [H+]."""
    low = np.full(surplus_base.shape, -16.0)
    high = np.full(surplus_base.shape, 1.5)
    for _ in range(45):
        mid = (low + high) / 2
        h = 10.0**mid
        denominator = h * h + _K1 * h + _K1 * _K2
        charge = h + surplus_base - kw / h - co2 * (_K1 * h + 2 * _K1 * _K2) / denominator
        low = np.where(charge < 0, mid, low)
        high = np.where(charge < 0, high, mid)
    return np.asarray(10.0 ** ((low + high) / 2))


def conductivity_us_cm(
    species: str,
    mol_l: Array | float,
    temperature_c: Array | float = 25.0,
    salt_mol_l: Array | float = 0.0,
    co2_mol_l: Array | float = 0.0,
) -> Array:
    """Conductivity, uS/cm at ``temperature_c``, of residue plus NaCl background plus total carbonic acid.

    Shapes broadcast. Caustic binds carbonic acid (so the first trace of caustic *lowers* the reading of
    air-touched water), acid holds it back: the parts do not simply add.
    """
    c, t, salt, co2 = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (mol_l, temperature_c, salt_mol_l, co2_mol_l))
    )
    base, acid = (c if species == "NaOH" else 0.0 * c), (c if species == "HCl" else 0.0 * c)
    neutral = salt + (c if species == "salt" else 0.0)
    kw = water_product(t)
    h = _hydrogen(base - acid, kw, co2)
    denominator = h * h + _K1 * h + _K1 * _K2
    parts = {
        "H": h, "OH": kw / h, "Na": base + neutral, "Cl": acid + neutral,
        "HCO3": co2 * _K1 * h / denominator, "CO3": co2 * _K1 * _K2 / denominator,
    }  # fmt: skip
    if species == "KCl":
        parts |= {"K": c, "Cl": salt + c}
    total = sum((ion_conductivity(ion, t) * amount for ion, amount in parts.items()), np.zeros(c.shape))
    return np.asarray(1000.0 * crowding(species, c) * total)


def salt_for_us_cm(conductivity_25: float) -> float:
    """mol/L of NaCl that adds ``conductivity_25`` uS/cm at 25 C (dilute)."""
    return conductivity_25 / (1000.0 * (_LAMBDA_25["Na"] + _LAMBDA_25["Cl"]))


def co2_for_us_cm(conductivity_25: float) -> float:
    """Total carbonic acid, mol/L, that alone gives water ``conductivity_25`` uS/cm at 25 C."""
    own = math.sqrt(10 ** -float(_PKW[6]))
    h = max(conductivity_25 / (1000.0 * (_LAMBDA_25["H"] + _LAMBDA_25["HCO3"])), own)
    bicarbonate = h - own * own / h
    return bicarbonate * (1.0 + h / _K1)


def residue_for_us_cm(species: str, conductivity_25: float) -> float:
    """mol/L of a dilute residue that reads ``conductivity_25`` uS/cm at 25 C in pure water (bisection)."""
    low, high = 1e-10, 1.0
    for _ in range(60):
        mid = math.sqrt(low * high)
        too_low = float(conductivity_us_cm(species, mid)) < conductivity_25
        low, high = (mid, high) if too_low else (low, mid)
    return math.sqrt(low * high)
