"""The last traces of residue in water that holds carbon dioxide, against PHREEQC 3 (USGS)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from rinsewatch.rinse.prior import CARBON, FLOOR, prior_from_setup
from rinsewatch.rinse.setup import Endpoint, Residue, RinseSetup
from rinsewatch.rinse.traces import Water

Ask = Callable[[dict[str, float]], tuple[float, float]]
# Limiting molar conductivities at 25 C, S cm2/mol, CRC Handbook.
IONS = {"H+": 349.65, "OH-": 198.0, "Na+": 50.08, "Cl-": 76.31, "HCO3-": 44.5, "CO3-2": 138.6}
# Limiting molar conductivities at 25 C, CRC Handbook: Na 50.08 + OH 198.0; H 349.65 + Cl 76.31. uS/cm per mol/L.
PER_MOL_L = {Residue.NAOH: 248_080.0, Residue.HCL: 425_960.0, Residue.SALT: 126_390.0}


@pytest.fixture(scope="module")
def phreeqc_us_cm() -> Ask:
    """(its specific conductance, sum over its species with the CRC's ions), uS/cm at 25 C; mol per kg of water."""
    phreeqc = pytest.importorskip("phreeqc", reason="the phreeqc library (test extra) is not installed")
    engine = phreeqc.Phreeqc()
    engine.LoadBuiltInDatabase("phreeqc.dat")

    def ask(mol_kgw: dict[str, float]) -> tuple[float, float]:
        lines = ["SOLUTION 1", " temp 25", " units mol/kgw", " pH 7 charge"]
        lines += [f" {element} {amount!r}" for element, amount in mol_kgw.items()]
        lines += ["SELECTED_OUTPUT", " -reset false", f" -molalities {' '.join(IONS)}"]
        lines += ["USER_PUNCH", " -headings SC", " 10 PUNCH SC", "END", ""]
        engine.RunString("\n".join(lines))
        table = engine.GetSelectedOutput()
        ions = sum(1000.0 * each * float(table[f"m_{ion}(mol/kgw)"][-1]) for ion, each in IONS.items())
        return float(table["SC"][-1]), ions

    return ask


def _water(residue: Residue, floor_us_cm: float, carbon_share: float = 0.999999) -> Water:
    """One hypothesis: a floor that is all (or so much) carbonic acid."""
    setup = RinseSetup(resin_ml=500.0, residue=residue, endpoint=Endpoint.parse("5 uS/cm", 0.5), portion_ml=250.0)
    prior = prior_from_setup(setup, 0.1)
    theta = prior.mean[None, :].copy()
    theta[0, FLOOR] = np.log(floor_us_cm - prior.floor_bound_us_cm)
    theta[0, CARBON] = np.log(carbon_share / (1.0 - carbon_share))
    return Water.of(residue, theta, prior)


def _read(water: Water, us_cm: float) -> float:
    return float(water.reading(np.array([us_cm]))[0])


@pytest.mark.parametrize("residue", list(Residue))
@pytest.mark.parametrize("share", [0.01, 0.5, 0.999])
def test_no_residue_reads_the_floor(residue: Residue, share: float) -> None:
    """At nothing left the filtrate is the rinse water, whatever that consists of; 0.025 uS/cm: water's own hydroxide
    conducts 0.020 and may be counted with the caustic."""
    assert _read(_water(residue, 1.0, share), 1e-7) == pytest.approx(1.0, abs=0.025)


@pytest.mark.parametrize("moles", [1e-7, 1e-6, 2e-6, 5e-6, 1e-5, 2e-5, 3e-5, 1e-4])
@pytest.mark.parametrize("floor_us_cm", [0.6, 1.05])
def test_caustic_in_carbonic_water(phreeqc_us_cm: Ask, moles: float, floor_us_cm: float) -> None:
    """NaOH is first turned into bicarbonate, then stands free. 1 % and 0.02 uS/cm (water's own hydroxide) against
    PHREEQC's species with the CRC's ions; 5.5 % against its own conductance, which lies up to 4.6 % under that sum
    where carbonate ions appear. The 0.055 uS/cm of pure water, which ours adds as if salt, is taken off first."""
    water = _water(Residue.NAOH, floor_us_cm)
    conductance, ions = phreeqc_us_cm({"Na": moles, "C(4)": float(water.carbonate[0])})
    ours = _read(water, moles * PER_MOL_L[Residue.NAOH]) - float(water.salt[0])
    assert ours == pytest.approx(ions, rel=0.01, abs=0.02)
    assert ours == pytest.approx(conductance, rel=0.055, abs=0.02)


@pytest.mark.parametrize("moles", [1e-7, 1e-6, 2e-6, 5e-6, 1e-5, 3e-5, 1e-4])
@pytest.mark.parametrize("floor_us_cm", [0.6, 1.05])
def test_acid_in_carbonic_water(phreeqc_us_cm: Ask, moles: float, floor_us_cm: float) -> None:
    """HCl pushes carbonic acid back: far less is seen of the first traces than they would conduct. 3 % and 0.02 uS/cm:
    what is pushed back stays dissolved in PHREEQC's closed vessel (+2 %), where ours lets it go to the air."""
    water = _water(Residue.HCL, floor_us_cm)
    hydrogen = (floor_us_cm - 0.055) / 394_150.0  # H 349.65 + HCO3 44.5
    conductance, ions = phreeqc_us_cm({"Cl": moles, "C(4)": float(water.carbonate[0]) + hydrogen})
    ours = _read(water, moles * PER_MOL_L[Residue.HCL]) - float(water.salt[0])
    assert ours == pytest.approx(ions, rel=0.03, abs=0.02)
    assert ours == pytest.approx(conductance, rel=0.03, abs=0.02)


def test_caustic_reads_less_than_the_water_alone_before_it_ends(phreeqc_us_cm: Ask) -> None:
    """A trace of caustic takes up the fast hydrogen ions: conductivity passes a minimum below the floor, at about
    two thirds of it; PHREEQC finds the same dip within 3 %. Acid and salt never read below the floor."""
    water, amounts = _water(Residue.NAOH, 1.0), np.geomspace(1e-7, 1e-4, 60)
    ours = [_read(water, m * PER_MOL_L[Residue.NAOH]) for m in amounts]
    outside = [phreeqc_us_cm({"Na": float(m), "C(4)": float(water.carbonate[0])})[0] for m in amounts]
    assert min(outside) < 0.9 and min(ours) < 0.9
    assert min(ours) - 0.055 == pytest.approx(min(outside), rel=0.03)
    for residue in (Residue.HCL, Residue.SALT):
        levels = [_read(_water(residue, 1.0), m * PER_MOL_L[residue]) for m in amounts]
        assert levels == sorted(levels) and levels[0] >= 0.995


@pytest.mark.parametrize("residue", list(Residue))
@pytest.mark.parametrize("floor_us_cm", [0.3, 1.0, 4.0])
def test_level_for_a_reading_is_its_inverse(residue: Residue, floor_us_cm: float) -> None:
    """The residue at which the filtrate has come down to a reading gives back that reading, 1 % or 0.01 uS/cm;
    more residue reads more there."""
    water = _water(residue, floor_us_cm, 0.6)
    for reading in (1.02 * floor_us_cm, 1.5 * floor_us_cm, 4.0 * floor_us_cm, 50.0, 390.0):
        level, ever = water.level(reading)
        assert ever.all()
        assert _read(water, float(level[0])) == pytest.approx(reading, rel=0.01, abs=0.01)
        assert _read(water, 1.3 * float(level[0])) > reading


@pytest.mark.parametrize("residue", list(Residue))
def test_reading_under_all_that_can_come_is_never_reached(residue: Residue) -> None:
    """Below the floor (caustic: below its minimum) no amount of rinsing leads there."""
    water = _water(residue, 4.0, 0.3)
    level, ever = water.level(2.0)
    assert not ever.any()
    assert (level > 0).all() and (level < 1e-6).all()


def test_caustic_reaches_a_target_just_under_the_floor() -> None:
    """The dip counts: a target a little under the plain water is passed on the way."""
    water = _water(Residue.NAOH, 1.0)
    level, ever = water.level(0.9)
    assert ever.all() and _read(water, float(level[0])) == pytest.approx(0.9, rel=0.01)
    assert not _water(Residue.HCL, 1.0).level(0.9)[1].any()


@pytest.mark.parametrize("residue", list(Residue))
def test_far_above_the_floor_residue_and_water_add(residue: Residue) -> None:
    """Where the traces' law ends (some hundred uS/cm) carbon dioxide takes 1.3 % off caustic: a step in the reading of
    no more than 2 % there; on both sides of it the slope is within 10 % of 1."""
    water = _water(residue, 1.0)
    for us_cm in np.linspace(300.0, 500.0, 41):
        assert _read(water, us_cm) == pytest.approx(us_cm + 1.0, rel=0.02)
    for us_cm in (300.0, 350.0, 450.0, 500.0, 5000.0):
        _, slope = water.reading_and_slope(np.array([us_cm]))
        assert slope[0] == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("residue", list(Residue))
def test_slope_is_the_derivative_or_a_small_positive_one(residue: Residue) -> None:
    """Relative change of the reading per relative change of the residue, by differences; past the caustic minimum
    (where less residue reads more) it stays positive, so that no reading teaches backwards."""
    water = _water(residue, 1.0)
    for us_cm in (0.05, 0.5, 2.0, 5.0, 20.0, 200.0):
        slope = float(water.reading_and_slope(np.array([us_cm]))[1][0])
        by_hand = np.log(_read(water, 1.01 * us_cm) / _read(water, 0.99 * us_cm)) / np.log(1.01 / 0.99)
        assert 0.0 < slope < 3.0
        if by_hand > 0.1:
            assert slope == pytest.approx(by_hand, rel=0.1)
