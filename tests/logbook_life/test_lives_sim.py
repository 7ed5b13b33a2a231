"""The simulated lives keep their own laws, and the same seed gives the same life."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from math import log

import numpy as np
import pytest

from rinsewatch_sim.lives import CAUSES, Habits, Harm, live, true_capacity_eq
from rinsewatch_sim.lives_draw import demo_lives, draw_harm, draw_life
from rinsewatch_sim.lives_rinse import Tail, endpoint_share, filtrate_us_cm

CLEAN = Habits(litres_scatter=0.0, feed_wobble=0.0, rinse_scatter=0.0, careless=0.0, ageing=0.0)


def test_without_slow_liquid_a_rinse_is_one_exponential() -> None:
    tail = Tail(1e-12, 2.0, 0.5)
    assert endpoint_share(tail, 4e5, 20.0) == pytest.approx(0.45 * log(4e5 / 20.0), rel=1e-6)


def test_more_slow_liquid_means_a_longer_rinse() -> None:
    tail = Tail(0.07, 2.0, 0.5)
    grown = [endpoint_share(tail.slower(factor), 4e5, 20.0) for factor in (1.0, 1.5, 2.0, 3.0)]
    assert grown == sorted(grown) and grown[-1] > 1.2 * grown[0]
    assert filtrate_us_cm(tail, 4e5, 0.0) == pytest.approx(4e5)


def test_the_weaker_resin_decides() -> None:
    fouled = Harm(cause="fouling", onset=1, loss=0.05)
    first, later = (true_capacity_eq(CLEAN, fouled, n) for n in (1, 5))
    assert later < first < true_capacity_eq(CLEAN, Harm(), 1)
    spare = replace(CLEAN, anion_share=0.5)  # the cation resin has equivalents to spare, so its loss is not felt yet
    harmed = true_capacity_eq(spare, Harm(cause="oxidation", onset=1, loss=0.05), 1)
    assert harmed == true_capacity_eq(spare, Harm(), 1)


def test_litres_are_the_equivalents_over_the_load() -> None:
    cycle = live(np.random.default_rng(1), CLEAN, Harm(), 1).cycles[0]
    load_eq_l = 20.0 / 1000.0 / 119.0 + 2.5e-5
    assert cycle.litres * load_eq_l == pytest.approx(true_capacity_eq(CLEAN, Harm(), 1), rel=1e-3)


def test_worse_feed_takes_litres_and_leaves_the_capacity() -> None:
    lived = live(np.random.default_rng(1), CLEAN, Harm(cause="feed", onset=4, feed_factor=2.0), 6)
    assert lived.cycles[5].litres < 0.6 * lived.cycles[0].litres
    assert lived.cycles[5].true_eq == pytest.approx(lived.cycles[0].true_eq)


@pytest.mark.parametrize("cause", CAUSES)
def test_a_seed_is_a_life(cause: str) -> None:
    one, two = (draw_life(np.random.default_rng(3), cause, 12) for _ in range(2))
    assert one == two and one != draw_life(np.random.default_rng(4), cause, 12)
    days = [day for c in one.cycles for day in (c.regenerated, c.installed, c.removed)]
    assert days == sorted(days)


def test_unknown_causes_are_refused() -> None:
    with pytest.raises(ValueError, match="no such cause"):
        draw_harm(np.random.default_rng(1), "moths", 3)


def test_the_demonstration_is_two_beds_of_a_dozen_cycles_in_the_past_and_says_it_is_invented() -> None:
    lives = demo_lives()
    assert lives == demo_lives()
    assert [len(one.cycles) for one in lives] == [12, 12]
    assert all("invented" in one.name for one in lives)
    assert max(one.cycles[-1].removed for one in lives) < date(2026, 1, 1)
    assert [one.harm.cause for one in lives] == ["healthy", "fouling"]
