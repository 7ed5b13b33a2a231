"""Conductivity of mixed liquids: caustic or acid with salt, with each other, and with carbon dioxide.

Caustic and acid neutralise each other first; what conducts is what is left. Then every pair of ions conducts as
it would alone in a solution of the mixture's total strength, in proportion to both shares (Young's rule for
1:1 electrolytes, Robinson and Stokes, from memory; within 1.3 % of PHREEQC at 25 C up to 0.1 mol/L). Water's own
ions and carbon dioxide come in through the charge balance: the first caustic in aired water lowers its reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite, sqrt

from rinsewatch.chemistry.conductivity import conducting_solute, own_us_cm
from rinsewatch.chemistry.halving import halved
from rinsewatch.chemistry.ions import ion_product_mol2_l2, pair_ratio
from rinsewatch.chemistry.tables import ION_CONDUCTIVITY_S_CM2_MOL, IONS, Solute
from rinsewatch.chemistry.water import carbonic_constants_mol_l
from rinsewatch.errors import QuantityError

_PAIRS = {ions: solute for solute, ions in IONS.items()}
# Carbonate, per equivalent, S cm2: CRC Handbook, from memory; its slope with temperature is taken as bicarbonate's.
_CARBONATE_S_CM2_EQ = 69.3
_POTASH_ENDS_MOL_L = 0.1
_SALT_ENDS_MOL_L = 5.0
_ROUNDING = 1.0 + 1e-9
# Davies' equation at 25 C (from memory): log10 of an activity coefficient, times the charge squared.
_DAVIES_A, _DAVIES_LINEAR, _DAVIES_TOP_MOL_L = 0.509, 0.3, 0.5


def mixture_us_cm(mol_l: Mapping[str, float], temperature_c: float = 25.0, carbonate_mol_l: float = 0.0) -> float:
    """uS/cm of water holding these solutes (NaOH, KOH, HCl, NaCl, KCl: mol/L each), 0-60 C.

    ``carbonate_mol_l``: dissolved carbon dioxide and what it has turned into, all together. Up to 0.1 mol/L where
    potassium meets caustic, else to the ends of the single tables; without carbonate a single solute comes out as
    conductivity_us_cm has it. Error: QuantityError for an unknown solute, a negative or too large amount.
    """
    ions = mixture_ions_mol_l(mol_l, temperature_c, carbonate_mol_l)
    cations = {ion: c for ion, c in ions.items() if ion.endswith("+") and c > 0.0}
    anions = {ion: c * (2.0 if ion == "CO3-2" else 1.0) for ion, c in ions.items() if ion not in cations and c > 0.0}
    total = sum(cations.values())
    balance = sum(anions.values())
    return sum(
        share / total * other / balance * _pair_us_cm((cation, anion), total, temperature_c)
        for cation, share in cations.items()
        for anion, other in anions.items()
    )


def mixture_ions_mol_l(
    mol_l: Mapping[str, float], temperature_c: float = 25.0, carbonate_mol_l: float = 0.0
) -> dict[str, float]:
    """The ions left after neutralisation, mol/L: Na+, K+, H+, Cl-, OH-, HCO3-, CO3-2. Errors as mixture_us_cm."""
    _check(mol_l, carbonate_mol_l)
    ions = dict.fromkeys(("Na+", "K+", "Cl-"), 0.0)
    for name, amount in mol_l.items():
        for ion in IONS[conducting_solute(name)]:
            if ion in ions:
                ions[ion] += amount
    surplus_base = ions["Na+"] + ions["K+"] - ions["Cl-"]
    strength = max(ions["Na+"] + ions["K+"], ions["Cl-"])
    # Traces of hydroxide in potassium chloride do no harm; caustic potash beyond its table would.
    if ions["K+"] > 0.0 and surplus_base > 1e-6 and strength > _POTASH_ENDS_MOL_L * _ROUNDING:
        raise QuantityError(f"KOH: a mixture of {strength:.3g} mol/L is outside the table (0-0.1 mol/L)")
    water, first, second = _constants(temperature_c, strength)
    return ions | _weak_ions(surplus_base, carbonate_mol_l, water, first, second)


def _constants(temperature_c: float, strength_mol_l: float) -> tuple[float, float, float]:
    """Ion product of water and both constants of carbonic acid in concentrations at this ionic strength."""
    strength = min(strength_mol_l, _DAVIES_TOP_MOL_L)
    root = sqrt(strength)
    power = 10.0 ** (2.0 * _DAVIES_A * (root / (1.0 + root) - _DAVIES_LINEAR * strength))
    first, second = carbonic_constants_mol_l(temperature_c)
    return ion_product_mol2_l2(temperature_c) * power, first * power, second * power**2


def _weak_ions(surplus_base: float, carbonate: float, water: float, first: float, second: float) -> dict[str, float]:
    """H+, OH- and carbonic ions from the charge balance."""

    def negative(log_hydrogen: float) -> bool:
        ions = _at_hydrogen(10.0**log_hydrogen, carbonate, water, first, second)
        return ions["H+"] + surplus_base - ions["OH-"] - ions["HCO3-"] - 2.0 * ions["CO3-2"] < 0.0

    return _at_hydrogen(10.0 ** halved(-16.0, 1.5, negative, rounds=70), carbonate, water, first, second)


def _at_hydrogen(hydrogen: float, carbonate: float, water: float, first: float, second: float) -> dict[str, float]:
    whole = hydrogen * hydrogen + first * hydrogen + first * second
    return {
        "H+": hydrogen,
        "OH-": water / hydrogen,
        "HCO3-": carbonate * first * hydrogen / whole,
        "CO3-2": carbonate * first * second / whole,
    }


def _pair_us_cm(pair: tuple[str, str], total_mol_l: float, temperature_c: float) -> float:
    """uS/cm if the whole solution were this pair; pairs without a table fall off as sodium chloride does."""
    solute = _PAIRS.get(pair)
    if solute is Solute.KOH and total_mol_l <= _POTASH_ENDS_MOL_L * _ROUNDING:
        return own_us_cm(solute, min(total_mol_l, _POTASH_ENDS_MOL_L), temperature_c)
    if solute not in (None, Solute.KOH):
        return own_us_cm(solute, total_mol_l, temperature_c)
    cation, anion = pair[0], "HCO3-" if pair[1] == "CO3-2" else pair[1]
    other = _CARBONATE_S_CM2_EQ if pair[1] == "CO3-2" else ION_CONDUCTIVITY_S_CM2_MOL[anion]
    limit = ION_CONDUCTIVITY_S_CM2_MOL[cation] + other
    salt = ION_CONDUCTIVITY_S_CM2_MOL["Na+"] + ION_CONDUCTIVITY_S_CM2_MOL["Cl-"]
    tabled_mol_l = min(total_mol_l, _SALT_ENDS_MOL_L)
    like_salt = own_us_cm(Solute.NACL, tabled_mol_l, 25.0) * total_mol_l / tabled_mol_l
    return like_salt * limit / salt * pair_ratio((cation, anion), temperature_c)


def _check(mol_l: Mapping[str, float], carbonate_mol_l: float) -> None:
    for name, amount in {**mol_l, "carbon dioxide": carbonate_mol_l}.items():
        if not (isfinite(amount) and amount >= 0.0):
            raise QuantityError(f"{name}: {amount:g} mol/L must not be negative")
