"""Mixtures against PHREEQC 3 (USGS), against the single tables, and against the simulator's own water."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rinsewatch.chemistry.conductivity import conductivity_us_cm
from rinsewatch.chemistry.mixtures import mixture_ions_mol_l, mixture_us_cm
from rinsewatch.chemistry.tables import IONS, MOLAR_MASS_G_MOL, Solute
from rinsewatch.chemistry.water import co2_dissolved_mol_l, co2_water_us_cm
from rinsewatch.errors import QuantityError
from rinsewatch_sim.water import conductivity_us_cm as bench_us_cm

Ask = Callable[..., Any]
Mix = dict[str, float]

MIXES: list[Mix] = [
    {"NaOH": 1.0, "NaCl": 1.0}, {"HCl": 1.0, "NaCl": 1.0}, {"KOH": 1.0, "NaCl": 0.5}, {"NaOH": 1.0, "HCl": 0.5},
    {"NaOH": 0.3, "HCl": 1.0}, {"NaOH": 1.0, "KOH": 0.5}, {"NaCl": 1.0, "KCl": 1.0}, {"NaOH": 0.5, "HCl": 0.5},
]  # fmt: skip


def _elements(mix: Mix, carbonate: float = 0.0) -> Mix:
    found: Mix = {"C(4)": carbonate} if carbonate else {}
    for name, amount in mix.items():
        for ion in IONS[Solute(name)]:
            if ion not in ("H+", "OH-"):
                found[ion[:-1]] = found.get(ion[:-1], 0.0) + amount
    return found


def _both(ask: Ask, mix: Mix, temperature_c: float = 25.0, carbonate: float = 0.0) -> tuple[float, float]:
    """Ours and PHREEQC's uS/cm of amounts given in mol per kg of water."""
    outside = ask(_elements(mix, carbonate), temperature_c)
    grams = sum(amount * MOLAR_MASS_G_MOL[Solute(name)] for name, amount in mix.items())
    litres = (1.0 + grams / 1000.0) / outside.density_g_ml
    ours = mixture_us_cm({n: c / litres for n, c in mix.items()}, temperature_c, carbonate / litres)
    return ours, outside.conductivity_us_cm


@pytest.mark.parametrize("mix", MIXES, ids=str)
@pytest.mark.parametrize("strength", [1e-5, 1e-4, 1e-3, 1e-2, 5e-2])
def test_mixtures_at_25_c(phreeqc_says: Ask, mix: Mix, strength: float) -> None:
    """1.3 %: PHREEQC itself lies up to 0.7 % below the handbook for caustic."""
    ours, outside = _both(phreeqc_says, {name: strength * part for name, part in mix.items()})
    assert ours == pytest.approx(outside, rel=0.013)


@pytest.mark.parametrize("mix", MIXES, ids=str)
@pytest.mark.parametrize("temperature_c", [10.0, 18.0, 35.0])
def test_mixtures_at_other_temperatures(phreeqc_says: Ask, mix: Mix, temperature_c: float) -> None:
    """3.5 % as for single caustic: 1.78 %/C in PHREEQC, 1.68 after McCleskey; 1.3 % where none is left over."""
    caustic = mix.get("NaOH", 0.0) + mix.get("KOH", 0.0) > mix.get("HCl", 0.0)
    for strength in (1e-4, 1e-2):
        ours, outside = _both(phreeqc_says, {n: strength * part for n, part in mix.items()}, temperature_c)
        assert ours == pytest.approx(outside, rel=0.035 if caustic else 0.013)


def test_strong_mixtures(phreeqc_says: Ask) -> None:
    """3.5 %: PHREEQC is itself 1-4 % off the handbook's single solutions there."""
    for mix in ({"NaOH": 0.3, "NaCl": 0.3}, {"HCl": 0.5, "NaCl": 0.5}):
        ours, outside = _both(phreeqc_says, mix)
        assert ours == pytest.approx(outside, rel=0.035)


