"""The prior: what the display said of the rinse water bounds the floor; its density is that of its draws."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from rinsewatch.rinse.prior import EXCHANGE, FLOOR, SLOW, UNUSUAL_BED, UNUSUAL_SHARE, UNUSUAL_SLOW, prior_from_setup


@pytest.mark.parametrize(("water_us_cm", "step_us_cm"), [(0.0, 2.0), (2.0, 2.0), (0.83, 0.01)])
def test_density_is_that_of_the_draws(bench: Any, water_us_cm: float, step_us_cm: float) -> None:
    """Along the floor, whose distribution is made by hand."""
    prior = prior_from_setup(bench.setup(rinse_water_us_cm=water_us_cm, rinse_water_step_us_cm=step_us_cm), step_us_cm)
    drawn = np.sort(prior.draw(40_000, np.random.default_rng(2))[:, FLOOR])
    at = np.linspace(-12.0, 8.0, 4001)
    theta = np.tile(prior.mean, (at.size, 1))
    theta[:, FLOOR] = at
    share = np.cumsum(np.exp(prior.log_density(theta)))
    found = np.searchsorted(drawn, at) / drawn.size
    assert np.abs(share / share[-1] - found).max() < 0.01


def test_a_display_of_0_leaves_the_floor_below_half_a_step_but_for_what_the_bed_adds(bench: Any) -> None:
    """An even share of the step, as the control, has its median at half of it and a tenth below a tenth."""
    setup = bench.setup(rinse_water_us_cm=0.0, rinse_water_step_us_cm=2.0)
    prior = prior_from_setup(setup, 2.0)
    floor = prior.floor_us_cm(prior.draw(40_000, np.random.default_rng(3)))
    assert 0.05 < float(np.mean(floor > 1.0)) < 0.20
    assert float(np.median(floor)) == pytest.approx(0.5, abs=0.15)
    assert float(np.quantile(floor, 0.1)) < 0.3


def test_a_fine_display_knows_the_water_and_little_of_what_is_added(bench: Any) -> None:
    setup = bench.setup(rinse_water_us_cm=0.83, rinse_water_step_us_cm=0.01)
    prior = prior_from_setup(setup, 0.01)
    low, mid, high = np.quantile(prior.floor_us_cm(prior.draw(40_000, np.random.default_rng(4))), (0.05, 0.5, 0.95))
    assert 0.81 < low < 0.84 < mid < 0.90 < high


def _odd_and_usual(prior: Any, slow: Any, exchange: Any) -> tuple[Any, Any]:
    """Densities of the slow liquid and its exchange rate times the shares of unusual and of usual beds (scipy)."""
    at, mean, spread = np.stack([slow, exchange]), prior.mean[[SLOW, EXCHANGE]], prior.spread[[SLOW, EXCHANGE]]
    wide = spread * np.array([UNUSUAL_SLOW, UNUSUAL_BED])
    usual, odd = (stats.norm.pdf(at, mean[:, None], of[:, None]).prod(axis=0) for of in (spread, wide))
    return UNUSUAL_SHARE * odd, (1.0 - UNUSUAL_SHARE) * usual


def test_in_portions_some_beds_have_slow_liquid_unlike_the_usual(bench: Any) -> None:
    """Density and draws against scipy's normals; all usual, the control, is told from it."""
    prior = prior_from_setup(bench.setup(), 1.0)
    rng = np.random.default_rng(5)
    theta = np.tile(prior.mean, (200, 1))
    theta[:, SLOW] += 4.0 * rng.standard_normal(200)
    theta[:, EXCHANGE] += 2.0 * rng.standard_normal(200)
    odd, usual = _odd_and_usual(prior, theta[:, SLOW], theta[:, EXCHANGE])
    ln_density = prior.log_density(theta)
    assert ln_density - ln_density[0] == pytest.approx(np.log((odd + usual) / (odd[0] + usual[0])), abs=1e-9)
    away = (prior.draw(40_000, rng)[:, SLOW] - prior.mean[SLOW]) / prior.spread[SLOW]

    def mixed(z: Any) -> Any:
        return UNUSUAL_SHARE * stats.norm.cdf(z / UNUSUAL_SLOW) + (1.0 - UNUSUAL_SHARE) * stats.norm.cdf(z)

    assert stats.kstest(away, mixed).pvalue > 1e-3
    assert stats.kstest(away, "norm").pvalue < 1e-9


def test_in_flow_all_beds_are_usual_at_first(bench: Any) -> None:
    """And where another explanation is looked for all are not: no mixture of both there."""
    flow = prior_from_setup(bench.setup(flow_ml_min=50.0), 1.0)
    portions = prior_from_setup(bench.setup(), 1.0)
    assert flow.unusual_share == flow.unusual().unusual_share == portions.unusual().unusual_share == 0.0
    assert portions.unusual_share == UNUSUAL_SHARE
