"""What a display means: an interval, not a number."""

from __future__ import annotations

import math
from dataclasses import astuple
from typing import Any

import numpy as np
import pytest

from rinsewatch.rinse.row import Mark, Row
from rinsewatch.rinse.spans import DisplayScale


def _shown(value: float, decimals: int | None = 0, unit: str = "uS/cm") -> Row:
    return Row(0.0, None, Mark.VALUE, value, unit, decimals)


@pytest.mark.parametrize(
    ("value", "decimals", "unit", "factor", "low", "high"),
    [(7.0, 0, "uS/cm", 0.5, 6.5, 7.5), (7.0, 0, "ppm", 0.5, 13.0, 15.0), (7.0, 0, "ppm", 0.7, 6.5 / 0.7, 7.5 / 0.7),
     (12.5, 1, "uS/cm", 0.5, 12.45, 12.55), (12.50, 2, "ppm", 0.64, 12.495 / 0.64, 12.505 / 0.64),
     (1230.0, -1, "uS/cm", 0.5, 1225.0, 1235.0), (41200.0, -2, "ppm", 0.5, 82300.0, 82500.0)],
)  # fmt: skip
def test_display_stands_for_half_a_step_around(
    bench: Any, value: float, decimals: int, unit: str, factor: float, low: float, high: float
) -> None:
    """Rounding: "7" means 6.5 to 7.5, a reading in tens (negative decimals) half of ten around; ppm by the factor."""
    span = DisplayScale(bench.setup(tds_factor=factor, top_us_cm=None)).span(_shown(value, decimals, unit))
    assert (span.low_us_cm, span.high_us_cm) == pytest.approx((low, high))
    assert span.low_us_cm < span.shown_us_cm < span.high_us_cm
    assert not span.is_over and not span.is_zero


def test_zero_is_below_half_a_step(bench: Any) -> None:
    """0 on a whole-ppm display (x0.5) says: below about 1 uS/cm; never below nothing."""
    span = DisplayScale(bench.setup()).span(_shown(0.0, 0, "ppm"))
    assert span.is_zero and (span.low_us_cm, span.high_us_cm) == (0.0, 1.0)


def test_finer_step_seen_above_holds_below(bench: Any) -> None:
    """A meter that showed "12.5" means 7.0 by "7": a meter's steps get no coarser as the value falls."""
    scale = DisplayScale(bench.setup())
    assert scale.span(_shown(7.0)).step_us_cm == 1.0
    scale.span(_shown(12.5, 1))
    span = scale.span(_shown(7.0))
    assert span.step_us_cm == pytest.approx(0.1)
    assert scale.step_at(3.0) == pytest.approx(0.1)


def test_finer_step_seen_below_says_nothing_above(bench: Any) -> None:
    """An autoranging meter shows 1.25 with hundredths and 1500 in ones."""
    scale = DisplayScale(bench.setup())
    scale.span(_shown(1.25, 2))
    assert scale.span(_shown(1500.0, 0)).step_us_cm == 1.0


def test_stated_resolution_beats_decimals_that_software_added(bench: Any) -> None:
    """ "250.000" of a meter with 10 uS/cm steps still means 245 to 255."""
    span = DisplayScale(bench.setup(resolution_us_cm=10.0)).span(_shown(250.0, 3))
    assert (span.low_us_cm, span.high_us_cm) == pytest.approx((245.0, 255.0))


def test_unknown_decimals_are_not_taken_for_a_whole_step(bench: Any) -> None:
    """A spreadsheet's 12.34567 has no known step: no finer than a thousandth is believed, never a whole digit."""
    few = DisplayScale(bench.setup()).span(_shown(12.34567, None))
    many = DisplayScale(bench.setup()).span(_shown(12.34567, 5))
    assert few.step_us_cm == many.step_us_cm <= 0.001


def test_over_range_means_at_least_the_top(bench: Any) -> None:
    """With a stated top that; else the largest value shown so far; never a number taken for the reading."""
    over = Row(0.0, None, Mark.OVER, None, "ppm")
    told = DisplayScale(bench.setup(top_us_cm=2000.0)).span(over)
    assert told.is_over and told.low_us_cm == 2000.0 and math.isinf(told.high_us_cm)
    learned = DisplayScale(bench.setup(top_us_cm=None))
    before = learned.span(over)
    assert before.is_over and 0.0 < before.low_us_cm < 1000.0
    learned.span(_shown(950.0, 0, "ppm"))
    assert learned.span(over).low_us_cm == pytest.approx(1900.0)


