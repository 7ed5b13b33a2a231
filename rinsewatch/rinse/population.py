"""A population of hypotheses kept honest by resample-move.

The parameters are static, so each new settled fact reweights the hypotheses by its likelihood; when the
weights grow too uneven the population is resampled and every member moved by Metropolis steps against ALL
facts so far (iterated batch importance sampling, Chopin 2002, Biometrika 89). Sharp facts are let in by
degrees (tempering), so the population cannot collapse. The corrections of each hypothesis are integrated
out exactly (Rao-Blackwell). Deterministic for a given generator.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rinsewatch.rinse.course import Course
from rinsewatch.rinse.evidence import Corrections, Observation, ln_false, weigh
from rinsewatch.rinse.prior import (
    CARBON,
    EXCHANGE,
    FILL,
    FLOOR,
    SLOW,
    UNEVEN,
    UNUSUAL_SHARE,
    Array,
    Flags,
    Index,
    Prior,
)
from rinsewatch.rinse.setup import Residue
from rinsewatch.rinse.traces import Water

MEMBERS: Final = 256
LOWEST_EVENNESS: Final = 0.35  # effective share of members below which the population is renewed
TEMPER_EVENNESS: Final = 0.5
MOVE_SIZES: Final = (2.0, 0.8)  # in spreads over root dimension: bold, fine
ENOUGH_MOVED: Final = 1.0  # moves per member after each resampling, if these come within ...
MOST_ROUNDS: Final = 4
FRESH_BLOCKS: Final = ((FLOOR, CARBON, UNEVEN), (SLOW, EXCHANGE, FILL))
MOST_STAGES: Final = 14
MOST_STAGES_ANEW: Final = 60  # from the prior to all facts at once
RETRY_SURPRISED: Final = 1.05  # so many times the facts before another explanation is looked for again ...
RETRY_GRAVE: Final = 1.2  # ... and where what is there explains them, but makes a claim
SURPRISE: Final = 0.7


@dataclass(frozen=True, slots=True)
class Fit:
    """All facts run through a set of hypotheses, shapes (count,).

    ``ln_old``: log likelihood of the facts the members are already spread by; ``ln_all``: of all facts;
    ``ln_last``: of the last fact alone;
    ``ln_level`` and ``corrections``: nominal log level and corrections after the last fact.
    """

    ln_old: Array
    ln_all: Array
    ln_last: Array
    corrections: Corrections
    ln_level: Array

    def take(self, index: Index) -> Fit:
        """The fits of the chosen members."""
        return Fit(
            self.ln_old[index],
            self.ln_all[index],
            self.ln_last[index],
            self.corrections.take(index),
            self.ln_level[index],
        )

    def where(self, taken: Flags, new: Fit) -> Fit:
        """``new`` where taken, this one elsewhere."""
        return Fit(
            np.where(taken, new.ln_old, self.ln_old),
            np.where(taken, new.ln_all, self.ln_all),
            np.where(taken, new.ln_last, self.ln_last),
            self.corrections.where(taken, new.corrections),
            np.where(taken, new.ln_level, self.ln_level),
        )


@dataclass(frozen=True, slots=True)
class View:
    """The belief at one place: weights (sum 1), nominal log level there and the corrections."""

    weights: Array
    ln_level: Array
    corrections: Corrections


def run_facts(course: Course, theta: Array, prior: Prior, residue: Residue, known_serial: int) -> Fit:
    """Filter all facts of the course through each hypothesis."""
    water, uneven = Water.of(residue, theta, prior), np.exp(theta[:, UNEVEN])
    levels, corrections = course.trace(theta), Corrections.fresh(theta.shape[0], course.wander)
    zeros = np.zeros(theta.shape[0])
    ln_old, ln_all, gain, before = zeros, zeros, zeros, None
    for column, seen in enumerate(course.observations):
        level = levels[:, column]
        change = zeros if before is None else level - before
        corrections = corrections.advance(change, uneven, seen.jump)
        gain, corrections = weigh(seen, level, water, corrections)
        ln_all, before = ln_all + gain, level
        if seen.serial <= known_serial:
            ln_old = ln_all
    return Fit(ln_old, ln_all, gain, corrections, course.ln_level_now(theta) if before is None else before)


class Population:
    """The members, their weights and their fit to the facts committed so far."""

    def __init__(
        self, prior: Prior, residue: Residue, course: Course, rng: np.random.Generator, members: int = MEMBERS
    ) -> None:
        self.prior = self.usual = prior
        self.residue = residue
        self.rng = rng
        self.theta = prior.draw(members, rng)
        self._known = self._began_at = 0
        self.refit(course)

    @property
    def weights(self) -> Array:
        """Normalised weights, shape (members,)."""
        return _normalised(self.fit.ln_all - self.fit.ln_old)

    def refit(self, course: Course, *, grave: bool = False, stands_us_cm: float | None = None) -> None:
        """Reweight by all committed facts; renew the population where the weights demand it.

        ``grave``: what it says is a claim not to be made before another explanation was looked for.
        ``stands_us_cm``: where the reading stands still, far above what is taken for the floor; that may lie there.
        """
        self.fit = run_facts(course, self.theta, self.prior, self.residue, self._known)
        if _evenness(self.fit.ln_all - self.fit.ln_old) < LOWEST_EVENNESS or self._surprised(course):
            self._renew(course, MOST_STAGES)
        retry = RETRY_SURPRISED if stands_us_cm or self._surprised(course) else RETRY_GRAVE if grave else math.inf
        if course.last_serial > self._began_at and course.last_serial >= retry * self._began_at:
            unusual = self.usual.unusual()
            self._begin_again(course, unusual.with_floor_near(stands_us_cm) if stands_us_cm else unusual)
        self.water = Water.of(self.residue, self.theta, self.prior)
        self.uneven = np.exp(self.theta[:, UNEVEN])

    def _renew(self, course: Course, most_stages: int) -> None:
        """Let the facts that are new to the members in by degrees."""
        share = 0.0
        for stage in range(most_stages):
            share = self._stage(course, share, last=stage == most_stages - 1)
            if share >= 1.0:
                break
        self._known = course.last_serial
        self.fit = replace(self.fit, ln_old=self.fit.ln_all)

    def _begin_again(self, course: Course, unusual: Prior) -> None:
        """No member explains the last fact, nor any near them: look for another explanation of all facts, among beds
        unlike the usual ones too, and take it if it is the better one by more than such beds are rare."""
        prior, theta, fit, known, before = self.prior, self.theta, self.fit, self._known, self._plausible()
        self._began_at, self._known, self.prior = course.last_serial, 0, unusual
        self.theta = self.prior.draw(theta.shape[0], self.rng)
        self.fit = run_facts(course, self.theta, self.prior, self.residue, 0)
        self._renew(course, MOST_STAGES_ANEW)
        odds = math.log(UNUSUAL_SHARE) if prior is self.usual else 0.0
        if self._plausible() + odds <= before:
            self.prior, self.theta, self.fit, self._known = prior, theta, fit, known

    def _plausible(self) -> float:
        """Log posterior density of the middle member, up to a constant common to all priors."""
        ln_density = self.prior.log_density(self.theta) - np.log(self.prior.spread).sum()
        return float(np.median(self.fit.ln_all + ln_density))

    def _surprised(self, course: Course) -> bool:
        """All members alike take the last fact for a false one: even weights, and yet all may be wrong."""
        facts = course.observations
        return bool(facts) and float(np.dot(self.weights, self.fit.ln_last)) < ln_false(facts[-1]) + SURPRISE

    def _stage(self, course: Course, share: float, *, last: bool) -> float:
        """One tempering stage: as much of the new evidence as the weights bear, resample, move."""
        news = self.fit.ln_all - self.fit.ln_old
        step = 1.0 - share if last else _bearable(news, 1.0 - share)
        index = _systematic(_normalised(step * news), self.rng)
        self.theta, self.fit = self.theta[index], self.fit.take(index)
        share += step
        self._move(course, share)
        return share

    def _move(self, course: Course, share: float) -> None:
        """Metropolis steps against the old facts and a share of the new ones, until most members have moved."""
        scale, moved = _scale(self.theta), 0.0
        for _ in range(MOST_ROUNDS):
            for size in MOVE_SIZES:
                step = size / np.sqrt(self.theta.shape[1]) * self.rng.standard_normal(self.theta.shape)
                proposal = self.theta + step @ scale.T
                ln_prior = self.prior.log_density(proposal) - self.prior.log_density(self.theta)
                moved += self._try(course, share, proposal, ln_prior)
            for block in FRESH_BLOCKS:
                self._try(course, share, self._fresh(block), np.zeros(self.theta.shape[0]))
            if moved >= ENOUGH_MOVED:
                break

    def _fresh(self, columns: tuple[int, ...]) -> Array:
        """The members with some parameters drawn anew from the prior.

        What the facts do not yet tell (the floor, long before it is seen) must keep its prior spread; steps
        fitted to the members' own spread would let it drift with their ancestry.
        """
        proposal, drawn = self.theta.copy(), self.prior.draw(self.theta.shape[0], self.rng)
        proposal[:, columns] = drawn[:, columns]
        return proposal

    def _try(self, course: Course, share: float, proposal: Array, ln_prior: Array) -> float:
        """One Metropolis step; ``ln_prior`` is the log ratio of prior times proposal densities. Share that moved."""
        fit = run_facts(course, proposal, self.prior, self.residue, self._known)
        gain = _tempered(fit, share) - _tempered(self.fit, share) + ln_prior
        taken = np.log(self.rng.random(gain.size)) < np.nan_to_num(gain, nan=-np.inf)
        self.theta = np.where(taken[:, None], proposal, self.theta)
        self.fit = self.fit.where(taken, fit)
        return float(taken.mean())

    def view(self, ln_level: Array, seen: Observation | None) -> View:
        """The belief at a place, with the present (uncommitted) fact if there is one."""
        corrections = self.fit.corrections.advance(
            ln_level - self.fit.ln_level, self.uneven, seen.jump if seen is not None else 0.0
        )
        ln_weights = self.fit.ln_all - self.fit.ln_old
        if seen is not None:
            gain, corrections = weigh(seen, ln_level, self.water, corrections)
            ln_weights = ln_weights + gain
        return View(_normalised(ln_weights), ln_level, corrections)


def _tempered(fit: Fit, share: float) -> Array:
    # Clamped: hopeless proposals must stay comparable, not become nan.
    out: Array = np.maximum(fit.ln_old + share * (fit.ln_all - fit.ln_old), -1e6)
    return out


def _normalised(ln_weights: Array) -> Array:
    weights = np.exp(ln_weights - ln_weights.max())
    out: Array = weights / weights.sum()
    return out


def _evenness(ln_weights: Array) -> float:
    """Effective share of the members, 0 to 1."""
    weights = _normalised(ln_weights)
    return float(1.0 / (weights.size * np.dot(weights, weights)))


def _bearable(news: Array, most: float) -> float:
    """The largest share of the new evidence that keeps the weights even enough."""
    if _evenness(most * news) >= TEMPER_EVENNESS:
        return most
    low, high = 0.0, most
    for _ in range(20):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _evenness(middle * news) >= TEMPER_EVENNESS else (low, middle)
    return max(low, 1e-6)


def _systematic(weights: Array, rng: np.random.Generator) -> Index:
    """Systematic resampling: indices, shape (members,)."""
    points = (rng.random() + np.arange(weights.size)) / weights.size
    return np.minimum(np.searchsorted(np.cumsum(weights), points), weights.size - 1)


def _scale(theta: Array) -> Array:
    """Cholesky root of the members' covariance, with a little extra so that it is never singular."""
    cov = np.atleast_2d(np.cov(theta.T))
    root = np.linalg.cholesky(cov + 1e-6 * np.eye(cov.shape[0]) + 1e-3 * np.diag(np.diag(cov)))
    return np.asarray(root, dtype=np.float64)
