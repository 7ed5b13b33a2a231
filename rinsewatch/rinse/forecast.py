"""From the belief to answers: filtrate now, water still to pour, chances.

Sampling uses the same standard normals throughout a rinse (one per hypothesis and purpose), so the answers
move with the evidence and not with the dice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtr, ndtri

from rinsewatch.rinse.population import View
from rinsewatch.rinse.prior import LN_MOST, Array, Flags
from rinsewatch.rinse.state import Interval, Remaining
from rinsewatch.rinse.traces import Water

FIVE: Final = (0.05, 0.5, 0.95)
LIKELY_NEVER: Final = 0.9
MAY_NEVER: Final = 0.05
UNREACHED: Final = 1e-8  # uS/cm of residue; see ``Water.level``


@dataclass(frozen=True, slots=True)
class Dice:
    """Fixed standard normals, each stratified, shape (members,): level, bend, what is still to come."""

    level: Array
    bend: Array
    ahead: Array

    @classmethod
    def throw(cls, members: int, rng: np.random.Generator) -> Dice:
        """Evenly spread normals in random order."""
        even = ndtri((np.arange(members) + 0.5) / members)
        return cls(rng.permutation(even), rng.permutation(even), rng.permutation(even))


def weighted_quantiles(values: Array, weights: Array, at: tuple[float, ...]) -> list[float]:
    """Quantiles of weighted values (inf allowed), interpolated between neighbours."""
    order = np.argsort(values)
    ranked, ordered = values[order], weights[order]
    cumulative = np.cumsum(ordered)
    middle, total = cumulative - 0.5 * ordered, float(cumulative[-1])
    out = []
    for share in at:
        i = int(middle.searchsorted(share * total))
        low, high = max(i - 1, 0), min(i, ranked.size - 1)
        begin, width = float(middle[low]), float(middle[high] - middle[low])
        if not math.isfinite(ranked[high]) or width <= 0.0:
            out.append(float(ranked[high]))
        else:
            part = min(max((share * total - begin) / width, 0.0), 1.0)
            out.append(float(ranked[low] + part * (ranked[high] - ranked[low])))
    return out


def sampled_ln_level(view: View, dice: Dice) -> Array:
    """One draw of the log level above the floor per hypothesis."""
    c = view.corrections
    out: Array = np.minimum(view.ln_level + c.offset + np.sqrt(c.var_offset) * dice.level, LN_MOST)
    return out


def filtrate(view: View, water: Water, dice: Dice, at: tuple[float, ...] = FIVE) -> list[float]:
    """Quantiles of the true filtrate now, linear uS/cm."""
    return weighted_quantiles(water.reading(np.exp(sampled_ln_level(view, dice))), view.weights, at)


def chance_below(view: View, level: Array) -> float:
    """Probability that the residue is at or below a level, each hypothesis' own (see ``Water.level``)."""
    spread = np.sqrt(view.corrections.var_offset)
    below = ndtr((np.log(level) - view.ln_level - view.corrections.offset) / spread)
    # Next to nothing stands for "never": what decays for ever must not pass it after all.
    return float(np.dot(view.weights, np.where(level > UNREACHED, below, 0.0)))


@dataclass(frozen=True, slots=True)
class Goal:
    """Where each hypothesis must get on its nominal curve, from where, and which can never."""

    ln_now: Array
    ln_goal: Array
    reachable: Flags


def nominal_goal(view: View, level: Array, reachable: Flags, uneven: Array, dice: Dice) -> Goal:
    """Translate the target into each hypothesis' nominal log level, with what is still uncertain drawn.

    Ahead lie uneven portions (variance per e-fold) and the wander of the bend (integrated: D**3 / 3).
    """
    c = view.corrections
    distance = sampled_ln_level(view, dice) - np.log(level)
    steps = np.maximum(distance, 0.0)
    shift = np.sqrt(uneven**2 * steps + c.wander**2 * steps**3 / 3.0) * dice.ahead
    told = c.cov / np.sqrt(c.var_offset)
    bend = c.bend + told * dice.level + np.sqrt(np.maximum(c.var_bend - told * told, 0.0)) * dice.bend
    travel = np.where(distance > 0, np.maximum(distance + shift, 0.02 * distance) / np.clip(1.0 + bend, 0.4, 2.5), 0.0)
    return Goal(view.ln_level, view.ln_level - travel, reachable)


def remaining(end_ml: Array, weights: Array) -> Remaining:
    """5 %, median and 95 % of the rinse volume at the endpoint; inf in ``end_ml`` means never.

    The median is that of the cases that get there, as the chance of never stands beside it. In the two ends "never"
    counts as later than all: it moves the low end up and opens the high one. Where hardly any case gets there, there
    is no median.
    """
    ever = np.isfinite(end_ml)
    share = float(np.dot(weights, ever))
    if share < 1.0 - LIKELY_NEVER:
        return Remaining(float(end_ml[ever].min()) if ever.any() else 0.0, None, None)
    least, middle, most = FIVE
    low, mid, high = weighted_quantiles(end_ml[ever], weights[ever], (min(least / share, middle), middle, most))
    return Remaining(low, mid, high if share > 1.0 - MAY_NEVER else None)


def interval(values: list[float]) -> Interval:
    """Three quantiles as an Interval."""
    return Interval(values[0], values[1], values[2])
