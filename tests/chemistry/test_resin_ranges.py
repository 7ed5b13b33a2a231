"""Resin capacities and bead densities: ranges from common practice, so only their sense is tested."""

from __future__ import annotations

import pytest

from rinsewatch.chemistry.density import density_g_ml
from rinsewatch.chemistry.resin import (
    CAPACITY_EQ_L,
    ENTRAINED_SHARE,
    SLOW_SHARE,
    Range,
    ResinKind,
    bead_density_g_ml,
    bed_capacity_eq,
    entrained_ml,
    parts_the_beads,
    slow_ml,
)
from rinsewatch.errors import QuantityError


def test_capacity_of_half_a_litre_of_cation_resin() -> None:
    """Davis, Water and Wastewater Engineering, p. 8-5: 1.8-2.0 eq per L of wet strong-acid resin."""
    bed = bed_capacity_eq(ResinKind.STRONG_ACID, 500.0)
    assert (bed.low, bed.high) == pytest.approx((0.9, 1.0))
    assert bed.middle == pytest.approx(0.95)


def test_anion_resin_holds_less_than_cation_resin() -> None:
    """Teaching notes put type I at 1.2 eq/L in the OH form; the range is from memory."""
    assert 1.2 in CAPACITY_EQ_L[ResinKind.STRONG_BASE_1]
    assert CAPACITY_EQ_L[ResinKind.STRONG_BASE_1].high < CAPACITY_EQ_L[ResinKind.STRONG_ACID].low


def test_liquors_that_part_the_beads() -> None:
    """CRC: 15 % NaOH is 1.164 and 26 % brine 1.197 g/mL: between the beads; water and 35 % NaOH are not."""
    assert parts_the_beads(density_g_ml("NaOH", 15.0))
    assert parts_the_beads(density_g_ml("NaCl", 26.0))
    assert not parts_the_beads(density_g_ml("NaOH", 0.0))
    assert not parts_the_beads(density_g_ml("NaOH", 35.0))


def test_entrained_liquid_is_a_share_of_the_bed() -> None:
    assert entrained_ml(500.0) == Range(ENTRAINED_SHARE.low * 500.0, ENTRAINED_SHARE.high * 500.0)
    assert slow_ml(500.0).high < entrained_ml(500.0).low
    assert SLOW_SHARE.low > 0.0


def test_cation_beads_are_heavier() -> None:
    heavy = bead_density_g_ml(ResinKind.STRONG_ACID, "H")
    light = bead_density_g_ml(ResinKind.STRONG_BASE_1, "Cl")
    assert heavy.low > light.high


@pytest.mark.parametrize("volume_ml", [0.0, -5.0, float("nan")])
def test_no_resin_is_refused(volume_ml: float) -> None:
    for ask in (entrained_ml, slow_ml, lambda ml: bed_capacity_eq(ResinKind.STRONG_ACID, ml)):
        with pytest.raises(QuantityError, match="resin"):
            ask(volume_ml)


def test_a_form_that_does_not_exist() -> None:
    with pytest.raises(QuantityError, match="OH form"):
        bead_density_g_ml(ResinKind.STRONG_ACID, "OH")


@pytest.mark.parametrize(("liquid_g_ml", "parts"), [(1.06, False), (1.09, True), (1.25, True), (1.28, False)])
def test_a_liquor_must_pass_every_bead_not_the_average_one(liquid_g_ml: float, parts: bool) -> None:
    """Common practice: OH anion beads 1.04-1.08, Na cation beads 1.26-1.32 g/mL."""
    assert parts_the_beads(liquid_g_ml) is parts
