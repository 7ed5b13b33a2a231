"""Theil-Sen, Kendall's distribution and the test of a change, against scipy, tables and published examples."""

from __future__ import annotations

from itertools import permutations
from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rinsewatch.logbook.life.change import Series, find_change, student_tail
from rinsewatch.logbook.life.findings import LIMIT
from rinsewatch.logbook.life.trend import chance_at_least, theil_sen

STEADY = tuple(range(1, 13))


@pytest.mark.parametrize("n", [4, 5, 7, 10, 16, 30])
def test_slope_and_interval_are_those_of_scipy(n: int) -> None:
    rng = np.random.default_rng(n)
    for _ in range(20):
        x = sorted(rng.choice(60, n, replace=False).tolist())
        y = (0.1 * np.array(x) + rng.standard_normal(n)).tolist()
        mine, theirs = theil_sen(x, y, 0.9), stats.theilslopes(y, x, 0.9)
        assert mine.slope == pytest.approx(theirs.slope, rel=1e-12)
        # scipy takes the normal approximation, here the orders are counted: at 90 % both cut at the same pair.
        assert (mine.low, mine.high) == pytest.approx((theirs.low_slope, theirs.high_slope), rel=1e-12)
        assert mine.chance == pytest.approx(stats.kendalltau(x, y, method="exact").pvalue, rel=1e-9)


def test_cloud_seeding_example() -> None:
    """Hollander and Wolfe, Nonparametric Statistical Methods, examples 9.1 to 9.3 (from memory): Tasmania 1956-60."""
    found = theil_sen([1, 2, 3, 4, 5], [1.26, 1.27, 1.12, 1.16, 1.03])
    assert found.slope == pytest.approx(-0.056, abs=0.0005)
    assert chance_at_least(6, 5) == pytest.approx(0.117, abs=0.0005)  # their one-sided P for C = -6
    assert not found.identified


def test_sens_own_example() -> None:
    """Sen (1968), J. Am. Stat. Assoc. 63, 1387 (from memory): the slope is 4."""
    found = theil_sen([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78], 0.93)
    assert found.slope == 4.0
    assert found.low < 4.0 < found.high


@pytest.mark.parametrize(
    ("n", "score", "chance"), [(4, 6, 0.042), (5, 8, 0.042), (5, 10, 0.0083), (8, 16, 0.031), (10, 21, 0.036)]
)
def test_kendalls_table(n: int, score: int, chance: float) -> None:
    """Kendall, Rank Correlation Methods, appendix table 1 (from memory)."""
    assert chance_at_least(score, n) == pytest.approx(chance, rel=0.02)


def test_kendalls_distribution_counted_by_hand() -> None:
    scores = [
        sum(1 if b > a else -1 for i, a in enumerate(order) for b in order[i + 1 :]) for order in permutations(range(6))
    ]
    for score in range(-15, 16, 2):
        assert chance_at_least(score, 6) == pytest.approx(sum(s >= score for s in scores) / len(scores))


def test_three_points_give_a_slope_but_no_interval() -> None:
    found = theil_sen([1, 2, 3], [3.0, 2.0, 1.0])
    assert (found.slope, found.low, found.high) == (-1.0, -inf, inf)
    assert not found.identified


def test_one_wild_cycle_hardly_moves_the_line_but_moves_least_squares() -> None:
    x, y = list(range(10)), [1.0 - 0.02 * i for i in range(10)]
    y[8] = 0.1
    assert theil_sen(x, y).slope == pytest.approx(-0.02, abs=1e-9)
    assert np.polyfit(x, y, 1)[0] < -0.04


@pytest.mark.parametrize(("x", "y"), [([1], [1.0]), ([1, 1], [1.0, 2.0]), ([1, 2], [1.0])])
def test_what_is_no_trend_is_refused(x: list[float], y: list[float]) -> None:
    with pytest.raises(ValueError, match="two points"):
        theil_sen(x, y)


@given(st.lists(st.floats(-10, 10), min_size=4, max_size=12), st.floats(-5, 5), st.floats(0.1, 10))
def test_the_line_moves_with_its_points(y: list[float], shift: float, scale: float) -> None:
    x = list(range(len(y)))
    plain, moved = theil_sen(x, y), theil_sen(x, [scale * v + shift for v in y])
    assert moved.slope == pytest.approx(scale * plain.slope, abs=1e-6)
    assert moved.at(3.0) == pytest.approx(scale * plain.at(3.0) + shift, abs=1e-6)


def test_interval_of_the_slope_holds_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(5)
    held = []
    for _ in range(400):
        found = theil_sen(range(8), (0.05 * np.arange(8) + 0.1 * rng.standard_normal(8)).tolist())
        held.append(found.low <= 0.05 <= found.high)
    assert 0.86 <= np.mean(held) <= 0.97  # at least 0.9 by construction, in steps of the distribution


@pytest.mark.parametrize("freedom", [1, 2, 3, 7, 16, 29])
@pytest.mark.parametrize("t", [-2.5, 0.0, 0.4, 3.0, 9.0])
def test_student_tail_is_that_of_scipy(t: float, freedom: int) -> None:
    assert student_tail(t, freedom) == pytest.approx(stats.t.sf(t, freedom), abs=1e-12)


def test_a_step_and_a_growth_are_found_where_they_begin() -> None:
    wobble = [0.01 if i % 2 else -0.01 for i in range(12)]
    step = find_change(Series(STEADY, tuple(w - 0.3 * (c >= 8) for c, w in zip(STEADY, wobble, strict=True)), 0.05), -1)
    growth = find_change(
        Series(STEADY, tuple(w + 0.1 * max(0, c - 6) for c, w in zip(STEADY, wobble, strict=True)), 0.05), 1
    )
    assert step is not None and step.since == 8 and step.amount == pytest.approx(-0.3, abs=0.03) and step.chance < 1e-4
    assert growth is not None and growth.since in (6, 7, 8) and growth.amount == pytest.approx(0.6, abs=0.1)


def test_a_change_needs_three_cycles_before_and_three_after() -> None:
    falling = (1.0, 1.0, 1.0, 0.2, 0.2, 0.2)
    assert find_change(Series(STEADY[:6], falling, 0.05), -1) is not None
    assert find_change(Series(STEADY[:5], falling[:5], 0.05), -1) is None
    assert find_change(Series(STEADY[:6], falling, 0.05), 1) is None


def test_one_wild_cycle_is_no_change() -> None:
    values = [0.0, 0.02, -0.02, 0.01, 0.0, -0.01, 0.02, 0.0, -0.02, -0.9]
    change = find_change(Series(STEADY[:10], tuple(values), 0.05), -1)
    assert change is None or change.chance > LIMIT


def test_chance_of_scatter_means_what_it_says() -> None:
    """Of steady series one in a hundred may look like a change at the level of 0.01; about twice that is the bound."""
    rng = np.random.default_rng(8)
    series = [Series(STEADY, tuple(0.07 * rng.standard_normal(12)), 0.07) for _ in range(1000)]
    found = [change for one in series if (change := find_change(one, 1)) is not None]
    assert 2 <= sum(change.chance < 0.01 for change in found) <= 20
