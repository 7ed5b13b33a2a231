"""TDS scales, against the table printed in meter manuals: three rows, as others fail physics by 4-7 %."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rinsewatch.chemistry.tds import (
    SCALES,
    factor_from,
    over_reading,
    ppm_from_us_cm,
    true_mg_l,
    us_cm_from_ppm,
    zero_may_be,
    zero_means,
)
from rinsewatch.errors import QuantityError


# uS/cm at 25 C, then ppm of KCl and of NaCl that conduct so. 2 %: PHREEQC is 0.1 % off in the last row,
# and the two small rows carry three digits.
@pytest.mark.parametrize(
    ("us_cm", "kcl_ppm", "nacl_ppm"), [(23, 11.6, 10.7), (447, 225.6, 215.5), (1413, 744.7, 702.1)]
)
def test_true_salt_behind_a_conductivity(us_cm: float, kcl_ppm: float, nacl_ppm: float) -> None:
    assert true_mg_l("KCl", us_cm) == pytest.approx(kcl_ppm, rel=0.02)
    assert true_mg_l("NaCl", us_cm) == pytest.approx(nacl_ppm, rel=0.02)


@pytest.mark.parametrize(("us_cm", "ppm"), [(447, 300), (1413, 1000)])
def test_the_442_scale_is_nominally_0_7(us_cm: float, ppm: float) -> None:
    """Manuals: 300 ppm at 447 and 1000 ppm at 1413 uS/cm; the quotient is 0.671 and 0.708, hence 6 %."""
    assert ppm_from_us_cm(us_cm, SCALES["442"]) == pytest.approx(ppm, rel=0.06)


def test_caustic_is_over_read_three_times() -> None:
    """Real NaOH is 0.162-0.169 mg/L per uS/cm: 3.0-3.1 times at 0.5, 4.2 times at 0.7."""
    for us_cm in (20.0, 200.0, 2000.0):
        assert 2.95 <= over_reading("NaOH", us_cm, 0.5) <= 3.1
    assert over_reading("NaOH", 200.0, 0.7) == pytest.approx(4.25, rel=0.02)


@given(us_cm=st.floats(0.0, 2e5), factor=st.floats(0.3, 1.0))
def test_ppm_and_back(us_cm: float, factor: float) -> None:
    assert us_cm_from_ppm(ppm_from_us_cm(us_cm, factor), factor) == pytest.approx(us_cm, rel=1e-12)


def test_the_same_water_on_three_scales() -> None:
    shown = [ppm_from_us_cm(1000.0, SCALES[name]) for name in ("NaCl", "general", "442")]
    assert shown == pytest.approx([500.0, 640.0, 700.0])


def test_factor_of_a_meter_that_shows_both() -> None:
    assert factor_from(706.5, 1413.0) == pytest.approx(0.5)
    for ppm, us_cm in ((0.0, 10.0), (5.0, 0.0), (1413.0, 706.5), (1.0, 100.0)):
        with pytest.raises(QuantityError, match="TDS factor"):
            factor_from(ppm, us_cm)


@pytest.mark.parametrize(
    ("resolution", "factor", "words"),
    [(1.0, 0.5, "below about 1 uS/cm"), (1.0, 0.7, "below about 0.71 uS/cm"),
     (0.1, 1.0, "below about 0.05 uS/cm"), (1.0, 1.0, "below about 0.5 uS/cm"),
     (10.0, 0.5, "below about 10 uS/cm")],
)  # fmt: skip
def test_what_zero_means(resolution: float, factor: float, words: str) -> None:
    assert zero_means(resolution, factor) == words


@pytest.mark.parametrize("factor", [0.0, 0.29, 1.01, -0.5, float("nan")])
def test_no_such_scale(factor: float) -> None:
    with pytest.raises(QuantityError, match="usual are"):
        us_cm_from_ppm(10.0, factor)


def test_zero_means_needs_a_step() -> None:
    with pytest.raises(QuantityError, match="more than 0"):
        zero_means(0.0, 0.5)


def test_all_a_zero_can_be_on_a_coarse_pen() -> None:
    """10 ppm steps at 0.5: below 10 uS/cm, 1.6 mg/L of caustic or 0.9 of acid (CRC: 247.8 and 426.2 S cm2/mol)."""
    text = " | ".join(zero_may_be(10.0, 0.5))
    for part in ("below about 10 uS/cm", "twice that", "2 mg/L NaOH", "0.9 mg/L HCl", "0.4 mg/L NaOH", "probe in air"):
        assert part in text
    assert "less and shows 0 too" in text


def test_a_zero_on_a_whole_ppm_pen_is_aired_water_s_too() -> None:
    assert any("about as much" in clause for clause in zero_may_be(1.0, 0.5))
    assert any("would not show 0" in clause for clause in zero_may_be(1.0, 1.0))


def test_a_fine_display_never_shows_water_as_zero() -> None:
    """Pure water has 0.055 uS/cm (Light et al. 2005): a 0 on 0.01 uS/cm steps is a probe without contact."""
    text = " | ".join(zero_may_be(0.01))
    assert "pure water itself" in text
    assert "mg/L" not in text
    with pytest.raises(QuantityError, match="more than 0"):
        zero_may_be(0.0)
