"""The washout itself, against published worked values, closed forms, an integrator and brute force."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.stats import poisson

from rinsewatch.rinse.beds import BedState, FlowBed, PortionBed, Pour
from rinsewatch.rinse.prior import CELLS, ENTRAINED, EXCHANGE, SLOW, START

Array = npt.NDArray[np.float64]
NO_SLOW = -60.0


def _theta(
    entrained: float = 0.45, slow: float = 0.1, rate_s: float = 3e-3, cells: float = 4.0, start: float = 1.0
) -> Array:
    theta = np.zeros((1, 8))
    theta[0, ENTRAINED], theta[0, SLOW] = math.log(entrained), math.log(slow) if slow else NO_SLOW
    theta[0, EXCHANGE], theta[0, CELLS], theta[0, START] = math.log(rate_s), math.log(cells), math.log(start)
    return theta


def _poured(bed: PortionBed, theta: Array, volume_ml: float, count: int, gap_s: float = 0.0) -> BedState:
    state, before = bed.start(theta), 0.0
    for n in range(count):
        state, before = bed.pour(theta, state, Pour(volume_ml, n * gap_s, gap_s), before), volume_ml
    return state


@pytest.mark.parametrize(
    ("entrained_ml", "portion_ml", "count", "left"),
    [(1.0, 1.0, 5, 0.03125), (100.0, 900.0, 3, 1.0e-3), (1.0, 20.0, 1, 0.047619), (1.0, 4.0, 5, 3.2e-4)],
)
def test_batch_washout_worked_values(entrained_ml: float, portion_ml: float, count: int, left: float) -> None:
    """C_n = C_0 (Ve/(Ve+V))^n, the law of repeated washing or extraction; the third and fourth rows are the
    textbook comparison of one 20 mL wash with five of 4 mL (as Harris, Quantitative Chemical Analysis, from memory)."""
    bed, theta = PortionBed(1.0), _theta(entrained_ml, slow=0.0)
    level = bed.level(theta, _poured(bed, theta, portion_ml, count), portion_ml, 0.0)
    assert math.exp(level[0]) == pytest.approx(left, rel=2e-5)


@pytest.mark.parametrize(
    ("cells", "share"),
    [(1, (0.606531, 0.367879, 0.135335, 0.0497871)), (3, (0.808847, 0.423190, 0.0619688, 0.0062322)),
     (5, (0.891178, 0.440493, 0.0292527, 8.56641e-4)), (10, (0.968172, 0.457930, 0.00499541, 7.12175e-6))],
)  # fmt: skip
def test_tanks_in_series_table(cells: int, share: tuple[float, ...]) -> None:
    """Step washout of N equal mixed tanks (Levenspiel, Chemical Reaction Engineering, tanks-in-series model):
    W = sum over i < N of (N th)^i e^-(N th) / i!, a Poisson sum, at theta 0.5, 1, 2, 3."""
    bed, theta = FlowBed(1000.0, 1.0), _theta(0.5, slow=0.0, cells=cells)
    for at, expected in zip((0.5, 1.0, 2.0, 3.0), share, strict=True):
        left = math.exp(bed.level(theta, bed.start(theta), 500.0 * at)[0])
        assert left == pytest.approx(expected, rel=1e-5)
        assert left == pytest.approx(poisson.cdf(cells - 1, cells * at), rel=1e-9)


def test_mean_and_variance_of_a_tracer_curve() -> None:
    """Levenspiel's example 11.1: mean 15 min, variance 47.5 min2, so 4.737 tanks; a washout with that many has
    the area (= mean) and the second moment of that tracer curve."""
    mean, variance = 15.0, 47.5
    bed, theta = FlowBed(1.0, 1.0), _theta(mean, slow=0.0, cells=mean**2 / variance)
    state = bed.start(theta)

    def left(volume: float) -> float:
        return math.exp(bed.level(theta, state, volume)[0])

    assert quad(left, 0.0, 200.0)[0] == pytest.approx(mean, rel=1e-4)
    assert 2.0 * quad(lambda v: v * left(v), 0.0, 200.0)[0] - mean**2 == pytest.approx(variance, rel=1e-3)


@pytest.mark.parametrize("seconds", [0.0, 7.0, 200.0, 880.0])
@pytest.mark.parametrize("standing_ml", [0.0, 250.0])
def test_exchange_keeps_mass_and_agrees_with_an_integrator(seconds: float, standing_ml: float) -> None:
    """Whatever leaves the slow liquid is in the mobile liquid (which a standing portion makes larger); the closed
    form agrees with scipy's Runge-Kutta on Vm dm/dt = k Vs (s - m), Vs ds/dt = -k Vs (s - m)."""
    bed, theta = PortionBed(500.0), _theta(0.45, 0.12, 4e-3)
    mobile_ml, slow_ml = 225.0 + standing_ml, 27.0
    start = BedState(np.array([0.01]), np.array([0.6]), 0.0, 0.0)
    # A next portion of nothing: only the rest before it shows.
    after = bed.pour(theta, start, Pour(1e-12, 0.0, seconds), standing_ml)
    before, now = 0.01 * mobile_ml + 0.6 * slow_ml, float(after.mobile[0] * mobile_ml + after.slow[0] * slow_ml)
    assert now == pytest.approx(before, rel=1e-9)

    def rates(_: float, y: Array) -> list[float]:
        flux = 4e-3 * (y[1] - y[0])
        return [flux * slow_ml / mobile_ml, -flux]

    outside = solve_ivp(rates, (0.0, seconds), [0.01, 0.6], rtol=1e-9, atol=1e-12).y[:, -1]
    assert [after.mobile[0], after.slow[0]] == pytest.approx(list(outside), rel=1e-6)
    level = bed.level(theta, start, standing_ml, seconds)
    assert math.exp(level[0]) == pytest.approx(outside[0], rel=1e-6)


