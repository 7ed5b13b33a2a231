"""Conductivity to equivalents: the feed's load and the residue behind a reading."""

from __future__ import annotations

import timeit
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.chemistry.conductivity import both_concentrations, conductivity_us_cm
from rinsewatch.chemistry.load import RESIDUES, feed_load_eq_l, residue_eq_l, residue_us_cm
from rinsewatch.chemistry.tables import IONS, MOLAR_MASS_G_MOL, Solute
from rinsewatch.chemistry.tds import ppm_from_us_cm, true_mg_l, us_cm_from_ppm
from rinsewatch.chemistry.temperature import recompensated_us_cm, to_25_c_us_cm
from rinsewatch.chemistry.water import pure_water_us_cm
from rinsewatch.errors import QuantityError

Ask = Callable[..., Any]

# Waters behind a membrane, mol per kg of water, invented: plain salt, with a third of bicarbonate, and salt with
# the carbon dioxide of open air (1.67e-5 with its ions). Bicarbonate comes as sodium plus carbon dioxide.
WATERS = [
    ({"Na": 5e-5, "Cl": 5e-5}, 0.0), ({"Na": 5e-4, "Cl": 5e-4}, 0.0), ({"Na": 1.5e-4, "Cl": 1e-4}, 5e-5),
    ({"Na": 1e-4, "Cl": 1e-4}, 1.67e-5), ({"Na": 4e-5, "Cl": 4e-5}, 1.67e-5), ({"Na": 3e-4, "Cl": 2e-4}, 1.1e-4),
]  # fmt: skip


@pytest.mark.parametrize(("salts", "carbonate"), WATERS)
def test_the_range_holds_what_each_resin_takes_up(phreeqc_says: Ask, salts: dict[str, float], carbonate: float) -> None:
    """PHREEQC's conductivity in, our range out: sodium for the cation resin, chloride and carbonate for the other."""
    us_cm = phreeqc_says(salts | ({"C(4)": carbonate} if carbonate else {})).conductivity_us_cm
    cation, anion = feed_load_eq_l(us_cm, "NaOH"), feed_load_eq_l(us_cm, "HCl")
    assert 0.99 * cation.low <= salts["Na"] <= 1.01 * cation.high
    assert 0.99 * anion.low <= salts["Cl"] + carbonate <= 1.01 * anion.high
    both = feed_load_eq_l(us_cm)
    assert (both.low, both.high) == (anion.low, anion.high)


def test_carbon_dioxide_loads_the_anion_resin_unseen(phreeqc_says: Ask) -> None:
    """5 mg/L, common behind a membrane, is as much as 14 uS/cm of salt and shows as below 3: not in the default."""
    carbonate = 5.0 / 44009.0
    us_cm = phreeqc_says({"Na": 1e-4, "Cl": 1e-4, "C(4)": carbonate}).conductivity_us_cm
    truth = 1e-4 + carbonate
    assert feed_load_eq_l(us_cm, "HCl").high < 0.8 * truth
    named = feed_load_eq_l(us_cm, "HCl", co2_mg_l=5.0)
    assert named.low < truth < named.high
    assert named.high == pytest.approx(truth, rel=0.2)
    assert feed_load_eq_l(us_cm, "NaOH", co2_mg_l=5.0) == feed_load_eq_l(us_cm, "NaOH")


def test_each_milligram_of_carbon_dioxide() -> None:
    """44.01 g/mol: 0.0227 meq/L for a mg/L, taken up as bicarbonate."""
    one, three = (feed_load_eq_l(20.0, "HCl", co2_mg_l=mg).high for mg in (1.0, 3.0))
    assert three - one == pytest.approx(2.0 * 22.7e-6, rel=2e-3)


def test_an_equivalent_of_feed_salt_conducts_115_to_126() -> None:
    """CRC ions: NaCl 126.4; two of it to one of NaHCO3 (94.6) 115.8 S cm2/eq; 16 uS/cm of it, 0.9 of which air's."""
    load = feed_load_eq_l(16.0, "NaOH")
    assert load.high == pytest.approx((16.0 - 0.055) / 115.8e3, rel=0.015)
    assert load.low == pytest.approx((16.0 - 0.99) / 126.4e3, rel=0.015)


def test_pure_water_is_no_load() -> None:
    assert feed_load_eq_l(pure_water_us_cm(), "NaOH").high == 0.0
    assert feed_load_eq_l(0.0).low == 0.0
    # what air adds (1 uS/cm) may be all of it: nothing for the cation resin, its bicarbonate for the anion resin
    assert feed_load_eq_l(0.98, "NaOH").low == 0.0
    assert feed_load_eq_l(0.98, "HCl").low == pytest.approx(0.925 / 394.15e3, rel=0.01)


