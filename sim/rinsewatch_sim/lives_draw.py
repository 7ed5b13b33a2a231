"""Draws lives for the campaign, and the two of the demonstration. All invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np

from rinsewatch_sim.lives import CAUSES, Habits, Harm, Life, live
from rinsewatch_sim.lives_rinse import Tail


def draw_life(rng: np.random.Generator, cause: str, cycles: int = 18, pace: float = 1.0, scatter: float = 1.0) -> Life:
    """A life of ``cycles`` rounds with this cause, which begins to act in cycle 5 to 11.

    ``pace``: how fast a resin is harmed, against the usual range; ``scatter``: of litres and rinses, likewise.
    """
    habits = _habits(rng)
    litres, rinses = habits.litres_scatter * scatter, habits.rinse_scatter * scatter
    habits = replace(habits, litres_scatter=litres, rinse_scatter=rinses)
    if cause == "healthy":
        return live(rng, habits, Harm(), cycles, cause)
    harm = draw_harm(rng, cause, int(rng.integers(5, 12)))
    growth, loss, swelling = (pace * rate for rate in (harm.slow_growth, harm.loss, harm.swelling))
    return live(rng, habits, replace(harm, slow_growth=growth, loss=loss, swelling=swelling), cycles, cause)


def draw_harm(rng: np.random.Generator, cause: str, onset: int) -> Harm:
    """How fast things go wrong: wide ranges, assumptions throughout. Error: ValueError for an unknown cause."""
    if cause not in CAUSES:
        raise ValueError(f"no such cause: {cause}")
    if cause == "fouling":
        return Harm(cause=cause, onset=onset, slow_growth=rng.uniform(0.25, 0.60), loss=rng.uniform(0.02, 0.06))
    if cause == "oxidation":
        growth, loss, swelling = rng.uniform(0.15, 0.40), rng.uniform(0.03, 0.07), rng.uniform(0.01, 0.025)
        return Harm(cause=cause, onset=onset, slow_growth=growth, loss=loss, swelling=swelling)
    if cause == "feed":
        return Harm(cause=cause, onset=onset, feed_factor=rng.uniform(1.3, 2.0))
    if cause == "better feed":  # a new membrane: nothing is wrong with the resin
        return Harm(cause=cause, onset=onset, feed_factor=rng.uniform(0.4, 0.8))
    if cause == "contamination":
        return Harm(cause=cause, onset=onset, mixed_share=rng.uniform(0.04, 0.12))
    return Harm(cause=cause, onset=onset)


def demo_lives() -> tuple[Life, Life]:
    """Two invented beds of a dozen cycles, always the same: one stays well, one's anion resin fouls from cycle 6."""
    well = Habits(resin_ml=500.0, feed_us_cm=18.0, litres_a_day=35.0, careless=0.0)
    foul = Habits(resin_ml=1000.0, feed_us_cm=22.0, litres_a_day=60.0, careless=0.0, litres_scatter=0.06)
    harm = Harm(cause="fouling", onset=6, slow_growth=0.4, loss=0.05)
    begin = date(2024, 2, 5)
    return (
        live(np.random.default_rng(11), well, Harm(), 12, "demo bed A (invented)", begin),
        live(np.random.default_rng(12), foul, harm, 12, "demo bed B (invented)", begin),
    )


def _habits(rng: np.random.Generator) -> Habits:
    """A household: scatter of 5-10 % in the litres, a feed that wobbles, its own ratio of the two resins."""
    return Habits(
        resin_ml=float(f"{np.exp(rng.uniform(np.log(250.0), np.log(20_000.0))):.2g}"),
        anion_share=rng.uniform(0.55, 0.64),
        feed_us_cm=float(np.exp(rng.uniform(np.log(8.0), np.log(60.0)))),
        feed_wobble=rng.uniform(0.03, 0.12),
        litres_scatter=rng.uniform(0.05, 0.10),
        portion_share=float(rng.choice([0.25, 0.5, 1.0])),
        rinse_scatter=rng.uniform(0.03, 0.07),
        anion_tail=_tail(rng, 0.04, 0.12),
        cation_tail=_tail(rng, 0.03, 0.09),
        ageing=rng.uniform(0.0, 0.004),
    )


def _tail(rng: np.random.Generator, low: float, high: float) -> Tail:
    return Tail(rng.uniform(low, high), rng.uniform(1.6, 2.4), rng.uniform(0.2, 0.8))
