"""Liquors, doses and spent liquors against hand calculation and handbook figures."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.chemistry.resin import Range
from rinsewatch.chemistry.solutions import Solution
from rinsewatch.chemistry.tables import Solute
from rinsewatch.planning.dose import dose_of, wanted_eq
from rinsewatch.planning.recipe import Recipe, recipe_for_eq, recipe_for_volume
from rinsewatch.planning.resins import mixed_resins
from rinsewatch.planning.separation import Parting, diluted_pct, pct_for_density, separate
from rinsewatch.planning.spent import NEUTRALISING_KJ_EQ, rise_c, spent_of
from rinsewatch.planning.stock import Stock
from rinsewatch.planning.wordsliquor import separation_minds, twin_lines

SOLID = Stock(Solute.NAOH)
ACID = Stock(Solute.HCL, 30.0)


def liquor(pct: float = 15.0, volume_ml: float = 1000.0, stock: Stock = SOLID) -> Recipe:
    return recipe_for_volume(stock, pct, volume_ml, 20.0)


def test_three_parts_of_caustic_to_seventeen_of_water() -> None:
    """Common practice: 15 % by mass. Density: CRC Handbook 1.164 at 20 C; as practised 1.168, within 0.5 %."""
    recipe = liquor()
    water_g = recipe.mass_g - recipe.stock_g
    assert recipe.stock_g / water_g == pytest.approx(3.0 / 17.0, rel=1e-9)
    assert recipe.density_g_ml == pytest.approx(1.164, rel=0.005)
    assert recipe.density_g_ml == pytest.approx(1.168, rel=0.005)


@pytest.mark.parametrize(("pct", "twin"), [(13.0, "20 %"), (20.0, "13 %"), (25.0, "9 %")])
def test_two_strengths_conduct_alike(pct: float, twin: str) -> None:
    """Kohlrausch's rows at 18 C, S/cm: 10 % 0.3124, 15 % 0.3463, 20 % 0.3270, 25 % 0.2717; warmer, it moves up."""
    assert f"at 25 C {twin} conducts as well as {pct:g} %" in " ".join(twin_lines(liquor(pct)))


def test_where_no_table_says_so_nothing_is_said_of_twins() -> None:
    """Caustic soda's table ends at 40 %; potash has none so strong; brine conducts ever better."""
    potash, brine = liquor(15.0, stock=Stock(Solute.KOH)), liquor(24.0, stock=Stock(Solute.NACL))
    for recipe in (liquor(45.0), liquor(1.0), potash, brine):
        assert twin_lines(recipe) == ()


def test_anion_floats_and_cation_sinks_in_fifteen_per_cent() -> None:
    """Beads, common practice: anion OH 1.07, cation H 1.20, cation Na 1.28 g/mL."""
    part = separate(liquor(), mixed_resins(500.0))
    assert 1.07 < part.density_g_ml.low < part.density_g_ml.high < 1.20 < 1.28
    assert part.parting is Parting.PARTS
    assert part.remedy_pct is None
    assert part.anion_margin_g_ml > 0.0 and part.fresh_cation_margin_g_ml > 0.0


def test_brine_parts_as_well() -> None:
    """26 % NaCl is 1.197 g/mL (CRC Handbook); 24 % has 1.1804."""
    part = separate(liquor(24.0, stock=Stock(Solute.NACL)), mixed_resins(500.0))
    assert part.recipe.density_g_ml == pytest.approx(1.1804, abs=5e-4)
    assert part.parting is Parting.PARTS
    assert part.top_up_g is None


def test_water_that_comes_with_the_resin_is_counted() -> None:
    """By hand: 1164 g of 15 % and 300 mL (299.5 g at 20 C) of water: 174.6 / 1463.5 = 11.93 %."""
    assert diluted_pct(liquor(), 300.0) == pytest.approx(11.93, abs=0.01)
    by_solution = Solution(Solute.NAOH, 1164.0, 15.0).with_water_ml(300.0).mass_pct
    assert diluted_pct(liquor(), 300.0) == pytest.approx(by_solution, rel=1e-4)


@pytest.mark.parametrize(("pct", "parting"), [(8.0, Parting.TOO_LIGHT), (35.0, Parting.TOO_HEAVY)])
def test_a_liquor_on_the_wrong_side_is_told_and_mended(pct: float, parting: Parting) -> None:
    resins = mixed_resins(500.0)
    part = separate(liquor(pct), resins)
    assert part.parting is parting
    assert part.remedy_pct is not None
    mended = separate(liquor(part.remedy_pct), resins)
    assert mended.parting in (Parting.PARTS, Parting.PARTS_LATE)
    assert mended.density_g_ml.middle == pytest.approx(1.18, abs=0.005), "midway between 1.10 and 1.26"


