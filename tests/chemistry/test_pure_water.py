"""Pure water and water that stood in air."""

from __future__ import annotations

import pytest

from rinsewatch.chemistry.density import water_density_g_ml
from rinsewatch.chemistry.ions import ion_product_mol2_l2
from rinsewatch.chemistry.water import (
    co2_water_ph,
    co2_water_us_cm,
    pure_water_slope_pct_per_c,
    pure_water_us_cm,
    resistivity_mohm_cm,
)
from rinsewatch.errors import QuantityError


def test_the_two_figures_everybody_knows() -> None:
    """Light, Licht, Bevilacqua, Morash 2005: 0.0550 uS/cm and 18.18 MOhm cm at 25 C."""
    assert pure_water_us_cm(25.0) == pytest.approx(0.0550, rel=3e-3)
    assert resistivity_mohm_cm(pure_water_us_cm(25.0)) == pytest.approx(18.18, rel=3e-3)


# IAPWS electrolytic conductivity guideline (1990), uS/cm. 6 %: away from 25 C it lies up to 5 % from PHREEQC
# and from Light 2005 (below at 5-10 C, above at 50-60 C), and no third source decides.
@pytest.mark.parametrize(
    ("temperature_c", "us_cm"),
    [(0, 0.01156), (5, 0.01593), (10, 0.02207), (15, 0.03038), (18, 0.03656), (20, 0.04124), (25, 0.05499),
     (30, 0.07197), (40, 0.11669), (50, 0.17736), (60, 0.25557)],
)  # fmt: skip
def test_against_the_iapws_guideline(temperature_c: float, us_cm: float) -> None:
    assert pure_water_us_cm(temperature_c) == pytest.approx(us_cm, rel=0.06)


def test_ion_product() -> None:
    """Kw 1.0127e-14 (mol/kg)^2 at 25 C (IAPWS R11, in the thermo library), times density squared."""
    assert ion_product_mol2_l2(25.0) == pytest.approx(1.0127e-14 * 0.99705**2, rel=1e-3)


@pytest.mark.parametrize("temperature_c", [2.5, 12.0, 22.5, 35.0, 45.0, 55.0])
def test_ion_product_between_the_table_s_points(temperature_c: float) -> None:
    """The IAPWS R11 formula as the thermo library has it; our table is 10 C apart in places: 1 %."""
    electrochem = pytest.importorskip("thermo.electrochem", reason="the thermo library is missing")
    density = water_density_g_ml(temperature_c)
    outside = electrochem.Kweq_IAPWS(temperature_c + 273.15, density * 1000.0) * density**2
    assert ion_product_mol2_l2(temperature_c) == pytest.approx(outside, rel=0.01)


def test_its_slope_is_that_of_no_salt() -> None:
    """About +5.3 %/C (PHREEQC) to +5.6 %/C (IAPWS) near 25 C."""
    assert 5.0 < pure_water_slope_pct_per_c(25.0) < 5.7
    assert pure_water_slope_pct_per_c(0.0) > pure_water_slope_pct_per_c(60.0)


def test_open_beaker() -> None:
    """PHREEQC, 420 ppm CO2: 0.990 uS/cm and pH 5.598 at 25 C; 0.722 at 0 C; 0.952 at 20 C; 1.086 at 50 C."""
    assert co2_water_us_cm(25.0) == pytest.approx(0.990, rel=0.01)
    assert co2_water_ph(25.0) == pytest.approx(5.598, abs=0.01)
    ours = [co2_water_us_cm(t) for t in (0.0, 20.0, 50.0)]
    assert ours == pytest.approx([0.7222, 0.9522, 1.0861], rel=0.01)


def test_laboratory_air_reads_higher() -> None:
    """CRC Handbook prints 1.10 uS/cm for CO2-saturated water at 25 C: air of some 500 ppm."""
    assert co2_water_us_cm(25.0, 420.0) < 1.10 < co2_water_us_cm(25.0, 600.0)


def test_without_carbon_dioxide_it_is_pure_water() -> None:
    assert co2_water_us_cm(25.0, 0.0) == pytest.approx(pure_water_us_cm(25.0), rel=1e-9)


def test_within_the_pharmacopoeia() -> None:
    """USP <645>: 1.3 uS/cm at 25 C in stage 1, 2.1 in stage 2 after equilibration with air."""
    assert pure_water_us_cm(25.0) < 1.3
    assert co2_water_us_cm(25.0, 1000.0) < 2.1


# The same chapter's stage 1 is without temperature compensation; aired water passes it from 15 C on.
@pytest.mark.parametrize(("temperature_c", "limit"), [(15, 1.0), (20, 1.1), (25, 1.3), (40, 1.7), (60, 2.2)])
def test_aired_water_passes_stage_one(temperature_c: float, limit: float) -> None:
    assert co2_water_us_cm(temperature_c) < limit


@pytest.mark.parametrize("temperature_c", [-1.0, 61.0, float("nan")])
def test_ice_and_steam_are_refused(temperature_c: float) -> None:
    with pytest.raises(QuantityError, match="temperature"):
        pure_water_us_cm(temperature_c)
    with pytest.raises(QuantityError, match="temperature"):
        co2_water_us_cm(temperature_c)
