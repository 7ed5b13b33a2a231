"""Densities against the CRC Handbook and against Laliberte's correlation as the thermo library has it."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from rinsewatch.chemistry.density import density_g_ml, strongest_pct, water_density_g_ml
from rinsewatch.chemistry.tables import Solute
from rinsewatch.errors import QuantityError

_CAS = {"NaOH": "1310-73-2", "HCl": "7647-01-0", "KOH": "1310-58-3", "NaCl": "7647-14-5", "KCl": "7447-40-7",
        "H2SO4": "7664-93-9"}  # fmt: skip


@pytest.fixture(scope="module")
def electrochem() -> Any:
    return pytest.importorskip("thermo.electrochem", reason="the thermo library (test extra) is missing")


# thermo minus CRC at most: NaOH 0.06 % up to 24 % and 0.15 % at 30 %, HCl 0.07, NaCl 0.045, KCl 0.025 %.
@pytest.mark.parametrize(
    ("solute", "percents", "tolerance"),
    [("NaOH", (1, 3, 7, 15, 22), 1e-3), ("NaOH", (30,), 2e-3), ("HCl", (1, 3, 7, 15, 25, 30), 1e-3),
     ("NaCl", (1, 3, 7, 18, 25), 7e-4), ("KCl", (1, 3, 7, 18, 24), 5e-4), ("KOH", (5, 20, 40), 1e-5),
     ("H2SO4", (1, 2, 5, 10, 20, 37, 50, 70, 78), 2.5e-3)],
)  # fmt: skip
@pytest.mark.parametrize("temperature_c", [10.0, 20.0, 25.0, 35.0])
def test_against_thermo(
    electrochem: Any, solute: str, percents: tuple[float, ...], tolerance: float, temperature_c: float
) -> None:
    for mass_pct in percents:
        outside = electrochem.Laliberte_density(temperature_c + 273.15, [mass_pct / 100.0], [_CAS[solute]])
        assert density_g_ml(solute, mass_pct, temperature_c) == pytest.approx(outside / 1000.0, rel=tolerance)


# CRC Handbook, 20 C; the library propertiesNaOH (Olsson 1997) has 1.16314 for the first, PHREEQC 1.1586.
@pytest.mark.parametrize(
    ("solute", "mass_pct", "g_ml"), [("NaOH", 15, 1.1640), ("HCl", 30, 1.1492), ("NaCl", 26, 1.1972)]
)
def test_handbook_rows(solute: str, mass_pct: float, g_ml: float) -> None:
    assert density_g_ml(solute, mass_pct) == pytest.approx(g_ml, abs=5e-5)


def test_water() -> None:
    """Kell 1975: 0.99984 at 0 C, 0.99821 at 20 C, 0.99705 at 25 C, 0.98804 at 50 C g/mL."""
    ours = [water_density_g_ml(t) for t in (0.0, 20.0, 25.0, 50.0)]
    assert ours == pytest.approx([0.99984, 0.99821, 0.99705, 0.98804], abs=2e-5)


@pytest.mark.parametrize("solute", list(Solute))
def test_no_solute_is_water(solute: Solute) -> None:
    assert density_g_ml(solute, 0.0, 25.0) == pytest.approx(water_density_g_ml(25.0), rel=5e-5)


@pytest.mark.parametrize("solute", list(Solute))
def test_rising_with_strength_and_falling_with_warmth(solute: Solute) -> None:
    top = strongest_pct(solute)
    values = [density_g_ml(solute, top * i / 200.0) for i in range(201)]
    assert all(a < b for a, b in pairwise(values))
    assert density_g_ml(solute, 12.0, 15.0) > density_g_ml(solute, 12.0, 35.0)


@pytest.mark.parametrize(
    ("solute", "mass_pct", "temperature_c", "words"),
    [("NaCl", 27.0, 20.0, "NaCl: 27 %"), ("NaOH", -1.0, 20.0, "NaOH: -1 %"),
     ("HCl", 30.0, 80.0, "temperature"), ("HCl", -0.1, 20.0, "check the label"),
     ("HCl", float("nan"), 20.0, "HCl"), ("vinegar", 5.0, 20.0, "NaOH, HCl, KOH, NaCl, KCl, H2SO4"),
     ("H2SO4", 99.0, 20.0, "H2SO4: 99 %")],
)  # fmt: skip
def test_refusals_are_one_line(solute: str, mass_pct: float, temperature_c: float, words: str) -> None:
    with pytest.raises(QuantityError, match=words) as caught:
        density_g_ml(solute, mass_pct, temperature_c)
    assert "\n" not in str(caught.value)
