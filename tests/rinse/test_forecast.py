"""From a belief to quantiles and chances."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm

from rinsewatch.rinse.evidence import BEND_PER_EFOLD, Corrections
from rinsewatch.rinse.forecast import Dice, chance_below, filtrate, nominal_goal, remaining, weighted_quantiles
from rinsewatch.rinse.population import View
from rinsewatch.rinse.setup import Residue
from rinsewatch.rinse.traces import Water

COUNT = 1000


def _view(spread: float, ln_level: float = math.log(100.0), bend: float = 0.0) -> View:
    zeros, ones = np.zeros(COUNT), np.ones(COUNT)
    return View(ones / COUNT, zeros + ln_level, Corrections(zeros, zeros + bend, zeros + spread**2, zeros, zeros))


def _dice() -> Dice:
    return Dice.throw(COUNT, np.random.default_rng(2))


def test_even_weights_give_numpys_quantiles() -> None:
    """As numpy.quantile with Hazen's plotting positions."""
    values = np.random.default_rng(1).exponential(size=501)
    ours = weighted_quantiles(values, np.full(501, 1 / 501), (0.05, 0.25, 0.5, 0.95))
    assert ours == pytest.approx(list(np.quantile(values, [0.05, 0.25, 0.5, 0.95], method="hazen")))


def test_weights_move_the_quantiles() -> None:
    """A value of weight three counts as three equal values do; scale of the weights does not matter."""
    heavy = weighted_quantiles(np.array([1.0, 2.0, 9.0]), np.array([0.2, 0.2, 0.6]), (0.5,))[0]
    assert heavy > 2.0
    assert weighted_quantiles(np.array([1.0, 2.0, 9.0]), np.array([2.0, 2.0, 6.0]), (0.5,))[0] == pytest.approx(heavy)
    assert weighted_quantiles(np.array([5.0]), np.array([1.0]), (0.05, 0.5, 0.95)) == [5.0, 5.0, 5.0]


def test_quantiles_with_cases_that_never_end() -> None:
    """inf is a value like others: the median stays finite while most are, and no nan comes of it."""
    values = np.array([math.inf, 1.0, 2.0, 3.0, math.inf])
    low, mid, high = weighted_quantiles(values, np.full(5, 0.2), (0.05, 0.5, 0.95))
    assert (low, mid) == pytest.approx((1.0, 3.0)) and math.isinf(high)


def test_chance_and_filtrate_of_a_lognormal() -> None:
    """One lognormal hypothesis: chance below and the 5-50-95 % are the normal's (no floor)."""
    view, dice, floor = _view(0.2), _dice(), np.full(COUNT, 1e-12)
    for us_cm in (70.0, 100.0, 130.0):
        expected = norm.cdf(math.log(us_cm / 100.0) / 0.2)
        assert chance_below(view, np.full(COUNT, us_cm)) == pytest.approx(expected, abs=1e-6)
    quantiles = filtrate(view, Water(Residue.SALT, floor, floor, 0.0 * floor), dice)
    assert quantiles == pytest.approx([100 * math.exp(0.2 * norm.ppf(p)) for p in (0.05, 0.5, 0.95)], rel=5e-3)


def test_goal_without_doubt_is_the_distance() -> None:
    """Nothing uncertain: the nominal curve must fall by exactly ln(now/target); at or under the target by none."""
    sure, dice, zeros = _view(1e-6), _dice(), np.zeros(COUNT)
    ever = np.ones(COUNT, dtype=bool)
    near = nominal_goal(sure, np.full(COUNT, 99.0), ever, zeros, dice)
    np.testing.assert_allclose(near.ln_now - near.ln_goal, math.log(100 / 99), rtol=0.02)
    there = nominal_goal(sure, np.full(COUNT, 120.0), ever, zeros, dice)
    np.testing.assert_allclose(there.ln_goal, there.ln_now)


def test_goal_spreads_with_uneven_portions_and_distance() -> None:
    """Uneven portions ahead: variance unevenness^2 per e-fold, plus what the bend may wander, growing with the cube;
    a decay found to run 20 % faster than nominal needs less of it."""
    dice, ever = _dice(), np.ones(COUNT, dtype=bool)
    uneven, level = np.full(COUNT, 0.1), np.full(COUNT, 100.0 * math.exp(-4.0))
    plain = nominal_goal(_view(1e-6), level, ever, uneven, dice)
    travel = plain.ln_now - plain.ln_goal
    assert travel.mean() == pytest.approx(4.0, rel=0.01)
    assert travel.std() == pytest.approx(math.sqrt(0.1**2 * 4.0 + BEND_PER_EFOLD**2 * 4.0**3 / 3.0), rel=0.03)
    steeper = nominal_goal(_view(1e-6, bend=0.2), level, ever, uneven, dice)
    assert (steeper.ln_now - steeper.ln_goal).mean() == pytest.approx(4.0 / 1.2, rel=0.01)


@pytest.mark.parametrize(
    ("never", "mid", "high"),
    [(0.0, True, True), (0.04, True, True), (0.2, True, False), (0.8, True, False), (0.95, False, False)],
)
def test_open_end_when_it_may_never_get_there(never: float, mid: bool, high: bool) -> None:
    """More than 5 % chance of never: no upper end. Hardly ever: no median either. The low end always stands."""
    end = np.where(np.arange(COUNT) < never * COUNT, math.inf, 300.0 + np.arange(COUNT))
    found = remaining(end, np.full(COUNT, 1 / COUNT))
    assert (found.mid_ml is not None, found.high_ml is not None) == (mid, high)
    assert 300.0 <= found.low_ml <= 1300.0
    if found.mid_ml is not None:
        assert found.low_ml <= found.mid_ml <= (found.high_ml or math.inf)


def test_the_median_is_of_those_that_get_there_and_the_low_end_of_all() -> None:
    """Of 1000 ends 0 to 599 and 400 times never: the middle of the 600 is 299.5, a twentieth of all is 50."""
    end = np.where(np.arange(1000) < 600, np.arange(1000.0), math.inf)
    found = remaining(end, np.full(1000, 1e-3))
    assert (found.low_ml, found.mid_ml) == (pytest.approx(49.5), pytest.approx(299.5))
    few = remaining(np.where(np.arange(1000) < 101, np.arange(1000.0), math.inf), np.full(1000, 1e-3))
    assert few.mid_ml == pytest.approx(50.0) and few.low_ml <= few.mid_ml


def test_nothing_ever_gets_there() -> None:
    """All hypotheses never: numbers stay absent, not nan."""
    found = remaining(np.full(3, math.inf), np.full(3, 1 / 3))
    assert found.mid_ml is None and found.high_ml is None and math.isfinite(found.low_ml)


def test_dice_are_even() -> None:
    """Stratified: mean 0, spread 1, each throw a permutation of the same values, columns unrelated."""
    dice = _dice()
    for column in (dice.level, dice.bend, dice.ahead):
        assert abs(column.mean()) < 1e-9 and column.std() == pytest.approx(1.0, abs=0.01)
    assert abs(np.corrcoef(dice.level, dice.ahead)[0, 1]) < 0.15