def test_too_little_liquor_is_told_how_much_it_takes() -> None:
    """150 mL for 500 mL of resin would have to be 37 %; nobody is told that, but what volume of this one does it."""
    part = separate(liquor(15.0, 150.0), mixed_resins(500.0))
    assert part.parting is Parting.TOO_LIGHT
    assert part.remedy_pct is None and part.remedy_ml is not None
    mended = separate(liquor(15.0, part.remedy_ml), mixed_resins(500.0))
    assert mended.anion_margin_g_ml == pytest.approx(0.02, abs=1e-4)


def test_no_strength_helps_where_the_stock_is_weak() -> None:
    part = separate(recipe_for_volume(Stock(Solute.NAOH, 10.0), 10.0, 300.0, 20.0), mixed_resins(500.0))
    assert part.parting is Parting.TOO_LIGHT
    assert part.remedy_pct is None and part.remedy_ml is None
    assert "Nothing fit can be made" in " ".join(separation_minds(part))


def test_strength_for_a_density_is_the_inverse() -> None:
    assert pct_for_density(Solute.NAOH, 1.164, 20.0) == pytest.approx(15.0, abs=0.01)
    assert pct_for_density(Solute.NACL, 1.30, 20.0) is None


def test_used_liquor_topped_up_has_its_strength_again() -> None:
    """Books: solute left, plus the top-up, over everything that is there."""
    resins = mixed_resins(500.0)
    part = separate(liquor(), resins)
    assert part.top_up_g is not None
    taken_g = resins.anion_eq.middle * 39.997
    solute_g = 174.6 - taken_g + part.top_up_g
    mass_g = 1164.0 + part.resin_water_ml.middle * 0.9982 + part.top_up_g
    assert 100.0 * solute_g / mass_g == pytest.approx(15.0, abs=0.01)


def test_a_hundred_of_strong_acid_into_four_hundred_of_water() -> None:
    """Common practice: 100 mL of 30 % into 400 mL lies within 5-7 %; the recipe for that strength gives it back."""
    weak = Solution.from_volume("HCl", 100.0, 30.0).with_water_ml(400.0)
    assert 5.0 <= weak.mass_pct <= 7.0
    recipe = recipe_for_eq(ACID, weak.mass_pct, weak.solute_eq, 20.0)
    assert recipe.stock_ml == pytest.approx(100.0, rel=1e-3)
    assert recipe.water_ml == pytest.approx(400.0, rel=1e-3)


def test_a_fifth_of_that_acid_is_enough_for_eighty_millilitres() -> None:
    """Common practice, no source: 80 mL of spent mixed resin take roughly a fifth of 100 mL 30 % in 400 mL water."""
    whole = Solution.from_volume("HCl", 100.0, 30.0).with_water_ml(400.0)
    share = wanted_eq(3.0, mixed_resins(80.0).cation_eq) / whole.solute_eq
    assert share == pytest.approx(0.2, abs=0.03)
    by_practice = dose_of(recipe_for_eq(ACID, 6.7, 0.2 * whole.solute_eq, 20.0), 32.0, mixed_resins(80.0).cation_eq)
    assert 1.5 < by_practice.middle_times < 4.0
    assert by_practice.warnings == ()


@given(
    pct=st.floats(1.0, 30.0),
    stock_pct=st.floats(30.0, 50.0),
    volume_ml=st.floats(10.0, 1e5),
    at_c=st.floats(10.0, 35.0),
)
def test_a_recipe_balances(pct: float, stock_pct: float, volume_ml: float, at_c: float) -> None:
    """Mass in is mass out, solute in is solute out."""
    recipe = recipe_for_volume(Stock(Solute.NAOH, stock_pct), pct, volume_ml, at_c)
    assert recipe.stock_g * stock_pct / 100.0 == pytest.approx(recipe.mass_g * pct / 100.0)
    assert recipe.volume_ml * recipe.density_g_ml == pytest.approx(recipe.mass_g)
    mixed = Solution(Solute.NAOH, recipe.stock_g, stock_pct).with_water_ml(max(recipe.water_ml, 1e-6), at_c)
    assert mixed.mass_pct == pytest.approx(pct, rel=1e-4)  # water: table 0.9982, Kell 0.99821
    assert recipe.rise_c is None


def test_sulfuric_acid_counts_two_protons() -> None:
    """By hand: 1.14 eq are 55.9 g; as 2 % (1.0118 g/mL) 2.763 L, out of 151 g of 37 % (1.277 g/mL, Perry's rows)."""
    dose = dose_of(recipe_for_eq(Stock(Solute.H2SO4, 37.0), 2.0, 1.14, 20.0), 200.0, Range(0.36, 0.40))
    recipe = dose.recipe
    assert recipe.solute_g == pytest.approx(55.90, abs=0.01)
    assert recipe.volume_ml == pytest.approx(2762.0, abs=2.0)
    assert (recipe.stock_g, recipe.stock_ml) == pytest.approx((151.1, 118.3), rel=2e-3)
    assert dose.middle_times == pytest.approx(3.0, abs=0.01)


