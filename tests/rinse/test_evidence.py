"""What one reading teaches: against scipy's truncated normal, a plain Kalman filter and numerical integration."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import norm, truncnorm

from rinsewatch.rinse.evidence import BEND_PER_EFOLD, FALSE_SHARE, Corrections, Observation, _truncated, weigh
from rinsewatch.rinse.setup import Residue
from rinsewatch.rinse.traces import Water

Array = npt.NDArray[np.float64]


def _water(count: int, floor_us_cm: float = 1e-9) -> Water:
    floor = np.full(count, floor_us_cm)
    return Water(Residue.SALT, floor, floor, np.zeros(count))


def _corrections(count: int, spread: float, offset: float = 0.0) -> Corrections:
    zeros = np.zeros(count)
    return Corrections(zeros + offset, zeros, zeros + spread**2, zeros, zeros)


def _around(us_cm: float, noise: float, width: float = 1e-4) -> Observation:
    return Observation(us_cm * math.exp(-width / 2), us_cm * math.exp(width / 2), noise)


@pytest.mark.parametrize(
    ("low", "high"),
    [(-1.0, 2.0), (0.3, 0.5), (-0.01, 0.01), (1.0, 30.0), (-30.0, -1.0), (-30.0, 30.0), (4.0, 4.5), (-9.0, -8.0),
     (7.9, 30.0), (-30.0, 0.0), (0.0, 0.4), (12.0, 13.0)],
)  # fmt: skip
def test_truncated_normal(low: float, high: float) -> None:
    """Log mass, mean and variance of a cut standard normal, both tails, as scipy.stats.truncnorm gives them."""
    ln_mass, mean, variance = (float(v[0]) for v in _truncated(np.array([low]), np.array([high])))
    outside = truncnorm(low, high)
    upper = low > 0
    tail = norm.logsf if upper else norm.logcdf
    near, far = (tail(low), tail(high)) if upper else (tail(high), tail(low))
    assert ln_mass == pytest.approx(near + math.log1p(-math.exp(far - near)), rel=1e-6, abs=1e-9)
    assert mean == pytest.approx(outside.mean(), rel=1e-5, abs=1e-9)
    assert variance == pytest.approx(outside.var(), rel=2e-3, abs=1e-5)


def test_sharp_readings_are_a_kalman_filter() -> None:
    """Twenty sharp readings far above the floor: offset, bend and covariance follow a plain two-state Kalman
    filter, F = [[1, d], [0, 1]], H = [1, 0], written out in numpy; 2 % of false readings shift it by under 1 %."""
    rng = np.random.default_rng(3)
    mean, cov = np.zeros(2), np.diag([1e-4, 0.0])
    ours, noise, uneven, ln_level = Corrections.fresh(1), 0.03, 0.05, 11.0
    for _ in range(20):
        change = -float(rng.uniform(0.2, 0.6))
        ln_level += change
        value = ln_level + 0.03 * float(rng.standard_normal())
        ours = ours.advance(np.array([change]), np.array([uneven]))
        _, ours = weigh(_around(math.exp(value), noise), np.array([ln_level]), _water(1), ours)
        step = np.array([[1.0, change], [0.0, 1.0]])
        mean = step @ mean
        cov = step @ cov @ step.T + np.diag([uneven**2, BEND_PER_EFOLD**2]) * abs(change)
        gain = cov[:, 0] / (cov[0, 0] + noise**2 + 1e-4**2 / 12)
        mean, cov = mean + gain * (value - ln_level - mean[0]), cov - np.outer(gain, cov[0])
    spread = np.sqrt(np.diag(cov))
    assert ours.offset[0] == pytest.approx(mean[0], abs=0.05 * spread[0])
    assert ours.bend[0] == pytest.approx(mean[1], abs=0.05 * spread[1])
    assert [ours.var_offset[0], ours.cov[0], ours.var_bend[0]] == pytest.approx(
        [cov[0, 0], cov[0, 1], cov[1, 1]], rel=0.02
    )


def test_sudden_change_opens_the_offset_once() -> None:
    """A marked jump adds its own variance to the level and nothing to the bend."""
    before = Corrections.fresh(1)
    after = before.advance(np.array([-0.5]), np.array([0.05]), jump=2.0)
    calm = before.advance(np.array([-0.5]), np.array([0.05]))
    assert after.var_offset[0] - calm.var_offset[0] == pytest.approx(4.0)
    assert after.var_bend[0] == calm.var_bend[0]


def _by_integration(seen: Observation, ln_level: float, spread: float, noise: float) -> tuple[float, float, float]:
    """Log likelihood and posterior moments of the offset on a fine grid; no false readings, no floor."""
    grid = np.linspace(-12.0 * spread, 12.0 * spread, 40_001)
    prior = norm.pdf(grid, 0.0, spread)
    ln_low = math.log(seen.low) if seen.low > 0 else -math.inf
    ln_high = math.log(seen.high)
    fit = norm.cdf((ln_high - ln_level - grid) / noise) - norm.cdf((ln_low - ln_level - grid) / noise)
    mass = float(np.trapezoid(prior * fit, grid))
    mean = float(np.trapezoid(grid * prior * fit, grid)) / mass
    return math.log(mass), mean, float(np.trapezoid((grid - mean) ** 2 * prior * fit, grid)) / mass


@pytest.mark.parametrize(
    ("low", "high"),
    [(90.0, 110.0), (95.0, 96.0), (60.0, 90.0), (120.0, math.inf), (80.0, math.inf), (0.0, 85.0), (0.0, 130.0)],
)
def test_coarse_over_and_zero_readings_are_integrated(low: float, high: float) -> None:
    """A display step, over range and a zero teach what integrating a normal over their interval gives. A small
    share is granted to a false reading; by that share the offset learns less."""
    seen, spread = Observation(low, high, 0.03), 0.2
    ln_fit, after = weigh(seen, np.array([math.log(100.0)]), _water(1), _corrections(1, spread))
    ln_mass, mean, variance = _by_integration(seen, math.log(100.0), spread, 0.03)
    assert 0.975 * math.exp(ln_mass) < math.exp(ln_fit[0]) < math.exp(ln_mass) + 0.021
    belief = (1.0 - FALSE_SHARE) * math.exp(ln_mass - ln_fit[0])
    assert after.offset[0] == pytest.approx(belief * mean, abs=0.005 * spread)
    assert after.var_offset[0] == pytest.approx(belief * variance + (1.0 - belief) * spread**2, rel=0.02)


def test_no_seam_between_sharp_and_coarse() -> None:
    """Where the display step grows past the noise the two ways to reckon agree."""
    at = np.array([math.log(100.0)])
    answers = []
    for width in (0.0175, 0.0185):
        ln_fit, after = weigh(_around(103.0, 0.03, width), at, _water(1), _corrections(1, 0.1))
        answers.append((ln_fit[0] - math.log(width), after.offset[0], after.var_offset[0]))
    assert answers[0] == pytest.approx(answers[1], rel=0.01)


def test_more_than_the_top_forbids_less_and_teaches_nothing_of_more() -> None:
    """Over range: a hypothesis far below loses its weight, those far above keep all of it and learn nothing."""
    levels = np.log(np.array([20.0, 900.0, 5000.0, 5e5]))
    ln_fit, after = weigh(Observation(1000.0, math.inf, 0.02), levels, _water(4), _corrections(4, 0.05))
    assert ln_fit[0] < -3.0 and ln_fit[1] > ln_fit[0]
    assert ln_fit[2] == pytest.approx(ln_fit[3], abs=1e-6) and ln_fit[3] == pytest.approx(0.0, abs=0.03)
    assert after.offset[1] > 0.0 and after.offset[3] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("factor", [1e-3, 30.0, 1e3])
def test_false_reading_hardly_moves_anything(factor: float) -> None:
    """A bubble or splash that slips through: the belief stays, and no hypothesis is ruled out by it."""
    levels = np.log(np.array([100.0, 120.0]))
    ln_fit, after = weigh(_around(100.0 * factor, 0.03), levels, _water(2), _corrections(2, 0.05))
    np.testing.assert_allclose(after.offset, 0.0, atol=1e-3)
    np.testing.assert_allclose(after.var_offset, 0.0025, rtol=1e-3)
    assert abs(ln_fit[0] - ln_fit[1]) < 0.01
    true_fit, _ = weigh(_around(100.0, 0.03), levels, _water(2), _corrections(2, 0.05))
    assert true_fit[0] > ln_fit[0] + 3.0


def test_near_the_floor_a_reading_says_little_of_the_residue() -> None:
    """With residue at a hundredth of the floor a 3 % reading cannot tell: the offset keeps its spread."""
    water = _water(1, 10.0)
    _, after = weigh(_around(10.1, 0.03), np.log(np.array([0.1])), water, _corrections(1, 0.3))
    assert after.var_offset[0] == pytest.approx(0.09, rel=0.02)
    _, far = weigh(_around(1010.0, 0.03), np.log(np.array([1000.0])), water, _corrections(1, 0.3))
    assert far.var_offset[0] == pytest.approx(0.03**2, rel=0.05, abs=0.003 * 0.09)


def test_hypothesis_near_the_reading_wins() -> None:
    """Likelihood falls with the distance, on both sides."""
    levels = np.log(np.array([80.0, 95.0, 100.0, 105.0, 125.0]))
    ln_fit, _ = weigh(_around(100.0, 0.03), levels, _water(5), _corrections(5, 0.02))
    assert ln_fit.argmax() == 2
    assert ln_fit[1] > ln_fit[0] and ln_fit[3] > ln_fit[4]
