"""The washout itself, against published worked values, closed forms, an integrator and brute force."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy.integrate import solve_ivp

from rinsewatch.rinse.beds import BedState, PortionBed, Pour
from tests.rinse.columns import theta_of

Array = npt.NDArray[np.float64]


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
    bed, theta = PortionBed(1.0), theta_of(entrained_ml, slow=0.0)
    level = bed.level(theta, _poured(bed, theta, portion_ml, count), portion_ml, 0.0)
    assert math.exp(level[0]) == pytest.approx(left, rel=2e-5)


@pytest.mark.parametrize("seconds", [0.0, 7.0, 200.0, 880.0])
@pytest.mark.parametrize("standing_ml", [0.0, 250.0])
def test_exchange_keeps_mass_and_agrees_with_an_integrator(seconds: float, standing_ml: float) -> None:
    """Whatever leaves the slow liquid is in the mobile liquid (which a standing portion makes larger); the closed
    form agrees with scipy's Runge-Kutta on Vm dm/dt = k Vs (s - m), Vs ds/dt = -k Vs (s - m)."""
    bed, theta = PortionBed(500.0), theta_of(0.45, 0.12, 4e-3)
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
    bed, theta = PortionBed(500.0), theta_of(0.45, 0.12, 4e-3)
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
    bed, theta = PortionBed(500.0), np.vstack([theta_of(), theta_of(0.3, 0.3, 1e-3), theta_of(0.6, 0.02, 2e-2)])
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
    bed, theta = PortionBed(500.0), np.vstack([theta_of(), theta_of(0.3, 0.3, 1e-3), theta_of(0.6, 0.02, 2e-2)])
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
    bed, theta = PortionBed(500.0), theta_of(slow=0.0)
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
