"""Compensation to 25 C."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.chemistry.conductivity import conductivity_us_cm
from rinsewatch.chemistry.temperature import (
    RESIDUE_SLOPE_PCT_PER_C,
    from_25_c_us_cm,
    iso7888_factor,
    linear_factor,
    recompensated_us_cm,
    solute_slope_pct_per_c,
    to_25_c_us_cm,
)
from rinsewatch.chemistry.water import pure_water_us_cm
from rinsewatch.errors import QuantityError

# f25 of natural waters at 0, 1, ... 35 C (ISO 7888 / EN 27888).
_ISO_TABLE = (
    1.918, 1.857, 1.8, 1.745, 1.693, 1.643, 1.596, 1.551, 1.508, 1.467, 1.428, 1.39, 1.354, 1.32, 1.287,
    1.256, 1.225, 1.196, 1.168, 1.141, 1.116, 1.091, 1.067, 1.044, 1.021, 1.0, 0.979, 0.959, 0.94, 0.921,
    0.903, 0.886, 0.869, 0.853, 0.837, 0.822,
)  # fmt: skip


def test_iso_table() -> None:
    """The printed table cuts the third decimal off, so formula minus table is 0 to 0.001."""
    for temperature_c, printed in enumerate(_ISO_TABLE):
        assert -1e-4 <= iso7888_factor(float(temperature_c)) - printed <= 1.05e-3


@pytest.mark.parametrize(("temperature_c", "slope"), [(0.0, 1.915), (10.0, 2.000), (20.0, 2.079), (30.0, 2.130)])
def test_iso_as_a_slope(temperature_c: float, slope: float) -> None:
    """The same standard as the linear slope it amounts to, %/C."""
    # f25(25) is 1.0004 by formula, which is worth 0.01 %/C at 30 C.
    share = iso7888_factor(25.0) / iso7888_factor(temperature_c)
    assert 100.0 * (share - 1.0) / (temperature_c - 25.0) == pytest.approx(slope, abs=0.012)


def test_iso_stays_in_its_range() -> None:
    for temperature_c in (-0.1, 36.1, float("nan")):
        with pytest.raises(QuantityError, match="0-36 C"):
            iso7888_factor(temperature_c)


# Landolt-Boernstein, mean slope 18-26 C referred to 25 C, %/C. 0.03: the curve carries Kohlrausch's slopes,
# the densities come in; 0.06 for KCl and NaOH between two table points.
@pytest.mark.parametrize(
    ("solute", "mol_l", "slope", "tolerance"),
    [("HCl", 1.405, 1.42, 0.03), ("HCl", 4.420, 1.40, 0.03), ("HCl", 11.303, 1.37, 0.03),
     ("NaOH", 0.641, 1.71, 0.03), ("NaOH", 6.122, 2.47, 0.06), ("NaCl", 0.884, 1.88, 0.03),
     ("NaCl", 3.924, 1.88, 0.03), ("KCl", 0.691, 1.76, 0.03), ("KCl", 2.208, 1.59, 0.03)],
)  # fmt: skip
def test_slopes_of_strong_solutions(solute: str, mol_l: float, slope: float, tolerance: float) -> None:
    assert solute_slope_pct_per_c(solute, mol_l, 18.0) == pytest.approx(slope, abs=tolerance)


# McCleskey et al. 2012, slope at 25 C at infinite dilution: NaOH 1.68, HCl 1.45, NaCl 2.04, KCl 1.95 %/C.
@pytest.mark.parametrize(("solute", "slope"), [("NaOH", 1.68), ("HCl", 1.45), ("NaCl", 2.04), ("KCl", 1.95)])
def test_slopes_of_dilute_solutions(solute: str, slope: float) -> None:
    assert solute_slope_pct_per_c(solute, 1e-4) == pytest.approx(slope, abs=0.03)


def test_the_residues_slopes_are_the_dilute_ones() -> None:
    for residue, slope in RESIDUE_SLOPE_PCT_PER_C.items():
        solute = "NaCl" if residue == "salt" else residue
        assert solute_slope_pct_per_c(solute, 0.01) == pytest.approx(slope, abs=0.05)


def test_potassium_chloride_from_20_to_25_c() -> None:
    """NIST: 0.01 mol/kg KCl is 1273.03 uS/cm at 20 C and 1408.23 at 25 C, 1.920 %/C."""
    assert to_25_c_us_cm(1273.03, 20.0, 1.920) == pytest.approx(1408.23, rel=1e-4)
    assert to_25_c_us_cm(1273.03, 20.0, 2.0) == pytest.approx(1414.48, rel=1e-4)


@given(reading=st.floats(0.01, 1e5), temperature_c=st.floats(0.0, 50.0), slope=st.floats(0.0, 3.5))
def test_there_and_back(reading: float, temperature_c: float, slope: float) -> None:
    raw = from_25_c_us_cm(reading, temperature_c, slope)
    assert to_25_c_us_cm(raw, temperature_c, slope) == pytest.approx(reading, rel=1e-12)


def test_a_slope_that_leaves_nothing() -> None:
    with pytest.raises(QuantityError, match="slope"):
        linear_factor(0.0, 4.0)


# A meter that compensates with 2 %/C, dipped in a solution whose 25 C conductivity is known: McCleskey's
# temperature law for the solution, our residue slope for the correction.
@pytest.mark.parametrize(("residue", "solute"), [("NaOH", "NaOH"), ("HCl", "HCl"), ("salt", "NaCl")])
@pytest.mark.parametrize("temperature_c", [15.0, 35.0])
def test_a_wrong_slope_is_undone(residue: str, solute: str, temperature_c: float) -> None:
    truth = conductivity_us_cm(solute, 0.001)
    shown = to_25_c_us_cm(conductivity_us_cm(solute, 0.001, temperature_c), temperature_c, 2.0)
    corrected = recompensated_us_cm(shown, temperature_c, 2.0, residue)
    assert corrected == pytest.approx(truth, rel=0.01)
    if residue != "salt":
        assert abs(shown / truth - 1.0) > 0.02


@pytest.mark.parametrize("temperature_c", [15.0, 35.0])
def test_pure_water_is_seen_through(temperature_c: float) -> None:
    """0.0550 uS/cm at 25 C (Light et al. 2005), whatever the meter made of it."""
    shown = to_25_c_us_cm(pure_water_us_cm(temperature_c), temperature_c, 2.0)
    assert recompensated_us_cm(shown, temperature_c, 2.0, "salt") == pytest.approx(0.0550, rel=5e-3)
    assert abs(shown / 0.0550 - 1.0) > 0.1


@given(reading=st.floats(0.0, 1e5), residue=st.sampled_from(["NaOH", "HCl", "salt"]))
def test_at_25_c_nothing_changes(reading: float, residue: str) -> None:
    assert recompensated_us_cm(reading, 25.0, 2.0, residue) == pytest.approx(reading, rel=1e-9, abs=1e-12)


def test_unknown_residue_is_refused() -> None:
    with pytest.raises(QuantityError, match="NaOH, HCl or salt"):
        recompensated_us_cm(10.0, 20.0, 2.0, "tea")