def test_rest_after_draining_leaks_into_the_drained_bed_only() -> None:
    """A night's rest meets the little liquid left on the drained resin, so it ends stronger than in a full portion
    and weaker than the slow liquid was; nothing is lost or made on the way to the end."""
    bed, theta = PortionBed(500.0), _theta(0.45, 0.12, 4e-3)
    start = BedState(np.array([0.01]), np.array([0.6]), 0.0, 0.0)
    short = math.exp(bed.level(theta, start, 250.0, 900.0)[0])
    long = math.exp(bed.level(theta, start, 250.0, 40_000.0)[0])
    assert 0.01 < short < long < 0.6
    # The drained bed holds what it held after the 15 min with the portion on it, and evens out.
    drained = bed.pour(theta, start, Pour(1e-12, 0.0, 900.0), 250.0)
    even = float(drained.mobile[0] * 225.0 + drained.slow[0] * 27.0) / 252.0
    assert long == pytest.approx(even, rel=1e-6)


@pytest.mark.parametrize("count", [1, 2, 3, 8, 37])
def test_bundled_pours_equal_single_pours(count: int) -> None:
    """``count`` equal portions at once are the same portions one by one."""
    bed, theta = PortionBed(500.0), np.vstack([_theta(), _theta(0.3, 0.3, 1e-3), _theta(0.6, 0.02, 2e-2)])
    start = bed.pour(theta, bed.start(theta), Pour(250.0, 0.0, 0.0), 0.0)
    single = start
    for n in range(count):
        single = bed.pour(theta, single, Pour(250.0, 100.0 * n, 100.0), 250.0)
    bundled = bed.pour(theta, start, Pour(250.0, 100.0 * count, 100.0, count), 250.0)
    np.testing.assert_allclose(bundled.mobile, single.mobile, rtol=1e-9)
    np.testing.assert_allclose(bundled.slow, single.slow, rtol=1e-9)
    assert bundled.volume_ml == pytest.approx(single.volume_ml)


def test_ladder_is_pouring_on() -> None:
    """The sum of two exponentials gives the level after each further portion as pouring them one by one does."""
    bed, theta = PortionBed(500.0), np.vstack([_theta(), _theta(0.3, 0.3, 1e-3), _theta(0.6, 0.02, 2e-2)])
    state = bed.pour(theta, bed.start(theta), Pour(250.0, 0.0, 0.0), 0.0)
    ladder = bed.ladder(theta, state, 250.0, 120.0, 120.0, 84.0)
    levels = []
    for n in range(1, 31):
        state = bed.pour(theta, state, Pour(250.0, 120.0 * n, 120.0), 250.0)
        levels.append(bed.level(theta, state, 250.0, 84.0))
        np.testing.assert_allclose(ladder.log_level(np.full(3, float(n))), levels[-1], atol=1e-6)
    ln_now = levels[0] + 1.0
    for n in (2, 7, 29):
        np.testing.assert_allclose(ladder.crossing(ln_now, levels[n - 1], 400.0), n, atol=2e-4)