@pytest.mark.parametrize(
    "mix", [m for m in MIXES if "HCl" in m and len(m) == 2 and ("NaOH" in m or "KOH" in m)], ids=str
)
def test_adding_the_readings_is_the_control_that_fails(phreeqc_says: Ask, mix: Mix) -> None:
    """What a person does in the head, the parts' own readings added up, ignores that acid meets caustic."""
    parts = {name: 0.01 * part for name, part in mix.items()}
    outside = phreeqc_says(_elements(parts)).conductivity_us_cm
    added = sum(conductivity_us_cm(name, amount) for name, amount in parts.items())
    assert added > 1.5 * outside


@pytest.mark.parametrize("carbonate", [1.67e-5, 1e-4])
@pytest.mark.parametrize("mol_l", [1e-7, 1e-6, 5e-6, 1e-5])
@pytest.mark.parametrize("mix", [{"NaOH": 1.0}, {"HCl": 1.0}, {"NaCl": 1.0}, {"NaOH": 1.0, "NaCl": 10.0}], ids=str)
def test_traces_in_water_that_holds_carbon_dioxide(phreeqc_says: Ask, mix: Mix, mol_l: float, carbonate: float) -> None:
    """1.67e-5 mol/L is what air of 420 ppm gives; all of these are below pH 7."""
    ours, outside = _both(phreeqc_says, {n: mol_l * p for n, p in mix.items()}, 25.0, carbonate)
    assert ours == pytest.approx(outside, rel=0.008)


@pytest.mark.parametrize(("sodium", "carbonate"), [(3e-5, 1.67e-5), (1e-4, 1.67e-5), (3e-4, 1e-4), (1e-3, 1e-4)])
def test_caustic_that_has_made_carbonate(phreeqc_counts: Callable[..., Mix], sodium: float, carbonate: float) -> None:
    """Species from PHREEQC, conductivity as the sum of limiting values (CRC; carbonate 2 x 69.3, from memory).

    Its own conductivity is not used here: beside carbonate it counts hydroxide with 9 to 23 % less than in plain
    caustic of the same strength, which no law of dilute ions explains. 2.5 %: the sum has no decline.
    """
    charges = {"Na+": 50.08, "OH-": 198.0, "HCO3-": 44.5, "CO3-2": 138.6}
    counted = phreeqc_counts({"Na": sodium, "C(4)": carbonate}, tuple(charges))
    ions = mixture_ions_mol_l({"NaOH": sodium}, 25.0, carbonate)
    for ion, mol_l in counted.items():
        assert ions[ion] == pytest.approx(mol_l, rel=0.015)
    total = 1000.0 * sum(charges[ion] * mol_l for ion, mol_l in counted.items())
    assert mixture_us_cm({"NaOH": sodium}, 25.0, carbonate) == pytest.approx(total, rel=0.025)


@pytest.mark.parametrize("residue", ["NaOH", "HCl"])
def test_the_simulator_s_water_agrees(residue: str) -> None:
    """Written apart, with textbook constants at 25 C and no activity: 1 %."""
    for mol_l in (1e-7, 1e-6, 1e-5, 1e-4, 1e-3):
        for co2 in (0.0, 1.7e-5):
            ours = mixture_us_cm({residue: mol_l, "NaCl": 5e-6}, 25.0, co2)
            assert ours == pytest.approx(float(bench_us_cm(residue, mol_l, 25.0, 5e-6, co2)), rel=0.01)


def test_the_first_caustic_makes_aired_water_read_lower() -> None:
    """10 umol/L (0.4 mg/L) read about what the water read without it; tds.zero_may_be says so."""
    total = co2_dissolved_mol_l() + 2.4e-6  # with its bicarbonate at pH 5.6
    clean = mixture_us_cm({}, 25.0, total)
    assert clean == pytest.approx(co2_water_us_cm(), rel=0.01)
    readings = [mixture_us_cm({"NaOH": c}, 25.0, total) for c in (2e-6, 5e-6, 1e-5, 2e-5)]
    assert readings[1] < readings[0] < clean
    assert readings[2] == pytest.approx(clean, rel=0.1)
    assert readings[3] > 2.0 * clean