def test_gypsum_that_stays_dissolved() -> None:
    """By hand: 2.5 g/L of CaSO4 2 H2O (172.2 g/mol) is 0.029 eq/L; in 2.76 L 0.080 eq, 21 % of 0.38 eq."""
    dose = dose_of(recipe_for_eq(Stock(Solute.H2SO4, 37.0), 2.0, 1.14, 20.0), 200.0, Range(0.36, 0.40))
    assert "0.08 eq of calcium dissolved, 21 %" in " ".join(dose.warnings)
    hydrochloric = dose_of(recipe_for_eq(ACID, 6.0, 1.14, 20.0), 200.0, Range(0.36, 0.40))
    assert hydrochloric.warnings == ()
    assert dose.turned().high < hydrochloric.turned().high, "bisulfate does not compete"


def test_dissolving_heat_by_hand() -> None:
    """44.5 kJ/mol (CRC Handbook) x 4.365 mol = 194 kJ into 1164 g at 3.75 J/(g K): 44.5 C."""
    assert liquor().rise_c == pytest.approx(194250.0 / (1164.0 * 3.75), rel=1e-3)


def test_dose_in_grams_and_in_times() -> None:
    """By hand: 1 L of 5 % NaOH (CRC: 1.0538) holds 52.69 g = 1.317 eq; for 0.3 L of 1.0-1.4 eq/L 3.1 to 4.4 times."""
    dose = dose_of(liquor(5.0), 300.0, Range(0.30, 0.42))
    assert dose.g_per_l == pytest.approx(52.69 / 0.3, rel=1e-3)
    assert (dose.times.low, dose.times.high) == pytest.approx((1.317 / 0.42, 1.317 / 0.30), rel=1e-3)
    assert dose.need_eq.middle == pytest.approx(0.36)
    assert dose.left_eq.low == pytest.approx(1.317 - 0.42, abs=1e-3)


@pytest.mark.parametrize(("times", "word"), [(1.2, "scanty"), (1.6, ""), (3.9, ""), (5.0, "wasteful")])
def test_dose_is_warned_about_outside_its_window(times: float, word: str) -> None:
    dose = dose_of(recipe_for_eq(ACID, 6.0, wanted_eq(times, Range(0.36, 0.40)), 20.0), 200.0, Range(0.36, 0.40))
    said = " ".join(dose.warnings)
    assert (word in said) if word else not said


def test_unusual_regenerant_strengths_are_warned_about() -> None:
    assert "12 % HCl is not usual" in " ".join(
        dose_of(recipe_for_eq(ACID, 12.0, 1.1, 20.0), 200.0, Range(0.3, 0.4)).warnings
    )


def test_enthalpy_of_neutralisation() -> None:
    """CRC Handbook: water -285.83, OH- -229.99, H+ 0 kJ/mol."""
    assert pytest.approx(285.83 - 229.99) == NEUTRALISING_KJ_EQ


def test_a_litre_of_each_half_normal_warms_by_seven_degrees() -> None:
    """School experiment: 1 L each of 0.5 eq/L: 27.9 kJ into 2 L at about 4 kJ/(L K): 3.5 C; 1 eq/L: 7 C."""
    assert rise_c(0.5, 2000.0) == pytest.approx(3.49, abs=0.01)
    assert rise_c(1.0, 2000.0) == pytest.approx(6.98, abs=0.01)


def test_what_neutralises_what() -> None:
    caustic = dose_of(liquor(), 300.0, Range(0.30, 0.42), also_separates=True)
    acid = dose_of(recipe_for_eq(ACID, 6.0, 1.14, 20.0), 200.0, Range(0.36, 0.40))
    spent = spent_of(caustic, acid, ACID, 20.0)
    assert spent is not None
    assert spent.acid_eq.low == pytest.approx(0.74)
    assert spent.neutralised_eq == pytest.approx(0.94)
    assert spent.base_over_eq == pytest.approx((3.945 + 4.365) / 2.0 - 0.94, abs=2e-3)
    # 30 % HCl is 1.1492 g/mL (CRC): 9.456 eq/L
    assert spent.more_acid_ml == pytest.approx(1000.0 * spent.base_over_eq / 9.456, rel=1e-3)
    assert spent.diluted_rise_c < 3.5 < spent.rise_c
    assert spent_of(None, None, None, 20.0) is None
    sulfuric = spent_of(caustic, acid, Stock(Solute.H2SO4, 37.0), 20.0)
    assert sulfuric is not None and sulfuric.heat_kj > spent.heat_kj