def test_ladder_crossing_at_its_ends() -> None:
    """0 where the target is met, part of a portion within the first, inf where it takes more than ``most``."""
    bed, theta = PortionBed(500.0), _theta(slow=0.0)
    state = _poured(bed, theta, 250.0, 1)
    ladder = bed.ladder(theta, state, 250.0, 120.0, 120.0, 84.0)
    now = bed.level(theta, state, 250.0, 84.0)
    first = ladder.log_level(np.ones(1))
    assert ladder.crossing(now, now + 0.01, 100.0)[0] == 0.0
    assert ladder.crossing(now, 0.5 * (now + first), 100.0)[0] == pytest.approx(0.5)
    assert math.isinf(ladder.crossing(now, now - 40.0, 10.0)[0])
    # Against the closed form for mobile liquid alone: ln D = n ln(1 + V/Ve).
    assert ladder.crossing(now, now - math.log(1e4), 400.0)[0] == pytest.approx(
        math.log(1e4) / math.log(1 + 250 / 225), abs=1e-3
    )


def test_flow_crossing_is_where_the_curve_crosses() -> None:
    """Found on the curve itself: the level at the crossing is the goal; a fine walk along the curve agrees."""
    bed, theta = FlowBed(500.0, 2.0), np.vstack([_theta(), _theta(0.3, 0.3, 1e-3, 1.0), _theta(0.6, 0.02, 2e-2, 9.0)])
    state = bed.start(theta)
    for drop in (0.5, 3.0, 8.0):
        goal = bed.level(theta, state, 120.0) - drop
        found = bed.crossing(theta, state, 120.0, goal, 75_000.0)
        np.testing.assert_allclose(bed.level(theta, state, 120.0 + found), goal, atol=1e-4)
        walk = np.arange(0.0, 20_000.0, 2.0)
        below = bed.levels(theta, state, 120.0 + walk) <= goal[:, None]
        assert below.any(axis=1).all()
        np.testing.assert_allclose(found, walk[below.argmax(axis=1)], atol=2.1)
    assert (bed.crossing(theta, state, 120.0, bed.level(theta, state, 120.0) + 0.1, 1e4) == 0.0).all()
    assert np.isinf(bed.crossing(theta, state, 120.0, bed.level(theta, state, 120.0) - 8.0, 100.0)).all()


def test_flow_levels_at_many_volumes_are_those_at_each() -> None:
    """Two ways to ask for the same numbers."""
    bed, theta = FlowBed(500.0, 2.0), np.vstack([_theta(), _theta(0.3, 0.3, 1e-3, 1.0)])
    state, volumes = bed.start(theta), np.array([0.0, 10.0, 400.0, 6000.0])
    table = bed.levels(theta, state, volumes)
    for column, volume in enumerate(volumes):
        np.testing.assert_allclose(table[:, column], bed.level(theta, state, float(volume)), rtol=1e-12)


@pytest.mark.parametrize("rate_s", [1e-3, 1e-2, 0.3])
def test_flow_tail_carries_out_the_slow_liquid_whole(rate_s: float) -> None:
    """All that was in the slow liquid leaves through the tail: its area is the slow volume at full strength.

    The tail alone is what remains when the mobile liquid has left ten times over (slow pocket 90 mL).
    """
    bed, theta = FlowBed(500.0, 2.0), _theta(0.45, 0.4, rate_s, cells=30.0)
    state = bed.start(theta)

    def curve(volume: float) -> float:
        return math.exp(bed.level(theta, state, volume)[0])

    far = 225.0 * 10
    slope = math.log(curve(far) / curve(far + 500.0)) / 500.0
    tail_at_start = curve(far) * math.exp(slope * far)
    assert tail_at_start / slope == pytest.approx(0.4 * 225.0, rel=1e-4)
    # Faster exchange than flow: tail and front are one, volume constant no less than the slow volume itself.
    assert 1.0 / slope >= 0.4 * 225.0


def test_rest_in_flow_keeps_mass_and_refills_the_mobile_liquid() -> None:
    """After a stop of the flow the filtrate starts higher, from what the slow liquid lost."""
    bed, theta = FlowBed(500.0, 2.0), _theta(0.45, 0.2, 2e-3)
    state, at = bed.start(theta), 2500.0
    before = bed.level(theta, state, at)[0]
    rested = bed.rest(theta, state, at, 3600.0)
    short = bed.rest(theta, state, at, 60.0)
    tail_ml = 45.0 / (2e-3 * 45.0 / (2.0 + 2e-3 * 45.0))
    slow_before = math.exp(-at / tail_ml)
    assert rested.slow[0] < short.slow[0] < slow_before
    assert bed.level(theta, rested, at)[0] > bed.level(theta, short, at)[0] > before
    gained = 225.0 * (math.exp(bed.level(theta, rested, at)[0]) - math.exp(before))
    assert gained == pytest.approx(45.0 * (slow_before - rested.slow[0]), rel=1e-6)