@given(low=st.floats(0.0, 9e3), more=st.floats(1e-3, 1e3), residue=st.sampled_from([None, *RESIDUES]))
def test_more_current_is_never_less_load(low: float, more: float, residue: str | None) -> None:
    one, two = feed_load_eq_l(low, residue), feed_load_eq_l(low + more, residue)
    assert 0.0 <= one.low <= one.high
    assert one.low <= two.low and one.high <= two.high


# ---- residue ----------------------------------------------------------------------------------------


def _phreeqc(ask: Ask, residue: str, molality: float, temperature_c: float = 25.0) -> tuple[float, float]:
    """(mol/L, uS/cm at this temperature) of a single solution by PHREEQC."""
    solute = Solute("NaCl" if residue == "salt" else residue)
    elements = {ion[:-1]: molality for ion in IONS[solute] if ion not in ("H+", "OH-")}
    outside = ask(elements, temperature_c)
    mol_l = molality * outside.density_g_ml / (1.0 + molality * MOLAR_MASS_G_MOL[solute] / 1000.0)
    return mol_l, outside.conductivity_us_cm


@pytest.mark.parametrize("residue", [name for name in RESIDUES if name != "H2SO4"])
@pytest.mark.parametrize("molality", [1e-5, 1e-4, 1e-3, 1e-2, 1e-1])
def test_residue_behind_phreeqc_s_conductivity(phreeqc_says: Ask, residue: str, molality: float) -> None:
    """1.5 %: as the conductivities agree; pure water's 0.055 uS/cm is 2 % of the weakest and is taken off."""
    mol_l, us_cm = _phreeqc(phreeqc_says, residue, molality)
    own = 0.0 if residue in ("NaOH", "KOH", "HCl") else pure_water_us_cm()
    assert residue_eq_l(residue, us_cm - own) == pytest.approx(mol_l, rel=0.015)


@pytest.mark.parametrize(
    ("eq_l", "tolerance"), [(1e-5, 0.02), (1e-4, 0.02), (2e-4, 0.02), (1e-3, 0.05)]
)  # fmt: skip
def test_sulfuric_acid_behind_phreeqc_s_conductivity(phreeqc_says: Ask, eq_l: float, tolerance: float) -> None:
    """Where a rinse ends. Control: a strong liquor, half bisulfate, conducts so much less that it is no longer so."""
    assert residue_eq_l("H2SO4", phreeqc_says({"S(6)": eq_l / 2.0}).conductivity_us_cm) == pytest.approx(
        eq_l, rel=tolerance
    )
    assert residue_eq_l("H2SO4", phreeqc_says({"S(6)": 0.05}).conductivity_us_cm) < 0.07


# CRC Handbook, conductivity at 25 C against mol per kg of water (HCl and NaOH from memory, see the handbook test).
@pytest.mark.parametrize(
    ("residue", "us_cm", "eq_l"),
    [("HCl", 420.11, 0.001), ("HCl", 4107.25, 0.01), ("HCl", 38949.21, 0.1), ("NaOH", 243.98, 0.001),
     ("NaOH", 2373.2, 0.01), ("salt", 123.38, 0.001), ("salt", 1181.5, 0.01), ("salt", 10626.98, 0.1)],
)  # fmt: skip
def test_residue_at_handbook_points(residue: str, us_cm: float, eq_l: float) -> None:
    """0.9 %: mol per kg of water is 0.3 % more than mol/L at 0.001, 0.6 % at 0.1."""
    assert residue_eq_l(residue, us_cm) == pytest.approx(eq_l, rel=9e-3)


@pytest.mark.parametrize(("residue", "solute"), [("NaOH", "NaOH"), ("HCl", "HCl"), ("salt", "NaCl")])
def test_the_persons_shortcut_is_the_control_that_fails(phreeqc_says: Ask, residue: str, solute: str) -> None:
    """ppm at 0.5 taken as mg/L of what is there: three times too much caustic, six times too much acid."""
    mol_l, us_cm = _phreeqc(phreeqc_says, residue, 1e-3)
    shortcut = ppm_from_us_cm(us_cm, 0.5) / 1000.0 / MOLAR_MASS_G_MOL[Solute(solute)]
    ratio = {"NaOH": 3.05, "HCl": 5.75, "salt": 1.06}[residue]
    assert shortcut / mol_l == pytest.approx(ratio, rel=0.02)
    assert residue_eq_l(residue, us_cm) == pytest.approx(mol_l, rel=0.015)
    assert true_mg_l(solute, us_cm) / 1000.0 / MOLAR_MASS_G_MOL[Solute(solute)] == pytest.approx(mol_l, rel=0.015)