def test_carbon_dioxide_adds_one_to_a_potassium_chloride_standard() -> None:
    """NIST's standards have 1.1 uS/cm subtracted at 25 C for carbon dioxide and water (CRC): 0.01 mol/L."""
    total = co2_dissolved_mol_l() + 2.4e-6
    added = mixture_us_cm({"KCl": 0.01}, 25.0, total) - mixture_us_cm({"KCl": 0.01})
    assert added == pytest.approx(1.1, abs=0.2)
    assert mixture_us_cm({"KCl": 0.01}) == pytest.approx(1413.0, rel=3e-3)


@settings(deadline=None, max_examples=60)
@given(
    solute=st.sampled_from(["NaOH", "HCl", "NaCl", "KCl", "KOH"]),
    exponent=st.floats(-8.0, -1.0),
    temperature_c=st.sampled_from([5.0, 18.0, 25.0, 33.0]),
)
def test_one_solute_is_no_mixture(solute: str, exponent: float, temperature_c: float) -> None:
    mol_l = 10.0**exponent
    alone = conductivity_us_cm(solute, mol_l, temperature_c)
    assert mixture_us_cm({solute: mol_l}, temperature_c) == pytest.approx(alone, rel=2e-3)


@given(base=st.floats(0.0, 0.05), acid=st.floats(0.0, 0.05), salt=st.floats(0.0, 0.05), carbonate=st.floats(0.0, 1e-3))
@settings(deadline=None, max_examples=60)
def test_the_charges_balance(base: float, acid: float, salt: float, carbonate: float) -> None:
    ions = mixture_ions_mol_l({"NaOH": base, "HCl": acid, "NaCl": salt}, 25.0, carbonate)
    plus = ions["Na+"] + ions["H+"]
    minus = ions["Cl-"] + ions["OH-"] + ions["HCO3-"] + 2.0 * ions["CO3-2"]
    assert plus == pytest.approx(minus, rel=1e-9)


@pytest.mark.parametrize(("solute", "mol_l"), [("NaOH", 8.0), ("HCl", 8.0), ("NaCl", 5.0), ("KCl", 3.0), ("KOH", 0.1)])
def test_a_strong_single_solute_comes_out_as_well(solute: str, mol_l: float) -> None:
    assert mixture_us_cm({solute: mol_l}) == pytest.approx(conductivity_us_cm(solute, mol_l), rel=1e-3)


def test_caustic_and_acid_in_equal_parts_are_salt() -> None:
    assert mixture_us_cm({"NaOH": 0.02, "HCl": 0.02}) == pytest.approx(conductivity_us_cm("NaCl", 0.02), rel=1e-4)
    assert mixture_us_cm({"KOH": 0.02, "HCl": 0.02}) == pytest.approx(conductivity_us_cm("KCl", 0.02), rel=1e-4)
    assert mixture_us_cm({}) == pytest.approx(0.0550, rel=5e-3)  # Light et al. 2005


@pytest.mark.parametrize(
    "call",
    [lambda: mixture_us_cm({"sugar": 0.1}), lambda: mixture_us_cm({"NaOH": -0.1}),
     lambda: mixture_us_cm({"NaOH": float("nan")}), lambda: mixture_us_cm({"NaOH": 0.1}, 25.0, -1e-5),
     lambda: mixture_us_cm({"KOH": 0.1, "NaOH": 0.1}), lambda: mixture_us_cm({"NaCl": 0.1}, 90.0)],
)  # fmt: skip
def test_impossible_mixtures_are_refused_in_one_line(call: Callable[[], float]) -> None:
    with pytest.raises(QuantityError) as caught:
        call()
    assert "\n" not in str(caught.value)
