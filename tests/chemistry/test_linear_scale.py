"""The scale on which mixing is arithmetic."""

from __future__ import annotations

from timeit import timeit

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rinsewatch.chemistry.conductivity import (
    LinearScale,
    concentration_mol_l,
    conductivity_us_cm,
    ideal_us_cm,
    reading_from_ideal_us_cm,
)
from rinsewatch.errors import QuantityError

RESIDUES = ("NaOH", "HCl", "salt")


@pytest.mark.parametrize("residue", RESIDUES)
def test_strictly_rising_and_invertible_from_nothing_to_a_siemens(residue: str) -> None:
    scale = LinearScale(residue)
    reading = np.concatenate([[0.0], np.geomspace(1e-4, 1e6, 40_000)])
    linear = scale.to_linear(reading)
    assert (np.diff(linear) > 0).all()
    assert np.allclose(scale.to_reading(linear), reading, rtol=1e-12, atol=0.0)


@pytest.mark.parametrize("residue", RESIDUES)
def test_linear_is_never_below_the_reading(residue: str) -> None:
    """Ions hinder each other: conductance only falls with strength."""
    reading = np.geomspace(1e-3, 1e5, 500)
    assert (LinearScale(residue).to_linear(reading) >= reading).all()


@settings(deadline=None, max_examples=60)
@given(residue=st.sampled_from(RESIDUES), reading=st.floats(50.0, 1e5))
def test_it_is_concentration_times_the_limiting_conductivity(residue: str, reading: float) -> None:
    """Water's own ions (0.055 uS/cm) are in one and not the other, hence 50 uS/cm and 0.15 %."""
    scale = LinearScale(residue)
    mol_l = concentration_mol_l("NaCl" if residue == "salt" else residue, reading)
    assert scale.to_linear(reading) == pytest.approx(1000.0 * mol_l * scale.limit_s_cm2_mol, rel=1.5e-3)


@settings(deadline=None)
@given(residue=st.sampled_from(RESIDUES), reading=st.floats(-10.0, 1e6))
def test_one_number_and_an_array_agree(residue: str, reading: float) -> None:
    scale = LinearScale(residue)
    single = scale.to_linear(reading)
    assert isinstance(single, float)
    assert scale.to_linear(np.array([reading, 1.0]))[0] == single
    assert ideal_us_cm(residue, reading) == single
    assert reading_from_ideal_us_cm(residue, single) == pytest.approx(reading, rel=1e-9, abs=1e-9)


def test_zero_and_below_pass_unchanged() -> None:
    scale = LinearScale("NaOH")
    assert scale.to_linear(0.0) == 0.0
    assert scale.to_reading(0.0) == 0.0
    assert scale.to_linear(-0.4) == pytest.approx(-0.4)


@pytest.mark.parametrize("residue", RESIDUES)
def test_at_one_microsiemens_both_scales_agree(residue: str) -> None:
    assert LinearScale(residue).to_linear(1.0) == pytest.approx(1.0, rel=2.5e-3)


def test_curvature_is_worth_taking_out() -> None:
    """CRC: 238.0 and 247.8 S cm2/mol for NaOH at 0.01 mol/L and at none; and 20 mS/cm caustic, halved."""
    scale = LinearScale("NaOH")
    assert scale.to_linear(2380.0) == pytest.approx(2478.0, rel=2e-3)
    halved = scale.to_reading(scale.to_linear(20_000.0) / 2.0)
    strong = concentration_mol_l("NaOH", 20_000.0)
    assert halved == pytest.approx(conductivity_us_cm("NaOH", strong / 2.0), rel=1e-4)
    assert halved > 10_200.0


@pytest.mark.parametrize(("residue", "top_ms_cm"), [("NaOH", 390), ("HCl", 800), ("salt", 235)])
def test_the_curve_ends_below_the_maximum_and_goes_on_straight(residue: str, top_ms_cm: float) -> None:
    scale = LinearScale(residue)
    assert scale.top_us_cm == pytest.approx(top_ms_cm * 1000.0, rel=0.02)
    edge = scale.to_linear(scale.top_us_cm)
    steps = np.diff(scale.to_reading(edge + np.array([0.0, 1e4, 2e4, 3e4])))
    assert steps == pytest.approx(np.full(3, steps[0]), rel=1e-6)
    assert 0.0 < steps[0] < 1e4
    assert steps[0] == pytest.approx(scale.top_us_cm - scale.to_reading(edge - 1e4), rel=0.1)


def test_cheap_enough_for_every_reading() -> None:
    """A few microseconds a call; 50 allowed so that a busy machine does not fail it."""
    scale = LinearScale("NaOH")
    assert timeit(lambda: scale.to_linear(12.3), number=2000) / 2000 < 50e-6


def test_unknown_residue() -> None:
    with pytest.raises(QuantityError, match="choose NaOH, HCl or salt"):
        LinearScale("soap")
