"""How well a reading fits each hypothesis, and what it teaches it.

Each hypothesis carries two slowly wandering corrections to its nominal curve, both Gaussian: ``offset``
(how far the log level lies off, fed by uneven portions and bypass) and ``bend`` (by what fraction the
decay per e-fold differs, fed by beads that do not leak at one rate). They are filtered exactly
(two-state Kalman filter); the parameters themselves are left to the population.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import log_ndtr

from rinsewatch.rinse.prior import LN_MOST, Array, Flags, Index
from rinsewatch.rinse.traces import Water

FALSE_SHARE: Final = 0.02  # share of settled readings that mean nothing (bubble, splash not caught earlier)
FALSE_LOG_WIDTH: Final = 10.0  # a false reading may lie anywhere in about so many e-folds
BEND_PER_EFOLD: Final = 0.033  # wander of the bend per root e-fold
_FAR: Final = 30.0  # stands for infinity, in spreads and in e-folds
LEVEL_NOISE_FLOOR_US_CM: Final = 0.01  # no cheap cell is quieter than this near pure water


@dataclass(frozen=True, slots=True)
class Observation:
    """One settled fact: the linear conductivity lies between ``low`` and ``high`` (uS/cm), blurred by ``noise``.

    ``noise`` is relative (log). ``high`` is inf for over range, ``low`` 0 for a zero.
    ``jump``: log spread of a sudden change just before it (fresh regenerant; 0 usually).
    ``serial`` numbers the facts of a rinse in order; the course gives it.
    """

    low: float
    high: float
    noise: float
    jump: float = 0.0
    serial: int = 0


@dataclass(slots=True)
class Corrections:
    """Means and covariances of offset and bend, shapes (count,)."""

    offset: Array
    bend: Array
    var_offset: Array
    cov: Array
    var_bend: Array
    wander: float = BEND_PER_EFOLD

    @classmethod
    def fresh(cls, count: int, wander: float = BEND_PER_EFOLD) -> Corrections:
        """Before the first portion the nominal curve holds; ``wander`` of the bend per root e-fold."""
        zeros = np.zeros(count)
        return cls(zeros, zeros, zeros + 1e-4, zeros, zeros, wander)

    def take(self, index: Index) -> Corrections:
        """The corrections of the chosen hypotheses."""
        return Corrections(
            self.offset[index],
            self.bend[index],
            self.var_offset[index],
            self.cov[index],
            self.var_bend[index],
            self.wander,
        )

    def where(self, taken: Flags, new: Corrections) -> Corrections:
        """``new`` where taken, these elsewhere."""
        return Corrections(
            np.where(taken, new.offset, self.offset),
            np.where(taken, new.bend, self.bend),
            np.where(taken, new.var_offset, self.var_offset),
            np.where(taken, new.cov, self.cov),
            np.where(taken, new.var_bend, self.var_bend),
            self.wander,
        )

    def advance(self, change: Array, uneven: Array, jump: float = 0.0) -> Corrections:
        """Predict over a nominal change of the log level (negative: a decay)."""
        size = np.abs(change)
        return Corrections(
            self.offset + self.bend * change,
            self.bend,
            self.var_offset + 2.0 * change * self.cov + change * change * self.var_bend + uneven**2 * size + jump**2,
            self.cov + change * self.var_bend,
            self.var_bend + self.wander**2 * size,
            self.wander,
        )


def false_share(seen: Observation) -> float:
    """Share of such readings that mean nothing; where a jump is allowed for, what jumped is not to be doubted too."""
    return FALSE_SHARE / (1.0 + 100.0 * seen.jump)


def ln_false(seen: Observation) -> float:
    """Log likelihood of a reading taken for a false one: it may lie anywhere in some e-folds."""
    if seen.low <= 0.0 or math.isinf(seen.high):
        return math.log(false_share(seen))
    return math.log(false_share(seen)) + min(math.log(math.log(seen.high / seen.low) / FALSE_LOG_WIDTH), 0.0)


def weigh(seen: Observation, ln_level: Array, water: Water, prior: Corrections) -> tuple[Array, Corrections]:
    """Log likelihood of each hypothesis, and its corrections after the reading; shapes (count,)."""
    level = np.exp(np.minimum(ln_level + prior.offset, LN_MOST))
    expected, slope = water.reading_and_slope(level)
    noise = seen.noise**2 + (LEVEL_NOISE_FLOOR_US_CM / expected) ** 2
    var = slope * slope * prior.var_offset + noise
    ln_expected = np.log(expected)
    ln_low = math.log(seen.low) if seen.low > 0.0 else -_FAR
    ln_high = _FAR if math.isinf(seen.high) else math.log(seen.high)
    width, centre = ln_high - ln_low, 0.5 * (ln_low + ln_high)
    spread = np.sqrt(var)
    if width < 0.6 * seen.noise:
        # A display step well inside the noise is a plain Gaussian; width**2/12 is the variance of a step.
        total = var + width * width / 12.0
        z = (centre - ln_expected) / np.sqrt(total)
        ln_true = -0.5 * z * z - 0.5 * np.log(2.0 * math.pi * total) + math.log(width)
        shift, shrink = (centre - ln_expected) / total, 1.0 / total
    else:
        low = np.clip((ln_low - ln_expected) / spread, -_FAR, _FAR)
        high = np.clip((ln_high - ln_expected) / spread, -_FAR, _FAR)
        ln_true, mean, second = _truncated(low, high)
        shift, shrink = mean / spread, (1.0 - second) / var
    ln_true = ln_true + math.log1p(-false_share(seen))
    ln_fit = np.logaddexp(ln_true, ln_false(seen))
    belief = np.exp(ln_true - ln_fit)
    return ln_fit, _learn(prior, slope, shift, shrink, belief)


def _truncated(low: Array, high: Array) -> tuple[Array, Array, Array]:
    """Log mass, mean and variance of a standard normal cut to [low, high], stable in both tails."""
    flip = low > 0
    a, b = np.where(flip, -high, low), np.where(flip, -low, high)
    ln_b, ln_a = log_ndtr(b), log_ndtr(a)
    ln_mass = ln_b + np.log1p(-np.exp(np.minimum(ln_a - ln_b, -1e-12)))
    ln_pdf = math.log(math.sqrt(2.0 * math.pi))
    pa, pb = np.exp(-0.5 * a * a - ln_pdf - ln_mass), np.exp(-0.5 * b * b - ln_pdf - ln_mass)
    mean = pa - pb
    second = 1.0 + a * pa - b * pb - mean * mean
    second = np.clip(second, 1e-6, 1.0)
    mean = np.clip(mean, a, b)
    return ln_mass, np.where(flip, -mean, mean), second


def _learn(prior: Corrections, slope: Array, shift: Array, shrink: Array, belief: Array) -> Corrections:
    """Kalman step; ``shift`` and ``shrink`` are innovation and precision per unit variance."""
    to_offset, to_bend = prior.var_offset * slope, prior.cov * slope
    step, cut = belief * shift, belief * shrink
    return Corrections(
        prior.offset + to_offset * step,
        prior.bend + to_bend * step,
        np.maximum(prior.var_offset - to_offset * to_offset * cut, 1e-12),
        prior.cov - to_offset * to_bend * cut,
        np.maximum(prior.var_bend - to_bend * to_bend * cut, 0.0),
        prior.wander,
    )