@pytest.mark.parametrize("residue", ["NaOH", "HCl", "salt"])
@pytest.mark.parametrize("temperature_c", [12.0, 18.0, 32.0])
@pytest.mark.parametrize("factor", [0.5, 0.7])
def test_scale_and_temperature_undone(phreeqc_says: Ask, residue: str, temperature_c: float, factor: float) -> None:
    """A 2 %/C meter on a TDS scale in PHREEQC's solution at its own temperature, all the way back to eq/L.

    3 %: at 12 C PHREEQC's caustic lies 2.6 % under ours (its slope is 1.78 %/C, McCleskey's 1.68). The control leaves
    the temperature as the meter made it: acid is then 5 to 10 % off in the cold.
    """
    mol_l, raw_us_cm = _phreeqc(phreeqc_says, residue, 1e-3, temperature_c)
    ppm = ppm_from_us_cm(to_25_c_us_cm(raw_us_cm, temperature_c, 2.0), factor)
    shown = us_cm_from_ppm(ppm, factor)
    assert residue_eq_l(residue, recompensated_us_cm(shown, temperature_c, 2.0, residue)) == pytest.approx(
        mol_l, rel=0.03
    )
    if residue == "HCl":
        assert abs(residue_eq_l(residue, shown) / mol_l - 1.0) > 0.03


@given(residue=st.sampled_from(RESIDUES), us_cm=st.floats(0.0, 1e5))
def test_there_and_back(residue: str, us_cm: float) -> None:
    assert residue_us_cm(residue, residue_eq_l(residue, us_cm)) == pytest.approx(us_cm, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("solute", ["NaOH", "HCl", "KOH", "NaCl"])
def test_the_same_as_the_slow_inverse(solute: str) -> None:
    """conductivity.both_concentrations bisects the full curve, pure water's own 0.055 uS/cm included."""
    own = pure_water_us_cm() if solute == "NaCl" else 0.0
    for mol_l in (1e-5, 1e-4, 1e-3, 1e-2, 0.09):
        us_cm = conductivity_us_cm(solute, mol_l)
        slow = both_concentrations(solute, us_cm)[0]
        assert residue_eq_l(solute, us_cm - own) == pytest.approx(slow, rel=3e-3)


def test_the_weaker_of_two_answers() -> None:
    low, high = both_concentrations("NaOH", 2.5e5)
    assert high is not None
    assert residue_eq_l("NaOH", 2.5e5) == pytest.approx(low, rel=2e-3)
    assert high > 3.0 * low


def test_arrays_keep_their_shape_and_agree_with_numbers() -> None:
    us_cm = np.geomspace(0.1, 9e4, 12).reshape(3, 4)
    for residue in RESIDUES:
        eq_l = residue_eq_l(residue, us_cm)
        assert eq_l.shape == (3, 4)
        assert eq_l[1, 2] == residue_eq_l(residue, float(us_cm[1, 2]))
        assert isinstance(residue_eq_l(residue, 5.0), float)
        assert np.all(np.diff(eq_l.ravel()) > 0.0)


def test_a_population_of_256_is_cheap() -> None:
    """Live it is asked at every reading: below 50 us (the best of 20, so that a busy machine does not decide)."""
    us_cm = np.geomspace(1.0, 1e4, 256)
    residue_eq_l("NaOH", us_cm)
    assert min(timeit.repeat(lambda: residue_eq_l("NaOH", us_cm), number=20, repeat=20)) / 20 < 50e-6


@pytest.mark.parametrize(
    ("call", "words"),
    [(lambda: feed_load_eq_l(-1.0), "feed"), (lambda: feed_load_eq_l(float("nan")), "feed"),
     (lambda: feed_load_eq_l(2e4), "feed"), (lambda: feed_load_eq_l(10.0, "tea"), "choose NaOH"),
     (lambda: feed_load_eq_l(10.0, "HCl", co2_mg_l=-1.0), "carbon dioxide"),
     (lambda: residue_eq_l("sugar", 5.0), "choose NaOH"), (lambda: residue_us_cm("KCl", 5.0), "or NaCl")],
)  # fmt: skip
def test_nonsense_is_refused_in_one_clear_line(call: Callable[[], object], words: str) -> None:
    with pytest.raises(QuantityError, match=words) as caught:
        call()
    assert "\n" not in str(caught.value)
