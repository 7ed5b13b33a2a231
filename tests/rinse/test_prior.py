"""The prior: what the display said of the rinse water bounds the floor; its density is that of its draws."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rinsewatch.rinse.prior import FLOOR, prior_from_setup


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