def test_number_above_the_top_is_over_range(bench: Any) -> None:
    """Meters that hold their largest number, or show 9999, when over range."""
    span = DisplayScale(bench.setup(top_us_cm=2000.0)).span(_shown(1999.0, 0, "ppm"))
    assert span.is_over and span.low_us_cm == 2000.0


def test_under_range_is_below_half_the_finest_step(bench: Any) -> None:
    """ "LO" carries no digits: the finest step known stands in."""
    scale = DisplayScale(bench.setup(rinse_water_step_us_cm=None, rinse_water_us_cm=None))
    scale.span(_shown(12.5, 1))
    span = scale.span(Row(0.0, None, Mark.UNDER, None, "uS/cm"))
    assert span.is_zero and span.low_us_cm == 0.0 and span.high_us_cm == pytest.approx(0.05)


def test_ppm_and_conductivity_of_the_same_water_are_the_same_span(bench: Any) -> None:
    """50.0 ppm x0.5 and 100.0 uS/cm in steps of 0.2 are one and the same."""
    scale = DisplayScale(bench.setup(resolution_us_cm=0.2))
    one, other = scale.span(_shown(50.0, 1, "ppm")), scale.span(_shown(100.0, 1))
    for span in (one, other):
        assert astuple(span) == pytest.approx((100.0, 99.9, 100.1, 0.2))


def _steps(scale: DisplayScale, values: list[float], decimals: int = 0) -> list[float]:
    return [scale.span(_shown(value, decimals)).step_us_cm for value in values]


def test_a_display_that_moves_in_fives_is_read_in_fives(bench: Any) -> None:
    """Its digits claim ones; "0" then means below 2.5. As soon as another number is shown, it means ones again."""
    scale = DisplayScale(bench.setup())
    assert _steps(scale, [40.0, 35.0, 35.0, 25.0, 20.0, 15.0])[-1] == 5.0
    zero = [scale.span(_shown(value, 0)) for value in (10.0, 5.0, 0.0)][-1]
    assert zero.is_zero and zero.high_us_cm == 2.5
    assert _steps(scale, [13.0]) == [1.0]


def test_two_digits_by_turns_do_not_make_it_forget_the_fives(bench: Any) -> None:
    """A portion that reads 25 and 30 by turns for an hour says nothing new; a 12 does."""
    scale = DisplayScale(bench.setup())
    assert _steps(scale, [80.0, 65.0, 45.0, 30.0, *[25.0, 30.0] * 40])[-1] == 5.0
    assert _steps(scale, [12.0]) == [1.0]


def test_a_pen_in_tens_above_999_is_read_in_ones_below(bench: Any) -> None:
    scale = DisplayScale(bench.setup(top_us_cm=None))
    assert _steps(scale, [3400.0, 2710.0, 2050.0, 1630.0, 1310.0])[-1] == 10.0
    assert _steps(scale, [987.0, 700.0, 600.0])[0] == 1.0


def test_round_numbers_by_accident_are_no_coarse_display(bench: Any) -> None:
    """Two may share a divisor, many seldom do; tenths shown as whole numbers do not count as coarser than ones."""
    assert _steps(DisplayScale(bench.setup()), [30.0, 20.0]) == [1.0, 1.0]
    rng = np.random.default_rng(8)
    found = [_steps(DisplayScale(bench.setup()), list(rng.integers(5, 900, 12).astype(float))) for _ in range(300)]
    assert sum(max(steps) > 1.0 for steps in found) < 0.05 * len(found)


def test_a_zero_far_below_is_not_the_next_step_down(bench: Any) -> None:
    """A probe pulled out at 1,200 in steps of ten shows 0: no number below five, but below half a one."""
    scale = DisplayScale(bench.setup(top_us_cm=None))
    assert _steps(scale, [2710.0, 2050.0, 1630.0, 1310.0])[-1] == 10.0
    assert scale.span(_shown(0.0, 0)).high_us_cm == 0.5
