"""Mass balances, by worked examples and round trips."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rinsewatch.chemistry.density import mol_l_from_mass_pct, strongest_pct
from rinsewatch.chemistry.solutions import (
    Solution,
    dissolved,
    eq_l_from_mass_pct,
    g_l_from_mass_pct,
    g_l_from_mol_l,
    mass_pct_from_g_l,
    mass_pct_from_mol_l,
    mol_l_from_g_l,
    solute_g_per_water_g,
)
from rinsewatch.chemistry.tables import Solute
from rinsewatch.errors import QuantityError


def test_three_parts_of_caustic_to_seventeen_of_water() -> None:
    """By hand: 3 / 20 = 15 % by mass; and w / (1 - w) gives the parts back."""
    assert dissolved("NaOH", 3.0, 17.0).mass_pct == pytest.approx(15.0)
    assert solute_g_per_water_g(15.0) * 17.0 == pytest.approx(3.0)


def test_a_hundred_of_strong_acid_into_four_hundred_of_water() -> None:
    """By hand, 30 % HCl of 1.1492 g/mL (CRC), water 0.9982: 34.476 / (114.92 + 399.28) = 6.705 %."""
    weak = Solution.from_volume("HCl", 100.0, 30.0).with_water_ml(400.0)
    assert weak.mass_pct == pytest.approx(6.705, abs=0.005)
    assert weak.solute_eq == pytest.approx(34.476 / 36.458, rel=1e-4)
    assert 5.0 < weak.mass_pct < 7.0


def test_fifteen_percent_caustic_in_every_unit() -> None:
    """By hand with CRC's 1.1640 g/mL at 20 C: 174.6 g/L, 174.6 / 39.997 = 4.365 mol/L = eq/L."""
    assert g_l_from_mass_pct("NaOH", 15.0) == pytest.approx(174.6, rel=1e-4)
    assert mol_l_from_mass_pct("NaOH", 15.0) == pytest.approx(4.365, rel=1e-3)
    assert eq_l_from_mass_pct("NaOH", 15.0) == mol_l_from_mass_pct("NaOH", 15.0)
    assert eq_l_from_mass_pct("H2SO4", 2.0) == pytest.approx(2.0 * mol_l_from_mass_pct("H2SO4", 2.0))


def test_acid_for_regeneration() -> None:
    """By hand with CRC: 5 % is 1.0228 g/mL, 51.14 g/L, 1.403 mol/L."""
    assert mol_l_from_mass_pct("HCl", 5.0) == pytest.approx(1.4027, rel=1e-3)


def test_a_normal_saline() -> None:
    """9 g NaCl per litre is 0.154 mol/L."""
    assert mol_l_from_g_l("NaCl", 9.0) == pytest.approx(0.154, rel=1e-3)
    assert g_l_from_mol_l("NaCl", 0.154) == pytest.approx(9.0, rel=1e-3)


@settings(deadline=None)
@given(solute=st.sampled_from(list(Solute)), share=st.floats(0.0, 1.0), temperature_c=st.floats(5, 40))
def test_units_round_trip(solute: Solute, share: float, temperature_c: float) -> None:
    mass_pct = share * strongest_pct(solute)
    by_volume = mol_l_from_mass_pct(solute, mass_pct, temperature_c)
    back = mass_pct_from_mol_l(solute, by_volume, temperature_c)
    assert back == pytest.approx(mass_pct, rel=1e-9, abs=1e-9)
    grams = g_l_from_mass_pct(solute, mass_pct, temperature_c)
    assert mass_pct_from_g_l(solute, grams, temperature_c) == pytest.approx(mass_pct, rel=1e-9, abs=1e-9)


@given(
    first=st.tuples(st.floats(1.0, 1e5), st.floats(0.0, 40.0)),
    second=st.tuples(st.floats(1.0, 1e5), st.floats(0.0, 40.0)),
)
def test_mixing_loses_nothing(first: tuple[float, float], second: tuple[float, float]) -> None:
    a, b = Solution(Solute.NAOH, *first), Solution(Solute.NAOH, *second)
    both = a.mixed_with(b)
    assert both.mass_g == pytest.approx(a.mass_g + b.mass_g)
    assert both.solute_g == pytest.approx(a.solute_g + b.solute_g, rel=1e-9, abs=1e-9)
    low, high = sorted((a.mass_pct, b.mass_pct))
    assert low - 1e-9 <= both.mass_pct <= high + 1e-9


@given(mass_g=st.floats(1.0, 1e5), strong=st.floats(1.0, 40.0), share=st.floats(0.01, 1.0))
def test_water_to_reach_a_strength(mass_g: float, strong: float, share: float) -> None:
    start = Solution(Solute.HCL, mass_g, strong)
    water_g = start.water_g_to_reach(strong * share)
    if water_g > 0:
        reached = start.mixed_with(Solution(Solute.HCL, water_g, 0.0))
        assert reached.mass_pct == pytest.approx(strong * share, rel=1e-9)


def test_volumes_do_not_add_up() -> None:
    """500 mL of 40 % caustic with 500 mL of water: less than a litre, by a per cent or more."""
    mixed = Solution.from_volume("NaOH", 500.0, 40.0).with_water_ml(500.0)
    assert mixed.volume_ml() < 990.0
    assert Solution.from_volume("NaOH", 500.0, 40.0).volume_ml() == pytest.approx(500.0)


@pytest.mark.parametrize(
    ("call", "words"),
    [(lambda: dissolved("NaOH", -1.0, 10.0), "NaOH"), (lambda: dissolved("NaOH", 10.0, 0.0), "NaOH"),
     (lambda: dissolved("NaCl", 50.0, 50.0), "NaCl: 50 %"),
     (lambda: Solution(Solute.HCL, 0.0, 5.0), "more than 0"),
     (lambda: Solution(Solute.HCL, 9.0, 5.0).water_g_to_reach(6.0), "cannot be diluted"),
     (lambda: Solution(Solute.HCL, 9.0, 5.0).mixed_with(Solution(Solute.NAOH, 9.0, 5.0)), "different sol"),
     (lambda: mass_pct_from_g_l("KCl", 900.0), "KCl"), (lambda: solute_g_per_water_g(100.0), "100")],
)  # fmt: skip
def test_impossible_solutions_are_refused_in_one_line(call: object, words: str) -> None:
    with pytest.raises(QuantityError, match=words) as caught:
        call()  # type: ignore[operator]
    assert "\n" not in str(caught.value)
