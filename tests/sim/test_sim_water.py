"""The bench's water against the handbook, PHREEQC and the worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from rinsewatch_sim.water import (
    co2_for_us_cm,
    conductivity_us_cm,
    residue_for_us_cm,
    salt_for_us_cm,
    water_product,
)


def _us_cm(species: str, mol_l: float, temperature_c: float = 25.0) -> float:
    return float(conductivity_us_cm(species, mol_l, temperature_c))


@pytest.mark.parametrize(("mol_l", "expected"), [(0.001, 146.95), (0.01, 1412.5), (0.1, 12890.3), (1.0, 111725.0)])
def test_potassium_chloride_standards(mol_l: float, expected: float) -> None:
    """Molar KCl at 25 C after McKee 2009: the "1413" and "12 880" standards."""
    assert _us_cm("KCl", mol_l) == pytest.approx(expected, rel=0.001)


@pytest.mark.parametrize(
    ("species", "mol_l", "molar"),
    [("NaOH", 0.001, 244.7), ("NaOH", 0.01, 238.0), ("HCl", 0.001, 421.36), ("HCl", 0.05, 399.09),
     ("salt", 0.001, 123.74), ("salt", 0.02, 115.76)],
)  # fmt: skip
def test_handbook_equivalent_conductivities(species: str, mol_l: float, molar: float) -> None:
    """CRC Handbook, equivalent conductivity of electrolytes at 25 C (NaOH and HCl rows from memory)."""
    assert _us_cm(species, mol_l) == pytest.approx(1000.0 * mol_l * molar, rel=0.002)


@pytest.mark.parametrize(
    ("species", "grams_per_100_g", "mol_l", "ms_cm"),
    [("salt", 1, 0.1720, 16.0), ("salt", 5, 0.8846, 70.1), ("salt", 20, 3.928, 204.0),
     ("NaOH", 1, 0.2524, 48.6), ("NaOH", 5, 1.3173, 206.0)],
)  # fmt: skip
def test_handbook_mass_percent_at_20_c(species: str, grams_per_100_g: float, mol_l: float, ms_cm: float) -> None:
    """CRC Handbook, conductivity of aqueous solutions at 20 C (from memory); mol/L by the CRC densities."""
    assert _us_cm(species, mol_l, 20.0) == pytest.approx(1000.0 * ms_cm, rel=0.04)


@pytest.mark.parametrize(
    ("species", "mol_l", "expected"),
    [("NaOH", 1e-7, 0.0588), ("NaOH", 1e-6, 0.2535), ("NaOH", 1e-5, 2.481),
     ("HCl", 1e-7, 0.0766), ("HCl", 1e-6, 0.4314), ("HCl", 1e-5, 4.260)],
)  # fmt: skip
def test_traces_with_the_waters_own_ions(species: str, mol_l: float, expected: float) -> None:
    """Sum over CRC ionic conductivities with pKw 13.9945, computed elsewhere."""
    assert _us_cm(species, mol_l) == pytest.approx(expected, rel=0.003)


@pytest.mark.parametrize(("temperature_c", "expected"), [(0.0, 0.0115), (10.0, 0.0225), (25.0, 0.0550), (40.0, 0.1145)])
def test_pure_water(temperature_c: float, expected: float) -> None:
    """Between IAPWS 1990 and PHREEQC 3.8.6, which differ by up to 5 % away from 25 C."""
    assert _us_cm("salt", 0.0, temperature_c) == pytest.approx(expected, rel=0.05)
    assert float(water_product(25.0)) == pytest.approx(1.013e-14, rel=0.002)


@pytest.mark.parametrize(("species", "slope"), [("NaOH", 1.7), ("HCl", 1.42), ("salt", 2.03)])
def test_temperature_slopes_at_25_c(species: str, slope: float) -> None:
    """%/K of dilute solutions: McCleskey 2012 at infinite dilution, 1.68, 1.45, 2.04."""
    measured = (_us_cm(species, 0.001, 26.0) / _us_cm(species, 0.001, 24.0) - 1.0) / 0.02
    assert measured == pytest.approx(slope, abs=0.06)


def test_strong_caustic_conducts_less_again() -> None:
    """The caustic maximum near 16 mass % (about 4.7 mol/L) at 25 C: 0.41 S/cm (Kohlrausch-type table)."""
    strengths = np.linspace(3.0, 6.0, 61)
    kappa = conductivity_us_cm("NaOH", strengths)
    assert 4.0 < strengths[kappa.argmax()] < 5.3
    assert kappa.max() == pytest.approx(409_000, rel=0.02)


def test_air_touched_water_reads_about_one() -> None:
    """CO2 in equilibrium with air at 25 C: pH 5.60 and 0.99 uS/cm (PHREEQC, 420 ppm); CRC says 1.10."""
    air = co2_for_us_cm(0.99)
    assert float(conductivity_us_cm("salt", 0.0, 25.0, 0.0, air)) == pytest.approx(0.99, rel=0.01)
    # Henry's law 0.034 mol/L/atm (from memory) x 420 ppm, plus as much bicarbonate as there is H+
    assert air == pytest.approx(0.034 * 420e-6 + 10**-5.6, rel=0.03)


def test_first_trace_of_caustic_lowers_air_touched_water() -> None:
    """H+ (350) is swapped for Na+ (50): the reading dips before it rises."""
    air = co2_for_us_cm(1.0)
    trace = conductivity_us_cm("NaOH", np.array([0.0, 3e-6, 3e-5]), 25.0, 0.0, air)
    assert trace[1] < trace[0] < trace[2]


def test_inverse_and_salt_share() -> None:
    assert _us_cm("HCl", residue_for_us_cm("HCl", 20.0)) == pytest.approx(20.0, rel=1e-6)
    pair = conductivity_us_cm("NaOH", 1e-4, 25.0, salt_for_us_cm(3.0), 0.0)
    assert float(pair) == pytest.approx(_us_cm("NaOH", 1e-4) + 3.0, rel=0.002)


_PHREEQC = """
SOLUTION 1
 temp 25
 units mol/kgw
 pH 7 charge
{lines}
SELECTED_OUTPUT
 -reset false
USER_PUNCH
 -headings sc
 10 PUNCH SC
END
"""


@pytest.mark.parametrize("molality", [1e-5, 1e-3, 1e-1])
@pytest.mark.parametrize(("species", "elements"), [("NaOH", ("Na",)), ("HCl", ("Cl",)), ("salt", ("Na", "Cl"))])
def test_against_phreeqc(species: str, elements: tuple[str, ...], molality: float) -> None:
    """PHREEQC 3 (USGS): a consistency check, its parameters were fitted to handbooks too."""
    phreeqc = pytest.importorskip("phreeqc", reason="test extra: the phreeqc library").Phreeqc()
    phreeqc.LoadBuiltInDatabase("phreeqc.dat")
    phreeqc.RunString(_PHREEQC.format(lines="\n".join(f" {e} {molality}" for e in elements)))
    outside = float(phreeqc.GetSelectedOutputValue(1, 0))
    mol_l = molality * 0.997 / (1.0 + 0.02 * molality)  # density of water; the solute's share is small
    assert _us_cm(species, mol_l) == pytest.approx(outside, rel=0.025)
